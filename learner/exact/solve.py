"""The exact solution of a bank's evidence, with honest standard errors. Host only (numpy, scipy).

With a prior, the corrections x and global terms t solve

    (H / (f s2) + Q) z = b / (f s2) + h
    Q = I / table_sd^2 + P / roughness^2,   h = -leaning P log(old table) / roughness^2

where s2 is the observations' variance, f the widening for their autocorrelation, and P sums squared
second differences along both axes and crosswise (a thin plate: Wahba, Spline Models for
Observational Data, 1990). An engine breathes smoothly, so the new table is smooth, and where the
old one was not, its correction is not, either: leaning says how far (0: the correction is smooth,
1: the new table is). table_sd, roughness, leaning and s2 are those that make the data most likely
(empirical Bayes: Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, chapter 5).
Without a prior it is weighted least squares of minimum norm, as `scipy.sparse.linalg.lsqr` finds
it from the samples themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import comb
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from breathmap.learner.core import kernel
from breathmap.learner.core.kernel import Evidence

Array = NDArray[np.float64]

# How large a global term may be, before the data speak (a fraction per unit of its column).
TERM_SD = 0.3
# What is left on an engine without any noise: delay, film and lag are models. Added to every
# standard error. Measured: python -m breathmap.tools.bench.convergence --quiet
MODEL_ERROR = 0.0005
# Order of the differences that the prior holds small. Measured: python -m
# breathmap.tools.bench.choices
DIFFERENCES = 2
# A film is known when its share is known to this (a fraction of the fuel) and its time to this (as
# a part of the columns' own); farther off than the last a first-order change says nothing.
FILM_SHARE_ERROR = 0.05
FILM_TIME_ERROR = 0.3
FILM_FARTHEST = 0.7
# A cell with less coverage than one independent sample may have been touched, but not learned.
ONE_SAMPLE = 1.0
# Rms error of a line through a parabola whose second difference is 1, fitted best: sqrt(1/720).
LINE_THROUGH_PARABOLA = 720.0**-0.5
# Bounds of the search: a table may be wrong by 0.5 % to 60 %, rough from very smooth to free.
TABLE_SD_RANGE = (0.005, 0.6)
ROUGHNESS_RANGE = (0.0005, 0.6)
NOISE_RANGE = (0.0005, 0.3)


@dataclass(frozen=True)
class Solution:
    """Corrections of one bank's table, as fractions, in arrays of shape (load_count, speed_count).

    correction, standard_error: posterior mean and standard deviation, with MODEL_ERROR and the
    coarseness in it, and the whole correction where coverage is below one sample. coarseness: what
    bilinear interpolation between these cells leaves of a smooth truth, rms; zero where `solve` was
    not given the table. coverage: equivalent independent samples. visited: cells that any
    observation touched; others hold what the prior says. noise: one observation's standard
    deviation. widening: factor on the variance for autocorrelation.
    table_sd, roughness, leaning: the prior found (scales infinite without a prior). term_values,
    term_errors, term_covariance: the K global terms. used: number of observations.
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
    leaning: float
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


@lru_cache(maxsize=8)
def _thin_plate(load_count: int, speed_count: int, differences: int) -> tuple[Array, Array, Array]:
    """P of shape (n, n), its eigenvalues and eigenvectors (columns); for reading only."""
    P = np.zeros((load_count * speed_count, load_count * speed_count))
    for order in range(differences + 1):
        a = np.diff(np.eye(load_count), order, axis=0)
        b = np.diff(np.eye(speed_count), differences - order, axis=0)
        P += comb(differences, order) * np.kron(a.T @ a, b.T @ b)
    values, vectors = np.linalg.eigh(P)
    return P, values.clip(0.0), vectors


