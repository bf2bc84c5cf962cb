"""What has changed since an earlier pass: the prior of a table that was learned before. Host only.

The earlier corrections say what the cells were, and how surely; an engine that has not changed
still needs the same. What may have changed of its breathing is a grid from nothing to as much as a
new table may be off, smooth as ever, so a cause has to explain the change better than VE would.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.odds import BROAD, Ground
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.agree import REPEATS
from breathmap.learner.exact.prior import TERM_SD, Prior
from breathmap.learner.exact.solve import solve

Array = NDArray[np.float64]

# How much its breathing may have changed: nothing, and what a filter, a cam or an exhaust does.
CHANGES = (0.0, 0.004, 0.01, 0.025, 0.06)
# A change is as smooth as this part of it (of a second difference; common practice, no source).
BENDS = 0.3
# A term of no size.
TINY = 1e-4


@dataclass(frozen=True)
class Earlier:
    """What was learned before. name: for people. ve_pct, covariance: per bank the cells (n,) and
    their covariance (n, n), in per cent of VE."""

    name: str
    ve_pct: list[Array]
    covariance: list[Array]


def earlier_of(
    name: str,
    tables: Sequence[Sequence[float]],
    evidences: Sequence[Evidence],
    factor: float = 1.0,
) -> Earlier:
    """Make it from tables that were learned on, and the evidence gathered on them.

    factor: displacement that VE stood on then, over that of now: VE x displacement is what makes
    the fuel, and a rebase between the two changes VE alone.
    """
    cells, covariances = [], []
    for table, evidence in zip(tables, evidences, strict=True):
        old = np.asarray(table, dtype=np.float64)
        solution = solve(evidence, cells_pct=table, covariance=True)
        assert solution.cell_covariance is not None
        now = factor * old
        cells.append(now * (1.0 + solution.correction.ravel()))
        covariances.append(solution.cell_covariance * np.outer(now, now))
    return Earlier(name, cells, covariances)


def since_grounds(
    earlier: Earlier, bank: int, shape: tuple[int, int], cells: Array, n_terms: int
) -> Iterator[Ground]:
    """The grid of priors for the corrections of `cells`, given what was learned before."""
    prior = Prior(*shape, n_terms)
    n = prior.n
    mean = earlier.ve_pct[bank] / cells - 1.0
    known = earlier.covariance[bank] / np.outer(cells, cells)
    known[np.diag_indices(n)] += REPEATS**2
    for change in CHANGES:
        C = known.copy()
        if change:
            values = 1.0 / change**2 + prior.eigenvalues / (BENDS * change) ** 2
            C += (prior.vectors / values) @ prior.vectors.T
        Q = np.linalg.inv(C)
        Q = 0.5 * (Q + Q.T)
        h = Q @ mean
        sds = np.full((1, n_terms + BROAD), max(change, TINY))
        sds[:, :n_terms] = TERM_SD
        yield Ground(Q, h, -float(np.linalg.slogdet(C)[1]), float(mean @ h), sds)
