"""The prior of the exact solution, and the scales under which the data are likeliest. Host only.

P sums squared second differences along both axes and crosswise (a thin plate: Wahba, Spline Models
for Observational Data, 1990). An engine breathes smoothly, so the new table is smooth, and where
the old one was not, its correction is not, either: leaning says how far (0: the correction is
smooth, 1: the new table is). table_sd, roughness, leaning and the noise are those that make the
data most likely (empirical Bayes: Rasmussen & Williams, Gaussian Processes for Machine Learning,
2006, chapter 5).
"""

from collections.abc import Iterator
from functools import lru_cache
from itertools import product
from math import comb
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.exact.banded import (
    Blocks,
    Factor,
    Layout,
    blocks_of,
    layout,
    times,
)
from breathmap.learner.exact.moments import Moments
from breathmap.learner.exact.search import ROUNDED, lowest

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
# A likelihood is a sum of thousands: so many of its last places are round-off.
ROUND_OFFS = 16


class Plate(NamedTuple):
    """P of one shape of table; for reading only. matrix: (n, n). blocks: the same in the layout's
    order. eigenvalues (n,), vectors (n, n): a column each, in cells' order."""

    matrix: Array
    where: Layout
    blocks: Blocks
    eigenvalues: Array
    vectors: Array


@lru_cache(maxsize=8)
def _thin_plate(load_count: int, speed_count: int, differences: int) -> Plate:
    bends = list(_bends(load_count, speed_count, differences))
    P = np.sum([times * np.kron(a, b) for times, a, b in bends], axis=0)
    where = layout(load_count, speed_count, differences)
    values, vectors = [], []
    # A table turned round bends as much: what is even and odd along each axis stands for itself.
    for a, b in product(_halves(load_count), _halves(speed_count)):
        half = [times * np.kron(a.T @ A @ a, b.T @ B @ b) for times, A, B in bends]
        of_half, within = np.linalg.eigh(np.sum(half, axis=0))
        values.append(of_half.clip(0.0))
        # kron(a, b) @ within, without its many zeros.
        along_speed = b @ within.reshape(a.shape[1], b.shape[1], -1)
        vectors.append(np.tensordot(a, along_speed, 1).reshape(len(P), -1))
    return Plate(P, where, blocks_of(P, where), np.concatenate(values), np.hstack(vectors))


def _bends(
    load_count: int, speed_count: int, differences: int
) -> Iterator[tuple[int, Array, Array]]:
    """Yield each part of P: how often it counts, and the squared differences along either axis."""
    for order in range(differences + 1):
        a = np.diff(np.eye(load_count), order, axis=0)
        b = np.diff(np.eye(speed_count), differences - order, axis=0)
        yield comb(differences, order), a.T @ a, b.T @ b


