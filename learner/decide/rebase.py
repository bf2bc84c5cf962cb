"""Rebase: make room in the tables by raising the displacement constant.

The controller's fuel follows VE x displacement, so that raising the constant by a factor and
dividing every cell of every bank by it changes nothing but the resolution. Each cell keeps
VE x displacement to within half a storage step (plain arithmetic: one rounding per cell), and
where it may not become leaner, to within a whole one above.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import Decided, maximum_of
from breathmap.learner.words.description import Storage

Array = NDArray[np.float64]

# Room left above the largest cell, so that the next pass does not run into the limit again.
HEADROOM = 0.03
# The constant is raised in steps that any controller's entry field takes.
DISPLACEMENT_STEP_CM3 = 0.1


@dataclass(frozen=True)
class Rebase:
    """A new displacement constant. factor: new / old."""

    before_cm3: float
    after_cm3: float

    @property
    def factor(self) -> float:
        """What every cell is divided by."""
        return self.after_cm3 / self.before_cm3

    @property
    def coarser_pct(self) -> float:
        """How much more fuel one storage step is than before, per cent of itself."""
        return 100.0 * (self.factor - 1.0)


def rebase_for(wanted_pct: Sequence[Array], displacement_cm3: float, storage: Storage) -> Rebase:
    """Return the rebase that makes room for the largest cell of all banks.

    wanted_pct: per bank the cells wanted, per cent at the present displacement.
    Raises ValueError where a cell would fall below one storage step.
    """
    most = max(float(np.max(cells)) for cells in wanted_pct)
    need = displacement_cm3 * max(1.0, most * (1.0 + HEADROOM) / maximum_of(storage))
    steps = np.ceil(need / DISPLACEMENT_STEP_CM3 - 1e-9)
    found = Rebase(displacement_cm3, round(float(steps) * DISPLACEMENT_STEP_CM3, 3))
    least = min(float(np.min(cells)) for cells in wanted_pct) / found.factor
    if least < storage.step_pct / 2.0:
        raise ValueError("after a rebase the smallest cell could no longer be stored")
    return found


def rebased(decided: Decided, rebase: Rebase) -> Decided:
    """Return what each cell should be at the new displacement, not yet rounded.

    Nothing stays: every cell moves with the factor, and its VE x displacement is kept.
    """
    return Decided(
        old_pct=decided.old_pct / rebase.factor,
        wanted_pct=decided.wanted_pct / rebase.factor,
        decisions=decided.decisions,
        stays=np.zeros_like(decided.stays),
        minimum_pct=decided.minimum_pct / rebase.factor,
        maximum_pct=decided.maximum_pct / rebase.factor,
    )
