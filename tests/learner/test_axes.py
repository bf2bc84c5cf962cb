"""Axes advice on surfaces of known shape: exact where it can be."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline, RegularGridInterpolator

from breathmap.learner.axes.advice import (
    CANNOT_TELL,
    NOT_WORTH_IT,
    WORTH_IT,
    advise,
    rounding_of,
    verdict_on,
)
from breathmap.learner.axes.grid import (
    MOST_CELLS,
    Grid,
    finer,
    grid_of,
    moved,
    parts_for,
    points_on,
    settings_on,
    smooth,
)
from breathmap.learner.axes.limit import Array, Left, Surfaces, fit, loss, surfaces_of
from breathmap.learner.axes.search import NARROWEST_STEP, WIDEST_STEP, Search, Steps
from breathmap.learner.axes.where import Ran, known_ground
from breathmap.learner.axes.whole_steps import never_above, never_below
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.learner.exact.solve import Solution
from breathmap.protocol.wire.codes import FUEL_CUT
from breathmap.protocol.wire.sample import Sample

COARSE = Grid(tuple(np.linspace(1000.0, 7000.0, 9)), (20.0, 40.0, 60.0, 80.0, 100.0))
FINE = finer(COARSE)


def breathing(grid: Grid, centre_rpm: float = 2875.0) -> Array:
    """VE with one ridge, narrow enough for the coarse grid to miss, and straight over load."""
    speed, load = np.array(grid.speed_rpm), np.array(grid.load)
    ridge = 70.0 + 15.0 * np.exp(-(((speed - centre_rpm) / 500.0) ** 2))
    return np.outer(0.8 + load / 500.0, ridge)


def solved(grid: Grid, error: float, change: float = 0.0, coverage: float = 50.0) -> Solution:
    """A solution without correction of its own, each cell known by itself to `error`."""
    zero = np.zeros(grid.shape)
    return Solution(
        correction=zero + change,
        standard_error=zero + error,
        coarseness=zero,
        coverage=zero + coverage,
        visited=zero + coverage > 0.0,
        noise=0.01,
        widening=1.0,
        table_sd=0.1,
        roughness=0.1,
        leaning=0.0,
        term_values=np.zeros(0),
        term_errors=np.zeros(0),
        term_covariance=np.zeros((0, 0)),
        used=1000,
        cell_covariance=np.eye(grid.size) * error**2,
    )


@cache
def known_well() -> Surfaces:
    """It, made once."""
    return known()


def known(error: float = 1e-5, weights: Array | None = None) -> Surfaces:
    """What is known of that breathing on the finer grid, by default everywhere alike."""
    weights = np.ones(points_on(FINE).shape) if weights is None else weights
    return surfaces_of(breathing(FINE).ravel().tolist(), solved(FINE, error), FINE, weights)


@settings(max_examples=40)
@given(
    st.lists(st.floats(1.0, 120.0), min_size=45, max_size=45),
    st.floats(1000.0, 7000.0),
    st.floats(20.0, 100.0),
)
def test_a_table_says_the_same_on_a_finer_grid(
    cells: list[float], speed: float, load: float
) -> None:
    """Whatever the cells, the controller's look-up is the same on the finer grid, at any point."""
    table = Table(list(COARSE.speed_rpm), list(COARSE.load), cells)
    made = settings_on(
        Settings([BankSettings("one", table, DelayModel())], sample_rate_hz=25.0), FINE
    )
    assert grid_of(made) == FINE
    assert set(COARSE.speed_rpm) <= set(FINE.speed_rpm)
    assert table.locate(speed, load)
    assert made.banks[0].table.locate(speed, load)
    assert made.banks[0].table.ve_pct == pytest.approx(table.ve_pct, rel=1e-9)


def test_reading_is_scipys() -> None:
    """Hats are scipy's linear interpolation, the smooth reading its cubic spline."""
    cells = breathing(COARSE)
    places = Grid((1234.0, 4321.0, 6999.0), (20.0, 33.0, 97.0))
    scipys = RegularGridInterpolator((COARSE.load, COARSE.speed_rpm), cells)
    mesh = np.array([[(p, n) for n in places.speed_rpm] for p in places.load])
    assert moved(cells, COARSE, places) == pytest.approx(scipys(mesh), rel=1e-12)
    spline = CubicSpline(COARSE.speed_rpm, cells[0])(places.speed_rpm)
    assert smooth(COARSE.speed_rpm, places.speed_rpm) @ cells[0] == pytest.approx(spline, rel=1e-9)


@given(st.integers(2, 32), st.integers(2, 32))
def test_the_finer_grid_is_twice_as_dense_or_more_where_it_can_be_solved(
    speeds: int, loads: int
) -> None:
    """Small tables are cut finer, large ones into halves."""
    grid = Grid(tuple(range(speeds)), tuple(range(loads)))
    parts = parts_for(grid)
    assert parts >= 2
    assert parts == 2 or finer(grid).size <= MOST_CELLS
    assert set(grid.speed_rpm) <= set(finer(grid).speed_rpm)


