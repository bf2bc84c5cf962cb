"""What is commonly done instead, on the same observations: the peers of the benchmarks.

Each takes the observations that our learner used (square, shares, d, weight) and nothing else, so
that only the estimator differs. Common practice, no source: nearest-cell and weighted averages. The
diagonal Kalman filter is the usual "one gain per cell" form.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.sparse import csr_matrix, hstack, vstack
from scipy.sparse.linalg import LinearOperator, lsqr

from breathmap.learner.core.table import Table
from breathmap.learner.exact.prior import TERM_SD
from breathmap.learner.exact.replay import locate
from breathmap.learner.exact.solve import Solution
from breathmap.learner.fast.many import Verdicts

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Observed:
    """The observations that one bank's learner used, in order; arrays of length n.

    row: the sample's number. index, shares (n, 4): square and relative shares. d: the observed
    correction. weight: what the learner gave it.
    """

    row: NDArray[np.intp]
    index: NDArray[np.intp]
    shares: Array
    d: Array
    weight: Array

    @classmethod
    def of(cls, verdicts: Verdicts, bank: int, table: Table) -> "Observed":
        """What a learner used of the samples, on a bank's table."""
        row = np.flatnonzero(verdicts.verdict[:, bank] == 0)
        index, shares, _ = locate(table, verdicts.speed_rpm[row, bank], verdicts.load[row, bank])
        return cls(row, index, shares, verdicts.observation[row, bank], verdicts.weight[row, bank])


class NearestCell:
    """The mean of d in the cell with the largest share; other cells know nothing of it."""

    def __init__(self, speed_count: int, n_cells: int) -> None:
        self.corners = np.array([0, 1, speed_count, speed_count + 1])
        self.total = np.zeros(n_cells)
        self.count = np.full(n_cells, 1e-9)

    def learn(self, index: NDArray[np.intp], shares: Array, d: Array) -> None:
        """Add observations in order: arrays (n,), shares (n, 4)."""
        cells = index + self.corners[np.argmax(shares, axis=1)]
        np.add.at(self.total, cells, d)
        np.add.at(self.count, cells, 1.0)

    def correction(self) -> Array:
        """Corrections, a fraction, shape (n_cells,)."""
        mean: Array = self.total / self.count
        return mean


class WeightedCells(NearestCell):
    """The mean of d in all four cells, weighted by their shares."""

    def learn(self, index: NDArray[np.intp], shares: Array, d: Array) -> None:
        """Add observations in order: arrays (n,), shares (n, 4)."""
        cells = index[:, None] + self.corners
        np.add.at(self.total, cells, shares * d[:, None])
        np.add.at(self.count, cells, shares)


class DiagonalKalman:
    """A Kalman filter whose covariance keeps only its diagonal."""

    def __init__(self, speed_count: int, n_cells: int, table_sd: float = 0.1, noise: float = 0.02):
        self.corners = (0, 1, speed_count, speed_count + 1)
        self.x = [0.0] * n_cells
        self.p = [table_sd**2] * n_cells
        self.variance = noise**2

    def learn(self, index: NDArray[np.intp], shares: Array, d: Array) -> None:
        """Add observations in order: arrays (n,), shares (n, 4)."""
        for square, four, value in zip(index.tolist(), shares.tolist(), d.tolist(), strict=True):
            self._learn_one(square, four, value)

    def _learn_one(self, square: int, shares: Sequence[float], d: float) -> None:
        x, p = self.x, self.p
        inner, spread = 0.0, 0.0
        for v, corner in zip(shares, self.corners, strict=True):
            inner += v * x[square + corner]
            spread += v * v * p[square + corner]
        error = d - inner
        spread += self.variance
        for v, corner in zip(shares, self.corners, strict=True):
            gain = p[square + corner] * v / spread
            x[square + corner] += gain * error
            p[square + corner] -= gain * v * p[square + corner]

    def correction(self) -> Array:
        """Corrections, a fraction, shape (n_cells,)."""
        return np.array(self.x)


class Peers:
    """The methods above on one bank's observations."""

    def __init__(self, speed_count: int, n_cells: int) -> None:
        self._peers: dict[str, NearestCell | DiagonalKalman] = {
            "nearest": NearestCell(speed_count, n_cells),
            "weighted": WeightedCells(speed_count, n_cells),
            "kalman": DiagonalKalman(speed_count, n_cells),
        }

    def learn(self, used: Observed) -> None:
        """Add observations in order."""
        for peer in self._peers.values():
            peer.learn(used.index, used.shares, used.d)

    def corrections(self) -> dict[str, Array]:
        """Each method's corrections, by its name."""
        return {name: peer.correction() for name, peer in self._peers.items()}


def batch_oracle(
    index: NDArray[np.intp],
    shares: Array,
    terms: Array,
    d: Array,
    weight: Array,
    table_pct: Array,
    prior: Solution,
) -> Array:
    """Batch least squares over all observations at once, by scipy, with the prior of a solution.

    index (n,), shares (n, 4), terms (n, K), d (n,), weight (n,). table_pct: the table learned on,
    shape (load_count, speed_count). prior: only its noise, widening and scales are used. Returns
    corrections of the cells, shape (n_cells,).
    """
    load_count, speed_count = table_pct.shape
    cells = table_pct.size
    n, n_terms = terms.shape
    noise = prior.noise * prior.widening**0.5
    root = np.sqrt(weight) / noise
    columns = index[:, None] + np.array([0, 1, speed_count, speed_count + 1])
    rows = np.repeat(np.arange(n), 4)
    design = csr_matrix(((shares * root[:, None]).ravel(), (rows, columns.ravel())), (n, cells))
    design = hstack([design, csr_matrix(terms * root[:, None])])
    bends = np.concatenate(
        [
            np.kron(np.eye(load_count), np.diff(np.eye(speed_count), 2, axis=0)),
            np.kron(np.diff(np.eye(load_count), 2, axis=0), np.eye(speed_count)),
            2**0.5
            * np.kron(np.diff(np.eye(load_count), axis=0), np.diff(np.eye(speed_count), axis=0)),
        ]
    )
    level = np.concatenate([np.full(cells, 1.0 / prior.table_sd), np.full(n_terms, 1.0 / TERM_SD)])
    smooth = np.hstack([bends / prior.roughness, np.zeros((len(bends), n_terms))])
    system = vstack([design, csr_matrix(smooth), csr_matrix(np.diag(level))]).tocsr()
    leaning = -prior.leaning / prior.roughness * (bends @ np.log(table_pct.ravel()))
    wanted = np.concatenate([d * root, leaning, np.zeros(len(level))])
    return least_squares(system, wanted)[:cells]


def least_squares(system: csr_matrix, wanted: Array) -> Array:
    """Return the x (m,) with the least |system x - wanted|, by scipy's lsqr.

    system: (n, m) of full rank. lsqr is given it times the inverse of the triangle R of its normal
    equations, and finds R x: the same x in a few steps instead of hundreds, and closer.
    """
    columns = system.T.tocsr()
    triangle = cholesky((columns @ system).toarray())

    def forwards(rx: Array) -> Array:
        return np.asarray(system @ solve_triangular(triangle, rx))

    def backwards(residual: Array) -> Array:
        return np.asarray(solve_triangular(triangle, columns @ residual, trans="T"))

    operator = LinearOperator(system.shape, matvec=forwards, rmatvec=backwards)
    rx = lsqr(operator, wanted, atol=1e-15, btol=1e-15)[0]
    return np.asarray(solve_triangular(triangle, rx), dtype=np.float64)
