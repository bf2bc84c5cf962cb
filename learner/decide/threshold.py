"""The rule of earlier proposals: thresholds on coverage and on the standard error.

Histories of 0.1.0 hold proposals made by it, and `history --verify` makes them again; the caution
benchmark compares with it. New proposals follow `breathmap.learner.decide.proposal`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from breathmap.learner.decide.proposal import (
    CHANGED,
    DECISIONS,
    HELD,
    LIMITED,
    NEIGHBOURS,
    UNTOUCHED,
    Decided,
)
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Storage

# As the proposals of then say it.
EARLIER_DECISIONS = DECISIONS | {
    HELD: "too little evidence to move it, or to lean it out: left as it was",
    NEIGHBOURS: "never visited, moved by its neighbours, at most by its standard error",
}
# Equivalent independent samples. Common practice, no source.
THIN_COVERAGE = 5.0


@dataclass(frozen=True)
class ThresholdRules:
    """What one pass may do to a cell, beyond never leaning it out on thin evidence.

    max_change: largest change, a fraction of the old value. max_error: standard error above which
    a cell is held, a fraction. move_unvisited: may neighbours move a cell that was never visited.
    The defaults are common practice, no source.
    """

    max_change: float = 0.15
    max_error: float = 0.03
    move_unvisited: bool = False


def decide_by_threshold(
    cells_pct: Sequence[float], solution: Solution, storage: Storage, rules: ThresholdRules
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
