"""A bank's evidence as dense normal equations, for numpy. Host only."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core import kernel
from breathmap.learner.core.kernel import Evidence

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Moments:
    """The evidence as dense matrices: H of shape (m, m) and b (m,), m = cells + terms."""

    H: Array
    b: Array
    square: float
    weight: float
    count: float


def moments(evidence: Evidence) -> Moments:
    """Unfold the stencil and its border into dense normal equations."""
    speed_count, load_count, n_terms = evidence.speed_count, evidence.load_count, evidence.n_terms
    n = speed_count * load_count
    cells = np.asarray(evidence.cells, dtype=np.float64).reshape(n, kernel.PER_CELL)
    H = np.zeros((n + n_terms, n + n_terms))
    index = np.arange(n)
    H[index, index] = cells[:, kernel.SELF]
    for column, step in (
        (kernel.EAST, 1),
        (kernel.NORTH, speed_count),
        (kernel.NORTH_EAST, speed_count + 1),
        (kernel.NORTH_WEST, speed_count - 1),
    ):
        here = index[index + step < n]
        # += because on a table two speeds wide NORTH_WEST and EAST name the same pair.
        H[here, here + step] += cells[here, column]
        H[here + step, here] += cells[here, column]
    b = np.concatenate([cells[:, kernel.RHS], np.asarray(evidence.term_rhs, dtype=np.float64)])
    if n_terms:
        border = np.asarray(evidence.border, dtype=np.float64).reshape(n, n_terms)
        H[:n, n:] = border
        H[n:, :n] = border.T
        upper = np.triu_indices(n_terms)
        corner = np.zeros((n_terms, n_terms))
        corner[upper] = np.asarray(evidence.corner, dtype=np.float64)
        H[n:, n:] = corner + np.triu(corner, 1).T
    sums = evidence.sums
    return Moments(H, b, sums[kernel.SQUARE], sums[kernel.WEIGHT], sums[kernel.COUNT])
