"""From correction to table: rounding, holding, limiting, clipping, rebasing."""

from dataclasses import replace
from itertools import pairwise

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
    PART,
    PRESETS,
    SATURATED,
    UNTOUCHED,
    Decided,
    Rules,
    decide,
    exceeds,
    lean_risk,
    maximum_of,
    propose,
    standing_out,
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


def test_a_step_to_a_half_is_taken() -> None:
    """A neighbours' move of exactly half a step is one."""
    found = solution([0.25, 0.125, 0.0, 0.0], 0.5, [0.0] * 4)

    proposal = propose([2.0] * 4, found, Storage(step_pct=1.0), AXES, FREE)

    assert proposal.decisions.ravel().tolist() == [NEIGHBOURS] + [UNTOUCHED] * 3


def test_a_leaner_move_is_taken_as_far_as_its_error_allows() -> None:
    """The worked case of the rule: found 10 % leaner with a standard error of 4 %, and 2 % lean
    tolerated with a probability of 5 %, VE 80 may come down to 80 (1 - 0.1 + 1.645 x 0.04) / 1.02
    and no further; a richer move is whole (our own rule; the quantile from published tables)."""
    found = solution([-0.1, 0.1, -0.1, -0.1], 0.04, [9.0] * 4)
    errors = np.array([[0.04, 0.04], [0.01, 0.08]])
    found = replace(found, standard_error=errors)

    proposal = propose([80.0] * 4, found, Storage(step_pct=0.01), AXES, Rules())

    least = 80.0 * (0.9 + 1.6449 * 0.04) / 1.02
    assert proposal.cells_pct[0, 0] == pytest.approx(least, abs=0.01)
    assert proposal.cells_pct[0, 0] >= least - 1e-3
    assert proposal.cells_pct.ravel()[1:].tolist() == pytest.approx([88.0, 72.0, 80.0])
    assert proposal.decisions.ravel().tolist() == [PART, CHANGED, CHANGED, HELD]
    assert proposal.counts() == dict.fromkeys(DECISIONS, 0) | {PART: 1, CHANGED: 2, HELD: 1}


def test_unvisited_cells_follow_under_the_same_rule() -> None:
    """A cell never visited is leaned out where its error is small, made richer whole, and stays
    where its neighbours do not reach it."""
    found = solution([-0.05, 0.03, -0.05, 0.001], 0.01, [0.0] * 4)
    found = replace(found, standard_error=np.array([[0.01, 0.1], [0.05, 0.1]]))

    proposal = propose([80.2] * 4, found, Storage(), AXES)

    assert proposal.cells_pct.ravel() == pytest.approx([76.0, 82.8, 80.2, 80.2])
    assert proposal.decisions.ravel().tolist() == [NEIGHBOURS, NEIGHBOURS, UNTOUCHED, UNTOUCHED]


def test_a_cell_never_visited_asks_for_no_more_than_can_be_stored() -> None:
    """A cell that only its neighbours would take above the maximum goes up to it: nothing needs to
    be chosen. A visited one is told."""
    found = solution([0.1] * 4, 0.01, [0.0, 0.0, 0.0, 9.0])

    decided = decide([96.0, 102.0, 90.0, 96.0], found, Storage(), AXES, Rules())

    assert exceeds(decided, Storage()).ravel().tolist() == [False, False, False, True]
    assert decided.wanted_pct.ravel() == pytest.approx([102.0, 102.0, 99.0, 105.6])


def test_less_than_a_step_is_held_and_says_so() -> None:
    """Where its error allows a cell less than a step, it stays and is called held, not moved."""
    found = solution([-0.05, -0.05, 0.1, 0.1], 0.0405, [9.0] * 4)

    proposal = propose([80.0] * 4, found, Storage(step_pct=2.0), AXES)

    assert proposal.cells_pct.ravel() == pytest.approx([80.0, 80.0, 88.0, 88.0])
    assert proposal.decisions.ravel().tolist() == [HELD, HELD, CHANGED, CHANGED]


