"""From a solution to a table that a controller can store, with a decision for every cell.

A cell is never leaned out on thin evidence: where coverage is below THIN_COVERAGE, or the standard
error above the limit of the rules, a lower VE is held at the old value, and no rounding goes below
it. `decide` says what each cell should be, `store` rounds that to what the controller can hold;
between the two a rebase may stand. What cannot be stored is set to the maximum, and the lean error
that leaves is told.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes, Storage

Array = NDArray[np.float64]

# Equivalent independent samples. Common practice, no source.
THIN_COVERAGE = 5.0
# Two VE nearer to each other than this are the same: round-off of whole steps, per cent.
SAME_PCT = 1e-9

CHANGED = "changed"
LIMITED = "limited"
HELD = "held"
NEIGHBOURS = "neighbours"
UNTOUCHED = "untouched"
SATURATED = "saturated"
DECISIONS = {
    CHANGED: "measured, and moved by what was measured",
    LIMITED: "measured, and moved by the largest change that a pass may make",
    HELD: "too little evidence to move it, or to lean it out: left as it was",
    NEIGHBOURS: "never visited, moved by its neighbours, at most by its standard error",
    UNTOUCHED: "never visited, left as it was",
    SATURATED: "needs more than the controller can store: set to the maximum, and lean",
}


@dataclass(frozen=True)
class Rules:
    """What one pass may do to a cell, beyond never leaning it out on thin evidence.

    max_change: largest change, a fraction of the old value. max_error: standard error above which
    a cell is held, a fraction. move_unvisited: may neighbours move a cell that was never visited.
    The defaults are common practice, no source.
    """

    max_change: float = 0.15
    max_error: float = 0.03
    move_unvisited: bool = False


FREE = Rules(max_change=float("inf"), max_error=float("inf"), move_unvisited=True)


@dataclass(frozen=True)
class Clip:
    """A cell that the controller cannot hold: where, and the VE wanted and stored, per cent."""

    speed_rpm: float
    load: float
    wanted_pct: float
    stored_pct: float

    @property
    def lean_pct(self) -> float:
        """How much leaner than commanded the mixture stays, per cent of lambda."""
        return 100.0 * (self.wanted_pct / self.stored_pct - 1.0)


@dataclass(frozen=True)
class Decided:
    """What each cell should be, before storing; arrays of shape (load_count, speed_count).

    old_pct: the table as it is. wanted_pct: not rounded. stays: cells that keep their old value
    even where that is no whole step. minimum_pct, maximum_pct: how far this pass may go; where the
    evidence is thin, the minimum is the old value.
    """

    old_pct: Array
    wanted_pct: Array
    decisions: NDArray[np.str_]
    stays: NDArray[np.bool_]
    minimum_pct: Array
    maximum_pct: Array


@dataclass(frozen=True)
class Proposal:
    """cells_pct and decisions have shape (load_count, speed_count)."""

    cells_pct: Array
    decisions: NDArray[np.str_]
    clips: list[Clip]

    def counts(self) -> dict[str, int]:
        """Return how many cells got each decision."""
        return {name: int((self.decisions == name).sum()) for name in DECISIONS}


def propose(
    cells_pct: Sequence[float],
    solution: Solution,
    storage: Storage,
    axes: Axes,
    rules: Rules = FREE,
) -> Proposal:
    """Return the new table: VE * (1 + correction), rounded to the storage step.

    cells_pct: the old table, flat, row by row. A cell whose decision is to stay keeps its old value
    even where that is no whole step.
    """
    return store(decide(cells_pct, solution, storage, rules), storage, axes)


def decide(
    cells_pct: Sequence[float], solution: Solution, storage: Storage, rules: Rules = FREE
) -> Decided:
    """Return what each cell should be under the rules of a pass, not yet rounded."""
    shape = solution.correction.shape
    old = np.asarray(cells_pct, dtype=np.float64).reshape(shape)
    change = solution.correction.copy()
    unseen = ~solution.visited
    decisions = np.full(shape, CHANGED, dtype="<U12")

    over = np.abs(change) > rules.max_change
    change = np.clip(change, -rules.max_change, rules.max_change)
    decisions[over] = LIMITED

    thin = solution.coverage < THIN_COVERAGE
    unsure = solution.standard_error > rules.max_error
    held = unsure | (thin & (change < 0.0))
    decisions[held] = HELD

    room = solution.standard_error[unseen] if rules.move_unvisited else 0.0
    change[unseen] = np.minimum(change[unseen], room)
    decisions[unseen] = NEIGHBOURS

    wanted = old * (1.0 + change)
    stays = held | (unseen & (np.abs(wanted - old) < storage.step_pct / 2.0))
    decisions[unseen & stays] = UNTOUCHED
    return Decided(
        old,
        np.where(stays, old, wanted),
        decisions,
        stays,
        np.where(thin | unsure, old, old * (1.0 - rules.max_change)),
        old * (1.0 + rules.max_change),
    )


def store(decided: Decided, storage: Storage, axes: Axes) -> Proposal:
    """Round to the storage step, within the limits of the pass and of the storage."""
    step = storage.step_pct
    decisions = decided.decisions.copy()
    new = np.floor(decided.wanted_pct / step + 0.5) * step
    # Rounding may not carry a cell over the limit of the pass, and never lean out a thin one.
    new = np.where(new > decided.maximum_pct + SAME_PCT, new - step, new)
    new = np.where(new < decided.minimum_pct - SAME_PCT, new + step, new)
    # At least one step: zero would cut the fuel.
    new = np.maximum(new, step)
    new[decided.stays] = decided.old_pct[decided.stays]
    unseen = (decisions == NEIGHBOURS) & (new == decided.old_pct)
    decisions[unseen] = UNTOUCHED

    most = maximum_of(storage)
    over = new > most
    clips = [
        Clip(axes.speed_rpm[i], axes.load[j], float(decided.wanted_pct[j, i]), most)
        for j, i in np.argwhere(over).tolist()
    ]
    new[over] = most
    decisions[over] = SATURATED
    return Proposal(new, decisions, clips)


def maximum_of(storage: Storage) -> float:
    """Return the largest VE that can be stored, a whole number of steps, per cent."""
    return float(np.floor(storage.max_pct / storage.step_pct + 1e-9) * storage.step_pct)


def exceeds(decided: Decided, storage: Storage) -> NDArray[np.bool_]:
    """Return which cells cannot be stored without losing more than half a step."""
    return np.asarray(decided.wanted_pct >= maximum_of(storage) + storage.step_pct / 2.0)
