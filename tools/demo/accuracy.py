"""How well tables fit the simulated truth, at the operating points of a fresh drive.

Covered ground: points inside the axes whose cells of any importance (bilinear weight above
WEIGHT_LEAST) each hold coverage of COVERAGE_LEAST equivalent independent samples or more.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters
from breathmap.simulator.run import TruthTrace, fuelling_error, simulate

WEIGHT_LEAST = 0.1
COVERAGE_LEAST = 5.0
FRESH_MINUTES = 10.0
FRESH_SEED = 7041

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Accuracy:
    """Fuelling error of one bank's table in per cent: rms and worst; share of points covered."""

    rms_pct: float
    worst_pct: float
    covered: float


def fresh_points(
    parameters: EngineParameters,
    controller: Controller,
    minutes: float = FRESH_MINUTES,
    seed: int = FRESH_SEED,
) -> tuple[Array, Array]:
    """Return speed (rpm) and manifold pressure (kPa) over a road drive not used for learning."""
    trace = TruthTrace()
    drive = RoadRide(60.0 * minutes, seed)
    for _ in simulate(parameters, controller, drive, seed, trace=trace, reuse=True):
        pass
    return np.array(trace.speed_rpm), np.array(trace.map_kpa)


def covered_points(speed_rpm: Array, map_kpa: Array, coverage: Array) -> NDArray[np.bool_]:
    """Return which points lie on covered ground. coverage: shape (load_count, speed_count)."""
    column, across, inside_speed = _place(speed_rpm, TWIN_AXES.speed_rpm)
    row, up, inside_load = _place(map_kpa, TWIN_AXES.load_kpa)
    covered = inside_speed & inside_load
    for right in (0, 1):
        for above in (0, 1):
            weight = np.abs(1 - right - across) * np.abs(1 - above - up)
            enough = coverage[row + above, column + right] >= COVERAGE_LEAST
            covered &= enough | (weight <= WEIGHT_LEAST)
    return covered


def _place(
    values: Array, axis: Sequence[float]
) -> tuple[NDArray[np.intp], Array, NDArray[np.bool_]]:
    """Index of the breakpoint below, share of the way to the next, and whether inside."""
    points = np.asarray(axis, dtype=np.float64)
    index = np.clip(np.searchsorted(points, values, side="right") - 1, 0, len(points) - 2)
    share = (values - points[index]) / (points[index + 1] - points[index])
    return index, share, (share >= 0.0) & (share <= 1.0)


def accuracy(
    parameters: EngineParameters,
    bank: int,
    cells_pct: Sequence[float],
    speed_rpm: Array,
    map_kpa: Array,
    covered: NDArray[np.bool_],
) -> Accuracy:
    """Compare a bank's table (flat cells) with the truth at the covered points."""
    error = 100.0 * fuelling_error(
        parameters.truth, bank, TWIN_AXES, cells_pct, speed_rpm[covered], map_kpa[covered]
    )
    if not len(error):
        return Accuracy(float("nan"), float("nan"), 0.0)
    return Accuracy(
        float(np.sqrt(np.mean(error**2))), float(np.abs(error).max()), float(covered.mean())
    )
