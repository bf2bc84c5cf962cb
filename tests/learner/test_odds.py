"""The small functions behind the odds, against published ones."""

import numpy as np
from scipy.signal import lfilter
from scipy.special import log_ndtr, logsumexp

from breathmap.learner.causes.odds import STAYS_KPA, log_below, log_sum, table_grounds
from breathmap.learner.exact.prior import Prior
from breathmap.learner.exact.replay import _recursion, _sum_up


def test_logarithms_are_those_of_scipy() -> None:
    """Sums of likelihoods and the normal distribution's tail are right, however far out."""
    z = np.concatenate([np.linspace(-300.0, 8.0, 500), [-30.001, -29.999, -1e4]])
    np.testing.assert_allclose(log_below(z), log_ndtr(z), rtol=1e-12)
    logs = np.array([-1e5, -1e5 + 1.0, -1e5 - 700.0])
    assert abs(log_sum(logs) - logsumexp(logs)) < 1e-9


def test_a_lag_is_the_filter_that_it_stands_for() -> None:
    """A recursion by doubling is the plain one, quickly and slowly forgotten, and over one value;
    an integral by trapezoids is that of any table."""
    values = np.random.default_rng(1).normal(0.0, 1.0, 3000)
    for keep in (0.0, 0.3, 0.97, 0.9999):
        plain = lfilter([1.0], [1.0, -keep], values)
        np.testing.assert_allclose(_recursion(values, keep), plain, rtol=1e-9, atol=1e-12)
    assert _recursion(values[:1], 0.5).tolist() == values[:1].tolist()
    np.testing.assert_allclose(_sum_up(np.array([1.0, 3.0, 3.0]), np.array([0.0, 1.0, 3.0])),
                               [0.0, 2.0, 8.0])  # fmt: skip


def test_what_a_table_may_fall_by_is_integrated_out() -> None:
    """A ground with one free direction is the prior of the table's errors that dense algebra makes
    of it: smooth, less a share of 1 / pressure that is normal."""
    load = np.array([20.0, 30.0, 45.0, 70.0, 100.0])
    old, leaning = np.random.default_rng(2).normal(4.2, 0.1, 20), 0.8
    plate = Prior(5, 4, 0).plate.matrix
    free = leaning * np.repeat(STAYS_KPA / load, 4)
    ground = list(table_grounds((5, 4), np.exp(old), 0, leaning, load.tolist()))[7]
    # The grid's eighth point.
    table_sd, roughness = 0.008, 0.008
    Q = np.eye(20) / table_sd**2 + plate / roughness**2
    across = plate @ free / roughness**2
    share = 1.0 + free @ across
    h = -leaning * plate @ old / roughness**2
    h += across * (leaning * old @ across) / share
    Q -= np.outer(across, across) / share
    np.testing.assert_allclose(ground.Q, Q, rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(ground.h, h, rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(ground.log_det, np.linalg.slogdet(Q)[1])
    np.testing.assert_allclose(ground.pull, h @ np.linalg.solve(Q, h))
