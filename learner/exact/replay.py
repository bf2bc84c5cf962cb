"""A whole recording at once, vectorised: the observations that a delay model gives. Host only.

The streaming learner does the same one sample at a time; a test holds the two against each other.
Here a delay model is a variable, so what does not depend on it is computed once. Used to find the
delay and to look at residuals; learning itself is the stream's.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import SWITCHING, Settings
from breathmap.learner.core.stream import USUAL_INTAKE_C, USUAL_MAP_KPA
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.codes import (
    ACCELERATION_ENRICHMENT,
    CLOSED_LOOP,
    DECELERATION_ENLEANMENT,
    FUEL_CUT,
    POWER_ENRICHMENT,
    REV_LIMIT,
    SENSOR_READY,
    WARM_UP_ENRICHMENT,
)

Array = NDArray[np.float64]

# A step longer than this many usual ones begins a new segment.
BREAK_STEPS = 2.5
# A share of what was that leaves no digit in what is.
FORGOTTEN = 1e-20


@dataclass(frozen=True)
class Observations:
    """What one bank shows under one delay model; arrays of length n, one entry per sample.

    index, shares (n, 4): square and relative shares; inside: within the axes.
    d: observed correction. terms (n, K). speed_rpm, load: the point seen; ve_pct: the table there.
    delay_s: with lag.
    """

    index: NDArray[np.intp]
    shares: Array
    inside: NDArray[np.bool_]
    d: Array
    terms: Array
    speed_rpm: Array
    load: Array
    ve_pct: Array
    delay_s: Array


def locate(table: Table, speed_rpm: Array, load: Array) -> tuple[NDArray[np.intp], Array, Array]:
    """Vectorised `Table.locate`, clamped: index (n,), shares (n, 4), VE in % (n,)."""
    x, y = np.asarray(table.speed_rpm), np.asarray(table.load)
    column = np.clip(np.searchsorted(x, speed_rpm, side="right") - 1, 0, len(x) - 2)
    row = np.clip(np.searchsorted(y, load, side="right") - 1, 0, len(y) - 2)
    across = np.clip((speed_rpm - x[column]) / (x[column + 1] - x[column]), 0.0, 1.0)
    up = np.clip((load - y[row]) / (y[row + 1] - y[row]), 0.0, 1.0)
    index = row * len(x) + column
    weights = np.stack(
        [(1 - across) * (1 - up), across * (1 - up), (1 - across) * up, across * up], axis=1
    )
    corners = index[:, None] + np.array([0, 1, len(x), len(x) + 1])
    parts = weights * np.asarray(table.cells)[corners]
    ve_pct = parts.sum(axis=1)
    return index, parts / ve_pct[:, None], ve_pct


def _sum_up(rate: Array, time_s: Array) -> Array:
    """Integral of a rate from the first sample to each, by trapezoids; shape (n,)."""
    steps = np.diff(time_s) * (rate[1:] + rate[:-1]) / 2.0
    return np.concatenate([[0.0], np.cumsum(steps)])


def _recursion(values: Array, keep: float) -> Array:
    """Return y with y[n] = values[n] + keep * y[n - 1], shape (n,): what reaches back 1, 2, 4, ...
    samples is added in turn (recursive doubling), until no digit of it is left."""
    out, reach, share = values.copy(), 1, keep
    while reach < len(out) and share > FORGOTTEN:
        out[reach:] += share * out[:-reach]
        reach, share = 2 * reach, share * share
    return out


class BankReplay:
    """One bank's recording, ready for any delay model.

    samples: structured array as `breathmap.protocol.host.recording` gives it (`time_us`,
    `speed_rpm`, ...). Only gates that no delay model changes are applied: `usable` is False near
    fuel cuts, enrichments, lost frames, a sensor that is not ready or out of range, or missing
    values.
    """

    def __init__(self, samples: NDArray[np.void], bank: int, settings: Settings) -> None:
        self.settings = settings
        self.bank = settings.banks[bank]
        self.time_s = samples["time_us"].astype(np.float64) * 1e-6
        steps = np.diff(self.time_s)
        self.step_s = float(np.median(steps)) if len(steps) else 0.04
        breaks = np.flatnonzero((steps > BREAK_STEPS * self.step_s) | (steps <= 0.0)) + 1
        bounds = np.concatenate([[0], breaks, [len(self.time_s)]]).astype(int)
        self.segments = [slice(a, b) for a, b in pairwise(bounds)]
        self.speed_rpm = np.nan_to_num(samples["speed_rpm"], nan=1.0).clip(1.0)
        name = "throttle_pct" if settings.load_is_throttle else "map_kpa"
        self.load = np.nan_to_num(samples[name], nan=0.01).clip(0.01)
        map_kpa = samples["map_kpa"]
        self.map_kpa = np.where(map_kpa > 0.0, map_kpa, USUAL_MAP_KPA)
        self.intake_c = np.nan_to_num(samples["intake_c"], nan=USUAL_INTAKE_C)
        multiplier = samples["fuel_multiplier"][:, bank]
        self.target = samples["target_lambda"]
        self.commanded = np.nan_to_num(self.target / multiplier, nan=1.0)
        if settings.sensor_kind == SWITCHING:
            self.measured = self.target
        else:
            self.measured = samples["measured_lambda"][:, bank]
        _, _, self.ve_pct = locate(self.bank.table, self.speed_rpm, self.load)
        self.columns = self._columns()
        self.usable = self._usable(samples, bank)

    def _columns(self) -> list[Array]:
        """Film and charge-lead columns on the injection's clock."""
        has_pressure = not self.settings.load_is_throttle
        air = self.ve_pct * self.load if has_pressure else self.ve_pct
        flow = air * self.speed_rpm / self.commanded
        columns = self._film(flow)[: self.settings.film_terms]
        if self.settings.charge_lead:
            log_air = np.log(air)
            later = np.interp(self.time_s + 60.0 / self.speed_rpm, self.time_s, log_air)
            columns.append(later - log_air)
        return columns

    def _film(self, flow: Array) -> list[Array]:
        """Film, growth with load and time constant; see `breathmap.learner.core.history.Seen`."""
        gain = 1.0 - np.exp(-self.step_s / self.settings.film_s)

        def low(values: Array) -> Array:
            return self._filter(values, gain, 0.0, 1.0 - gain)

        once = low(flow)
        relative = 2.0 * self.load / self.bank.table.load[self.bank.table.load_count - 1] - 1.0
        drive = relative * (flow + once)
        return [1.0 - once / flow, (drive - low(drive)) / flow, (once - low(once)) / flow]

    def _filter(self, values: Array, now: float, before: float, keep: float) -> Array:
        """Run a first-order filter over each segment, starting settled at its first value: the
        value now and before, and what is kept of the output, with weights that add up to one."""
        out = np.empty_like(values)
        for part in self.segments:
            first = values[part.start]
            moved = values[part] - first
            driven = now * moved
            if before:
                driven[1:] += before * moved[:-1]
            out[part] = _recursion(driven, keep) + first
        return out

    def _usable(self, samples: NDArray[np.void], bank: int) -> NDArray[np.bool_]:
        limits = self.settings.limits
        flags = samples["flags"].astype(np.int64)
        good = samples["sensor_state"][:, bank] == SENSOR_READY
        good &= samples["speed_rpm"] >= limits.speed_min_rpm
        good &= ~(samples["coolant_c"] < limits.coolant_min_c)
        good &= ~(samples["coolant_c"] > limits.coolant_max_c)
        good &= ~(samples["battery_v"] < limits.battery_min_v)
        good &= (self.measured >= limits.lambda_min) & (self.measured <= limits.lambda_max)
        good &= ((flags & CLOSED_LOOP) != 0) == self.settings.closed_loop
        # One second covers any delay worth the name; near enough for a mask.
        past_s = 1.0
        disturbed = (flags & (FUEL_CUT | REV_LIMIT)) != 0
        good &= ~self._recent(disturbed, past_s + limits.fuel_cut_recovery_s)
        extra = (
            ACCELERATION_ENRICHMENT
            | DECELERATION_ENLEANMENT
            | POWER_ENRICHMENT
            | WARM_UP_ENRICHMENT
        )
        good &= ~self._recent((flags & extra) != 0, past_s + limits.enrichment_recovery_s)
        good &= ~self._recent(samples["lost_before"] > 0, past_s)
        moved = np.abs(np.diff(self.target, prepend=self.target[:1])) > limits.target_change_max
        good &= ~self._recent(moved, past_s)
        for part in self.segments:
            good[part] &= self.time_s[part] >= self.time_s[part.start] + 2.0 * past_s
        table = self.bank.table
        good &= (self.speed_rpm >= table.speed_rpm[0]) & (self.speed_rpm <= table.speed_rpm[-1])
        good &= (self.load >= table.load[0]) & (self.load <= table.load[-1])
        return np.asarray(good, dtype=np.bool_)

    def _recent(self, event: NDArray[np.bool_], window_s: float) -> NDArray[np.bool_]:
        """True where an event happened within `window_s` before."""
        last = np.where(event, self.time_s, -np.inf)
        return np.asarray(self.time_s - np.maximum.accumulate(last) <= window_s)

    def transport_s(self, delay: DelayModel) -> Array:
        """Vectorised `History.look_back` at every sample, seconds; each segment for itself.

        Where a segment is too young to tell, the delay back to its start.
        """
        gas_cm3 = delay.gas_cm3(self.speed_rpm, self.map_kpa, self.ve_pct, self.intake_c)  # type: ignore[arg-type]
        cycles_s = self.speed_rpm / 120.0
        flow_cm3_s = gas_cm3 * cycles_s
        out = np.empty_like(self.time_s)
        for part in self.segments:
            time_s = self.time_s[part]
            turned = _sum_up(cycles_s[part], time_s)
            passed = _sum_up(flow_cm3_s[part], time_s)
            opened_s = np.interp(passed - delay.exhaust_volume_cm3, passed, time_s)
            at_injection = np.interp(opened_s, time_s, turned) - delay.cycles
            out[part] = time_s - np.interp(at_injection, turned, time_s)
        return out

    def observe(self, delay: DelayModel) -> Observations:
        """The observations under a delay model, for every sample (see `usable`)."""
        return self.observe_at(self.transport_s(delay), delay.sensor_lag_s)

    def observe_at(self, transport_s: Array, lag_s: float) -> Observations:
        """The observations for transport delays (n,) and a sensor lag, both in seconds."""

        def seen(column: Array) -> Array:
            return self.seen_at(column, transport_s, lag_s)

        speed_rpm, load = seen(self.speed_rpm), seen(self.load)
        index, shares, ve_pct = locate(self.bank.table, speed_rpm, load)
        table = self.bank.table
        inside = (speed_rpm >= table.speed_rpm[0]) & (speed_rpm <= table.speed_rpm[-1])
        inside &= (load >= table.load[0]) & (load <= table.load[-1])
        terms = [seen(column) for column in self.columns]
        return Observations(
            index=index,
            shares=shares,
            inside=inside,
            d=self.measured / seen(self.commanded) - 1.0,
            terms=np.stack(terms, axis=1) if terms else np.empty((len(transport_s), 0)),
            speed_rpm=speed_rpm,
            load=load,
            ve_pct=ve_pct,
            delay_s=transport_s + lag_s,
        )

    def seen_at(self, column: Array, transport_s: Array, lag_s: float) -> Array:
        """What the sensor sees of a column (n,): as it was a transport delay (n,) ago, lagged."""
        return self.lagged(np.interp(self.time_s - transport_s, self.time_s, column), lag_s)

    def lagged(self, column: Array, lag_s: float) -> Array:
        """A column (n,) through a first-order lag, exact for one that runs straight between
        samples; each segment for itself."""
        keep = float(np.exp(-self.step_s / lag_s)) if lag_s > 0.0 else 0.0
        mean = (1.0 - keep) * lag_s / self.step_s
        return self._filter(column, 1.0 - mean, mean - keep, keep)


