"""The film behind the film terms: share and time with their errors."""

from array import array

import numpy as np
import pytest

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.solve import film_of, solve

FILM_S = 0.35


def learned(share, time_s, noise=0.002, seed=1, count=6000):
    """Evidence of a film of one time constant, seen through the columns of another."""
    rng = np.random.default_rng(seed)
    flow = np.exp(np.cumsum(rng.normal(0.0, 0.02, count)) * 0.3)

    def low(values, tau):
        state, out, gain = values[0], np.empty(count), 1.0 - np.exp(-0.04 / tau)
        for k in range(count):
            state += gain * (values[k] - state)
            out[k] = state
        return out

    once = low(flow, FILM_S)
    # The growth's column is there, but this film does not grow: any other numbers will do.
    columns = np.stack(
        [1.0 - once / flow, rng.normal(0.0, 0.1, count), (once - low(once, FILM_S)) / flow], axis=1
    )
    d = share * (1.0 - low(flow, time_s) / flow) + noise * rng.standard_normal(count)
    evidence = Evidence(2, 2, 3, noise=noise)
    for k in range(count):
        terms = array("d", columns[k])
        evidence.learn_one(0, 0.25, 0.25, 0.25, 0.25, float(d[k]), terms=terms)
    return solve(evidence)


@pytest.mark.parametrize(("share", "time_s"), [(0.2, 0.25), (0.3, 0.35), (0.25, 0.45)])
def test_a_film_is_found(share, time_s):
    """A film whose time differs from the columns' comes out with its share and time."""
    film = film_of(learned(share, time_s), FILM_S, 3)

    assert film is not None
    assert film.share == pytest.approx(share, abs=max(4 * film.share_error, 0.02))
    assert film.time_s == pytest.approx(time_s, abs=max(4 * film.time_error_s, 0.04))
    assert film.known


def test_its_errors_are_honest():
    """Over many noises, a film that the columns hold exactly strays as far as its errors say."""
    found = [film_of(learned(0.2, FILM_S, 0.004, seed, 2500), FILM_S, 3) for seed in range(16)]
    films = [film for film in found if film is not None]

    assert len(films) == 16
    # 16 draws: chi-square bounds at one in 1,000 for the rms are 0.45 and 1.6.
    share = np.array([(film.share - 0.2) / film.share_error for film in films])
    assert 0.45 < np.sqrt(np.mean(share**2)) < 1.6
    time = np.array([(film.time_s - FILM_S) / film.time_error_s for film in films])
    assert 0.45 < np.sqrt(np.mean(time**2)) < 1.6


def test_no_film_is_no_estimate():
    """Without the time's column, or with no positive share, there is nothing to tell."""
    assert film_of(learned(-0.1, 0.3), FILM_S, 3) is None
    assert film_of(learned(0.2, 0.3), FILM_S, 2) is None


def test_a_vague_film_is_not_told():
    """From a few noisy samples there is an estimate, but it says itself that it tells nothing."""
    film = film_of(learned(0.3, FILM_S, noise=0.2, count=60), FILM_S, 3)

    assert film is None or not film.known
