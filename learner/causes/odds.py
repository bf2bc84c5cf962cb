"""How likely the data are with a cause and without it: ratios of marginal likelihoods. Host only.

A cause with a column z is one more border term c of the normal equations, with a normal prior on
its size. For every point of a grid of prior scales of the table (how wrong, how rough, how far off
as a whole) the cells are integrated out exactly, which leaves what the data say of the causes'
columns: information S and pull u. A set of columns with prior covariance P then gains

    1/2 u' inv(S + inv(P)) u - 1/2 log det(1 + P S)

over the table alone, and the grid is summed over (Bayes factors: Kass & Raftery 1995). S and u of
banks that share a cause add, so it has one size for all of them.

The table's prior is that of `breathmap.learner.exact.prior`, and a broad shape besides (a plane and
its bends): a starting table may be off as a whole, tilted and bent along both axes, by more than a
smooth field of cells shows. Without it every table that is rich as a whole would pass for a wrong
fuel pressure, and every bent one for a pressure sensor. And the new table, smooth as it is, may
fall towards low pressure as the exhaust gas that stays behind has it: 1 / pressure, which is what a
pressure sensor that is off, or a dead time, does too. Without that the breathing of healthy engines
passed for either, the surer the longer the ride.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import erfc, log, log1p, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.exact.moments import Moments
from breathmap.learner.exact.prior import TERM_SD, Likelihood, Prior, Scales, likeliest_scales

Array = NDArray[np.float64]

# How wrong cells may be one by one, how rough their error, how far off each part of the broad
# shape: fractions, a factor of two to three apart from far below to far above what tables are wrong
# by (common practice, no source).
TABLE_SDS = (0.003, 0.008, 0.02, 0.05, 0.12)
ROUGHNESSES = (0.001, 0.003, 0.008, 0.02, 0.05)
BROAD_SDS = (0.004, 0.01, 0.02, 0.04, 0.08)
# How much VE may fall as 1 / pressure beside being smooth, kPa. Exhaust gas that stays behind takes
# p_exhaust / (gamma (r - 1)) of an ideal engine's, 101 kPa / (1.3 x 9) (Heywood, Internal
# Combustion Engine Fundamentals, 1988, section 6.2; from memory).
STAYS_KPA = 8.0
# The broad shape's columns: one, speed, load, and the three bends.
BROAD = 6
# For the search of noise and leaning: the broad shape is this far off.
USUAL_BROAD_SD = 0.04
# Where the search for noise and leaning ends, in their uncertainties: what is left moves no odds.
STEEP = 1e-4
# Above the variance of any direction of the cells under any prior of the grid.
LOOSEST = 1e4
# Standard deviations beyond which the series is exact to the last digits.
FAR_OUT = 30.0


@dataclass(frozen=True)
class Extended:
    """A bank's normal equations with the broad shape and the causes' columns behind them.

    H (m, m), b (m,), m = cells + terms + BROAD + columns. square, weight: sums of w d d and w.
    widening: for the autocorrelation of the residuals.
    """

    H: Array
    b: Array
    square: float
    weight: float
    widening: float
    n_terms: int
    n_columns: int

    @property
    def base(self) -> int:
        """Rows before the columns: cells, terms and broad shape."""
        return len(self.b) - self.n_columns

    def without(self) -> "Extended":
        """The same without the columns."""
        H, b = self.H[: self.base, : self.base], self.b[: self.base]
        return replace(self, H=H, b=b, n_columns=0)

    def explaining(self, column: int) -> "Extended":
        """The same without the columns, and with one of them in place of d."""
        at = self.base + column
        return replace(self.without(), b=self.H[: self.base, at], square=float(self.H[at, at]))

    def __add__(self, other: "Extended") -> "Extended":
        return Extended(
            self.H + other.H,
            self.b + other.b,
            self.square + other.square,
            self.weight + other.weight,
            max(self.widening, other.widening),
            self.n_terms,
            self.n_columns,
        )


@dataclass(frozen=True)
class Ground:
    """The prior at one point of the grid, or at several that differ in terms and broad shape alone.

    Q (n, n), h (n,): of the cells; log_det: of Q; pull: h' inv(Q) h. sds (k, terms + BROAD): of
    terms and broad shape, a row a point.
    """

    Q: Array
    h: Array
    log_det: float
    pull: float
    sds: Array


@dataclass(frozen=True)
class Marginal:
    """One bank's log marginal likelihood, a row each point of the grid: value (g,) of the table
    alone, S (g, E, E) and u (g, E) of the columns, whose sizes are still open."""

    value: Array
    S: Array
    u: Array


def noise_and_leaning(
    ext: Extended,
    prior_shape: tuple[int, int],
    cells: Array,
    noise: float,
    start: Scales | None = None,
) -> Scales:
    """The noise and leaning (among other scales) under which the data are likeliest, with the table
    alone. start: where to begin to look, if not at `noise`."""
    base = ext.base
    scale = np.ones(base)
    scale[base - BROAD :] = USUAL_BROAD_SD / TERM_SD
    m = Moments(
        ext.H[:base, :base] * np.outer(scale, scale),
        ext.b[:base] * scale,
        ext.square,
        ext.weight,
        ext.weight,
    )
    prior = Prior(*prior_shape, base - prior_shape[0] * prior_shape[1], np.log(cells))
    return likeliest_scales(Likelihood(m, prior, ext.widening), noise, start, STEEP)


def table_grounds(
    shape: tuple[int, int],
    cells: Array,
    n_terms: int,
    leaning: float,
    load_kpa: Sequence[float] | None = None,
) -> Iterator[Ground]:
    """The grid of priors for a table of which nothing is known but that engines breathe smoothly.

    shape: (load_count, speed_count). cells: the table learned on, flat. load_kpa: its load axis,
    None where that is no pressure.
    """
    prior = Prior(*shape, n_terms, np.log(cells))
    # Along the eigenvectors: what of the new table may bend as it likes.
    free = np.zeros(prior.n)
    if load_kpa is not None:
        stays = STAYS_KPA / np.asarray(load_kpa, dtype=np.float64)
        free = leaning * prior.vectors.T @ np.repeat(stays, shape[1])
    sds = np.full((len(BROAD_SDS), n_terms + BROAD), TERM_SD)
    sds[:, n_terms:] = np.array(BROAD_SDS)[:, None]
    for table_sd, roughness in product(TABLE_SDS, ROUGHNESSES):
        yield _freed(prior, Scales(table_sd, roughness, leaning=leaning), free, sds)


def _freed(prior: Prior, scales: Scales, free: Array, sds: Array) -> Ground:
    """Integrate out how much of `free` (n,) the new table has, normal about 0 with 1: one rank less
    in Q (Sherman & Morrison 1950)."""
    n, vectors = prior.n, prior.vectors
    rough = prior.eigenvalues / scales.roughness**2
    diagonal = 1.0 / scales.table_sd**2 + rough
    bent = rough * free
    whole = 1.0 + float(free @ bent)
    pulled = scales.leaning / scales.roughness**2 * prior.bent_along
    pulled = pulled - bent * float(free @ pulled) / whole
    solved = pulled / diagonal
    left = whole - float(bent @ (bent / diagonal))
    lost = vectors @ bent
    return Ground(
        Q=prior.matrix(scales.table_sd, scales.roughness)[:n, :n] - np.outer(lost, lost) / whole,
        h=-(vectors @ pulled),
        log_det=float(np.log(diagonal).sum()) + log(left / whole),
        pull=float(pulled @ solved) + float(bent @ solved) ** 2 / left,
        sds=sds,
    )


def look(ext: Extended, grounds: Sequence[Ground], noise: float) -> Marginal:
    """Integrate cells, terms and broad shape out, at every point of the grid.

    The cells first, once for all points that share their prior; what is left of the others' normal
    equations (the Schur complement) is small.
    """
    c = 1.0 / (noise**2 * ext.widening)
    fixed = (ext.weight * 2.0 * np.log(noise) + ext.square / noise**2) / ext.widening
    n = len(grounds[0].h)
    m = len(ext.b) - n
    known = np.empty(len(grounds))
    left, pulls = np.empty((len(grounds), m, m)), np.empty((len(grounds), m))
    # Terms, broad shape and causes, then the data.
    others = np.column_stack([ext.H[:n, n:], ext.b[:n]]) * c
    for k, ground in enumerate(grounds):
        beside = others.copy()
        beside[:, -1] += ground.h
        half, log_det = _half(ext.H[:n, :n] * c + ground.Q, beside)
        gone = half @ half.T
        left[k] = ext.H[n:, n:] * c - gone[:-1, :-1]
        pulls[k] = ext.b[n:] * c - gone[:-1, -1]
        known[k] = fixed + ground.pull - gone[-1, -1] + log_det - ground.log_det
    # A row each of the terms' and the broad shape's priors, for each ground.
    sds = np.array([ground.sds for ground in grounds])
    return _without_rest(left[:, None], pulls[:, None], known[:, None], sds)


def _half(A: Array, beside: Array) -> tuple[Array, float]:
    """Return beside' inv(L'), where A = L L', and log det A: the last rows of the Cholesky factor
    of A with a border, whose corner is of no matter and only large enough."""
    n = len(A)
    large = np.empty((n + beside.shape[1],) * 2)
    large[:n, :n], large[n:, :n] = A, beside.T
    # beside' inv(A) beside is below it: no direction of the cells is unsurer than sqrt(LOOSEST).
    corner = LOOSEST * float(np.square(beside).sum()) + 1.0
    large[n:, n:] = np.diag(np.full(beside.shape[1], corner))
    factor = np.linalg.cholesky(large)
    return factor[n:, :n], 2.0 * float(np.log(factor.diagonal()[:n]).sum())


def _without_rest(left: Array, pulls: Array, known: Array, sds: Array) -> Marginal:
    """Integrate terms and broad shape out of what the cells left, under their sds; each array has
    two axes of the grid before its own."""
    rest = sds.shape[-1]
    A = left[..., :rest, :rest] + np.eye(rest) / sds[..., None] ** 2
    beside, own = left[..., :rest, rest:], pulls[..., :rest, None]
    beside = np.broadcast_to(beside, (*A.shape[:-1], beside.shape[-1]))
    own = np.broadcast_to(own, (*A.shape[:-1], 1))
    solved = np.linalg.solve(A, np.concatenate([own, beside], axis=-1))
    log_det = np.linalg.slogdet(A)[1] + 2.0 * np.log(sds).sum(axis=-1)
    value = -0.5 * (known - (own * solved[..., :1]).sum(axis=(-2, -1)) + log_det)
    across = np.swapaxes(beside, -1, -2)
    S = left[..., rest:, rest:] - across @ solved[..., 1:]
    u = pulls[..., rest:] - (across @ solved[..., :1])[..., 0]
    points = value.size
    return Marginal(value.ravel(), S.reshape(points, *S.shape[-2:]), u.reshape(points, u.shape[-1]))


@dataclass(frozen=True)
class Effect:
    """One column at work in some banks: its place among the columns, the banks it is shared by, the
    prior of its size (sd, in its unit), and its sign where only one is possible (else 0)."""

    column: int
    banks: tuple[int, ...]
    sd: float
    sign: int = 0


@dataclass(frozen=True)
class Sized:
    """An effect's size given the data, its standard error, and the log (natural) of the marginal
    likelihood of the set that it was in."""

    size: float
    error: float
    log_likelihood: float


def weigh(marginals: Sequence[Marginal], effects: Sequence[Effect]) -> Sized:
    """Marginal likelihood with a set of effects; size and error are those of the first.

    marginals: per bank, on the same grid. No effects: the table alone.
    """
    values = np.sum([one.value for one in marginals], axis=0)
    if not effects:
        return Sized(0.0, 0.0, log_sum(values))
    points = len(values)
    count = len(effects)
    S, u = np.zeros((points, count, count)), np.zeros((points, count))
    for i, one in enumerate(effects):
        for bank in one.banks:
            u[:, i] += marginals[bank].u[:, one.column]
            for j, other in enumerate(effects):
                if bank in other.banks:
                    S[:, i, j] += marginals[bank].S[:, one.column, other.column]
    inverse_p = np.diag([1.0 / one.sd**2 for one in effects])
    A = S + inverse_p
    covariance = np.linalg.inv(A)
    mean = np.einsum("gij,gj->gi", covariance, u)
    gain = 0.5 * np.einsum("gi,gi->g", u, mean)
    gain -= 0.5 * (np.linalg.slogdet(A)[1] - np.linalg.slogdet(inverse_p)[1])
    sd = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    for i, one in enumerate(effects):
        if one.sign:
            # Half of the prior is cut away: what is left counts twice.
            gain += log_below(one.sign * mean[:, i] / sd[:, i]) + np.log(2.0)
    total = values + gain
    share = np.exp(total - log_sum(total))
    size = float(share @ mean[:, 0])
    spread = float(share @ (sd[:, 0] ** 2 + (mean[:, 0] - size) ** 2))
    return Sized(size, float(np.sqrt(spread)), log_sum(total))


def log_sum(logs: Array) -> float:
    """Logarithm of the sum of numbers that are given by their logarithms (n,)."""
    most = float(logs.max())
    return most + float(np.log(np.exp(logs - most).sum()))


def log_below(z: Array) -> Array:
    """Logarithm of the normal distribution function at z (n,): far out by its asymptotic series
    (Abramowitz & Stegun 1964, 26.2.12)."""
    return np.array([_log_below(one) for one in z.tolist()])


def _log_below(z: float) -> float:
    if z > 0.0:
        return log1p(-0.5 * erfc(z / sqrt(2.0)))
    if z > -FAR_OUT:
        return log(0.5 * erfc(-z / sqrt(2.0)))
    over = 1.0 / (z * z)
    series = 1.0 - over * (1.0 - 3.0 * over * (1.0 - 5.0 * over * (1.0 - 7.0 * over)))
    return -0.5 * z * z - log(-z) - 0.5 * log(2.0 * pi) + log(series)
