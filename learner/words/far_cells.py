"""Cells of a table that lie far from everything around them: a slip, or a file that was cut short.

An engine breathes smoothly, so that a cell lies near one of its neighbours or near a line through
two of them (in the logarithm of VE, where steep tables are straight). One that is far from all of
these is questioned; a neighbour that is wrong itself questions no other cell. A file cut within its
last number leaves a tenth of it (7 of 77.5), which is six times as far off as the limit.

How often a right table is questioned, and a wrong one is not:
`python -m breathmap.tools.bench.far_cells`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp, log

# Times larger or smaller than all that is near: half as much again. Of 720 random engines' tables
# (python -m breathmap.tools.bench.far_cells --engines 60), wrong by up to 15 %, on coarse axes and
# over throttle, too, none holds such a cell.
FAR = 1.5


@dataclass(frozen=True)
class FarCell:
    """One cell and what is near it: low, high, in the table's unit."""

    speed_rpm: float
    load: float
    value: float
    low: float
    high: float


def far_cells(
    speed_rpm: Sequence[float], load: Sequence[float], cells: Sequence[float]
) -> list[FarCell]:
    """Return the cells that are FAR from all that is near.

    cells: flat, row by row (rows are loads), all above 0.
    """
    width = len(speed_rpm)
    logs = [log(cell) for cell in cells]
    found = []
    for at, here in enumerate(logs):
        row, column = divmod(at, width)
        near = list(_near(speed_rpm, load, logs, row, column))
        low, high = min(near), max(near)
        if not low - log(FAR) <= here <= high + log(FAR):
            cell = FarCell(speed_rpm[column], load[row], cells[at], exp(low), exp(high))
            found.append(cell)
    return found


def _near(
    speed_rpm: Sequence[float], load: Sequence[float], logs: Sequence[float], row: int, column: int
) -> Iterator[float]:
    """Yield the neighbours, and what lines through two neighbours on one side lead to."""
    width = len(speed_rpm)
    for up in (-1, 0, 1):
        for right in (-1, 0, 1):
            is_there = 0 <= row + up < len(load) and 0 <= column + right < width
            if (up or right) and is_there:
                yield logs[(row + up) * width + column + right]
    across = [logs[row * width + k] for k in range(width)]
    along = [logs[k * width + column] for k in range(len(load))]
    for axis, values, at in ((speed_rpm, across, column), (load, along, row)):
        for step in (-1, 1):
            one, two = at + step, at + 2 * step
            if 0 <= two < len(axis):
                slope = (values[one] - values[two]) / (axis[one] - axis[two])
                yield values[one] + slope * (axis[at] - axis[one])
