"""The stop rule: finished or not, and how many more minutes which ground needs."""

from dataclasses import fields, replace
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest

from breathmap.learner.decide.finished import (
    TARGET,
    Z95,
    Judgement,
    ground_of,
    judge,
    remaining_error,
)
from breathmap.learner.decide.proposal import (
    CHANGED,
    FREE,
    LIMITED,
    SATURATED,
    Proposal,
    Rules,
    propose,
)
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes, Goal, Storage

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
    found: Solution,
    rules: Rules | None = None,
    target: float = 0.02,
    step: float = 0.5,
    goal: Goal | None = None,
) -> Judgement:
    """Return the judgement of a proposal made from a solution, after ten minutes."""
    storage = Storage(step_pct=step)
    proposal = propose(OLD, found, storage, AXES, rules or Rules())
    return judge(OLD, found, proposal, AXES, storage, 600.0, target, goal)


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


@pytest.mark.parametrize(
    ("goal", "rows", "columns"),
    [
        (Goal(), [0, 1, 2, 3, 4, 5], [0, 1, 2, 3, 4, 5, 6, 7]),
        (Goal(speed_rpm=[1500.0, 3000.0]), [0, 1, 2, 3, 4, 5], [1, 2, 3]),
        (Goal(load=[44.0, 200.0]), [2, 3, 4, 5], [0, 1, 2, 3, 4, 5, 6, 7]),
        (Goal(speed_rpm=[1400.0, 2300.0], load=[60.0, 60.5]), [3], [1, 2]),
        (Goal(speed_rpm=[3100.0, 3200.0], load=[1.0, 2.0]), [0], [3, 4]),
        (Goal(speed_rpm=[8000.0, 9000.0], load=[21.0, 29.0]), [0, 1], [7]),
    ],
)
def test_the_ground_is_what_the_goal_names(goal: Goal, rows: list[int], columns: list[int]) -> None:
    """The ground holds the breakpoints within the goal's ranges, ends included; those on both sides
    of a range that holds none; and all where nothing is named."""
    cells = np.zeros(SHAPE, dtype=bool)
    cells[np.ix_(rows, columns)] = True

    assert (ground_of(AXES, goal) == cells).all()


@pytest.mark.parametrize(("covered", "enough"), [(23, False), (24, True), (48, True)])
def test_half_of_the_axes_must_be_visited(covered: int, enough: bool) -> None:
    """Without a goal a table is finished only when half of its cells were visited."""
    judgement = judged(solution(0.001, covered=covered))

    assert (judgement.cells, judgement.unvisited) == (48, 48 - covered)
    assert judgement.most_unvisited == 24
    assert all(region.finished for region in judgement.regions)
    assert judgement.roamed == judgement.finished == enough


@pytest.mark.parametrize(("missing", "enough"), [(0, True), (1, True), (2, False)])
def test_nine_tenths_of_a_goal_must_be_visited(missing: int, enough: bool) -> None:
    """Where a goal names the ground a tenth of it may stay unvisited, and less than one independent
    sample is no visit."""
    coverage = np.full(SHAPE, 1.0)
    coverage[0, :missing] = 0.99
    goal = Goal(load=[20.0, 30.0], speed_rpm=[1000.0, 6900.0])
    judgement = judged(replace(solution(0.001), coverage=coverage), goal=goal)

    assert (judgement.cells, judgement.most_unvisited, judgement.unvisited) == (14, 1, missing)
    assert judgement.roamed == judgement.finished == enough


