"""From correction to table: rounding, holding, limiting, clipping, rebasing."""

from dataclasses import replace

import numpy as np
import pytest
from cells_bench import AXES, solution

from breathmap.learner.decide.proposal import (
    CHANGED,
    DECISIONS,
    FREE,
    HELD,
    LIMITED,
    NEIGHBOURS,
    SATURATED,
    UNTOUCHED,
    Decided,
    Rules,
    decide,
    exceeds,
    maximum_of,
    propose,
    store,
)
from breathmap.learner.decide.rebase import rebase_for, rebased
from breathmap.learner.words.description import Storage


def test_visited_cells_move_and_are_rounded() -> None:
    """A well-covered cell gets VE times one plus its correction, to the nearest storage step."""
    proposal = propose(
        [80.0] * 4, solution([0.1, -0.1, 0.004, 0.002], 0.01, [50.0] * 4), Storage(), AXES
    )

    assert proposal.cells_pct.ravel() == pytest.approx([88.0, 72.0, 80.4, 80.0])
    assert set(proposal.decisions.ravel()) == {CHANGED}
    assert proposal.clips == []


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
    assert Rules() == Rules(max_change=0.15, max_error=0.03, move_unvisited=False)
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


def test_what_cannot_be_stored_is_clipped_and_told() -> None:
    """A cell above the controller's maximum is set to it, with the lean error."""
    proposal = propose(
        [96.0] * 4, solution([0.1, 0.0, 0.0, 0.0], 0.01, [50.0] * 4), Storage(), AXES
    )

    assert proposal.cells_pct[0, 0] == 102.0
    assert proposal.decisions[0, 0] == SATURATED
    (clip,) = proposal.clips
    assert (clip.speed_rpm, clip.load) == (1000.0, 30.0)
    assert clip.lean_pct == pytest.approx(100 * (105.6 / 102.0 - 1.0))
    assert proposal.counts()[SATURATED] == 1


def test_a_pass_changes_a_cell_by_its_limit_at_most() -> None:
    """No cell moves further than the limit of a pass, rounding included, and it is marked."""
    rules = Rules(max_change=0.15)
    proposal = propose(
        [80.3] * 4, solution([0.4, -0.4, 0.1, 0.15], 0.01, [50.0] * 4), Storage(), AXES, rules
    )

    assert proposal.cells_pct.ravel() == pytest.approx([92.0, 68.4, 88.4, 92.0])
    assert proposal.decisions.ravel().tolist() == [LIMITED, LIMITED, CHANGED, CHANGED]
    assert np.abs(proposal.cells_pct / 80.3 - 1.0).max() <= 0.15

    on_a_step = solution([0.4, -0.4, 0.15, -0.15], 0.01, [50.0] * 4)
    cells = propose([80.0] * 4, on_a_step, Storage(), AXES, rules).cells_pct
    assert cells.ravel() == pytest.approx([92.0, 68.0, 92.0, 68.0])

    # 68.16 and 91.84: the nearest steps lie beyond.
    between = propose([80.0] * 4, on_a_step, Storage(), AXES, Rules(max_change=0.148)).cells_pct
    assert between.ravel() == pytest.approx([91.6, 68.4, 91.6, 68.4])


def test_a_large_standard_error_holds_a_cell() -> None:
    """Above the limit of the standard error a cell stays, richer or leaner, visited or not."""
    rules = Rules(max_error=0.03, move_unvisited=True)
    proposal = propose(
        [80.2] * 4, solution([0.1, -0.1, 0.1, 0.1], 0.031, [9.0, 9.0, 0.0, 9.0]),
        Storage(), AXES, rules,
    )  # fmt: skip

    assert proposal.cells_pct.ravel().tolist() == [80.2] * 4
    assert proposal.decisions.ravel().tolist() == [HELD, HELD, UNTOUCHED, HELD]


def test_a_standard_error_on_its_limit_moves_a_cell() -> None:
    """A standard error equal to the limit still moves a cell."""
    found = solution([0.1] * 4, 0.03, [9.0] * 4)

    proposal = propose([80.0] * 4, found, Storage(), AXES, Rules(max_error=0.03))

    assert set(proposal.decisions.ravel()) == {CHANGED}


def test_ground_never_visited_is_untouched_in_a_pass() -> None:
    """Under the rules of a pass no neighbour moves a cell that was never visited."""
    proposal = propose([80.2] * 4, solution([0.02] * 4, 0.01, [0.0] * 4), Storage(), AXES, Rules())

    assert proposal.cells_pct.ravel().tolist() == [80.2] * 4
    assert set(proposal.decisions.ravel()) == {UNTOUCHED}


def test_one_byte_of_half_a_per_cent() -> None:
    """One byte at 0.5 % a step stores 127.5 % at most (common practice, no source), and only what
    loses more than half a step exceeds it."""
    storage = Storage(step_pct=0.5, max_pct=127.6)
    decided = decide([125.0] * 4, solution([0.02, 0.0219, 0.0221, 0.03], 0.01, [50.0] * 4), storage)

    assert maximum_of(storage) == 255 * 0.5 == 127.5
    assert exceeds(decided, storage).ravel().tolist() == [False, False, True, True]

    # The largest value itself is stored, and half a step above it would be rounded up.
    found = solution([-0.00390625, -0.001953125, 0.0, 0.0], 0.01, [50.0] * 4)
    edge = decide([128.0] * 4, found, storage)
    assert edge.wanted_pct.ravel().tolist() == [127.5, 127.75, 128.0, 128.0]
    assert exceeds(edge, storage).ravel().tolist() == [False, True, True, True]
    decisions = store(edge, storage, AXES).decisions
    assert decisions.ravel().tolist() == [CHANGED] + [SATURATED] * 3


@pytest.mark.parametrize("seed", range(20))
def test_rebase_keeps_ve_times_displacement(seed: int) -> None:
    """After a rebase VE times displacement is what it should be to within half a step in every cell
    of every bank, everything can be stored, and the lost resolution is the factor."""
    rng = np.random.default_rng(seed)
    storage = Storage(step_pct=float(rng.choice([0.1, 0.4, 1.0])), max_pct=102.0)
    banks = [rng.uniform(40.0, 150.0, (5, 7)) for _ in range(int(rng.integers(1, 9)))]
    banks[0][2, 3] = 150.0

    found = rebase_for(banks, 689.0, storage)

    for wanted in banks:
        free = np.full(wanted.shape, np.inf)
        decisions = np.full(wanted.shape, CHANGED)
        decided = Decided(wanted, wanted, decisions, free > 0.0, -free, free)
        cells = store(rebased(decided, found), storage, AXES).cells_pct
        moved = np.abs(cells * found.after_cm3 - wanted * found.before_cm3)
        assert moved.max() <= 0.5 * storage.step_pct * found.after_cm3 * (1 + 1e-9)
        assert cells.max() <= maximum_of(storage)
    assert found.factor >= 150.0 / 102.0
    assert found.coarser_pct == pytest.approx(100.0 * (found.after_cm3 / 689.0 - 1.0))


def test_a_rebase_never_makes_a_cell_zero() -> None:
    """A rebase that would round the smallest cell to nothing is refused."""
    with pytest.raises(ValueError, match="smallest cell"):
        rebase_for([np.array([[0.2, 200.0]])], 689.0, Storage())
