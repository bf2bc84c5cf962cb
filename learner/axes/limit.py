"""What a table on given axes leaves of an engine at best, and how sure that is.

The engine's breathing is known as the finer grid's solution: a mean and a covariance. Both go into
a set of surfaces, the mean and draws about it, read at points finer still by cubic splines. For
each surface the table that fits it best is found by weighted least squares of the relative fuelling
error (equal to the first order to what learning on those axes ends at), and what is left counts.
Mean squares over the draws are those expected, whichever axes are chosen by them: the loss is that
of Bayesian decision theory (Berger, Statistical Decision Theory and Bayesian Analysis, 1985).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array, kron

from breathmap.learner.axes.grid import Grid, hats, points_on, smooth
from breathmap.learner.exact.solve import Solution

Array = NDArray[np.float64]

DRAWS = 48
SEED = 20_011
# Part of the weight that lies on all of the table alike, wherever the engine ran: where nothing is
# known, breakpoints stay spread as for any engine (ours, no source).
EVEN_SHARE = 0.01
# Added to the normal equations, relative to their mean diagonal, against round-off alone.
RIDGE = 1e-9


@dataclass(frozen=True)
class Surfaces:
    """What is known of one bank's breathing, at points (loads x speeds) of `points`.

    mean_pct: VE, per cent, shape (loads, speeds). ratios: mean and draws as multiples of the mean,
    shape (points, 1 + DRAWS); the first column is one. weights: where it matters, shape (points,),
    sum 1. spread: the same with the even share in it, which fits and searches take.
    """

    points: Grid
    mean_pct: Array
    ratios: Array
    weights: Array
    spread: Array


def surfaces_of(
    cells_pct: Sequence[float], solution: Solution, fine: Grid, weights: Array
) -> Surfaces:
    """Return what a finer grid's solution knows. weights: shape of `points_on(fine)`, any sum above
    zero. Raises ValueError where the solution holds no covariance."""
    if solution.cell_covariance is None:
        raise ValueError("the solution holds no covariance")
    points = points_on(fine)
    over_load, over_speed = smooth(fine.load, points.load), smooth(fine.speed_rpm, points.speed_rpm)
    table = np.asarray(cells_pct, dtype=np.float64).reshape(fine.shape)
    values, vectors = np.linalg.eigh(solution.cell_covariance)
    normal = np.random.default_rng(SEED).standard_normal((len(values), DRAWS))
    # Antithetic pairs: the draws' mean is the mean, exactly.
    normal[:, DRAWS // 2 :] = -normal[:, : DRAWS // 2]
    draws = vectors @ (np.sqrt(values.clip(0.0))[:, None] * normal)
    change = np.concatenate([np.zeros((len(values), 1)), draws], axis=1)
    at_cells = table[..., None] * (
        1.0 + solution.correction[..., None] + change.reshape(*fine.shape, -1)
    )
    at_points = np.einsum("aj,jik,bi->abk", over_load, at_cells, over_speed, optimize=True)
    mean_pct = at_points[..., 0]
    own = weights.ravel() / weights.sum()
    return Surfaces(
        points,
        mean_pct,
        (at_points / mean_pct[..., None]).reshape(points.size, -1),
        own,
        (1.0 - EVEN_SHARE) * own + EVEN_SHARE / points.size,
    )


@dataclass(frozen=True)
class Fit:
    """The tables on one grid that fit each surface best. cells_pct: shape (cells, 1 + DRAWS).
    left: what each leaves, a fraction of the fuel, shape (points, 1 + DRAWS); positive is rich."""

    cells_pct: Array
    left: Array


def fit(surfaces: Surfaces, grid: Grid) -> Fit:
    """Fit a table on a grid to each surface."""
    design = _design(surfaces, grid)
    cells, _ = _solved(design, surfaces)
    return Fit(cells, design @ cells - surfaces.ratios)


def loss(surfaces: Surfaces, grid: Grid) -> float:
    """Return the mean square that the best tables on a grid are expected to leave, by the spread
    weights: what a search makes small."""
    cells, pulled = _solved(_design(surfaces, grid), surfaces)
    whole = surfaces.spread @ surfaces.ratios**2
    explained = np.einsum("ck,ck->k", cells, pulled)
    return float(np.maximum(whole - explained, 0.0)[1:].mean())


def _design(surfaces: Surfaces, grid: Grid) -> csr_array:
    """Return how the points' relative VE follows from the cells; shape (points, cells)."""
    rows = csr_array(hats(grid.load, surfaces.points.load))
    columns = csr_array(hats(grid.speed_rpm, surfaces.points.speed_rpm))
    design = csr_array(kron(rows, columns, format="csr"))
    return csr_array(design.multiply(1.0 / surfaces.mean_pct.ravel()[:, None]))


def _solved(design: csr_array, surfaces: Surfaces) -> tuple[Array, Array]:
    """Return the best cells and the right-hand side of their normal equations."""
    weighted = csr_array(design.multiply(surfaces.spread[:, None])).T
    normal = np.asarray((weighted @ design).todense())
    normal[np.diag_indices(len(normal))] += RIDGE * normal.trace() / len(normal)
    pulled = np.asarray(weighted @ surfaces.ratios)
    return np.asarray(cho_solve(cho_factor(normal), pulled)), pulled


@dataclass(frozen=True)
class Left:
    """An error that is left, a fraction of the fuel, and its standard error."""

    value: float
    error: float


def rms_left(fits: Sequence[Fit], weights: Sequence[Array]) -> Array:
    """Return the rms over all banks that each draw leaves, shape (DRAWS,)."""
    squares = [w @ one.left[:, 1:] ** 2 for one, w in zip(fits, weights, strict=True)]
    return np.asarray(np.sqrt(np.mean(squares, axis=0)))
