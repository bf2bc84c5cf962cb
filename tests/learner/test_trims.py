"""Common table and trims: the banks' tables again, and never leaner than the rule allows."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breathmap.learner.decide.proposal import maximum_of
from breathmap.learner.decide.trims import Wanted, trimmed
from breathmap.learner.words.description import Storage, Trims

SHAPE = (4, 5)
STORAGE = Storage(step_pct=0.4, max_pct=102.0)


def made_up(seed: int, banks: int, spread: float) -> list[Wanted]:
    """Return banks whose tables differ by about `spread`, in whole steps, with floors below."""
    rng = np.random.default_rng(seed)
    common = rng.uniform(35.0, 95.0, SHAPE)
    made = []
    for _ in range(banks):
        cells = common * (1.0 + spread * rng.normal(size=SHAPE))
        cells = 0.4 * np.clip(np.round(cells / 0.4), 1.0, 255.0)
        floor = cells * (1.0 - np.abs(rng.normal(0.0, 0.02, SHAPE)) * rng.integers(0, 2, SHAPE))
        made.append(Wanted(cells, floor, rng.uniform(0.002, 0.05, SHAPE)))
    return made


@settings(max_examples=80, deadline=None)
@given(
    st.integers(0, 10_000),
    st.integers(2, 4),
    st.sampled_from([0.0, 0.02, 0.1, 0.3]),
    st.sampled_from(["cell", "bank"]),
    st.sampled_from([(0.5, 25.0), (1.0, 6.0), (0.4, 12.5)]),
)
def test_the_product_is_never_below_the_floor(
    seed: int, banks: int, spread: float, per: str, steps: tuple[float, float]
) -> None:
    """After rounding, what the controller makes is as rich as the rule asks or is counted as short,
    in whole steps within its range; a trim a cell gives each table again to one trim step."""
    wanted = made_up(seed, banks, spread)
    trims = Trims.model_validate({"per": per, "step_pct": steps[0], "max_pct": steps[1]})
    found = trimmed(wanted, STORAGE, trims)
    product = found.product_pct
    floors = np.minimum([one.minimum_pct for one in wanted], [one.cells_pct for one in wanted])
    below = product < floors - 1e-9
    assert below.sum() == found.short
    # Only what stands at its maximum may be short.
    assert (np.broadcast_to(found.common_pct, below.shape)[below] > maximum_of(STORAGE) - 0.3).all()
    assert found.common_pct / 0.4 == pytest.approx(np.round(found.common_pct / 0.4), abs=1e-6)
    assert found.trims_pct / steps[0] == pytest.approx(
        np.round(found.trims_pct / steps[0]), abs=1e-6
    )
    assert np.abs(found.trims_pct).max() <= steps[1] + 1e-9
    if per == "cell":
        own = np.stack([one.cells_pct for one in wanted])
        free = np.abs(found.trims_pct) < steps[1] - steps[0]
        assert (np.abs(product - own) <= found.common_pct * steps[0] / 100.0 + 1e-6)[free].all()


def test_one_number_is_found_where_the_banks_differ_by_one() -> None:
    """Two banks 6 % apart: 3 % either way, with an error; known cells count, others hardly."""
    cells = np.linspace(50.0, 80.0, 20).reshape(SHAPE)
    error = np.full(SHAPE, 0.01)
    odd = cells * 1.03
    odd[0, 0], error[0, 0] = 20.0, 0.5
    banks = [Wanted(odd, odd * 0.9, error), Wanted(cells * 0.97, cells * 0.9, error)]
    found = trimmed(banks, STORAGE, Trims(per="bank", step_pct=0.5, max_pct=20.0))
    assert found.trims_pct[0] == pytest.approx(3.0)
    assert found.trims_pct[1] == pytest.approx(-3.0)
    assert found.short == 0
    assert 0.6 < found.trim_errors_pct[0, 0, 0] < 0.9
    assert found.common_error_pct[1, 1] == pytest.approx(100.0 * 0.01 / np.sqrt(2.0))


def test_what_cannot_be_held_is_counted() -> None:
    """A bank that needs more than the largest cell with the largest trim is short, and said."""
    high = np.full(SHAPE, 102.0)
    banks = [Wanted(high, high, high / 1e4), Wanted(high / 2.0, high / 2.0, high / 1e4)]
    found = trimmed(banks, STORAGE, Trims(per="bank", step_pct=1.0, max_pct=3.0))
    assert found.common_pct == pytest.approx(99.2)
    assert found.short == 0
    far = [Wanted(high, high, high / 1e4), *[Wanted(high / 2.0, high / 2.0, high / 1e4)] * 3]
    lower = Storage(step_pct=0.4, max_pct=90.0)
    assert trimmed(far, lower, Trims(per="bank", step_pct=1.0, max_pct=3.0)).short == 20
