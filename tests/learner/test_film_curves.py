"""The fuel film over load: the same as at half load there, growing as its terms say, with errors
that draws of the terms confirm."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from breathmap.learner.exact.film import film_curves
from breathmap.learner.exact.solve import Solution, film_of

FILM_S = 0.3
LOAD = [20.0, 50.0, 80.0, 100.0]
COVARIANCE = np.array([[4e-5, 1e-5, -1e-5], [1e-5, 9e-5, 0.0], [-1e-5, 0.0, 1.6e-4]])


def solved(terms: list[float], covariance: NDArray[np.float64] = COVARIANCE) -> Solution:
    """A solution with these film terms and nothing else."""
    zero = np.zeros((2, 2))
    return Solution(
        zero, zero, zero, zero, zero > 0.0, 0.01, 1.0, 0.1, 0.1, 0.0,
        np.array(terms), np.sqrt(np.diag(covariance)), covariance, 100,
    )  # fmt: skip


def test_the_curves_pass_through_the_film_at_half_load() -> None:
    """At half the axis share, time and both errors are those that the summary tells."""
    solution = solved([0.25, 0.05, 0.05])
    film = film_of(solution, FILM_S, 3)
    assert film is not None
    at = film_curves(solution, FILM_S, 3, LOAD)[1]
    assert at.share == pytest.approx(film.share)
    assert at.time_s == pytest.approx(film.time_s)
    assert at.share_error == pytest.approx(film.share_error)
    assert at.time_error_s == pytest.approx(film.time_error_s)


def test_share_and_time_grow_alike_with_load() -> None:
    """Growth of 20 % over half the axis: at the top both are 1.2 times those at half load."""
    low, half, _, top = film_curves(solved([0.25, 0.05, 0.0]), FILM_S, 3, LOAD)
    assert top.share == pytest.approx(1.2 * half.share)
    assert top.time_s == pytest.approx(1.2 * half.time_s)
    assert low.share == pytest.approx(half.share * (1.0 - 0.6 * 0.2))
    assert half.share_error < min(low.share_error, top.share_error)


def test_the_errors_are_those_of_draws() -> None:
    """Terms drawn from their covariance scatter the curves as the errors say, within 10 %."""
    terms = [0.25, 0.05, 0.05]
    rng = np.random.default_rng(3)
    drawn = []
    for one in rng.multivariate_normal(terms, 0.01 * COVARIANCE, 2000):
        points = film_curves(solved(list(one)), FILM_S, 3, LOAD)
        drawn.append([(p.share, p.time_s) for p in points])
    spread = 10.0 * np.std(drawn, axis=0)
    stated = [(p.share_error, p.time_error_s) for p in film_curves(solved(terms), FILM_S, 3, LOAD)]
    assert spread == pytest.approx(np.array(stated), rel=0.1)


def test_a_film_that_is_not_told_has_no_curves() -> None:
    """Too vague, no share, or too few terms: nothing is written out; nor where it would vanish."""
    assert film_curves(solved([0.25, 0.05, 0.05], 1000.0 * COVARIANCE), FILM_S, 3, LOAD) == []
    assert film_curves(solved([-0.1, 0.0, 0.0]), FILM_S, 3, LOAD) == []
    assert film_curves(replace(solved([0.25, 0.05, 0.0])), FILM_S, 2, LOAD) == []
    assert [p.load for p in film_curves(solved([0.25, 0.45, 0.0]), FILM_S, 3, LOAD)] == LOAD[1:]