def test_a_goal_counts_every_region_of_its_ground() -> None:
    """With a goal a region that was hardly run counts, and nothing outside the goal does."""
    errors = np.full(SHAPE, 0.001)
    errors[:, :2] = 0.05
    coverage = np.full(SHAPE, 100.0)
    coverage[:2, :2] = 1.0
    found = replace(solution(), standard_error=errors, coverage=coverage)
    rules = FREE

    assert not judged(found, rules, goal=Goal(load=[20.0, 30.0])).finished
    assert judged(found, rules, goal=Goal(speed_rpm=[2200.0, 7200.0])).finished
    outside = judged(found, rules, goal=Goal(speed_rpm=[2200.0, 7200.0], load=[45.0, 100.0]))
    # 24 cells of the 44 with 100 samples each, of ten minutes in all.
    assert sum(r.minutes for r in outside.regions) == pytest.approx(10.0 * 2400.0 / 4404.0)
    assert sum(r.share for r in outside.regions) == pytest.approx(1.0)


def test_without_a_goal_a_region_hardly_run_does_not_matter() -> None:
    """Without a goal a region with less than a fiftieth of the time is left out."""
    errors = np.full(SHAPE, 0.001)
    errors[:2, :2] = 0.05
    for samples, matters in ((7.0, False), (9.5, True)):
        coverage = np.full(SHAPE, 10.0)
        coverage[:2, :2] = samples / 4.0
        found = replace(solution(), standard_error=errors, coverage=coverage)
        judgement = judged(found, FREE)
        assert len(judgement.regions) == 11 + matters
        assert judgement.finished != matters


def test_a_narrow_goal_asks_for_a_quarter_of_the_table() -> None:
    """A goal that names no more than idling visits is not reached by idling."""
    goal = Goal(load=[20.0, 30.0], speed_rpm=[1000.0, 1500.0])
    coverage = np.zeros(SHAPE)
    coverage[:2, :2] = 100.0
    idle = judged(replace(solution(0.001), coverage=coverage), goal=goal)
    coverage[:3, :4] = 100.0
    more = judged(replace(solution(0.001), coverage=coverage), goal=goal)

    assert (idle.unvisited, idle.visited, idle.least_visited) == (0, 4, 12)
    assert not idle.finished
    assert more.finished
    coverage[2, 3] = 0.99
    assert not judged(replace(solution(0.001), coverage=coverage), goal=goal).finished


def test_minutes_follow_the_root_of_time() -> None:
    """With a standard error twice too large, a region needs three times its time once more."""
    # 4 groups x 2: each region has 10 / 8 minutes; bound = 2 x limit.
    judgement = judged(solution(0.04 / Z95), FREE)

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


def crafted(left: float, error: float, decision: str, odd: str = "") -> Judgement:
    """Return the judgement of a table that leaves `left` everywhere, all cells of one decision, the
    very first of another; target 2 %, steps so small that they do not matter."""
    found = solution(error, covered=48)
    decisions = np.full(SHAPE, decision, dtype="<U12")
    decisions[0, 0] = odd or decision
    proposal = Proposal(np.full(SHAPE, 80.0 * (1.0 + left)), decisions, [])
    return judge(OLD, found, proposal, AXES, Storage(step_pct=0.01), 600.0, 0.02)


def test_a_change_that_was_limited_counts_from_seven_tenths_of_the_target() -> None:
    """What limits leave keeps a region from being finished by time once it is 0.7 of the limit:
    more time could not make up for it; below, time can, at least a minute."""
    for decision in (LIMITED, SATURATED):
        over = crafted(0.0141, 0.005, decision)
        under = crafted(0.0139, 0.005, decision)
        assert all(r.needs_pass and r.more_minutes == 0.0 for r in over.regions)
        assert all(r.saturated == (decision == SATURATED) for r in over.regions)
        assert not any(r.needs_pass or r.saturated for r in under.regions)
        assert all(r.more_minutes == 1.0 for r in under.regions)
    assert not any(r.needs_pass for r in crafted(0.0141, 0.005, CHANGED).regions)
    mixed = crafted(0.0141, 0.005, LIMITED, odd=SATURATED)
    assert [r.saturated for r in mixed.regions].count(True) == 1


