"""The fuel film over load: its share and its time, each a curve with its error.

The terms hold, at half the load axis, the share X, its growth X a, and what its time differs by
(`breathmap.learner.core.history.Seen`): share and time both grow as 1 + a q, q = load over half the
load axis, less 1. Errors are the terms' own, carried through by their slopes (the usual propagation
of errors, any statistics textbook).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from breathmap.learner.exact.solve import Solution, film_of

CAUTION = (
    "what makes the mixture lag the load, a film or anything else, as one drive shows it: a start "
    "for a controller's film model and no measurement of the film alone; try it warm, in small "
    "steps, with lambda watched"
)


@dataclass(frozen=True)
class FilmPoint:
    """The film at one load: share deposited, a fraction of the fuel, and time to give it back."""

    load: float
    share: float
    share_error: float
    time_s: float
    time_error_s: float


def film_curves(
    solution: Solution, film_s: float, film_terms: int, load: Sequence[float]
) -> list[FilmPoint]:
    """Return the film at each load of an axis; none where the drive does not tell the film, or its
    growth makes no film of it there."""
    film = film_of(solution, film_s, film_terms)
    if film is None or not film.known:
        return []
    share, growth, change = (float(value) for value in solution.term_values[:3])
    covariance = solution.term_covariance[:3, :3]
    points = []
    for one in load:
        q = 2.0 * one / load[-1] - 1.0
        grown, longer = 1.0 + q * growth / share, 1.0 + change / share
        if grown <= 0.0:
            continue
        of_share = np.array([1.0, q, 0.0])
        of_time = film_s * np.array(
            [
                -change / share**2 * grown - longer * q * growth / share**2,
                longer * q / share,
                grown / share,
            ]
        )
        points.append(
            FilmPoint(
                one,
                share + q * growth,
                float(np.sqrt(of_share @ covariance @ of_share)),
                film_s * longer * grown,
                float(np.sqrt(of_time @ covariance @ of_time)),
            )
        )
    return points