class Prior:
    """Q and h for a table, and what of them the likelihood needs, for any scales.

    log_cells: logarithm of the table that was learned on, flat; without it there is no h.
    differences: their order in P.
    """

    def __init__(
        self,
        load_count: int,
        speed_count: int,
        n_terms: int,
        log_cells: Array | None = None,
        differences: int = DIFFERENCES,
    ) -> None:
        self.n = load_count * speed_count
        self.n_terms = n_terms
        self._P, self._eigenvalues, vectors = _thin_plate(load_count, speed_count, differences)
        self.has_table = log_cells is not None
        old = np.zeros(self.n) if log_cells is None else log_cells
        self._bent = self._P @ old
        self._bent_along = self._eigenvalues * (vectors.T @ old)

    def matrix(self, table_sd: float, roughness: float) -> Array:
        """Q, of shape (n + n_terms, n + n_terms)."""
        Q = np.zeros((self.n + self.n_terms, self.n + self.n_terms))
        Q[: self.n, : self.n] = self._P / roughness**2
        Q[np.diag_indices(self.n)] += 1.0 / table_sd**2
        terms = np.arange(self.n, self.n + self.n_terms)
        Q[terms, terms] = 1.0 / TERM_SD**2
        return Q

    def pull(self, roughness: float, leaning: float) -> Array:
        """h, of shape (n + n_terms,)."""
        h = np.zeros(self.n + self.n_terms)
        h[: self.n] = -leaning / roughness**2 * self._bent
        return h

    def log_determinant(self, table_sd: float, roughness: float) -> float:
        """Of Q."""
        inner = np.log(self._along(table_sd, roughness)).sum()
        return float(inner) - 2.0 * self.n_terms * float(np.log(TERM_SD))

    def pull_square(self, table_sd: float, roughness: float, leaning: float) -> float:
        """h' inv(Q) h."""
        part = self._bent_along**2 / self._along(table_sd, roughness)
        return float(part.sum()) * (leaning / roughness**2) ** 2

    def _along(self, table_sd: float, roughness: float) -> Array:
        """Eigenvalues of the cells' part of Q."""
        return np.asarray(1.0 / table_sd**2 + self._eigenvalues / roughness**2)


class Scales(NamedTuple):
    """What the evidence itself says of prior and noise; see `Solution`."""

    table_sd: float = 0.08
    roughness: float = 0.05
    noise: float = 0.02
    leaning: float = 0.0


def _log_likelihood(m: Moments, prior: Prior, scales: Scales, widening: float) -> float:
    """Log marginal likelihood of the observations, up to a constant.

    Widening f means that f observations tell what one independent one would: all sums shrink by f.
    """
    table_sd, roughness, noise, leaning = scales
    variance = noise * noise
    scale = 1.0 / (variance * widening)
    A = m.H * scale + prior.matrix(table_sd, roughness)
    factor = cho_factor(A, lower=True, check_finite=False)
    b = m.b * scale + prior.pull(roughness, leaning)
    fit = float(b @ cho_solve(factor, b, check_finite=False))
    log_det = 2.0 * float(np.log(np.diag(factor[0])).sum())
    return -0.5 * float(
        m.weight / widening * np.log(variance)
        + m.square * scale
        + prior.pull_square(table_sd, roughness, leaning)
        - fit
        + log_det
        - prior.log_determinant(table_sd, roughness)
    )


def _fit_prior(m: Moments, prior: Prior, noise: float, widening: float) -> Scales:
    """The scales that make the evidence most likely."""
    ranges = (TABLE_SD_RANGE, ROUGHNESS_RANGE, NOISE_RANGE)
    bounds = [(float(np.log(low)), float(np.log(high))) for low, high in ranges]
    bounds.append((0.0, 1.0 if prior.has_table else 0.0))

    def scales(p: Array) -> Scales:
        table_sd, roughness, sd = np.exp(p[:3]).tolist()
        return Scales(table_sd, roughness, sd, float(p[3]))

    def cost(p: Array) -> float:
        return -_log_likelihood(m, prior, scales(p), widening)

    first = np.append(np.log([0.08, 0.05, np.clip(noise, *NOISE_RANGE)]), bounds[3][1] / 2.0)
    found = minimize(cost, first, method="L-BFGS-B", bounds=bounds, options={"maxiter": 60})
    return scales(found.x)


def widening_of(evidence: Evidence, m: Moments, noise: float) -> float:
    """Factor on the variance for the residuals' autocorrelation, 1 or more.

    The ratio of the squared block sums of weight times v times residual to what independent
    residuals of standard deviation `noise` would give.
    """
    cells = evidence.speed_count * evidence.load_count
    expected = float(np.trace(m.H[:cells, :cells])) * noise * noise
    if expected <= 0.0:
        return 1.0
    square = evidence.sums[kernel.BLOCK_SQUARE] + evidence.open_square()
    return max(1.0, square / expected)


@dataclass(frozen=True)
class FilmEstimate:
    """The fuel film as the terms show it: share deposited and time to give it back, with errors.

    Whatever else makes the mixture lag the load (a manifold that warms, a slow pressure sensor) is
    in it, so it is a diagnosis and no measurement of the film alone. known: False when the errors
    are too large, or the time too far from the columns' own, to say anything.
    """

    share: float
    share_error: float
    time_s: float
    time_error_s: float
    known: bool


