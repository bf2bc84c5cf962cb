"""From a solution to a table that a controller can store, with a decision for every cell.

A cell is never leaned out on thin evidence: where coverage is below THIN_COVERAGE, a lower VE is
held at the old value. A cell that no sample touched moves only as far as its standard error. What
the controller cannot store is clipped, and the lean error that leaves is told.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from learner.description import Axes, Storage
from learner.solve import Solution

# Equivalent independent samples. Common practice, no source.
THIN_COVERAGE = 5.0

VISITED = "visited"
HELD = "held"
NEIGHBOURS = "neighbours"
NOT_VISITED = "not visited"
CLIPPED = "clipped"
DECISIONS = {
    VISITED: "measured, and moved by what was measured",
    HELD: "would be leaner, on too little evidence: left as it was",
    NEIGHBOURS: "never visited, moved by its neighbours, at most by its standard error",
    NOT_VISITED: "never visited, left as it was",
    CLIPPED: "needs more than the controller can store: set to the most, and lean",
}


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
class Proposal:
    """cells_pct and decisions have shape (n_load, n_speed)."""

    cells_pct: NDArray[np.float64]
    decisions: NDArray[np.str_]
    clips: list[Clip]

    def counts(self) -> dict[str, int]:
        """Return how many cells got each decision."""
        return {name: int((self.decisions == name).sum()) for name in DECISIONS}


def propose(
    cells_pct: Sequence[float], solution: Solution, storage: Storage, axes: Axes
) -> Proposal:
    """Return the new table: VE * (1 + correction), rounded to the storage step.

    cells_pct: the old table, flat, row by row. A cell whose decision is to stay keeps its old value
    even where that is no whole step.
    """
    shape = solution.correction.shape
    old = np.asarray(cells_pct, dtype=np.float64).reshape(shape)
    change = solution.correction.copy()
    thin = solution.coverage < THIN_COVERAGE
    unseen = ~solution.visited
    decisions = np.full(shape, VISITED, dtype="<U12")

    held = thin & (change < 0.0)
    decisions[held] = HELD
    change[held] = 0.0
    change[unseen] = np.minimum(change[unseen], solution.standard_error[unseen])
    decisions[unseen] = NEIGHBOURS

    step = storage.step_pct
    wanted = old * (1.0 + change)
    # At least one step: zero would cut the fuel.
    new = np.maximum(np.floor(wanted / step + 0.5), 1.0) * step
    stays = held | (unseen & (np.abs(wanted - old) < step / 2.0))
    new[stays] = old[stays]
    decisions[unseen & (new == old)] = NOT_VISITED

    most = np.floor(storage.max_pct / step + 1e-9) * step
    over = new > most
    clips = [
        Clip(axes.speed_rpm[i], axes.load[j], float(wanted[j, i]), float(most))
        for j, i in np.argwhere(over).tolist()
    ]
    new[over] = most
    decisions[over] = CLIPPED
    return Proposal(new, decisions, clips)
