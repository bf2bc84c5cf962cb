"""Whether the sums of an evidence can be sums of anything: what arrives from elsewhere is asked.

Every observation adds w v v' and w v d, with a weight w above 0, shares v of 0 or more whose sum is
1, and an observed correction d. That leaves marks which damage and chance do not: squares are 0 or
more, all shares together are the weight, what the corrections explain is no more than there is.
"""

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core import kernel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.moments import Moments, moments
from breathmap.learner.exact.solve import solve

# Of the whole. A board's sums are in single precision: 90 minutes of road leave 3e-6.
ROUNDING = 1e-3
# A fraction: no engine's readings scatter more.
MOST_NOISE = 10.0
OF_SQUARES = (kernel.SELF, kernel.EAST, kernel.NORTH, kernel.NORTH_EAST, kernel.NORTH_WEST)


def check_possible(evidence: Evidence) -> None:
    """Raise ValueError, one line, unless the sums can come from observations."""
    m = moments(evidence)
    cells = np.asarray(evidence.cells, dtype=np.float64).reshape(-1, kernel.PER_CELL)
    with np.errstate(all="ignore"):
        what = (
            _wrong_totals(evidence, m)
            or _wrong_cells(cells, m)
            or _wrong_squares(m)
            or _wrong_solution(evidence)
        )
    if what:
        raise ValueError(f"its sums cannot come from samples: {what}")


def _wrong_totals(evidence: Evidence, m: Moments) -> str:
    if not 0.0 < evidence.noise < MOST_NOISE or min(evidence.sums) < 0.0:
        return "noise or sums below 0"
    if m.weight > (1.0 + ROUNDING) * m.count:
        return "more weight than samples"
    return ""


def _wrong_cells(cells: NDArray[np.float64], m: Moments) -> str:
    n = len(cells)
    if cells[:, OF_SQUARES].min() < 0.0 or cells[:, kernel.COVERAGE].min() < 0.0:
        return "a cell's squares below 0"
    if abs(float(m.H[:n, :n].sum()) - m.weight) > ROUNDING * m.weight:
        return "the cells' shares are not the weight"
    if cells[:, kernel.COVERAGE].sum() > (1.0 + ROUNDING) * m.weight:
        return "more coverage than weight"
    return ""


def _wrong_squares(m: Moments) -> str:
    scale = np.sqrt(np.maximum(np.diag(m.H), 0.0))
    scale[scale == 0.0] = 1.0
    values, vectors = np.linalg.eigh(m.H / np.outer(scale, scale))
    if values[0] < -ROUNDING:
        return "squares that are none"
    known = values > ROUNDING
    along = vectors[:, known].T @ (m.b / scale)
    if float((along**2 / values[known]).sum()) > (1.0 + 10.0 * ROUNDING) * m.square:
        return "corrections larger than the readings"
    return ""


def _wrong_solution(evidence: Evidence) -> str:
    try:
        solution = solve(evidence)
    except np.linalg.LinAlgError:
        return "they have no solution"
    if not np.isfinite(solution.correction).all() or not np.isfinite(solution.standard_error).all():
        return "their solution is no number"
    return ""