def film_of(solution: Solution, film_s: float, film_terms: int) -> FilmEstimate | None:
    """The film behind the film terms at half the load axis; None without its time among them, or
    with no positive share or time.

    The columns are a film of time constant film_s and its change with that constant, linearised
    (see `breathmap.learner.core.history.Seen`): the share is the first coefficient, the time
    film_s times one plus the ratio of the third to it.
    """
    if film_terms < 3:
        return None
    share, change = float(solution.term_values[0]), float(solution.term_values[2])
    if share <= 0.0 or share + change <= 0.0:
        return None
    covariance = solution.term_covariance[np.ix_([0, 2], [0, 2])]
    # Gradient of film_s (1 + change / share).
    slope = film_s / share * np.array([-change / share, 1.0])
    share_error = float(np.sqrt(covariance[0, 0]))
    time_error_s = float(np.sqrt(slope @ covariance @ slope))
    return FilmEstimate(
        share=share,
        share_error=share_error,
        time_s=film_s * (1.0 + change / share),
        time_error_s=time_error_s,
        known=share_error <= FILM_SHARE_ERROR
        and time_error_s <= FILM_TIME_ERROR * film_s
        and abs(change) <= FILM_FARTHEST * share,
    )


def coarseness_of(ve_pct: Array) -> Array:
    """Rms interpolation error around each cell as a fraction, from the table's own curvature.

    ve_pct: shape (load_count, speed_count). Along each axis a bilinear table is a line through what
    is locally a parabola (the remainder of linear interpolation, any numerical analysis textbook);
    at the ends the neighbour's curvature counts.
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
    evidence: Evidence,
    prior: bool = True,
    cells_pct: Sequence[float] | None = None,
    differences: int = DIFFERENCES,
) -> Solution:
    """Solve the evidence exactly.

    prior: with False, plain least squares of minimum norm; standard errors of cells that the data
    do not determine are infinite, and unvisited cells stay at zero.
    cells_pct: the table that was learned on, flat, VE in per cent; lets the prior lean to a smooth
    new table, and gives the coarseness.
    differences: order of those that the prior holds small. The evidence is not changed.
    """
    m = moments(evidence)
    shape = (evidence.load_count, evidence.speed_count)
    n = shape[0] * shape[1]
    coverage = np.asarray(evidence.cells, dtype=np.float64)[kernel.COVERAGE :: kernel.PER_CELL]
    visited = np.diag(m.H)[:n] > 0.0
    table = None if cells_pct is None else np.asarray(cells_pct, dtype=np.float64)
    if prior:
        log_cells = None if table is None else np.log(table)
        model = Prior(*shape, evidence.n_terms, log_cells, differences)
        z, covariance, widening, scales = _with_prior(evidence, m, model)
    else:
        z, covariance, widening, scales = _without_prior(evidence, m)
    correction = z[:n].reshape(shape)
    coarseness = np.zeros(shape)
    if table is not None:
        coarseness = coarseness_of(table.reshape(shape) * (1.0 + correction))
    variance = np.diag(covariance).copy()
    if prior:
        variance += MODEL_ERROR**2
        variance[:n] += coarseness.ravel() ** 2
        # What as good as only the prior moved is no surer than the whole of that move.
        variance[:n] += np.where(coverage < ONE_SAMPLE, z[:n] ** 2, 0.0)
    errors = np.sqrt(variance)
    return Solution(
        correction=correction,
        standard_error=errors[:n].reshape(shape),
        coarseness=coarseness,
        coverage=coverage.reshape(shape).copy(),
        visited=visited.reshape(shape),
        noise=scales.noise,
        widening=widening,
        table_sd=scales.table_sd,
        roughness=scales.roughness,
        leaning=scales.leaning,
        term_values=z[n:],
        term_errors=errors[n:],
        term_covariance=covariance[n:, n:],
        used=int(m.count),
    )


def _with_prior(evidence: Evidence, m: Moments, prior: Prior) -> tuple[Array, Array, float, Scales]:
    widening = widening_of(evidence, m, evidence.noise)
    scales = Scales(noise=evidence.noise)
    if m.count:
        scales = _fit_prior(m, prior, evidence.noise, widening)
    scale = 1.0 / (scales.noise**2 * widening)
    A = m.H * scale + prior.matrix(scales.table_sd, scales.roughness)
    covariance: Array = np.asarray(np.linalg.inv(A), dtype=np.float64)
    z = covariance @ (m.b * scale + prior.pull(scales.roughness, scales.leaning))
    return z, covariance, widening, scales


def _without_prior(evidence: Evidence, m: Moments) -> tuple[Array, Array, float, Scales]:
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
    free = float("inf")
    return z, covariance, widening, Scales(free, free, noise)
