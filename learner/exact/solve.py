"""The exact solution of a bank's evidence, with honest standard errors. Host only (numpy, scipy).

With a prior, the corrections x and global terms t solve

    (H / (f s2) + Q) z = b / (f s2) + h
    Q = I / table_sd^2 + P / roughness^2,   h = -leaning P log(old table) / roughness^2

where s2 is the observations' variance, f the widening for their autocorrelation, and P and the
scales are those of `breathmap.learner.exact.prior`. The linear algebra is that of
`breathmap.learner.exact.banded`.
Without a prior it is weighted least squares of minimum norm, as `scipy.sparse.linalg.lsqr` finds
it from the samples themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core import kernel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.moments import Moments, moments
from breathmap.learner.exact.prior import (
    DIFFERENCES,
    Likelihood,
    Prior,
    Scales,
    likeliest_scales,
)
from breathmap.learner.exact.threads import one_thread

Array = NDArray[np.float64]

# What is left on an engine without any noise: delay, film and lag are models. Added to every
# standard error. Measured: python -m breathmap.tools.bench.convergence --quiet
MODEL_ERROR = 0.0005
# A film is known when its share is known to this (a fraction of the fuel) and its time to this (as
# a part of the columns' own); farther off than the last a first-order change says nothing.
FILM_SHARE_ERROR = 0.05
FILM_TIME_ERROR = 0.3
FILM_FARTHEST = 0.7
# A cell with less coverage than one independent sample may have been touched, but not learned.
ONE_SAMPLE = 1.0
# Rms error of a line through a parabola whose second difference is 1, fitted best: sqrt(1/720).
LINE_THROUGH_PARABOLA = 720.0**-0.5


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
    cell_covariance: of the cells' corrections among each other, shape (n, n), without what is added
    to the standard errors; None where `solve` was not asked for it.
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
    cell_covariance: Array | None = None


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
    covariance: bool = False,
) -> Solution:
    """Solve the evidence exactly.

    prior: with False, plain least squares of minimum norm; standard errors of cells that the data
    do not determine are infinite, and unvisited cells stay at zero.
    cells_pct: the table that was learned on, flat, VE in per cent; lets the prior lean to a smooth
    new table, and gives the coarseness.
    differences: order of those that the prior holds small. covariance: give that of all cells, too,
    which costs cells^3. The evidence is not changed.
    """
    m = moments(evidence)
    shape = (evidence.load_count, evidence.speed_count)
    n = shape[0] * shape[1]
    coverage = np.asarray(evidence.cells, dtype=np.float64)[kernel.COVERAGE :: kernel.PER_CELL]
    visited = np.diag(m.H)[:n] > 0.0
    table = None if cells_pct is None else np.asarray(cells_pct, dtype=np.float64)
    with one_thread():
        if prior:
            log_cells = None if table is None else np.log(table)
            model = Prior(*shape, evidence.n_terms, log_cells, differences)
            found = _with_prior(evidence, m, model, covariance)
        else:
            found = _without_prior(evidence, m)
    z, variance, scales = found.z, found.variance, found.scales
    correction = z[:n].reshape(shape)
    coarseness = np.zeros(shape)
    if table is not None:
        coarseness = coarseness_of(table.reshape(shape) * (1.0 + correction))
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
        widening=found.widening,
        table_sd=scales.table_sd,
        roughness=scales.roughness,
        leaning=scales.leaning,
        term_values=z[n:],
        term_errors=errors[n:],
        term_covariance=found.term_covariance,
        used=int(m.count),
        cell_covariance=found.covariance if covariance else None,
    )


class _Found(NamedTuple):
    """Cells and terms (m,), their variances (m,), the covariance of the cells (n, n) where it was
    asked for, and that of the terms (K, K)."""

    z: Array
    variance: Array
    covariance: Array | None
    term_covariance: Array
    widening: float
    scales: Scales


def _with_prior(evidence: Evidence, m: Moments, prior: Prior, whole: bool) -> _Found:
    widening = widening_of(evidence, m, evidence.noise)
    scales = Scales(noise=evidence.noise)
    likelihood = Likelihood(m, prior, widening)
    if m.count:
        scales = likeliest_scales(likelihood, evidence.noise)
    factor = likelihood.factor(scales)
    cells, terms = likelihood.mean(factor, scales)
    diagonal, _ = factor.inverse(prior.plate.blocks)
    where = prior.plate.where
    z = np.append(where.cells_of(cells), terms)
    variance = np.append(where.cells_of(diagonal), factor.term_covariance.diagonal())
    covariance = None
    if whole:
        A = m.H / (scales.noise**2 * widening) + prior.matrix(scales.table_sd, scales.roughness)
        covariance = np.asarray(np.linalg.inv(A)[: prior.n, : prior.n], dtype=np.float64)
    return _Found(z, variance, covariance, factor.term_covariance, widening, scales)


def _without_prior(evidence: Evidence, m: Moments) -> _Found:
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
    n = evidence.speed_count * evidence.load_count
    scales = Scales(free, free, noise)
    variance = covariance.diagonal().copy()
    return _Found(z, variance, covariance[:n, :n], covariance[n:, n:], widening, scales)
