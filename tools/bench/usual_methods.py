"""What is commonly done instead, on the same observations: the peers of the benchmarks.

Each takes the observations that our learner used (square, shares, d, weight) and nothing else, so
that only the estimator differs. Common practice, no source: nearest-cell and weighted averages. The
diagonal Kalman filter is the usual "one gain per cell" form.
"""

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, hstack, vstack
from scipy.sparse.linalg import lsqr

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.prior import TERM_SD
from breathmap.learner.exact.solve import Solution

Array = NDArray[np.float64]


@dataclass
class Observed:
    """Observations in order, as columns; `row` is the sample's number."""

    row: "array[int]" = field(default_factory=lambda: array("q"))
    index: "array[int]" = field(default_factory=lambda: array("q"))
    shares: "array[float]" = field(default_factory=lambda: array("d"))
    d: "array[float]" = field(default_factory=lambda: array("d"))
    weight: "array[float]" = field(default_factory=lambda: array("d"))
    terms: "array[float]" = field(default_factory=lambda: array("d"))

    def __len__(self) -> int:
        return len(self.d)


class TappedEvidence(Evidence):
    """An Evidence that also keeps every observation it is given (a benchmark's luxury)."""

    observed: Observed
    peers: "Peers"
    row: int

    @classmethod
    def like(cls, evidence: Evidence) -> "TappedEvidence":
        """An empty one of the same shape and settings."""
        made = cls(
            evidence.speed_count,
            evidence.load_count,
            evidence.n_terms,
            noise=evidence.noise,
            table_sd=evidence.table_sd,
            term_sd=evidence.term_sd,
        )
        made.observed = Observed()
        made.peers = Peers(evidence.speed_count, evidence.speed_count * evidence.load_count)
        made.row = 0
        return made

    def learn_one(
        self,
        index: int,
        v0: float,
        v1: float,
        v2: float,
        v3: float,
        d: float,
        weight: float = 1.0,
        share: float = 1.0,
        terms: Sequence[float] | None = None,
    ) -> None:
        super().learn_one(index, v0, v1, v2, v3, d, weight, share, terms)  # type: ignore[arg-type]
        o = self.observed
        o.row.append(self.row)
        o.index.append(index)
        o.shares.extend((v0, v1, v2, v3))
        o.d.append(d)
        o.weight.append(self.weight)
        o.terms.extend(terms or ())


class NearestCell:
    """The mean of d in the cell with the largest share; other cells know nothing of it."""

    def __init__(self, speed_count: int, n_cells: int) -> None:
        self.corners = (0, 1, speed_count, speed_count + 1)
        self.total = [0.0] * n_cells
        self.count = [1e-9] * n_cells

    def learn_one(self, index: int, shares: Sequence[float], d: float) -> None:
        """Add one observation."""
        best = max(range(4), key=lambda k: shares[k])
        cell = index + self.corners[best]
        self.total[cell] += d
        self.count[cell] += 1.0

    def correction(self) -> Array:
        """Corrections, a fraction, shape (n_cells,)."""
        mean: Array = np.array(self.total) / np.array(self.count)
        return mean


class WeightedCells(NearestCell):
    """The mean of d in all four cells, weighted by their shares."""

    def learn_one(self, index: int, shares: Sequence[float], d: float) -> None:
        """Add one observation."""
        for corner, share in zip(self.corners, shares, strict=True):
            self.total[index + corner] += share * d
            self.count[index + corner] += share


class DiagonalKalman:
    """A Kalman filter whose covariance keeps only its diagonal."""

    def __init__(self, speed_count: int, n_cells: int, table_sd: float = 0.1, noise: float = 0.02):
        self.corners = (0, 1, speed_count, speed_count + 1)
        self.x = [0.0] * n_cells
        self.p = [table_sd**2] * n_cells
        self.variance = noise**2

    def learn_one(self, index: int, shares: Sequence[float], d: float) -> None:
        """Add one observation."""
        cells = [index + corner for corner in self.corners]
        x, p = self.x, self.p
        error = d - sum(v * x[i] for v, i in zip(shares, cells, strict=True))
        spread = self.variance + sum(v * v * p[i] for v, i in zip(shares, cells, strict=True))
        for v, i in zip(shares, cells, strict=True):
            gain = p[i] * v / spread
            x[i] += gain * error
            p[i] -= gain * v * p[i]

    def correction(self) -> Array:
        """Corrections, a fraction, shape (n_cells,)."""
        return np.array(self.x)


class Peers:
    """The methods above on one bank's observations, each of which they are given once."""

    def __init__(self, speed_count: int, n_cells: int) -> None:
        self._peers: dict[str, NearestCell | DiagonalKalman] = {
            "nearest": NearestCell(speed_count, n_cells),
            "weighted": WeightedCells(speed_count, n_cells),
            "kalman": DiagonalKalman(speed_count, n_cells),
        }
        self._taken = 0

    def catch_up(self, observed: Observed) -> None:
        """Take the observations that came since the last call."""
        first, self._taken = self._taken, len(observed)
        for k in range(first, len(observed)):
            shares = observed.shares[4 * k : 4 * k + 4].tolist()
            for peer in self._peers.values():
                peer.learn_one(observed.index[k], shares, observed.d[k])

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
    found = lsqr(system, wanted, atol=1e-12, btol=1e-12, iter_lim=5000)[0]
    return np.asarray(found[:cells], dtype=np.float64)
