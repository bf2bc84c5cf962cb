"""The stop rule: finished or not, and how many more minutes which ground needs."""

from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from breathmap.learner.decide.finished import Z95, Judgement, judge, remaining_error
from breathmap.learner.decide.proposal import Rules, propose
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes, Storage

AXES = Axes(
    speed_rpm=[1000, 1500, 2200, 3000, 3900, 5000, 6000, 7200],
    load=[20.0, 30.0, 45.0, 60.0, 80.0, 100.0],
)
SHAPE = (6, 8)
OLD = [80.0] * 48


def solution(error: float = 0.005, change: float = 0.0, covered: int = 32) -> Solution:
    """Return a solution with a standard error and correction everywhere, covered in its first
    cells, row by row from the lowest load."""
    coverage = np.zeros(48)
    coverage[:covered] = 100.0
    values: dict[str, Any] = {f.name: 0.0 for f in fields(Solution)}
    values |= {
        "correction": np.full(SHAPE, change),
        "standard_error": np.full(SHAPE, error),
        "coarseness": np.zeros(SHAPE),
        "coverage": coverage.reshape(SHAPE),
        "visited": coverage.reshape(SHAPE) > 0.0,
    }
    return Solution(**values)


def judged(
    found: Solution, rules: Rules | None = None, target: float = 0.02, step: float = 0.5
) -> Judgement:
    """Return the judgement of a proposal made from a solution, after ten minutes."""
    storage = Storage(step_pct=step)
    proposal = propose(OLD, found, storage, AXES, rules or Rules())
    return judge(OLD, found, proposal, AXES, storage, 600.0, target)


def test_small_errors_are_finished() -> None:
    """Every region that was run and whose 95 % bound is below the target is finished; ground never
    run does not matter."""
    judgement = judged(solution(0.005))

    assert judgement.finished
    # Four groups of two speeds; of three groups of two loads the lower two were run (32 cells).
    assert len(judgement.regions) == 8
    assert sum(r.minutes for r in judgement.regions) == pytest.approx(10.0)
    assert {r.load for r in judgement.regions} == {(20.0, 30.0), (45.0, 60.0)}
    assert all(r.bound == pytest.approx(Z95 * 0.005) for r in judgement.regions)
    assert all(r.more_minutes == 0.0 for r in judgement.regions)


def test_nothing_run_is_never_finished() -> None:
    """Without evidence nothing is finished, however small the stated errors are."""
    assert not judged(solution(0.001, covered=0)).finished


def test_minutes_follow_the_root_of_time() -> None:
    """With a standard error twice too large, a region needs three times its time once more."""
    # 4 groups x 2: each region has 10 / 8 minutes; bound = 2 x limit.
    judgement = judged(solution(0.04 / Z95), Rules(max_error=1.0))

    assert not judgement.finished
    for region in judgement.regions:
        assert region.bound == pytest.approx(0.04)
        assert not region.needs_pass
        assert region.more_minutes == pytest.approx(3.0 * 10.0 / 8.0)


def test_a_limited_change_needs_another_pass() -> None:
    """Where the largest change of a pass leaves more than the target, no time helps: another pass
    does."""
    judgement = judged(solution(0.002, change=0.30), Rules(max_change=0.15))

    assert not judgement.finished
    assert all(r.needs_pass and r.more_minutes == 0.0 for r in judgement.regions)
    left = 80.0 * 1.15 / (80.0 * 1.30) - 1.0
    assert judgement.regions[0].bound == pytest.approx(abs(left) + Z95 * 0.002, rel=1e-6)


def test_a_cell_that_cannot_be_stored_is_told() -> None:
    """A saturated cell keeps its region unfinished, and says that neither time nor passes help."""
    found = solution(0.002, change=0.10)
    storage = Storage(step_pct=0.5, max_pct=82.0)
    proposal = propose(OLD, found, storage, AXES, Rules())
    judgement = judge(OLD, found, proposal, AXES, storage, 600.0)

    assert not judgement.finished
    assert all(r.saturated for r in judgement.regions)


def test_the_storage_step_is_good_enough() -> None:
    """Below one storage step the next pass could change nothing, so a finer target is met, too."""
    coarse = judged(solution(0.004), target=0.001, step=2.0)

    assert coarse.finished
    assert coarse.regions[0].limit == pytest.approx(2.0 / 80.0)
    assert not judged(solution(0.004), target=0.001, step=0.1).finished


def test_remaining_error_is_that_of_the_fuel() -> None:
    """A table that is 5 % too high leaves 5 % rich; the right one leaves nothing."""
    found = solution(change=0.10)
    old = np.full(SHAPE, 80.0)

    assert remaining_error(old, old * 1.10, found) == pytest.approx(0.0)
    assert remaining_error(old, old * 1.10 * 1.05, found) == pytest.approx(0.05)
    assert remaining_error(old, old, found) == pytest.approx(1.0 / 1.1 - 1.0)