def test_a_line_through_a_parabola_leaves_what_the_books_say() -> None:
    """Of a parabola along speed the best table leaves h^2 f'' / sqrt(720) (published: the remainder
    of linear interpolation, fitted best), but for the free ends."""
    speed = np.array(FINE.speed_rpm)
    ve = 100.0 - 1e-7 * (speed - 4000.0) ** 2
    cells = np.tile(ve, (len(FINE.load), 1))
    ones = np.ones(points_on(FINE).shape)
    # Even weights at the points count steps' ends double: enough of them hide it.
    surfaces = surfaces_of(cells.ravel().tolist(), solved(FINE, 1e-9), FINE, ones)
    left = fit(surfaces, COARSE).left[:, 0]
    expected = 750.0**2 * 2e-7 / np.sqrt(720.0) / 100.0
    assert np.sqrt(np.mean(left**2)) == pytest.approx(expected, rel=0.15)


def test_more_breakpoints_never_leave_more() -> None:
    """A grid that holds all breakpoints of another leaves no more than it."""
    surfaces = known()
    more = Grid(tuple(sorted([*COARSE.speed_rpm, 2350.0])), COARSE.load)
    assert loss(surfaces, more) <= loss(surfaces, COARSE) * (1.0 + 1e-9)
    assert loss(surfaces, FINE) < 0.2 * loss(surfaces, COARSE)


def test_breakpoints_go_where_the_breathing_bends() -> None:
    """The best axes crowd about the ridge, keep their ends, number, order, steps and limits, and
    leave less than half."""
    surfaces = [known()]
    search = Search(surfaces, COARSE, Steps(speed_rpm=50.0, load=1.0))
    best = search.best()
    assert best.shape == COARSE.shape
    assert (best.speed_rpm[0], best.speed_rpm[-1]) == (1000.0, 7000.0)
    assert all(speed % 50.0 == 0.0 for speed in best.speed_rpm)
    near = [n for n in best.speed_rpm if 2000.0 <= n <= 3750.0]
    assert len(near) > len([n for n in COARSE.speed_rpm if 2000.0 <= n <= 3750.0])
    steps = np.diff(np.interp(best.speed_rpm, COARSE.speed_rpm, np.arange(9)))
    assert steps.min() >= NARROWEST_STEP
    assert steps.max() <= WIDEST_STEP
    assert search.loss(best) < 0.5 * search.loss(COARSE)


def test_one_more_goes_to_the_ridge_and_one_less_far_from_it() -> None:
    """The next breakpoint is put beside the ridge, the one that is missed least is not there."""
    search = Search([known()], COARSE, Steps())
    larger = search.with_one_more(COARSE, "speed")
    smaller = search.with_one_less(COARSE, "speed")
    assert larger is not None
    assert smaller is not None
    (added,) = set(larger.speed_rpm) - set(COARSE.speed_rpm)
    (gone,) = set(COARSE.speed_rpm) - set(smaller.speed_rpm)
    assert abs(added - 2875.0) < 400.0
    assert abs(gone - 2875.0) > 1200.0


def test_advice_names_the_axis_that_costs() -> None:
    """Breathing that bends over speed alone costs on the speed axis, in the steps of the ridge, and
    new axes are worth it; a further load row is not."""
    advice = advise(Search([known()], COARSE, Steps()), 1.0)
    speed, load = advice.costs
    assert speed.rms.value > 20.0 * load.rms.value
    assert 1750.0 <= speed.steps[0][0] <= 3250.0
    assert advice.best.verdict == WORTH_IT
    assert advice.best.rms.value < 0.75 * advice.present.rms.value
    more = {one.axis: one.choice.verdict for one in advice.one_more}
    assert more == {"speed": WORTH_IT, "load": NOT_WORTH_IT}
    counts = [one.count for one in advice.curve if one.axis == "speed"]
    assert counts == sorted(counts)
    assert advice.present.worst.speed_rpm == pytest.approx(2875.0, abs=800.0)


def test_what_is_barely_known_is_not_advised() -> None:
    """With 3 % at every cell the same breathing gives no advice."""
    advice = advise(Search([known(error=0.03)], COARSE, Steps()), 1.0, with_curve=False)
    assert advice.best.verdict != WORTH_IT
    assert advice.best.gain.error > 0.0
    assert advice.known > 0.01


@pytest.mark.parametrize(
    ("gain", "error", "verdict"),
    [
        (0.0020, 0.0005, WORTH_IT),
        (0.0020, 0.0015, CANNOT_TELL),
        (0.0001, 0.0001, NOT_WORTH_IT),
        (0.0001, 0.0020, CANNOT_TELL),
        (-0.0010, 0.0001, NOT_WORTH_IT),
    ],
)
def test_a_gain_within_its_error_is_none(gain: float, error: float, verdict: str) -> None:
    """Worth it needs enough, and more than twice its error; too small needs to be sure, too."""
    assert verdict_on(Left(gain, error), Left(0.005, 0.0001)) == verdict


