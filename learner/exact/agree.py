"""Does one source's evidence agree with all the others'? Host only (numpy, scipy).

With the corrections z and covariance C that the others find (prior and all), a source of normal
equations H, b and observation variance s2 leaves g = b - H z, whose covariance is, where it is of
the same engine, s2 H + H (C + R) H. Along what the source determines, g' inv(cov) g is chi-square
(any statistics textbook). R: what two healthy rides of one engine differ by, cell by cell.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.exact.moments import Moments
from breathmap.learner.exact.prior import Prior, Scales

Array = NDArray[np.float64]

# What two rides of the same healthy engine may differ by, cell by cell (a fraction), for what the
# models of delay, film and axes leave; measured with `python -m breathmap.tools.bench.causes`.
REPEATS = 0.004
# A direction counts from the weight of so many samples on.
LEAST_WEIGHT = 3.0


@dataclass(frozen=True)
class Agreement:
    """chi_square over freedom directions, and the chance of one as large; offset and its standard
    error: how far the source's corrections lie from the others', on the whole (fractions; a richer
    table wanted is positive). NaN where the source determines nothing."""

    chi_square: float
    freedom: int
    chance: float
    offset: float
    offset_error: float


def without(whole: Moments, part: Moments) -> Moments:
    """Return what is left of sums when a part of them is taken out."""
    return Moments(
        whole.H - part.H,
        whole.b - part.b,
        whole.square - part.square,
        whole.weight - part.weight,
        whole.count - part.count,
    )


def agreement(
    part: Moments, rest: Moments, prior: Prior, scales: Scales, widening: float
) -> Agreement:
    """Compare one source with the others. scales: the prior and noise of all together. widening: on
    the variance of one observation, for both."""
    n = prior.n
    variance = scales.noise**2 * widening
    A = rest.H / variance + prior.matrix(scales.table_sd, scales.roughness)
    C = np.linalg.inv(A)
    z = C @ (rest.b / variance + prior.pull(scales.roughness, scales.leaning))
    C[np.arange(n), np.arange(n)] += REPEATS**2
    left = part.b - part.H @ z
    covariance = variance * part.H + part.H @ C @ part.H
    values, vectors = np.linalg.eigh(part.H)
    seen = vectors[:, values > LEAST_WEIGHT]
    if not seen.shape[1]:
        nothing = float("nan")
        return Agreement(nothing, 0, nothing, nothing, nothing)
    # Here, because it takes half a second to load.
    from scipy.special import chdtrc

    along = seen.T @ left
    square = float(along @ np.linalg.solve(seen.T @ covariance @ seen, along))
    ones = np.append(np.ones(n), np.zeros(len(left) - n))
    weight = float(ones @ part.H @ ones)
    return Agreement(
        square,
        seen.shape[1],
        float(chdtrc(seen.shape[1], square)),
        float(ones @ left) / weight,
        float(np.sqrt(ones @ covariance @ ones)) / weight,
    )
