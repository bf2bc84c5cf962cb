"""Finds the delay model from a recording: the right delay leaves the smallest residual. Host only.

For every candidate the table and the global terms are solved anew (variable projection, Golub &
Pereyra 1973), so the delay is not judged by a table learned with another one. The film and the
charge lead are in the model while searching: without them the smallest residual sits at 1.5 to 2
times the true delay, because a film looks like lag. Never changes a setting: it proposes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.kernel import HUBER_LIMIT
from breathmap.learner.exact.replay import Array, BankReplay, normal_equations

# Cycles, exhaust volume cm3 per cm3 swept, sensor lag s: what the search may reach ...
LOWEST = np.array([0.3, 0.02, 0.01])
HIGHEST = np.array([2.5, 12.0, 0.35])
# ... and what is known before looking: a value and a factor, as a log-normal. From injection to
# half-way through the exhaust stroke is mechanics; wideband sensors take 50 to 100 ms (Regitz &
# Collings 2008).
TYPICAL = np.array([1.4, 1.0, 0.07])
LOG_SD = np.array([0.12, 1.5, 0.25])
# Samples in whose last second the film column left this band are not used: beyond it the film is no
# longer linear, and the search would mend its shape with a delay. A wider band errs more, although
# it has more samples: try it with python -m breathmap.tools.bench.delay.
FILM_BAND = 0.2
FILM_BAND_S = 1.0
# Samples used in the search at most; more cost time and change nothing measurable.
MOST_ROWS = 20000
# ... and at least: some ten for each of the cells that a drive visits (common practice, no source).
LEAST_ROWS = 500
# What is left of the error on engines of known truth besides the residuals' own, as a part of the
# delay: the models of pipe and film are models. Measured: python -m breathmap.tools.bench.delay
MODEL_ERROR = 0.08
# A block of residuals longer than their memory, for honest errors.
BLOCK_S = 4.0
# How wrong a table may be, for the ridge that keeps thinly visited cells in bounds.
TABLE_SD = 0.2
# A delay is known when its standard error from the data is at most half of this part of it (or of
# this time) ...
TOLERANCE = 0.15
TOLERANCE_S = 0.03
# ... and no exhaust volume that would move it further explains the recording about as well: the
# chi-square of one parameter at 95 %.
RIVAL_CHI_SQUARE = 3.84
# Exhaust volumes tried against the one found, as factors: closer together near 1, where a rival is
# likelier (common practice, no source).
RIVAL_FACTORS = (0.05, 0.15, 0.3, 0.45, 0.6, 0.8, 1.25, 1.6, 2.2, 3.0, 5.0)

# How the search goes, all common practice, no source. Exhaust volumes (cm3 per cm3 swept) from
# which it may begin: factors of about 3 apart over what LOWEST and HIGHEST leave to real pipes.
FIRST_VOLUMES = (0.15, 0.5, 1.5, 4.0)
# Rounds of weighing the residuals anew and minimising; evaluations in each at most.
ROUNDS = 2
EVALUATIONS = 25
# A start lies inside the bounds by this (of a logarithm): on them the minimiser does not move.
INSIDE = 1e-6
# Steps of the logarithms for slopes: large beside the ripple that samples moving from square to
# square make, small beside what is known of the parameters before looking.
SEARCH_STEP = 0.02
RESIDUAL_STEP = 0.03
DELAY_STEP = 0.01
# Noise of one observation before the first look: the kernel's own first guess.
FIRST_NOISE = 0.02
# It is never taken for less than this, far below any sensor's: exact samples would divide by 0.
LEAST_NOISE = 1e-4
# A residual is never taken for less than this where something is divided by it.
TINY = 1e-12
# Median of absolute residuals to the standard deviation of a normal: 1 / 0.67449, its third
# quartile.
MEDIAN_TO_SD = 1.4826
# Where the information's smallest eigenvalue (of logarithms) is below this, a direction does not
# show at all: its error would be a thousandfold.
LEAST_INFORMATION = 1e-6
# The three parameters are known apart when each is known to within this from the data alone, as a
# part of itself (common practice, no source).
SEPARATE = 0.3


@dataclass(frozen=True)
class FoundDelay:
    """A delay model found from a recording.

    model: the proposal. delay_s, delay_error_s: median delay over the ground covered, with its
    standard error (MODEL_ERROR in it). errors: standard errors of cycles, exhaust_volume_cm3 and
    sensor_lag_s from the data alone (infinite when they do not show). noise: residual standard
    deviation left. noise_before: the same with the starting model. known: False when the drive does
    not excite the delay enough. separate: True when the three parameters are known apart, False
    when only their combination, the delay, is determined. used: samples used.
    """

    model: DelayModel
    delay_s: float
    delay_error_s: float
    errors: tuple[float, float, float]
    noise: float
    noise_before: float
    known: bool
    separate: bool
    used: int


def _model(log_theta: Array, start: DelayModel) -> DelayModel:
    cycles, volumes, lag_s = np.exp(log_theta)
    return DelayModel(
        cycles=float(cycles),
        exhaust_volume_cm3=float(volumes) * start.swept_cm3,
        sensor_lag_s=float(lag_s),
        exhaust_temp_k=start.exhaust_temp_k,
        swept_cm3=start.swept_cm3,
    )


def calm(replay: BankReplay) -> NDArray[np.bool_]:
    """True where the film column stayed within FILM_BAND for FILM_BAND_S before."""
    if not replay.settings.film_terms:
        return np.ones(len(replay.time_s), dtype=np.bool_)
    # Here, because it takes a moment to load.
    from scipy.ndimage import maximum_filter1d

    size = max(1, round(FILM_BAND_S / replay.step_s))
    widest = maximum_filter1d(np.abs(replay.columns[0]), size, origin=(size - 1) // 2)
    return np.asarray(widest < FILM_BAND)


class _Search:
    """Residuals of the best table and terms, as a function of the delay's parameters."""

    def __init__(self, replay: BankReplay, start: DelayModel) -> None:
        self.replay = replay
        self.start = start
        rows = np.flatnonzero(replay.usable & calm(replay))
        self.rows: NDArray[np.intp] = rows[:: max(1, -(-len(rows) // MOST_ROWS))]
        self.weights = np.ones(len(self.rows))
        self.noise = FIRST_NOISE
        self.widening = 1.0
        block = (replay.time_s[self.rows] // BLOCK_S).astype(int)
        self.block = block - block.min(initial=0)

    def residuals(self, log_theta: Array) -> Array:
        """Unweighted residuals (n,) at the rows, after solving table and terms."""
        o = self.replay.observe(_model(log_theta, self.start))
        table = self.replay.bank.table
        H, b = normal_equations(o, self.rows, self.weights, table)
        H[np.diag_indices_from(H)] += (self.noise / TABLE_SD) ** 2
        z = np.linalg.solve(H, b)
        n = table.speed_count * table.load_count
        corners = np.array([0, 1, table.speed_count, table.speed_count + 1])
        cells = z[:n][o.index[self.rows][:, None] + corners]
        fitted = (o.shares[self.rows] * cells).sum(axis=1) + o.terms[self.rows] @ z[n:]
        return np.asarray(o.d[self.rows] - fitted)

    def cost_vector(self, log_theta: Array) -> Array:
        """What least_squares squares: weighted residuals in noises, then the prior's pull."""
        r = self.residuals(log_theta) * np.sqrt(self.weights) / (self.noise * self.widening**0.5)
        prior = (log_theta - np.log(TYPICAL)) / LOG_SD
        return np.concatenate([r, prior])

    def reweigh(self, log_theta: Array) -> None:
        """Huber weights, noise and widening at a candidate."""
        r = self.residuals(log_theta)
        self.noise = max(MEDIAN_TO_SD * float(np.median(np.abs(r))), LEAST_NOISE)
        self.weights = np.minimum(1.0, HUBER_LIMIT * self.noise / np.maximum(np.abs(r), TINY))
        r *= np.sqrt(self.weights)
        self.noise = float(np.sqrt((r**2).sum() / self.weights.sum()))
        sums = np.bincount(self.block, r)
        self.widening = max(1.0, float((sums**2).sum() / (r**2).sum()))


def find_delay(replay: BankReplay, start: DelayModel | None = None) -> FoundDelay:
    """Find cycles, exhaust volume and sensor lag of one bank.

    start: where to begin, by default the bank's own model. Raises ValueError when fewer than
    LEAST_ROWS samples are usable.
    """
    start = start or replay.bank.delay
    search = _Search(replay, start)
    if len(search.rows) < LEAST_ROWS:
        raise ValueError(
            f"only {len(search.rows)} usable samples; finding the delay needs at least {LEAST_ROWS}"
        )
    log_low, log_high = np.log(LOWEST), np.log(HIGHEST)
    volumes = start.exhaust_volume_cm3 / start.swept_cm3
    first = np.log([start.cycles, volumes, max(start.sensor_lag_s, LOWEST[2])])
    first = first.clip(log_low + INSIDE, log_high - INSIDE)
    search.reweigh(first)
    # Here, because it takes a moment to load.
    from scipy.optimize import least_squares

    noise_before = search.noise
    # A wrong start may sit in a false minimum: begin from the best of a coarse walk along volume.
    starts = [first] + [np.log([TYPICAL[0], v, TYPICAL[2]]) for v in FIRST_VOLUMES]
    best = min(starts, key=lambda p: float((search.residuals(p) ** 2 * search.weights).sum()))
    for _ in range(ROUNDS):
        search.reweigh(best)
        found = least_squares(
            search.cost_vector,
            best,
            bounds=(log_low, log_high),
            diff_step=[SEARCH_STEP] * 3,
            max_nfev=EVALUATIONS,
        )
        best = found.x
    search.reweigh(best)
    return _report(search, best, noise_before)


def _steps(size: float) -> Array:
    """One step along each parameter's logarithm, a row each."""
    return np.eye(3) * size


def _information(search: _Search, best: Array) -> tuple[Array, float]:
    """What the data say of the logarithms, (3, 3), and by how much blocks widen the variance."""
    root = np.sqrt(search.weights)
    r = search.residuals(best) * root
    J = np.empty((len(r), 3))
    for k, step in enumerate(_steps(RESIDUAL_STEP)):
        difference = search.residuals(best + step) - search.residuals(best - step)
        J[:, k] = difference / (2.0 * RESIDUAL_STEP) * root
    # Block-robust ("sandwich") covariance: the residuals have memory.
    scores = np.stack([np.bincount(search.block, J[:, k] * r) for k in range(3)], axis=1)
    information = J.T @ J
    noise2 = search.noise**2
    meat = scores.T @ scores
    widening = max(1.0, float(np.trace(meat) / (noise2 * np.trace(information))))
    return information / (noise2 * widening), widening


def _delay_slope(search: _Search, best: Array) -> tuple[float, Array]:
    """The median delay in seconds, and its median slope along each parameter's logarithm, (3,)."""
    replay, rows = search.replay, search.rows
    model = _model(best, search.start)
    base = replay.transport_s(model)[rows] + model.sensor_lag_s
    slope = np.empty(3)
    for k, step in enumerate(_steps(DELAY_STEP)):
        other = _model(best + step, search.start)
        moved = replay.transport_s(other)[rows] + other.sensor_lag_s - base
        slope[k] = float(np.median(moved / DELAY_STEP))
    return float(np.median(base)), slope


def _report(search: _Search, best: Array, noise_before: float) -> FoundDelay:
    start = search.start
    data, widening = _information(search, best)
    log_errors = np.full(3, np.inf)
    if np.linalg.eigvalsh(data)[0] > LEAST_INFORMATION:
        log_errors = np.sqrt(np.diag(np.linalg.inv(data)))
    covariance = np.linalg.inv(data + np.diag(1.0 / LOG_SD**2))
    delay_s, slope = _delay_slope(search, best)
    tolerance_s = max(TOLERANCE * delay_s, TOLERANCE_S)
    data_error_s = float(np.sqrt(slope @ covariance @ slope))
    has_rival = _has_rival(search, best, widening, delay_s, tolerance_s)
    errors = np.exp(best) * (1.0, start.swept_cm3, 1.0) * log_errors
    return FoundDelay(
        model=_model(best, start),
        delay_s=delay_s,
        delay_error_s=float(np.hypot(data_error_s, MODEL_ERROR * delay_s)),
        errors=(float(errors[0]), float(errors[1]), float(errors[2])),
        noise=search.noise,
        noise_before=noise_before,
        known=data_error_s <= tolerance_s / 2 and not has_rival,
        separate=bool((log_errors < SEPARATE).all()),
        used=len(search.rows),
    )


def _has_rival(
    search: _Search, best: Array, widening: float, delay_s: float, tolerance_s: float
) -> bool:
    """True when another exhaust volume, moving the delay beyond tolerance, fits about as well."""
    replay, rows = search.replay, search.rows
    base = float((search.residuals(best) ** 2 * search.weights).sum())
    for factor in RIVAL_FACTORS:
        other = best.copy()
        other[1] = np.clip(best[1] + np.log(factor), np.log(LOWEST[1]), np.log(HIGHEST[1]))
        model = _model(other, search.start)
        moved = float(np.median(replay.transport_s(model)[rows])) + model.sensor_lag_s - delay_s
        if abs(moved) <= tolerance_s:
            continue
        cost = float((search.residuals(other) ** 2 * search.weights).sum())
        if (cost - base) / (search.noise**2 * widening) < RIVAL_CHI_SQUARE:
            return True
    return False
