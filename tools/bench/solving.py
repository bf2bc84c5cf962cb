"""How long the exact solution takes, against dense linear algebra in the same run.

    python -m breathmap.tools.bench.solving [--terms 4] [SIZE ...]

Each SIZE is a table SIZE x SIZE (by default 12, 16, 24 and 32) with invented evidence, a part of it
never visited. Both find the prior's scales by the same search; the dense peer factors and inverts
the whole matrix at each step (LAPACK through scipy), as textbooks do. Processor time, one thread.
"""

import argparse
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.banded import Blocks, Factor
from breathmap.learner.exact.moments import Moments, moments
from breathmap.learner.exact.prior import Likelihood, Prior, Scales, likeliest_scales
from breathmap.learner.exact.threads import one_thread

Array = NDArray[np.float64]


class DenseFactor(Factor):
    """The same answers from the whole matrix (cells and terms, in cells' order)."""

    def __init__(self, matrix: Array, prior: Prior) -> None:
        n = prior.n
        self._n, self._plate, self._where = n, prior.plate.matrix, prior.plate.where
        factor = cho_factor(matrix, lower=True, check_finite=False)
        self._inverse = cho_solve(factor, np.eye(len(matrix)), check_finite=False)
        self.log_det = 2.0 * float(np.log(factor[0].diagonal()).sum())
        self.term_covariance = self._inverse[n:, n:]

    def solve(self, cells: Array, terms: Array) -> tuple[Array, Array]:
        """See `Factor`."""
        z = self._inverse @ np.append(self._where.cells_of(cells), terms)
        return self._where.rows_of(z[: self._n]), z[self._n :]

    def inverse(self, other: Blocks) -> tuple[Array, float]:
        """See `Factor`; other is the prior's plate."""
        cells = self._inverse[: self._n, : self._n]
        return self._where.rows_of(cells.diagonal()), float(np.vdot(cells, self._plate))


class DenseLikelihood(Likelihood):
    """The same likelihood with a dense factor at each step."""

    def __init__(self, m: Moments, prior: Prior, widening: float) -> None:
        super().__init__(m, prior, widening)
        self._whole, self._shared = m.H, widening

    def factor(self, scales: Scales) -> Factor:
        """See `Likelihood`."""
        c = 1.0 / (scales.noise**2 * self._shared)
        return DenseFactor(
            self._whole * c + self.prior.matrix(scales.table_sd, scales.roughness), self.prior
        )


def invented(size: int, n_terms: int, seed: int = 1) -> tuple[Evidence, Array]:
    """Return evidence of forty samples a cell where the engine ran, and the table's logarithm."""
    rng = np.random.default_rng(seed)
    evidence = Evidence(size, size, n_terms, noise=0.02)
    grid = np.linspace(0.0, 1.0, size)
    truth = 0.06 * np.sin(3.0 * grid[:, None] + 2.0 * grid) + rng.normal(0.0, 0.004, (size, size))
    places = rng.uniform(0.1, 0.85, (40 * size * size // 2, 2)) * (size - 1)
    for x, y in places:
        i, j = int(x), int(y)
        a, b = x - i, y - j
        v = ((1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b)
        terms = rng.normal(0.0, 0.1, n_terms)
        near = truth[j : j + 2, i : i + 2].ravel()
        d = float(np.dot(v, near) + 0.05 * terms.sum() + 0.02 * rng.normal())
        evidence.learn_one(j * size + i, *v, d, 1.0, 1.0, terms.tolist())
    table = 60.0 + 30.0 * grid[:, None] * np.ones(size) + rng.normal(0.0, 1.0, (size, size))
    return evidence, np.log(table.ravel())


def seconds(call: Callable[[], object], times: int = 3) -> float:
    """Return the least processor time of a few calls."""
    found = []
    for _ in range(times):
        start = time.process_time()
        call()
        found.append(time.process_time() - start)
    return min(found)


def measure(size: int, n_terms: int) -> tuple[float, float, float]:
    """Return the processor time of one dense and one banded search with its errors, in s, and the
    largest difference of their corrections."""
    evidence, log_cells = invented(size, n_terms)
    m = moments(evidence)
    prior = Prior(size, size, n_terms, log_cells)
    found: dict[type[Likelihood], Array] = {}

    def once(kind: type[Likelihood]) -> None:
        likelihood = kind(m, prior, 2.0)
        scales = likeliest_scales(likelihood, 0.02)
        factor = likelihood.factor(scales)
        factor.inverse(prior.plate.blocks)
        found[kind] = likelihood.mean(factor, scales)[0]

    with one_thread():
        dense = seconds(lambda: once(DenseLikelihood))
        banded = seconds(lambda: once(Likelihood))
    return dense, banded, float(np.abs(found[DenseLikelihood] - found[Likelihood]).max())


def main() -> int:
    """Print a line for each size; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("size", nargs="*", type=int, default=[12, 16, 24, 32])
    parser.add_argument("--terms", type=int, default=4)
    chosen = parser.parse_args()
    print("| table | dense, s | banded, s | ratio | largest difference |")
    print("| --- | --- | --- | --- | --- |")
    for size in chosen.size:
        dense, banded, off = measure(size, chosen.terms)
        print(
            f"| {size} x {size} | {dense:.3f} | {banded:.3f} | {dense / banded:.1f} | {off:.1e} |",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