@pytest.mark.parametrize(
    ("gain", "present", "rounding", "verdict"),
    [
        (0.0008, 0.0010, 0.0000, WORTH_IT),
        (0.0008, 0.0010, 0.0030, NOT_WORTH_IT),
        (0.0016, 0.0028, 0.0012, WORTH_IT),
        (0.0006, 0.0010, 0.0011, NOT_WORTH_IT),
    ],
)
def test_a_gain_that_drowns_in_rounding_is_not_worth_it(
    gain: float, present: float, rounding: float, verdict: str
) -> None:
    """Squares add: what rounding leaves hides a small gain, and a large one hardly."""
    assert verdict_on(Left(gain, 1e-5), Left(present, 1e-5), rounding) == verdict


def test_rounding_is_what_whole_steps_leave_between_cells() -> None:
    """The rms of a table's rounding, read between its cells, is what is stated."""
    rng = np.random.default_rng(1)
    flat = replace(known(), mean_pct=np.full(known().mean_pct.shape, 60.0))
    off = rng.uniform(-0.2, 0.2, (4000, 4))
    u, v = rng.random((2, 4000))
    at = off[:, 0] * u * v + off[:, 1] * (1 - u) * v + off[:, 2] * u * (1 - v)
    at += off[:, 3] * (1 - u) * (1 - v)
    true = np.sqrt(np.mean((at / 60.0) ** 2))
    assert rounding_of([flat], 0.4) == pytest.approx(true, rel=0.05)
    assert rounding_of([flat], 0.0) == 0.0


def test_weights_say_where_it_matters() -> None:
    """Where the engine never ran near the ridge the axes are good enough."""
    weights = np.zeros(points_on(FINE).shape)
    weights[:, np.array(points_on(FINE).speed_rpm) > 5000.0] = 1.0
    advice = advise(Search([known(weights=weights)], COARSE, Steps()), 1.0, with_curve=False)
    assert advice.present.rms.value < 0.0005
    assert advice.best.verdict == NOT_WORTH_IT


def test_only_running_with_fuel_within_the_axes_counts() -> None:
    """Samples go to the nearest point; fuel cuts, gaps and what lies outside count nothing."""
    ran = Ran(FINE, load_is_throttle=False)
    sample = Sample(1)
    for speed, load, flags in (
        (2510.0, 60.4, 0),
        (2510.0, 60.4, FUEL_CUT),
        (float("nan"), 60.0, 0),
        (2510.0, 101.0, 0),
        (900.0, 60.0, 0),
    ):
        sample.speed_rpm, sample.map_kpa, sample.flags = speed, load, flags
        ran.take(sample)
    assert ran.count.sum() == 1.0
    row, column = np.argwhere(ran.count)[0]
    points = points_on(FINE)
    assert abs(points.speed_rpm[column] - 2510.0) <= min(np.diff(points.speed_rpm)) / 2.0 + 1e-9
    assert abs(points.load[row] - 60.4) <= 5.0


def test_ground_is_known_where_every_cell_about_it_is() -> None:
    """One cell without a sample's worth takes the points beside it away, and no other."""
    solution = solved(FINE, 0.01)
    solution.coverage[3, 5] = 0.5
    known_points = known_ground(solution, FINE)
    assert not known_points[6, 10]
    assert not known_points[7, 11]
    assert known_points[8, 10]
    assert (~known_points).sum() == 9


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.7, 1.1), min_size=20, max_size=20),
    st.sets(st.integers(11, 69), min_size=1, max_size=6),
    st.sets(st.integers(21, 99), min_size=1, max_size=4),
)
def test_tables_on_other_axes_are_nowhere_leaner(
    cells: list[float], speeds: set[int], loads: set[int]
) -> None:
    """Whatever target and axes, at no point between breakpoints does it end leaner; on the same
    axes it is the same, in whole steps."""
    old = Grid((1000.0, 2500.0, 4000.0, 5500.0, 7000.0), (20.0, 45.0, 70.0, 100.0))
    new = Grid(
        (1000.0, *(100.0 * n for n in sorted(speeds)), 7000.0),
        (20.0, *map(float, sorted(loads)), 100.0),
    )
    table = 0.005 * np.round(np.reshape(cells, old.shape) / 0.005)
    made = never_above(table, old, new, 0.005)
    dense = Grid(tuple(np.linspace(1000, 7000, 61)), tuple(np.linspace(20, 100, 81)))
    assert (moved(made, new, dense) <= moved(table, old, dense) + 1e-6).all()
    assert made / 0.005 == pytest.approx(np.round(made / 0.005), abs=1e-6)
    assert never_above(table, old, old, 0.005) == pytest.approx(table)
    richer = never_below(100.0 * table, old, new, 0.5, 120.0)
    assert (moved(richer, new, dense) >= moved(100.0 * table, old, dense) - 1e-4).all()
    assert never_below(100.0 * table, old, old, 0.5, 120.0) == pytest.approx(100.0 * table)
