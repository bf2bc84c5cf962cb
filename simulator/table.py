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


class Table:
    """Cells on axes with the look-up; `cells` may be replaced or written in place.

    cells: flat sequence of `axes.size` numbers (a bytearray for what a controller stores).
    step: value of one count.
    """

    __slots__ = (
        "_column", "_columns", "_load", "_loads", "_row", "_speed", "_speeds", "axes", "cells",
        "step",
    )  # fmt: skip

    def __init__(self, axes: Axes, cells: Sequence[float], step: float = 1.0) -> None:
        if len(cells) != axes.size:
            raise ValueError(f"the axes have {axes.size} cells, got {len(cells)}")
        self.axes = axes
        self.cells = cells
        self.step = step
        self._speed = axes.speed_rpm
        self._load = axes.load_kpa
        self._columns = len(axes.speed_rpm)
        # The square of the latest look-up, for points wander: its column and row, and its edges.
        self._column = self._row = 0
        self._speeds = self._speed[:2]
        self._loads = self._load[:2]

    def value(self, speed_rpm: float, load_kpa: float) -> float:
        """Return the bilinear value at an operating point, clamped to the axes."""
        left, right = self._speeds
        if not left <= speed_rpm < right:
            self._column, left, right, speed_rpm = _place(self._speed, speed_rpm)
            self._speeds = (left, right)
        bottom, top = self._loads
        if not bottom <= load_kpa < top:
            self._row, bottom, top, load_kpa = _place(self._load, load_kpa)
            self._loads = (bottom, top)
        u = (speed_rpm - left) / (right - left)
        v = (load_kpa - bottom) / (top - bottom)
        cells = self.cells
        low = self._row * self._columns + self._column
        high = low + self._columns
        below = cells[low] + u * (cells[low + 1] - cells[low])
        above = cells[high] + u * (cells[high + 1] - cells[high])
        return self.step * (below + v * (above - below))

    def values(
        self, speed_rpm: NDArray[np.float64], load_kpa: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return `value` at n points, shape (n,): the same numbers, bit for bit."""
        i, u = _places(self._speed, speed_rpm)
        j, v = _places(self._load, load_kpa)
        cells = np.asarray(self.cells, dtype=np.float64)
        low = j * self._columns + i
        high = low + self._columns
        below = cells[low] + u * (cells[low + 1] - cells[low])
        above = cells[high] + u * (cells[high + 1] - cells[high])
        return np.asarray(self.step * (below + v * (above - below)))


def _place(points: Sequence[float], value: float) -> tuple[int, float, float, float]:
    """Return where a value is, clamped: the breakpoint below, it and the next, and the value."""
    value = min(max(value, points[0]), points[-1])
    at = min(bisect_right(points, value) - 1, len(points) - 2)
    return at, points[at], points[at + 1], value


def _places(
    points: Sequence[float], values: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the breakpoint below each value, and how far it is to the next; clamped."""
    axis = np.asarray(points, dtype=np.float64)
    held = np.clip(values, axis[0], axis[-1])
    at = np.minimum(np.searchsorted(axis, held, side="right") - 1, len(axis) - 2)
    return at, (held - axis[at]) / (axis[at + 1] - axis[at])
