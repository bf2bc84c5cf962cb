"""The lowest place of a smooth function of a few numbers between bounds, from its slope. Host only.

BFGS (Nocedal & Wright, Numerical Optimization, 2006, chapter 6) among those numbers that no bound
holds, with steps cut at the bounds and halved until they lead down.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A step must bring this part of what the slope promises; less than ROUNDED is round-off.
LEAST_PART = 1e-4
ROUNDED = 1e-9
SHORTEST = 1e-10
# A step turns back where it is longer: far off, the slope promises more than there is.
LONGEST = 50.0


def lowest(
    cost: Callable[[Array], tuple[float, Array]],
    start: Array,
    bounds: Array,
    steepest: float,
    most_steps: int,
    rounded: float = ROUNDED,
) -> Array:
    """Return where `cost`, which gives a value and its slope (k,), is lowest near `start` (k,).

    bounds: (k, 2). The search ends where no slope that leads between the bounds is above
    `steepest`, or after `most_steps`. Numbers should be counted so that the curvature is near 1.
    rounded: differences of values below it are round-off; near the end the slope alone leads.
    """
    low, high = bounds[:, 0], bounds[:, 1]
    x = start.clip(low, high)
    value, slope = cost(x)
    curvature = np.eye(len(x))
    for _ in range(most_steps):
        free = ~(((x <= low) & (slope > 0.0)) | ((x >= high) & (slope < 0.0)))
        if not free.any() or np.abs(slope[free]).max() <= steepest:
            break
        step = np.zeros(len(x))
        step[free] = -np.linalg.solve(curvature[np.ix_(free, free)], slope[free])
        step *= min(1.0, LONGEST / float(np.abs(step).max()))
        part = 1.0
        while True:
            there = (x + part * step).clip(low, high)
            new, new_slope = cost(there)
            if new <= value + LEAST_PART * float(slope @ (there - x)) + rounded:
                break
            part /= 2.0
            if part < SHORTEST:
                return x
        curvature = _updated(curvature, there - x, new_slope - slope)
        x, value, slope = there, new, new_slope
    return x


def _updated(curvature: Array, step: Array, change: Array) -> Array:
    """Return the curvature that also explains a step's change of slope, where that is possible."""
    along = float(step @ change)
    pulled = curvature @ step
    if along <= 1e-8 * float(step @ pulled):
        return curvature
    taken = np.outer(pulled, pulled) / float(step @ pulled)
    return np.asarray(curvature - taken + np.outer(change, change) / along)
