"""Tables in whole steps of a controller that keep a bound between the breakpoints, too.

Cells are raised, step by step, until the surface between them is nowhere below what was asked. It
needs nothing but arrays, so that a job can read its target table onto other axes at once.
"""

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.axes.grid import Grid, hats, joined, moved

Array = NDArray[np.float64]
# A table is raised by so many steps at most before it is given up, cell by cell.
MOST_RAISES = 2000
# Smaller than this part of a step is round-off.
TINY_STEP = 1e-6
# And of a floor in counts, this much.
SAME = 1e-9


def never_below(cells: Array, old: Grid, grid: Grid, step: float, most: float) -> Array:
    """Return a VE table on `grid`, in whole steps up to `most`, nowhere below the old one at any
    point between the breakpoints, but where it would take more than `most`.

    cells: shape (loads, speeds) of `old`; both grids end at the same breakpoints.
    """
    union = joined(old, grid)
    at_least = moved(cells, old, union) / step - TINY_STEP
    first = np.minimum(np.ceil(moved(cells, old, grid) / step - TINY_STEP), np.floor(most / step))
    return np.asarray(step * raised_to(first, at_least, union, grid, most / step))


def never_above(cells: Array, old: Grid, grid: Grid, step: float) -> Array:
    """Return a table of targets on `grid`, in whole steps, nowhere above the old one at any point
    between the breakpoints, and as near to it as single steps bring it.

    cells: shape (loads, speeds) of `old`; both grids end at the same breakpoints.
    """
    union = joined(old, grid)
    at_most = moved(cells, old, union) / step + TINY_STEP
    first = np.floor(moved(cells, old, grid) / step + TINY_STEP)
    return np.asarray(-step * raised_to(-first, -at_most, union, grid, np.inf))


def raised_to(counts: Array, floor: Array, fine: Grid, grid: Grid, most: float) -> Array:
    """Return the cells, raised by whole counts until no point of the finer grid is below its floor,
    in counts too, or no cell about it can hold more."""
    rows, columns = hats(grid.load, fine.load), hats(grid.speed_rpm, fine.speed_rpm)
    counts = counts.copy()
    for _ in range(MOST_RAISES):
        below = floor - rows @ counts @ columns.T > SAME
        # How much a cell says about the points that lack; full ones can say no more.
        asked = np.where(counts + 0.5 < most, rows.T @ below @ columns, 0.0)
        if not (asked > 0.0).any():
            break
        # The most asked first, so that no more is raised than needed.
        counts[asked >= 0.999 * asked.max()] += 1.0
    return counts