def test_a_cell_that_is_held_keeps_even_what_is_no_whole_step() -> None:
    """Found leaner with too large an error to move at all: held, at what it was to the digit."""
    found = solution([-0.01, -0.01, 0.01, 0.01], 0.05, [9.0] * 4)
    proposal = propose([80.1] * 4, found, Storage(step_pct=0.4), AXES)
    assert proposal.cells_pct.ravel().tolist()[:2] == [80.1, 80.1]
    assert proposal.decisions.ravel().tolist() == [HELD, HELD, CHANGED, CHANGED]


def test_high_loads_are_leaned_out_twice_as_carefully() -> None:
    """From the named load on leanness and risk count half, the load itself included; below it
    nothing changes. The quantile of 2.5 % is 1.960 (published tables)."""
    found = solution([-0.1] * 4, 0.03, [9.0] * 4)
    rules = Rules(high_load=60.0)

    cells = propose([80.0] * 4, found, Storage(step_pct=0.001), AXES, rules).cells_pct

    low, high = 80.0 * (0.9 + 1.6449 * 0.03) / 1.02, 80.0 * (0.9 + 1.95996 * 0.03) / 1.01
    assert cells.ravel() == pytest.approx([low, low, high, high], abs=0.002)


def test_presets_are_ordered_and_free_takes_everything() -> None:
    """From cautious to bold more is tolerated; the free rules take all that was learned."""
    found = solution([-0.1, -0.3, 0.2, -0.02], 0.03, [9.0, 9.0, 9.0, 0.0])
    tables = [
        propose([80.0] * 4, found, Storage(step_pct=0.01), AXES, rules).cells_pct
        for rules in (*PRESETS.values(), FREE)
    ]

    assert list(PRESETS) == ["cautious", "standard", "bold"]
    assert PRESETS["standard"] == Rules(lean=0.02, risk=0.05, max_change=0.15, high_load=None)
    for careful, bolder in pairwise(tables[:-1]):
        assert (careful >= bolder).all()
        assert (careful > bolder).any()
    assert tables[-1].ravel() == pytest.approx([72.0, 56.0, 96.0, 78.4])


def test_a_cell_held_back_alone_stands_out() -> None:
    """A thin cell amid cells that moved is marked, not left as a silent spike; where all were held
    back alike nothing stands out, nor where a cell was never visited."""
    found = solution([-0.1] * 4, 0.01, [9.0] * 4)
    old = np.full((2, 2), 80.0)
    new = np.array([[80.0, 72.0], [72.0, 72.0]])

    assert standing_out(old, new, found).tolist() == [[True, False], [False, False]]
    assert not standing_out(old, old, found).any()
    assert not standing_out(old, new, solution([-0.1] * 4, 0.01, [0.0, 9.0, 9.0, 9.0])).any()


def test_the_risk_that_is_left_is_told() -> None:
    """The risk of a new table is the normal tail beyond what is tolerated: one half where the table
    is leaner by just that, 2.3 % at two standard errors (published tables), none where the error
    is."""
    found = solution([0.0] * 4, 0.01, [9.0] * 4)
    found = replace(found, standard_error=np.array([[0.01, 0.01], [0.0, 0.0]]))
    new = 80.0 * np.array([[1.0 / 1.02, 1.0], [1.0, 0.9]])

    risk = lean_risk(np.full((2, 2), 80.0), new, found, AXES, Rules())

    assert risk.ravel() == pytest.approx([0.5, 0.02275, 0.0, 1.0], abs=1e-5)


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


def test_one_byte_of_half_a_per_cent() -> None:
    """One byte at 0.5 % a step stores 127.5 % at most (common practice, no source), and only what
    loses more than half a step exceeds it."""
    storage = Storage(step_pct=0.5, max_pct=127.6)
    decided = decide(
        [125.0] * 4, solution([0.02, 0.0219, 0.0221, 0.03], 0.01, [50.0] * 4), storage, AXES, FREE
    )

    assert maximum_of(storage) == 255 * 0.5 == 127.5
    assert exceeds(decided, storage).ravel().tolist() == [False, False, True, True]

    # The largest value itself is stored, and half a step above it would be rounded up.
    found = solution([-0.00390625, -0.001953125, 0.0, 0.0], 0.01, [50.0] * 4)
    edge = decide([128.0] * 4, found, storage, AXES, FREE)
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
