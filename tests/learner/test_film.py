"""The film behind the film terms: share and time with their errors."""

import numpy as np
import pytest

from learner.kernel import Evidence
from learner.solve import film_of, solve

FILM_S = (0.2, 0.6)


def learned(share, time_s, noise=0.002, seed=1, count=6000):
    """Evidence of a film of one time constant, seen through columns of two others."""
    rng = np.random.default_rng(seed)
    step_s = 0.04
    flow = np.exp(np.cumsum(rng.normal(0.0, 0.02, count)) * 0.3)

    def column(tau):
        low, out, gain = flow[0], np.empty(count), 1.0 - np.exp(-step_s / tau)
        for k in range(count):
            low += gain * (flow[k] - low)
            out[k] = 1.0 - low / flow[k]
        return out

    columns = np.stack([column(tau) for tau in FILM_S], axis=1)
    d = share * column(time_s) + noise * rng.standard_normal(count)
    evidence = Evidence(2, 2, 2, noise=noise)
    for k in range(count):
        evidence.learn_one(0, 0.25, 0.25, 0.25, 0.25, float(d[k]), 1.0, 1.0, columns[k])
    return solve(evidence)


@pytest.mark.parametrize(("share", "time_s"), [(0.2, 0.2), (0.3, 0.6), (0.25, 0.35)])
def test_a_film_is_found(share, time_s):
    """A film whose time lies at or between the columns' comes out with its share and time."""
    film = film_of(learned(share, time_s), FILM_S)

    assert film.share == pytest.approx(share, abs=max(4 * film.share_error, 0.03))
    assert film.time_s == pytest.approx(time_s, abs=max(4 * film.time_error_s, 0.05))


def test_its_errors_are_honest():
    """Over many noises, a film that a column holds exactly strays as far as its errors say."""
    films = [film_of(learned(0.2, 0.2, 0.004, seed, 2500), FILM_S) for seed in range(16)]
    share = np.array([(film.share - 0.2) / film.share_error for film in films])

    # 16 draws: chi-square bounds at one in 1,000 for the rms are 0.45 and 1.6.
    assert 0.45 < np.sqrt(np.mean(share**2)) < 1.6


def test_no_film_is_no_estimate():
    """With one column, or with no positive share, there is nothing to tell."""
    solution = learned(-0.1, 0.3)

    assert film_of(solution, FILM_S) is None
    assert film_of(solution, FILM_S[:1]) is None