def test_the_minutes_needed_leave_room_for_what_limits_leave() -> None:
    """The minutes needed are those that bring the spread below what the fixed part leaves of the
    target: minutes × (spread² / (target² − fixed²) − 1)."""
    judgement = crafted(0.01, 0.02, LIMITED)
    spread = (Z95 * 0.02) ** 2
    expected = 10.0 / 12.0 * (spread / (0.02**2 - 0.01**2) - 1.0)
    assert [r.more_minutes for r in judgement.regions] == pytest.approx([expected] * 12)


def test_a_bound_on_the_target_is_finished() -> None:
    """A bound equal to the limit is below it; the next number above is not."""
    region = crafted(0.0, 0.02 / Z95, CHANGED).regions[0]
    assert replace(region, bound=region.limit).finished
    assert not replace(region, bound=np.nextafter(region.limit, 1.0)).finished


def test_a_regions_bound_weighs_its_cells_by_their_time() -> None:
    """The bound is the root of the mean square of |left| + 1.96 standard errors over the time spent
    in each cell, and regions come in the order of their time."""
    rng = np.random.default_rng(2)
    coverage, errors = rng.uniform(5.0, 50.0, SHAPE), rng.uniform(0.001, 0.01, SHAPE)
    new = 80.0 * rng.uniform(0.99, 1.01, SHAPE)
    found = replace(solution(), coverage=coverage, standard_error=errors)
    proposal = Proposal(new, np.full(SHAPE, CHANGED, dtype="<U12"), [])

    regions = judge(OLD, found, proposal, AXES, Storage(step_pct=0.01), 600.0).regions

    shares = [region.share for region in regions]
    assert shares == sorted(shares, reverse=True)
    assert [r.minutes for r in regions] == pytest.approx([10.0 * share for share in shares])
    (corner,) = [r for r in regions if r.speed_rpm == (6000, 7200) and r.load == (80.0, 100.0)]
    block = np.s_[4:6, 6:8]
    each = np.abs(new[block] / 80.0 - 1.0) + Z95 * errors[block]
    assert corner.share == pytest.approx(coverage[block].sum() / coverage.sum())
    assert corner.bound == pytest.approx(np.sqrt(np.average(each**2, weights=coverage[block])))
    assert corner.limit == 0.02


def test_a_region_tells_the_bound_of_its_worst_visited_cell() -> None:
    """A thin cell that hardly counts in a region's bound shows in its worst one; a cell that was
    only touched does not."""
    errors = np.full(SHAPE, 0.002)
    errors[0, 0], errors[0, 1] = 0.03, 0.07
    coverage = np.full(SHAPE, 100.0)
    coverage[0, 0], coverage[0, 1] = 1.0, 0.99
    found = replace(solution(), standard_error=errors, coverage=coverage)

    worst = {r.worst for r in judged(found, FREE).regions}

    assert sorted(worst) == pytest.approx([Z95 * 0.002, Z95 * 0.03])


def test_a_small_table_has_smaller_regions() -> None:
    """Axes with fewer breakpoints than parts are cut into single ones."""
    axes = Axes(speed_rpm=[1000.0, 2000.0, 3000.0], load=[30.0, 60.0])
    full = np.full((2, 3), 10.0)
    found = replace(
        solution(), correction=full * 0.0, standard_error=full * 1e-4, coverage=full
    )  # fmt: skip
    proposal = Proposal(full * 8.0, np.full((2, 3), CHANGED, dtype="<U12"), [])
    judgement = judge([80.0] * 6, found, proposal, axes, Storage(), 60.0)
    assert {(r.speed_rpm, r.load) for r in judgement.regions} == {
        ((n, n), (p, p)) for n in axes.speed_rpm for p in axes.load
    }
    assert judgement.finished
    assert judgement.least_visited == 2


def test_what_is_told_when_nobody_chose() -> None:
    """The usual target is 2 %, the bound a two-sided 95 % one."""
    assert TARGET == 0.02
    assert NormalDist().inv_cdf(0.975) == pytest.approx(Z95, abs=1e-6)
