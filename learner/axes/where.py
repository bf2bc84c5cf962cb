"""Where an engine ran: the time spent about each point at which tables are compared."""

from bisect import bisect
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.axes.grid import Grid, hats, points_on
from breathmap.learner.exact.solve import ONE_SAMPLE, Solution
from breathmap.protocol.wire.codes import FUEL_CUT
from breathmap.protocol.wire.sample import Sample

Array = NDArray[np.float64]
# Nearer to all of a point's cells than this is round-off.
NEARLY_ONE = 1.0 - 1e-9


class Ran:
    """Counts samples about the points of a finer grid, fuel cuts left out.

    count: shape (loads, speeds) of `points_on(fine)`; outside the axes nothing counts.
    """

    def __init__(self, fine: Grid, load_is_throttle: bool) -> None:
        points = points_on(fine)
        self.count = np.zeros(points.shape)
        self._load = "throttle_pct" if load_is_throttle else "map_kpa"
        self._ends = (*_ends(points.speed_rpm), *_ends(points.load))
        self._between_speeds = _middles(points.speed_rpm)
        self._between_loads = _middles(points.load)

    def take(self, sample: Sample) -> None:
        """Count one sample."""
        speed, load = sample.speed_rpm, getattr(sample, self._load)
        slowest, fastest, lowest, highest = self._ends
        # NaN is within no limits.
        if not (slowest <= speed <= fastest and lowest <= load <= highest):
            return
        if not sample.flags & FUEL_CUT:
            self.count[bisect(self._between_loads, load), bisect(self._between_speeds, speed)] += 1


def _ends(axis: tuple[float, ...]) -> tuple[float, float]:
    return axis[0], axis[-1]


def _middles(axis: tuple[float, ...]) -> list[float]:
    return [(a + b) / 2.0 for a, b in pairwise(axis)]


def known_ground(solution: Solution, fine: Grid) -> NDArray[np.bool_]:
    """Return at which points of `points_on(fine)` all cells about hold a sample's worth at least;
    shape (loads, speeds)."""
    points = points_on(fine)
    held = (solution.coverage >= ONE_SAMPLE).astype(float)
    about = hats(fine.load, points.load) @ held @ hats(fine.speed_rpm, points.speed_rpm).T
    return np.asarray(about >= NEARLY_ONE)
