"""The rule of earlier proposals: thresholds on coverage and on the standard error. Histories of
0.1.0 are proved by it."""

from collections.abc import Sequence
from dataclasses import replace

import pytest
from cells_bench import AXES, solution

from breathmap.learner.decide.proposal import (
    CHANGED,
    DECISIONS,
    HELD,
    NEIGHBOURS,
    UNTOUCHED,
    Proposal,
    store,
)
from breathmap.learner.decide.threshold import ThresholdRules, decide_by_threshold
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes, Storage

FREE = ThresholdRules(max_change=float("inf"), max_error=float("inf"), move_unvisited=True)


def propose(
    cells_pct: Sequence[float],
    found: Solution,
    storage: Storage,
    axes: Axes,
    rules: ThresholdRules = FREE,
) -> Proposal:
    """Return the proposal by thresholds."""
    return store(decide_by_threshold(cells_pct, found, storage, rules), storage, axes)


def test_thin_evidence_never_leans_out() -> None:
    """A cell with little coverage may become richer, and is held where it would become leaner."""
    proposal = propose(
        [80.2] * 4, solution([0.1, -0.1, 0.1, -0.1], 0.02, [1.0, 1.0, 50.0, 50.0]), Storage(), AXES
    )

    assert proposal.cells_pct.ravel() == pytest.approx([88.4, 80.2, 88.4, 72.0])
    assert proposal.decisions.ravel().tolist() == [CHANGED, HELD, CHANGED, CHANGED]


def test_the_rules_of_a_pass_are_those_told() -> None:
    """A pass that is told nothing else moves a cell by 15 % at most, holds it above a standard
    error of 3 %, and leaves what was never visited; evidence is thin below five samples (common
    practice, no source)."""
    assert ThresholdRules() == ThresholdRules(max_change=0.15, max_error=0.03, move_unvisited=False)
    proposal = propose(
        [80.0] * 4, solution([-0.1, -0.1, 0.0, 0.0], 0.0, [4.99, 5.0, 1.0, 0.0]), Storage(), AXES
    )
    assert proposal.decisions.ravel().tolist() == [HELD, CHANGED, CHANGED, UNTOUCHED]
    assert proposal.counts() == dict.fromkeys(DECISIONS, 0) | {HELD: 1, CHANGED: 2, UNTOUCHED: 1}
    assert proposal.cells_pct.ravel().tolist() == [80.0, 72.0, 80.0, 80.0]


def test_a_thin_cell_moves_to_the_nearest_step_where_that_is_not_leaner() -> None:
    """A thin cell that stands on a step moves like any other where it becomes richer."""
    found = solution([0.001, 0.004, 0.009, 0.013], 0.02, [1.0] * 4)

    cells = propose([80.0] * 4, found, Storage(), AXES).cells_pct

    assert cells.ravel() == pytest.approx([80.0, 80.4, 80.8, 81.2])


def test_neighbours_move_a_cell_by_half_a_step_or_more() -> None:
    """A cell never visited stays, even between two steps, where its neighbours would move it by
    less than half of one, and where the limit of the pass takes the step back."""
    found = solution([0.0024, 0.0034, 0.006, 0.009], 0.05, [0.0] * 4)
    free = propose([80.2] * 4, found, Storage(), AXES)
    limited = propose([80.0] * 4, found, Storage(), AXES, replace(FREE, max_change=0.0045))

    assert free.cells_pct.ravel() == pytest.approx([80.2, 80.4, 80.8, 80.8])
    assert free.decisions.ravel().tolist() == [UNTOUCHED] + [NEIGHBOURS] * 3
    assert limited.cells_pct.ravel().tolist() == [80.0] * 4
    assert limited.decisions.ravel().tolist() == [UNTOUCHED] * 4


def test_a_step_to_a_half_is_taken() -> None:
    """A neighbours' move of exactly half a step is one."""
    found = solution([0.25, 0.125, 0.0, 0.0], 0.5, [0.0] * 4)

    proposal = propose([2.0] * 4, found, Storage(step_pct=1.0), AXES)

    assert proposal.decisions.ravel().tolist() == [NEIGHBOURS] + [UNTOUCHED] * 3


def test_unvisited_cells_move_by_their_error_at_most() -> None:
    """A cell never visited moves up by its standard error at most, down never, and is marked."""
    proposal = propose(
        [80.0] * 4, solution([0.2, -0.2, 0.001, 0.03], 0.05, [0.0] * 4), Storage(), AXES
    )

    assert proposal.cells_pct.ravel() == pytest.approx([84.0, 80.0, 80.0, 82.4])
    assert proposal.decisions.ravel().tolist() == [NEIGHBOURS, UNTOUCHED, UNTOUCHED, NEIGHBOURS]


def test_a_large_standard_error_holds_a_cell() -> None:
    """Above the limit of the standard error a cell stays, richer or leaner, visited or not."""
    rules = ThresholdRules(max_error=0.03, move_unvisited=True)
    proposal = propose(
        [80.2] * 4, solution([0.1, -0.1, 0.1, 0.1], 0.031, [9.0, 9.0, 0.0, 9.0]),
        Storage(), AXES, rules,
    )  # fmt: skip

    assert proposal.cells_pct.ravel().tolist() == [80.2] * 4
    assert proposal.decisions.ravel().tolist() == [HELD, HELD, UNTOUCHED, HELD]


def test_a_standard_error_on_its_limit_moves_a_cell() -> None:
    """A standard error equal to the limit still moves a cell."""
    found = solution([0.1] * 4, 0.03, [9.0] * 4)

    proposal = propose([80.0] * 4, found, Storage(), AXES, ThresholdRules(max_error=0.03))

    assert set(proposal.decisions.ravel()) == {CHANGED}


def test_ground_never_visited_is_untouched_in_a_pass() -> None:
    """Under the rules of a pass no neighbour moves a cell that was never visited."""
    proposal = propose(
        [80.2] * 4, solution([0.02] * 4, 0.01, [0.0] * 4), Storage(), AXES, ThresholdRules()
    )

    assert proposal.cells_pct.ravel().tolist() == [80.2] * 4
    assert set(proposal.decisions.ravel()) == {UNTOUCHED}
