"""Axes and the simulated controller's own bilinear look-up.

A table is a flat list: index = load_index * speed_count + speed_index (rows are load breakpoints,
columns speed breakpoints). Outside the axes the look-up clamps, as controllers do.
"""

import itertools
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Axes:
    """Breakpoints of a table.

    speed_rpm: ascending, at least two. load_kpa: ascending manifold pressure, at least two.
    Raises ValueError when either is not so.
    """

    speed_rpm: tuple[float, ...]
    load_kpa: tuple[float, ...]

    def __post_init__(self) -> None:
        for name, points in (("speed_rpm", self.speed_rpm), ("load_kpa", self.load_kpa)):
            if len(points) < 2:
                raise ValueError(f"{name} needs at least 2 breakpoints, got {len(points)}")
            if not all(isfinite(p) for p in points):
                raise ValueError(f"{name} holds a value that is not a finite number")
            if any(b <= a for a, b in itertools.pairwise(points)):
                raise ValueError(f"{name} must ascend strictly, got {points}")

    @property
    def size(self) -> int:
        """Number of cells."""
        return len(self.speed_rpm) * len(self.load_kpa)


# A square of a table, in floats: its edges (left, right, bottom, top), then of its lower and its
# upper edge the value at the left and how much more it is at the right.
Square = tuple[float, float, float, float, float, float, float, float]
# Edges between which nothing lies.
NO_SQUARE: Square = (1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)


class Table:
    """Cells on axes with the look-up.

    cells: flat sequence of `axes.size` numbers (counts for what a controller stores), kept as a
    tuple: they are replaced as a whole, because squares are remembered. step: value of one count.
    """

    __slots__ = ("_cells", "_load", "_speed", "_square", "axes", "step")

    def __init__(self, axes: Axes, cells: Sequence[float], step: float = 1.0) -> None:
        if len(cells) != axes.size:
            raise ValueError(f"the axes have {axes.size} cells, got {len(cells)}")
        self.axes = axes
        self.step = step
        self._speed = axes.speed_rpm
        self._load = axes.load_kpa
        self.cells = cells

    @property
    def cells(self) -> Sequence[float]:
        """The cells, as they were given last."""
        return self._cells

    @cells.setter
    def cells(self, cells: Sequence[float]) -> None:
        self._cells = tuple(cells)
        self._square = NO_SQUARE

    def value(self, speed_rpm: float, load_kpa: float) -> float:
        """Return the bilinear value at an operating point, clamped to the axes."""
        # Points wander: most lie in the square of the one before.
        left, right, bottom, top, below, more_below, above, more_above = self._square
        if not (left <= speed_rpm < right and bottom <= load_kpa < top):
            speed_rpm = min(max(speed_rpm, self._speed[0]), self._speed[-1])
            load_kpa = min(max(load_kpa, self._load[0]), self._load[-1])
            self._square = self._square_at(speed_rpm, load_kpa)
            left, right, bottom, top, below, more_below, above, more_above = self._square
        u = (speed_rpm - left) / (right - left)
        below += u * more_below
        above += u * more_above
        return self.step * (below + (load_kpa - bottom) / (top - bottom) * (above - below))

    def _square_at(self, speed_rpm: float, load_kpa: float) -> Square:
        """Return the square of a point within the axes."""
        cells, columns = self._cells, len(self._speed)
        i = min(bisect_right(self._speed, speed_rpm) - 1, columns - 2)
        j = min(bisect_right(self._load, load_kpa) - 1, len(self._load) - 2)
        low = j * columns + i
        a, b, c, d = (float(cells[k]) for k in (low, low + 1, low + columns, low + columns + 1))
        left, right = float(self._speed[i]), float(self._speed[i + 1])
        return left, right, float(self._load[j]), float(self._load[j + 1]), a, b - a, c, d - c

    def values(
        self, speed_rpm: NDArray[np.float64], load_kpa: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return `value` at n points, shape (n,): the same numbers, bit for bit."""
        i, u = _places(self._speed, speed_rpm)
        j, v = _places(self._load, load_kpa)
        cells = np.asarray(self.cells, dtype=np.float64)
        low = j * len(self._speed) + i
        high = low + len(self._speed)
        below = cells[low] + u * (cells[low + 1] - cells[low])
        above = cells[high] + u * (cells[high + 1] - cells[high])
        return np.asarray(self.step * (below + v * (above - below)))


def _places(
    points: Sequence[float], values: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the breakpoint below each value, and how far it is to the next; clamped."""
    axis = np.asarray(points, dtype=np.float64)
    held = np.clip(values, axis[0], axis[-1])
    at = np.minimum(np.searchsorted(axis, held, side="right") - 1, len(axis) - 2)
    return at, (held - axis[at]) / (axis[at + 1] - axis[at])
