"""The prior of the exact solution, and the scales under which the data are likeliest. Host only.

P sums squared second differences along both axes and crosswise (a thin plate: Wahba, Spline Models
for Observational Data, 1990). An engine breathes smoothly, so the new table is smooth, and where
the old one was not, its correction is not, either: leaning says how far (0: the correction is
smooth, 1: the new table is). table_sd, roughness, leaning and the noise are those that make the
data most likely (empirical Bayes: Rasmussen & Williams, Gaussian Processes for Machine Learning,
2006, chapter 5).
"""

from functools import lru_cache
from math import comb
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky
from scipy.linalg.lapack import dtrtri
from scipy.optimize import minimize

from breathmap.learner.exact.moments import Moments

Array = NDArray[np.float64]

# How large a global term may be, before the data speak (a fraction per unit of its column).
TERM_SD = 0.3
# Order of the differences that the prior holds small. Measured: python -m
# breathmap.tools.bench.choices
DIFFERENCES = 2
# Bounds of the search: a table may be wrong by 0.5 % to 60 %, rough from very smooth to free.
TABLE_SD_RANGE = (0.005, 0.6)
ROUGHNESS_RANGE = (0.0005, 0.6)
NOISE_RANGE = (0.0005, 0.3)
# The search ends where no parameter, in units of about its own uncertainty, has a steeper slope.
# That leaves a parameter wrong by about so many of its uncertainties: far below what is printed.
STEEPEST = 1e-5
# Steps of the search at most; it takes some twenty.
MOST_STEPS = 300


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
    """Q and h for a table, for any scales.

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
        self._P, self.eigenvalues, self.vectors = _thin_plate(load_count, speed_count, differences)
        self.has_table = log_cells is not None
        old = np.zeros(self.n) if log_cells is None else log_cells
        self._bent = self._P @ old
        self.bent_along = self.eigenvalues * (self.vectors.T @ old)

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


class Scales(NamedTuple):
    """What the evidence itself says of prior and noise; see `breathmap.learner.exact.solve`."""

    table_sd: float = 0.08
    roughness: float = 0.05
    noise: float = 0.02
    leaning: float = 0.0


class Likelihood:
    """Log marginal likelihood of the observations for any scales, up to a constant, and its slope.

    widening: f observations tell what one independent one would, so that all sums shrink by f.

    With c = 1 / (f s2), A = c H + Q, b the right-hand side c b + h, and z = inv(A) b, twice the
    negative logarithm is (Rasmussen & Williams 2006, equation 5.8, in the precisions' form)

        W log(s2) / f + c sum(w d d) + h' inv(Q) h - b' z + log det A - log det Q

    and, since d(inv(A)) = -inv(A) dA inv(A) and d(log det A) = trace(inv(A) dA) (the same, A.3.1),
    its differential, with y = inv(Q) h, is

        W d(log s2) / f + sum(w d d) dc + 2 (y - z)' dh - 2 dc z' b_data
            - y' dQ y + z' dA z + trace(inv(A) dA) - trace(inv(Q) dQ).

    Along the eigenvectors of P the matrix Q and its slopes are diagonal, so that of inv(A) only the
    diagonal is needed: one Cholesky factor and its inverse give the value and all four slopes.
    """

    def __init__(self, m: Moments, prior: Prior, widening: float) -> None:
        n, size = prior.n, prior.n + prior.n_terms
        turn = np.eye(size)
        turn[:n, :n] = prior.vectors
        self._H = turn.T @ m.H @ turn
        self._b = turn.T @ m.b
        self._weight = m.weight / widening
        self._square = m.square / widening
        self._widening = widening
        self._is_cell = np.arange(size) < n
        self._bends = np.zeros(size)
        self._bends[:n] = prior.eigenvalues
        self._bent = np.zeros(size)
        self._bent[:n] = prior.bent_along

    def at(self, scales: Scales) -> tuple[float, Array]:
        """The value, and its slope (4,) along the logarithms of table_sd, roughness and noise, and
        along leaning."""
        table_sd, roughness, noise, leaning = scales
        variance = noise * noise
        c = 1.0 / (variance * self._widening)
        level = np.where(self._is_cell, 1.0 / table_sd**2, 0.0)
        bends = self._bends / roughness**2
        q = np.where(self._is_cell, level + bends, 1.0 / TERM_SD**2)
        lean = -self._bent / roughness**2
        h = leaning * lean
        data = self._b * c

        A = self._H * c
        A[np.diag_indices_from(A)] += q
        L = cholesky(A, lower=True, overwrite_a=True, check_finite=False)
        inverse, _ = dtrtri(L, lower=1)
        inverse = np.tril(inverse)
        diagonal = (inverse**2).sum(axis=0)
        z = inverse.T @ (inverse @ (data + h))
        y = h / q

        square = self._square / variance
        log_det = 2.0 * float(np.log(np.diag(L)).sum()) - float(np.log(q).sum())
        value = self._weight * np.log(variance) + square + y @ h - z @ (data + h) + log_det

        # What a change of Q's diagonal changes, an entry each; then each parameter's own change.
        of_q = z * z + diagonal - y * y - 1.0 / q
        # z' cH z and trace(inv(A) cH), with cH = A - Q.
        of_data = z @ (data + h) - (z * z * q).sum() + len(q) - (diagonal * q).sum()
        slope = np.array(
            [
                -2.0 * (of_q @ level),
                -2.0 * (of_q @ bends) - 4.0 * ((y - z) @ h),
                2.0 * (self._weight - square - of_data) + 4.0 * (z @ data),
                2.0 * ((y - z) @ lean),
            ]
        )
        return -0.5 * float(value), -0.5 * slope


def likeliest_scales(m: Moments, prior: Prior, noise: float, widening: float) -> Scales:
    """The scales that make the evidence most likely. noise: where to begin, a fraction."""
    likelihood = Likelihood(m, prior, widening)
    ranges = (TABLE_SD_RANGE, ROUGHNESS_RANGE, NOISE_RANGE)
    bounds = np.array([*np.log(ranges), (0.0, 1.0 if prior.has_table else 0.0)])
    first = np.append(np.log([0.08, 0.05, np.clip(noise, *NOISE_RANGE)]), bounds[3, 1] / 2.0)
    # The more is summed up, the surer is the noise, and the steeper its side of the hill: in one
    # unit for all, the search would stop at its foot. So each parameter is counted in about its own
    # uncertainty: that of a standard deviation found from k squares is 1 / sqrt(2 k) of itself
    # (any statistics textbook), and n cells tell of the prior.
    unit = np.full(4, prior.n**-0.5)
    unit[2] = (2.0 * max(m.weight / widening, 1.0)) ** -0.5

    def scales(p: Array) -> Scales:
        table_sd, roughness, sd = np.exp(p[:3]).tolist()
        return Scales(table_sd, roughness, sd, float(p[3]))

    # From the first value, because the search can only see changes that are large beside it.
    least = likelihood.at(scales(first))[0]

    def cost(counted: Array) -> tuple[float, Array]:
        value, slope = likelihood.at(scales(counted * unit))
        return least - value, -slope * unit

    found = minimize(
        cost,
        first / unit,
        jac=True,
        method="L-BFGS-B",
        bounds=bounds / unit[:, None],
        options={"maxiter": MOST_STEPS, "ftol": 0.0, "gtol": STEEPEST},
    )
    return scales((found.x * unit).clip(bounds[:, 0], bounds[:, 1]))
