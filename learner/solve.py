"""The exact solution of a bank's evidence, with honest standard errors. Host only (numpy, scipy).

With a prior, the corrections x and global terms t solve

    (H / (f s2) + Q) z = b / (f s2),   Q = I / table_sd^2 + (second differences)^2 / roughness^2

where s2 is the observations' variance, f the widening for their autocorrelation, and table_sd,
roughness and s2 are those that make the data most likely (empirical Bayes: Rasmussen & Williams,
Gaussian Processes for Machine Learning, 2006, chapter 5). Without a prior it is weighted least
squares of minimum norm, as `scipy.sparse.linalg.lsqr` finds it from the samples themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from learner import kernel
from learner.kernel import Evidence

Array = NDArray[np.float64]

# How large a global term may be, before the data speak (a fraction per unit of its column).
TERM_SD = 0.3
# What is left on an engine without any noise: delay, film and lag are models. Added to every
# standard error. Measured: python -m tools.bench_convergence --quiet
MODEL_ERROR = 0.001
# Rms error of a line through a parabola whose second difference is 1, fitted best: sqrt(1/720).
LINE_THROUGH_PARABOLA = 720.0**-0.5
# Bounds of the search: a table may be wrong by 0.5 % to 60 %, rough from very smooth to free.
TABLE_SD_RANGE = (0.005, 0.6)
ROUGHNESS_RANGE = (0.0005, 0.6)
NOISE_RANGE = (0.0005, 0.3)


@dataclass(frozen=True)
class Solution:
    """Corrections of one bank's table, as fractions, in arrays of shape (n_load, n_speed).

    correction, standard_error: posterior mean and standard deviation (with MODEL_ERROR in it).
    coarseness: what bilinear interpolation between these cells leaves of a smooth truth, rms; zero
    where `solve` was not given the table. coverage: equivalent independent samples. visited: cells
    that any observation touched; others hold what the prior says. noise: one observation's standard
    deviation. widening: factor on the variance for autocorrelation. table_sd, roughness: the prior
    found (infinite without a prior). term_values, term_errors, term_covariance: the K global terms.
    used: number of observations.
    """

    correction: Array
    standard_error: Array
    coarseness: Array
    coverage: Array
    visited: NDArray[np.bool_]
    noise: float
    widening: float
    table_sd: float
    roughness: float
    term_values: Array
    term_errors: Array
    term_covariance: Array
    used: int


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
    n_speed, n_load, n_terms = evidence.n_speed, evidence.n_load, evidence.n_terms
    n = n_speed * n_load
    cells = np.asarray(evidence.cells, dtype=np.float64).reshape(n, kernel.PER_CELL)
    H = np.zeros((n + n_terms, n + n_terms))
    index = np.arange(n)
    H[index, index] = cells[:, kernel.SELF]
    for column, step in (
        (kernel.EAST, 1),
        (kernel.NORTH, n_speed),
        (kernel.NORTH_EAST, n_speed + 1),
        (kernel.NORTH_WEST, n_speed - 1),
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


def _second_differences(n: int) -> Array:
    """Gram matrix (n, n) of the second differences along one axis; zero for fewer than 3."""
    d = np.diff(np.eye(n), 2, axis=0)
    return np.asarray(d.T @ d, dtype=np.float64)


class Prior:
    """Q for a table, and its log-determinant, for any table_sd and roughness."""

    def __init__(self, n_load: int, n_speed: int, n_terms: int) -> None:
        along_load, along_speed = _second_differences(n_load), _second_differences(n_speed)
        self.n = n_load * n_speed
        self.n_terms = n_terms
        self._differences = np.kron(along_load, np.eye(n_speed)) + np.kron(
            np.eye(n_load), along_speed
        )
        # Eigenvalues of a Kronecker sum are the sums of the parts'.
        self._eigenvalues = np.add.outer(
            np.linalg.eigvalsh(along_load), np.linalg.eigvalsh(along_speed)
        ).clip(0.0)

    def matrix(self, table_sd: float, roughness: float) -> Array:
        Q = np.zeros((self.n + self.n_terms, self.n + self.n_terms))
        Q[: self.n, : self.n] = self._differences / roughness**2
        Q[np.diag_indices(self.n)] += 1.0 / table_sd**2
        terms = np.arange(self.n, self.n + self.n_terms)
        Q[terms, terms] = 1.0 / TERM_SD**2
        return Q

    def log_determinant(self, table_sd: float, roughness: float) -> float:
        inner = np.log(1.0 / table_sd**2 + self._eigenvalues / roughness**2).sum()
        return float(inner) - 2.0 * self.n_terms * float(np.log(TERM_SD))


def _log_likelihood(
    m: Moments, prior: Prior, table_sd: float, roughness: float, noise: float, widening: float
) -> float:
    """Log marginal likelihood of the observations, up to a constant.

    Widening f means that f observations tell what one independent one would: all sums shrink by f.
    """
    variance = noise * noise
    scale = 1.0 / (variance * widening)
    A = m.H * scale + prior.matrix(table_sd, roughness)
    factor = cho_factor(A, lower=True, check_finite=False)
    b = m.b * scale
    fit = float(b @ cho_solve(factor, b, check_finite=False))
    log_det = 2.0 * float(np.log(np.diag(factor[0])).sum())
    return -0.5 * float(
        m.weight / widening * np.log(variance)
        + m.square * scale
        - fit
        + log_det
        - prior.log_determinant(table_sd, roughness)
    )


def _fit_prior(
    m: Moments, prior: Prior, noise: float, widening: float
) -> tuple[float, float, float]:
    """table_sd, roughness and noise that make the evidence most likely."""
    ranges = (TABLE_SD_RANGE, ROUGHNESS_RANGE, NOISE_RANGE)
    bounds = [(float(np.log(low)), float(np.log(high))) for low, high in ranges]

    def cost(p: Array) -> float:
        table_sd, roughness, sd = np.exp(p)
        return -_log_likelihood(m, prior, table_sd, roughness, sd, widening)

    start = np.log([0.08, 0.05, np.clip(noise, *NOISE_RANGE)])
    found = minimize(cost, start, method="L-BFGS-B", bounds=bounds, options={"maxiter": 60})
    table_sd, roughness, sd = np.exp(found.x)
    return float(table_sd), float(roughness), float(sd)


def widening_of(evidence: Evidence, m: Moments, noise: float) -> float:
    """Factor on the variance for the residuals' autocorrelation, 1 or more.

    The ratio of the squared block sums of weight times v times residual to what independent
    residuals of standard deviation `noise` would give.
    """
    cells = evidence.n_speed * evidence.n_load
    expected = float(np.trace(m.H[:cells, :cells])) * noise * noise
    if expected <= 0.0:
        return 1.0
    square = evidence.sums[kernel.BLOCK_SQUARE] + evidence.open_square()
    return max(1.0, square / expected)


@dataclass(frozen=True)
class FilmEstimate:
    """The fuel film as the terms show it: share deposited and time to give it back, with errors.

    Whatever else makes the mixture lag the load (a manifold that warms, a slow pressure sensor) is
    in it, so it is a diagnosis and no measurement of the film alone.
    """

    share: float
    share_error: float
    time_s: float
    time_error_s: float


def film_of(solution: Solution, film_s: Sequence[float]) -> FilmEstimate | None:
    """The film behind the film terms; None with fewer than two, or no positive share.

    Columns with time constants a and b and coefficients p and q act together like one film of
    share p + q and time (p a + q b) / (p + q): equal for a slow and for a sudden change.
    """
    n = len(film_s)
    if n < 2:
        return None
    times = np.asarray(film_s)
    values, covariance = solution.term_values[:n], solution.term_covariance[:n, :n]
    share = float(values.sum())
    if share <= 0.0:
        return None
    time_s = float(values @ times) / share
    slope = (times - time_s) / share
    return FilmEstimate(
        share=share,
        share_error=float(np.sqrt(covariance.sum())),
        time_s=time_s,
        time_error_s=float(np.sqrt(slope @ covariance @ slope)),
    )


def coarseness_of(ve_pct: Array) -> Array:
    """Rms interpolation error around each cell as a fraction, from the table's own curvature.

    ve_pct: shape (n_load, n_speed). Along each axis a bilinear table is a line through what is
    locally a parabola (the remainder of linear interpolation, any numerical analysis textbook); at
    the ends the neighbour's curvature counts.
    """
    total = np.zeros_like(ve_pct)
    for axis in (0, 1):
        if ve_pct.shape[axis] < 3:
            continue
        second = np.diff(ve_pct, 2, axis=axis)
        pad = [(0, 0), (0, 0)]
        pad[axis] = (1, 1)
        total += np.pad(second, pad, mode="edge") ** 2
    return np.asarray(LINE_THROUGH_PARABOLA * np.sqrt(total) / ve_pct)


def solve(
    evidence: Evidence, prior: bool = True, cells_pct: Sequence[float] | None = None
) -> Solution:
    """Solve the evidence exactly.

    prior: with False, plain least squares of minimum norm; standard errors of cells that the data
    do not determine are infinite, and unvisited cells stay at zero.
    cells_pct: the table that was learned on, flat, VE in per cent; gives the coarseness.
    The evidence is not changed.
    """
    m = moments(evidence)
    shape = (evidence.n_load, evidence.n_speed)
    n = shape[0] * shape[1]
    coverage = np.asarray(evidence.cells, dtype=np.float64)[kernel.COVERAGE :: kernel.PER_CELL]
    visited = np.diag(m.H)[:n] > 0.0
    if prior:
        z, covariance, noise, widening, table_sd, roughness = _with_prior(evidence, m, shape)
        errors = np.sqrt(np.diag(covariance) + MODEL_ERROR**2)
    else:
        z, covariance, noise, widening = _without_prior(evidence, m)
        errors = np.sqrt(np.diag(covariance))
        table_sd = roughness = float("inf")
    correction = z[:n].reshape(shape)
    coarseness = np.zeros(shape)
    if cells_pct is not None:
        table = np.asarray(cells_pct, dtype=np.float64).reshape(shape)
        coarseness = coarseness_of(table * (1.0 + correction))
    return Solution(
        correction=correction,
        standard_error=errors[:n].reshape(shape),
        coarseness=coarseness,
        coverage=coverage.reshape(shape).copy(),
        visited=visited.reshape(shape),
        noise=noise,
        widening=widening,
        table_sd=table_sd,
        roughness=roughness,
        term_values=z[n:],
        term_errors=errors[n:],
        term_covariance=covariance[n:, n:],
        used=int(m.count),
    )


def _with_prior(
    evidence: Evidence, m: Moments, shape: tuple[int, int]
) -> tuple[Array, Array, float, float, float, float]:
    prior = Prior(*shape, evidence.n_terms)
    noise = evidence.noise
    widening = widening_of(evidence, m, noise)
    table_sd, roughness = 0.08, 0.05
    if m.count:
        table_sd, roughness, noise = _fit_prior(m, prior, noise, widening)
    scale = 1.0 / (noise * noise * widening)
    A = m.H * scale + prior.matrix(table_sd, roughness)
    covariance: Array = np.asarray(np.linalg.inv(A), dtype=np.float64)
    z = covariance @ (m.b * scale)
    return z, covariance, noise, widening, table_sd, roughness


def _without_prior(evidence: Evidence, m: Moments) -> tuple[Array, Array, float, float]:
    values, vectors = np.linalg.eigh(m.H)
    # Below this the direction is round-off of the sums, not information.
    floor = max(values[-1], 0.0) * len(values) * np.finfo(np.float64).eps
    seen = values > floor
    inverse = np.where(seen, 1.0 / np.where(seen, values, 1.0), 0.0)
    z = vectors @ (inverse * (vectors.T @ m.b))
    left = max(m.square - float(m.b @ z), 0.0)
    freedom = max(m.weight - int(seen.sum()), 1.0)
    noise = float(np.sqrt(left / freedom))
    widening = widening_of(evidence, m, noise)
    covariance = (vectors * inverse) @ vectors.T * (noise**2 * widening)
    undetermined = (vectors[:, ~seen] ** 2).sum(axis=1) > 1e-6
    covariance[undetermined, undetermined] = np.inf
    return z, covariance, noise, widening
