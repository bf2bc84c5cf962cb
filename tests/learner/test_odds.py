"""The small functions behind the odds, against published ones."""

import numpy as np
from scipy.signal import lfilter
from scipy.special import log_ndtr, logsumexp

from breathmap.learner.causes.odds import log_below, log_sum
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