def normal_equations(
    observations: Observations, rows: NDArray[np.intp], weights: Array, table: Table
) -> tuple[Array, Array]:
    """Dense H (m, m) and b (m,) of chosen rows with weights, m = cells + terms."""
    o = observations
    return sums_of(o.index[rows], o.shares[rows], o.terms[rows], o.d[rows], weights, table)


def sums_of(
    index: NDArray[np.intp], shares: Array, terms: Array, d: Array, weights: Array, table: Table
) -> tuple[Array, Array]:
    """Dense H (m, m) and b (m,) of observations (n,), with their squares, shares (n, 4) and terms
    (n, K) as in `Observations`; m = cells + K."""
    n, width = table.speed_count * table.load_count, table.speed_count
    # Square by square: what is seen there by its four corners, the terms and d.
    # Sorted by counting where the numbers are short enough.
    order = np.argsort(index.astype(np.uint16 if n < 1 << 16 else np.int64), kind="stable")
    root = np.sqrt(weights[order])[:, None]
    corners = shares[order] * root
    others = np.column_stack([terms, d])[order] * root
    extra = others.shape[1]
    sums = np.zeros((n + extra, n + extra))
    ordered = index[order]
    starts = np.flatnonzero(np.diff(ordered, prepend=-1))
    cells = ordered[starts, None] + np.array([0, 1, width, width + 1])
    for at, (a, b) in zip(cells, pairwise([*starts.tolist(), len(order)]), strict=True):
        here = corners[a:b]
        sums[at[:, None], at] += here.T @ here
        sums[at, n:] += here.T @ others[a:b]
    sums[n:, :n] = sums[:n, n:].T
    sums[n:, n:] = others.T @ others
    return sums[:-1, :-1].copy(), sums[:-1, -1].copy()
