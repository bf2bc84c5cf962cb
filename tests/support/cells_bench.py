"""A table of two by two cells and what was found of it, for the tests of decisions."""

import numpy as np

from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes

AXES = Axes(speed_rpm=[1000.0, 2000.0], load=[30.0, 60.0])


def solution(change: list[float], error: float, coverage: list[float]) -> Solution:
    """Return a solution of a 2 x 2 table; cells without coverage are not visited."""
    cover = np.array(coverage).reshape(2, 2)
    return Solution(
        correction=np.array(change).reshape(2, 2),
        standard_error=np.full((2, 2), error),
        coarseness=np.zeros((2, 2)),
        coverage=cover,
        visited=cover > 0.0,
        noise=0.01,
        widening=1.0,
        table_sd=0.1,
        roughness=0.1,
        leaning=0.0,
        term_values=np.zeros(0),
        term_errors=np.zeros(0),
        term_covariance=np.zeros((0, 0)),
        used=100,
    )
