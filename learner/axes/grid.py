"""A table's grid made finer, and tables moved between grids without a change of what they say.

Between the breakpoints of a table its bilinear surface is the same on every finer grid that holds
them all, so that learning on the finer grid corrects exactly what the controller computed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table

Array = NDArray[np.float64]

# The finest grid, cells: the exact solution takes seconds up to here, minutes beyond.
MOST_CELLS = 900
# Between two breakpoints of the present axes, so many of the finer ones at most.
MOST_PARTS = 4
# Points between two breakpoints of the finer grid at which tables are compared.
PARTS_BETWEEN = 2


@dataclass(frozen=True)
class Grid:
    """The breakpoints of a table: speed_rpm and load, ascending."""

    speed_rpm: tuple[float, ...]
    load: tuple[float, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """(load_count, speed_count)."""
        return len(self.load), len(self.speed_rpm)

    @property
    def size(self) -> int:
        """Number of cells."""
        return len(self.load) * len(self.speed_rpm)


def parts_for(grid: Grid) -> int:
    """Return into how many parts the steps of both axes are cut for the finer grid: 2, or more
    where the table is small."""
    parts = 2
    while parts < MOST_PARTS and _cut(grid, parts + 1).size <= MOST_CELLS:
        parts += 1
    return parts


def finer(grid: Grid) -> Grid:
    """Return the finer grid on which the same recordings are learned."""
    return _cut(grid, parts_for(grid))


def points_on(grid: Grid) -> Grid:
    """Return the points, finer still than a finer grid, at which tables are compared."""
    return _cut(grid, PARTS_BETWEEN)


def joined(one: Grid, other: Grid) -> Grid:
    """Return the grid with the breakpoints of both: between any of its points both tables are
    bilinear, so that what holds at its points holds everywhere."""
    return Grid(
        tuple(sorted({*one.speed_rpm, *other.speed_rpm})), tuple(sorted({*one.load, *other.load}))
    )


def _cut(grid: Grid, parts: int) -> Grid:
    return Grid(_cut_axis(grid.speed_rpm, parts), _cut_axis(grid.load, parts))


def _cut_axis(axis: Sequence[float], parts: int) -> tuple[float, ...]:
    steps = np.arange(parts * (len(axis) - 1) + 1) / parts
    return tuple(np.interp(steps, np.arange(len(axis)), axis).tolist())


def hats(axis: Sequence[float], at: Array | Sequence[float]) -> Array:
    """Return the shares of an axis's breakpoints at n places, as linear interpolation has them,
    clamped at the ends; shape (n, breakpoints)."""
    points, places = np.asarray(axis, dtype=np.float64), np.asarray(at, dtype=np.float64)
    below = np.clip(np.searchsorted(points, places, side="right") - 1, 0, len(points) - 2)
    share = np.clip((places - points[below]) / (points[below + 1] - points[below]), 0.0, 1.0)
    out = np.zeros((len(places), len(points)))
    rows = np.arange(len(places))
    out[rows, below] = 1.0 - share
    out[rows, below + 1] = share
    return out


def smooth(axis: Sequence[float], at: Sequence[float]) -> Array:
    """Return the matrix that draws a cubic spline through values at breakpoints and reads it at n
    places; shape (n, breakpoints). With fewer than four breakpoints, a parabola or a line."""
    # Jobs need grids, and few of their commands this.
    from scipy.interpolate import make_interp_spline

    points = np.asarray(axis, dtype=np.float64)
    degree = 3 if len(points) > 3 else len(points) - 1
    spline = make_interp_spline(points, np.eye(len(points)), k=degree)
    return np.asarray(spline(np.asarray(at, dtype=np.float64)))


def moved(cells: Array, old: Grid, new: Grid) -> Array:
    """Return a table's values at another grid's breakpoints, read as the controller does.

    cells: shape (load_count, speed_count) of the old grid; returned: of the new one.
    """
    return np.asarray(
        hats(old.load, new.load) @ cells @ hats(old.speed_rpm, new.speed_rpm).T, dtype=np.float64
    )


def grid_of(settings: Settings) -> Grid:
    """Return the grid that all banks of a learner's settings share."""
    table = settings.banks[0].table
    return Grid(tuple(table.speed_rpm), tuple(table.load))


def settings_on(settings: Settings, grid: Grid) -> Settings:
    """Change a learner's settings to a finer grid, its tables saying the same; return them.

    grid: holds every breakpoint of the present one, or the tables would say something else.
    """
    old = grid_of(settings)
    banks = []
    for bank in settings.banks:
        cells = np.asarray(bank.table.cells).reshape(old.shape)
        flat = moved(cells, old, grid).ravel().tolist()
        table = Table(list(grid.speed_rpm), list(grid.load), flat)
        banks.append(BankSettings(bank.name, table, bank.delay))
    settings.banks = banks
    return settings
