"""The truth, the tables on axes and the comparison of one with the other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from breathmap.simulator.parameters import TWIN_AXES, EngineParameters, college_twin, random_engine
from breathmap.simulator.run import fuelling_error, perturbed_table
from breathmap.simulator.table import Axes, Table
from breathmap.simulator.truth import VE_LIMITS_PCT, cells_of, on_grid, random_truth, twin_truth

INSIDE = st.tuples(
    st.floats(TWIN_AXES.speed_rpm[0], TWIN_AXES.speed_rpm[-1]),
    st.floats(TWIN_AXES.load_kpa[0], TWIN_AXES.load_kpa[-1]),
)


@given(INSIDE)
def test_grid_truth_is_bilinear(point: tuple[float, float]) -> None:
    """Truth on a grid equals scipy's bilinear interpolation of its cells."""
    truth = on_grid(twin_truth(), TWIN_AXES)
    rows = len(TWIN_AXES.load_kpa)
    for bank in range(2):
        cells = np.array(truth.cells_pct(bank)).reshape(rows, -1)
        reference = RegularGridInterpolator((TWIN_AXES.load_kpa, TWIN_AXES.speed_rpm), cells)
        expected = float(reference((point[1], point[0])))

        assert truth.ve_pct(bank, *point) == pytest.approx(expected, rel=1e-12)


def test_look_up_clamps() -> None:
    """Outside the axes the look-up holds the edge."""
    table = Table(Axes((1000, 2000), (30, 60)), [1.0, 2.0, 3.0, 4.0])

    assert table.value(500, 10) == 1.0
    assert table.value(9000, 10) == 2.0
    assert table.value(500, 99) == 3.0
    assert table.value(9000, 99) == 4.0
    assert table.value(1500, 99) == 3.5


@pytest.mark.parametrize(
    ("speeds", "loads", "says"),
    [
        ((1000,), (30, 60), "speed_rpm needs at least 2"),
        ((1000, 1000), (30, 60), "speed_rpm must ascend"),
        ((1000, 2000), (60, 30), "load_kpa must ascend"),
        ((1000, float("nan")), (30, 60), "speed_rpm holds a value"),
    ],
)
def test_bad_axes_are_refused(
    speeds: tuple[float, ...], loads: tuple[float, ...], says: str
) -> None:
    """Axes that no controller could have are refused with the axis named."""
    with pytest.raises(ValueError, match=says):
        Axes(speeds, loads)


def test_grid_and_continuous_agree_at_the_breakpoints_only() -> None:
    """The continuous truth is not on the grid: bilinear cells leave some tenths of a per cent."""
    smooth, grid = twin_truth(), on_grid(twin_truth(), TWIN_AXES)
    rng = np.random.default_rng(1)
    speeds, loads = rng.uniform(1000, 7000, 3000), rng.uniform(25, 100, 3000)
    between = [
        grid.ve_pct(0, n, p) / smooth.ve_pct(0, n, p) - 1.0
        for n, p in zip(speeds, loads, strict=True)
    ]

    assert grid.cells_pct(0) == cells_of(smooth, 0, TWIN_AXES)
    assert 0.0005 < float(np.sqrt(np.mean(np.square(between)))) < 0.005


def test_random_truths_are_realistic_and_differ() -> None:
    """Random engines breathe between about 45 and 105 %, differ from each other, and their banks
    differ a little."""
    apart = []
    for seed in range(60):
        truth = random_truth(seed)
        cells = np.array([cells_of(truth, bank, TWIN_AXES) for bank in range(2)])
        apart.append(np.std(cells[0] / cells[1]))
        assert VE_LIMITS_PCT[0] <= cells.min()
        assert cells.max() <= VE_LIMITS_PCT[1]

    assert 0.01 < np.mean(apart) < 0.10
    assert cells_of(random_truth(1), 0, TWIN_AXES) != cells_of(random_truth(2), 0, TWIN_AXES)
    assert cells_of(random_truth(1), 0, TWIN_AXES) == cells_of(random_truth(1), 0, TWIN_AXES)