def _halves(count: int) -> tuple[Array, Array]:
    """Return orthonormal bases, a column each, of what is even and of what is odd along an axis."""
    eye = np.eye(count)
    even, odd = eye + eye[::-1], eye - eye[::-1]
    middle = (count + 1) // 2
    even, odd = even[:, :middle], odd[:, : count // 2]
    return even / np.linalg.norm(even, axis=0), odd / np.linalg.norm(odd, axis=0)


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
        self.plate = _thin_plate(load_count, speed_count, differences)
        self.eigenvalues = self.plate.eigenvalues
        self.has_table = log_cells is not None
        self._old = np.zeros(self.n) if log_cells is None else log_cells
        self.bent = self.plate.matrix @ self._old

    @property
    def vectors(self) -> Array:
        """Eigenvectors of P, (n, n), a column each."""
        return self.plate.vectors

    @property
    def bent_along(self) -> Array:
        """P times the old table along the eigenvectors, (n,)."""
        return np.asarray(self.eigenvalues * (self.vectors.T @ self._old))

    def matrix(self, table_sd: float, roughness: float) -> Array:
        """Q, of shape (n + n_terms, n + n_terms)."""
        Q = np.zeros((self.n + self.n_terms, self.n + self.n_terms))
        Q[: self.n, : self.n] = self.plate.matrix / roughness**2
        Q[np.diag_indices(self.n)] += 1.0 / table_sd**2
        terms = np.arange(self.n, self.n + self.n_terms)
        Q[terms, terms] = 1.0 / TERM_SD**2
        return Q

    def pull(self, roughness: float, leaning: float) -> Array:
        """h, of shape (n + n_terms,)."""
        h = np.zeros(self.n + self.n_terms)
        h[: self.n] = -leaning / roughness**2 * self.bent
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

    Of inv(A) only the traces with 1 and with P are needed (that with H follows from A's own, the
    size): the selected inverse. det and traces of Q come from the eigenvalues of P.
    """

    def __init__(self, m: Moments, prior: Prior, widening: float) -> None:
        n, plate = prior.n, prior.plate
        self.prior, self._where = prior, plate.where
        self._H = blocks_of(m.H[:n, :n], self._where)
        self._border = self._where.rows_of(m.H[:n, n:])
        self._corner = m.H[n:, n:]
        self._b, self._term_b = self._where.rows_of(m.b[:n]), m.b[n:]
        self.weight = m.weight / widening
        self._square = m.square / widening
        self._widening = widening
        self._bent = self._where.rows_of(prior.bent)
        self._bent_along = prior.bent_along

    def factor(self, scales: Scales) -> Factor:
        """Return A's factor: cells in the layout's order, with 1 where it holds no cell."""
        c = 1.0 / (scales.noise**2 * self._widening)
        plate, bends = self.prior.plate.blocks, 1.0 / scales.roughness**2
        blocks = Blocks(
            self._H.diagonal * c + plate.diagonal * bends, self._H.below * c + plate.below * bends
        )
        places = np.arange(self._where.width)
        blocks.diagonal[:, places, places] += 1.0 / scales.table_sd**2
        if spare := self._where.spare:
            blocks.diagonal[-1, places[-spare:], places[-spare:]] = 1.0
        terms = np.eye(self.prior.n_terms) / TERM_SD**2
        return Factor(blocks, self._border * c, self._corner * c + terms)

    def mean(self, factor: Factor, scales: Scales) -> tuple[Array, Array]:
        """Return z: cells in the layout's order, and terms."""
        c = 1.0 / (scales.noise**2 * self._widening)
        h = -scales.leaning / scales.roughness**2 * self._bent
        return factor.solve(self._b * c + h, self._term_b * c)

    def at(self, scales: Scales) -> tuple[float, Array]:
        """The value, and its slope (4,) along the logarithms of table_sd, roughness and noise, and
        along leaning."""
        table_sd, roughness, noise, leaning = scales
        n, n_terms = self.prior.n, self.prior.n_terms
        variance = noise * noise
        c = 1.0 / (variance * self._widening)
        level, bends, loose = 1.0 / table_sd**2, 1.0 / roughness**2, 1.0 / TERM_SD**2
        plate = self.prior.plate.blocks
        q = level + bends * self.prior.eigenvalues
        lean = -bends * self._bent
        h = leaning * lean

        factor = self.factor(scales)
        z, t = self.mean(factor, scales)
        diagonal, trace = factor.inverse(plate)
        # y and h along P's eigenvectors, for a leaning of 1.
        leans = -bends * self._bent_along
        y_one = leans / q
        pull = float(z @ (self._b * c + h) + t @ (self._term_b * c))

        square = self._square / variance
        log_det = factor.log_det - float(np.log(q).sum()) - n_terms * np.log(loose)
        value = (
            self.weight * np.log(variance)
            + square
            + leaning**2 * float(y_one @ leans)
            - pull
            + log_det
        )

        # What a change of each part of Q changes, then each parameter's own change.
        cells = float(diagonal[:n].sum())
        squared, bent = float(z @ z), float(z @ times(plate, z[:, None])[:, 0])
        y_squared, eigenvalues = (leaning * y_one) ** 2, self.prior.eigenvalues
        of_level = squared + cells - y_squared.sum() - (1.0 / q).sum()
        of_bends = bent + trace - eigenvalues @ y_squared - (eigenvalues / q).sum()
        # (y - z)' h for a leaning of 1 in h.
        apart = leaning * float(y_one @ leans) - float(z @ lean)
        # z' cH z and trace(inv(A) cH), with cH = A - Q.
        of_terms = float(t @ t) + float(factor.term_covariance.trace())
        of_data = pull + n + n_terms
        of_data -= level * (squared + cells) + bends * (bent + trace) + loose * of_terms
        slope = np.array(
            [
                -2.0 * level * of_level,
                -2.0 * bends * of_bends - 4.0 * leaning * apart,
                2.0 * (self.weight - square - of_data) + 4.0 * c * (z @ self._b + t @ self._term_b),
                2.0 * apart,
            ]
        )
        return -0.5 * float(value), -0.5 * slope


def likeliest_scales(
    likelihood: Likelihood, noise: float, start: Scales | None = None, steepest: float = STEEPEST
) -> Scales:
    """The scales that make the evidence most likely. noise: where to begin, a fraction; or start:
    all scales where to begin. steepest: how near to end."""
    prior = likelihood.prior
    ranges = (TABLE_SD_RANGE, ROUGHNESS_RANGE, NOISE_RANGE)
    bounds = np.array([*np.log(ranges), (0.0, 1.0 if prior.has_table else 0.0)])
    begin = start or Scales(0.08, 0.05, float(np.clip(noise, *NOISE_RANGE)), bounds[3, 1] / 2.0)
    first = np.append(np.log(begin[:3]), begin.leaning)
    # The more is summed up, the surer is the noise, and the steeper its side of the hill: in one
    # unit for all, the search would stop at its foot. So each parameter is counted in about its own
    # uncertainty: that of a standard deviation found from k squares is 1 / sqrt(2 k) of itself
    # (any statistics textbook), and n cells tell of the prior.
    unit = np.full(4, prior.n**-0.5)
    unit[2] = (2.0 * max(likelihood.weight, 1.0)) ** -0.5

    def scales(p: Array) -> Scales:
        table_sd, roughness, sd = np.exp(p[:3]).tolist()
        return Scales(table_sd, roughness, sd, float(p[3]))

    # From the first value, because the search can only see changes that are large beside it.
    least = likelihood.at(scales(first))[0]

    def cost(counted: Array) -> tuple[float, Array]:
        value, slope = likelihood.at(scales(counted * unit))
        return least - value, -slope * unit

    # Or the search of what ten million samples say halves its last steps to nothing, 300 times.
    rounded = max(ROUNDED, float(ROUND_OFFS * np.spacing(abs(least))))
    found = lowest(cost, first / unit, bounds / unit[:, None], steepest, MOST_STEPS, rounded)
    return scales((found * unit).clip(bounds[:, 0], bounds[:, 1]))
