"""Tables on new axes: from what was learned on the finer grid, under the rule of every proposal.

The finer grid's solution is decided as any proposal is. The new table is the one that fits what
was decided best where the engine ran, rounded to the controller's steps, and then raised, step by
step, until the rule holds at every point of the finer grid: there no mixture is leaner than the
rule allows, and nothing never visited is leaner than with the old table. The bench of axes scores
with it, under no rule; what is stored is learned on its own axes, see `tools/run/axes.py`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from breathmap.learner.axes.grid import Grid, hats, smooth
from breathmap.learner.axes.limit import RIDGE, Surfaces
from breathmap.learner.axes.whole_steps import raised_to
from breathmap.learner.decide.proposal import SAME_PCT, Rules, decide, maximum_of
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes, Storage

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Regridded:
    """One bank's table on new axes. cells_pct: shape (loads, speeds). raised: the largest amount by
    which the rule alone raised a cell, per cent of VE. short: points of the finer grid where the
    controller cannot store what the rule asks."""

    cells_pct: Array
    raised: float
    short: int


def regridded(
    cells_pct: Sequence[float],
    solution: Solution,
    surfaces: Surfaces,
    fine: Grid,
    grid: Grid,
    storage: Storage,
    axes: Axes,
    rules: Rules,
) -> Regridded:
    """Return a table on `grid` of what was learned on `fine`.

    cells_pct: the table learned on, flat, on the finer grid. axes: the engine's, for their load.
    """
    finer_axes = axes.model_copy(
        update={"speed_rpm": list(fine.speed_rpm), "load": list(fine.load)}
    )
    decided = decide(cells_pct, solution, storage, finer_axes, rules)
    wanted = _fitted(decided.wanted_pct, decided.old_pct, solution, surfaces, fine, grid)
    most, step = maximum_of(storage), storage.step_pct
    first = np.clip(np.floor(wanted / step + 0.5), 1.0, np.floor(most / step + 0.5))
    floor = np.minimum(decided.minimum_pct, decided.wanted_pct)
    last = step * raised_to(first, floor / step, fine, grid, most / step)
    at_fine = hats(grid.load, fine.load) @ last @ hats(grid.speed_rpm, fine.speed_rpm).T
    short = int((at_fine < floor - SAME_PCT).sum())
    return Regridded(last, float((last - step * first).max()), short)


def _fitted(
    wanted: Array, old: Array, solution: Solution, surfaces: Surfaces, fine: Grid, grid: Grid
) -> Array:
    """Return the cells that fit what is wanted best, by the spread weights."""
    points = surfaces.points
    learned = old * (1.0 + solution.correction)
    # What was learned is smooth; what the rule holds back of it need not be.
    smooth_part = (
        smooth(fine.load, points.load) @ learned @ smooth(fine.speed_rpm, points.speed_rpm).T
    )
    held_part = (
        hats(fine.load, points.load) @ (wanted / learned) @ hats(fine.speed_rpm, points.speed_rpm).T
    )
    target = (smooth_part * held_part).ravel()
    design = np.kron(hats(grid.load, points.load), hats(grid.speed_rpm, points.speed_rpm))
    weight = surfaces.spread / target**2
    normal = design.T @ (weight[:, None] * design)
    normal[np.diag_indices(len(normal))] += RIDGE * normal.trace() / len(normal)
    return np.asarray(cho_solve(cho_factor(normal), design.T @ (weight * target))).reshape(
        grid.shape
    )