@pytest.mark.parametrize("rms", [0.0, 0.06, 0.10])
def test_perturbed_table_has_the_chosen_error(rms: float) -> None:
    """A starting table is wrong by what was asked, over its cells, and is storable."""
    truth = twin_truth()
    for bank in range(2):
        cells = perturbed_table(truth, bank, TWIN_AXES, rms, seed=5)
        errors = np.array(cells) / cells_of(truth, bank, TWIN_AXES) - 1.0

        assert float(np.sqrt(np.mean(errors**2))) == pytest.approx(rms, abs=0.004)
        assert all(c == round(c / 0.4) * 0.4 and 0 <= c <= 102.0 for c in cells)


ANYWHERE = st.tuples(st.floats(-500.0, 20_000.0), st.floats(-50.0, 400.0))


@given(st.lists(ANYWHERE, min_size=1, max_size=20), st.booleans())
def test_many_points_are_looked_up_as_one(points: list[tuple[float, float]], stored: bool) -> None:
    """A table gives many points the values that it gives each alone, bit for bit, on its axes,
    between them and off them, and of what a controller stores, too."""
    cells = cells_of(twin_truth(), 0, TWIN_AXES)
    table = Table(TWIN_AXES, cells)
    if stored:
        table = Table(TWIN_AXES, bytearray(min(255, int(2.0 * cell)) for cell in cells), 0.4)
    ends = [(n, p) for n in TWIN_AXES.speed_rpm[-2:] for p in TWIN_AXES.load_kpa[:2]]
    speed, load = np.array([*points, *ends]).T
    alone = [table.value(n, p) for n, p in zip(speed.tolist(), load.tolist(), strict=True)]
    assert table.values(speed, load).tolist() == alone


def test_fuelling_error_is_table_over_truth() -> None:
    """A table 10 % too high fuels 10 % rich everywhere on a grid truth."""
    truth = on_grid(twin_truth(), TWIN_AXES)
    table = [1.1 * c for c in truth.cells_pct(1)]
    errors = fuelling_error(truth, 1, TWIN_AXES, table, [1234.0, 5000.0], [33.0, 88.0])

    assert errors == pytest.approx([0.1, 0.1])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"displacement_cm3": 0.0}, "displacement_cm3 must be above 0"),
        ({"cylinder_bank": (0, 2)}, "cylinder_bank must be"),
        ({"sensors": ()}, "sensors must be one per bank"),
        ({"manifold_volume_l": float("inf")}, "manifold_volume_l must be above 0"),
        ({"misfire": 2.0}, "misfire must be 0 to 1"),
    ],
)
def test_bad_parameters_are_refused(changes: dict[str, object], says: str) -> None:
    """A parameter out of range is refused by name."""
    with pytest.raises(ValueError, match=says):
        EngineParameters(truth=twin_truth(), **changes)  # type: ignore[arg-type]


def test_random_engines_differ_and_repeat() -> None:
    """The same seed gives the same engine, another seed another."""
    first, again, other = random_engine(7), random_engine(7), random_engine(8)

    assert first.film == again.film != other.film
    assert first.exhausts == again.exhausts != other.exhausts
    assert college_twin("grid").truth.ve_pct(0, 1000, 20) == pytest.approx(
        twin_truth().ve_pct(0, 1000, 20)
    )
    with pytest.raises(ValueError, match="truth must be continuous or grid"):
        college_twin("smooth")


def test_a_tables_cells_are_replaced_as_a_whole() -> None:
    """A look-up sees new cells at once, also in the square of the one before; what was given can be
    written afterwards without the table following half of it."""
    given = [1.0, 2.0, 3.0, 4.0]
    table = Table(Axes((1000.0, 2000.0), (20.0, 100.0)), given)
    assert table.value(1000.0, 20.0) == 1.0
    given[0] = 9.0
    assert table.value(1000.0, 20.0) == table.cells[0] == 1.0
    table.cells = given
    assert table.value(1000.0, 20.0) == 9.0
