"""Causes that need no odds: what the samples themselves say outright. Host only.

Each test takes the whole ride and returns a fact a bank, or one for all: seen, no sign, or not
looked at, with the figures in a sentence. Thresholds are common practice, no source, unless said
otherwise: far above what healthy rides show, far below what spoils a table.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import hypot

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.scene import SHORTEST_MS, USUAL_BATTERY_V
from breathmap.learner.causes.tally import Ride
from breathmap.learner.core.settings import SWITCHING
from breathmap.learner.exact.delay import FoundDelay
from breathmap.learner.exact.replay import BankReplay
from breathmap.learner.exact.solve import FILM_SHARE_ERROR, FilmEstimate
from breathmap.protocol.wire.codes import (
    ACCELERATION_ENRICHMENT,
    CLOSED_LOOP,
    DECELERATION_ENLEANMENT,
    FUEL_CUT,
    LONG_TERM_ADAPTATION,
    POWER_ENRICHMENT,
    REV_LIMIT,
    SENSOR_FAULT,
    SENSOR_READY,
    WARM_UP_ENRICHMENT,
)

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A share of samples that is no accident.
LEAST_SHARE = 0.003
# A misfire's share of the used samples, at least; and how many times its sister's.
SPIKE_SHARE = 0.01
SPIKES_OF_SISTER = 4.0
# The first part of a ride is not counted: then the table is wrong, and its residuals are no spikes.
SETTLING = 0.25
# Sensor states are told after this time of a ride, when every heater has done its work.
WARM_S = 60.0
# A cut that lasts this long has flushed the exhaust; and what free air reads at least.
CUT_S = 1.0
FREE_AIR = 1.3
LEAST_CUTS = 3
# The edge that is timed at a cut; and how long that may take, in the sensor's stated lags and
# besides, for what mixes on the way and for the steps of the samples.
EDGE = (1.05, 1.7)
RISE_LAGS = 1.0
RISE_S = 0.06
# Target that moves by more than this is not flat.
FLAT = 0.01
# Coolant above which a warm-up enrichment has no business, degC.
WARM_C = 75.0
# Fuel that no sample accounts for: rms over calm stretches of this length, as a part of the pulse.
HIDDEN = 0.02
STRETCH_S = 4.0
# Films differ where share or time do by so many standard errors, with what the models of film and
# exhaust leave, as a part of either. Measured on ten healthy engines, and on films under slow
# sensors: 1 and less, 4 and more.
FILMS_APART = 3.0
FILM_MODEL = 0.1
# Delays, as parts of what is stated, differ beyond so many standard errors (common practice).
DELAYS_APART = 3.0
# Samples of a standing engine that show the air's pressure; and a change that is more than weather
# in a day, or 250 m of height, kPa.
STANDING = 100
AIR_MOVED_KPA = 3.0
# Times that go wrong, and frames that are lost.
CLOCK_SHARE = 0.001
LOST_SHARE = 0.01


@dataclass(frozen=True)
class Fact:
    """What one test found. is_seen: None where it could not be looked at; bank: None for all."""

    is_seen: bool | None
    text: str
    bank: int | None = None


@dataclass(frozen=True)
class Seen:
    """What the tests look at: the ride, and of each bank places of lean outliers, the longest stuck
    time in seconds, for how long the load moved while it read, and samples that were taken out
    again for it; its film, and the delay that a search found, None where the ride does not tell
    them. delays is empty where nobody searched."""

    ride: Ride
    spikes: list[NDArray[np.intp]]
    stuck_s: list[float]
    moved_s: list[float]
    taken_out: list[int]
    films: list[FilmEstimate | None]
    delays: Sequence[FoundDelay | None]

    @property
    def samples(self) -> NDArray[np.void]:
        """The ride's samples."""
        return self.ride.samples

    @property
    def time_s(self) -> Array:
        """Time of each sample, seconds."""
        return np.asarray(self.samples["time_us"] * 1e-6)

    @property
    def running(self) -> Mask:
        """True where the engine runs."""
        return np.asarray(self.samples["speed_rpm"] >= self.ride.settings.limits.speed_min_rpm)

    @property
    def names(self) -> list[str]:
        """Names of the banks."""
        return [bank.name for bank in self.ride.settings.banks]

    def flagged(self, mask: int) -> Mask:
        """True where any of some flags is set."""
        return np.asarray((self.samples["flags"].astype(np.int64) & mask) != 0)


FactTest = Callable[[Seen], list[Fact]]


def _pct(share: float) -> str:
    return f"{100.0 * share:.1f} %"


def stuck(seen: Seen) -> list[Fact]:
    """A reading that does not move while the load does."""
    limits = seen.ride.settings.limits
    if seen.ride.settings.sensor_kind == SWITCHING:
        return [Fact(None, "a switching sensor's reading is not looked at for standing still")]
    facts = []
    for bank, longest_s in enumerate(seen.stuck_s):
        is_seen = longest_s > limits.stuck_after_s
        if not is_seen and seen.moved_s[bank] <= limits.stuck_after_s:
            why = f"the load moved for {seen.moved_s[bank]:.1f} s while it read; "
            facts.append(Fact(None, f"{why}more than {limits.stuck_after_s:g} s are wanted", bank))
            continue
        text = f"its reading stood still for {longest_s:.1f} s of moving load at most"
        if is_seen:
            text += f"; {seen.taken_out[bank]} samples it had taught were taken out again"
        facts.append(Fact(is_seen, text, bank))
    return facts


def dead(seen: Seen) -> list[Fact]:
    """A sensor that says it has failed, or never becomes ready."""
    late = seen.running & (seen.time_s - seen.time_s[0] > WARM_S)
    if not late.any():
        return [Fact(None, f"fewer than {WARM_S:.0f} s of a running engine")]
    facts = []
    for bank in range(len(seen.names)):
        state = seen.samples["sensor_state"][late, bank]
        fault, absent = float((state == SENSOR_FAULT).mean()), float((state != SENSOR_READY).mean())
        text = f"not ready in {_pct(absent)} of the samples, a fault in {_pct(fault)}"
        facts.append(Fact(absent > 0.05, text, bank))
    return facts


def misfire(seen: Seen) -> list[Fact]:
    """Lean spikes by bank, and where: misfires pass their oxygen on unburned."""
    shares, places = [], []
    for bank, rows in enumerate(seen.ride.rows):
        if len(rows) < 1000:
            return [Fact(None, f"{seen.names[bank]} has fewer than 1,000 used samples")]
        late = rows[int(SETTLING * len(rows))]
        spikes = seen.spikes[bank][seen.spikes[bank] >= late]
        shares.append(len(spikes) / (len(rows) * (1.0 - SETTLING)))
        places.append(spikes)
    facts = []
    for bank, share in enumerate(shares):
        sister = min((s for k, s in enumerate(shares) if k != bank), default=0.0)
        is_seen = share > SPIKE_SHARE and share > SPIKES_OF_SISTER * sister
        text = f"lean spikes in {_pct(share)} of the used samples"
        if len(shares) > 1:
            text += f" ({_pct(sister)} in its sister's)"
        if is_seen:
            text += _where(seen, places[bank])
        facts.append(Fact(is_seen, text, bank))
    return facts


def _where(seen: Seen, rows: NDArray[np.intp]) -> str:
    speed = np.nanmedian(seen.samples["speed_rpm"][rows])
    load_name = "throttle_pct" if seen.ride.settings.load_is_throttle else "map_kpa"
    low, high = np.nanpercentile(seen.samples[load_name][rows], [10, 90])
    unit = "%" if seen.ride.settings.load_is_throttle else "kPa"
    return f"; half of them below {speed:.0f} rpm, most at {low:.0f} to {high:.0f} {unit}"


def _left_on(mask: int, what: str) -> FactTest:
    def test(seen: Seen) -> list[Fact]:
        if not seen.running.any():
            return [Fact(None, "the engine never ran")]
        share = float(seen.flagged(mask)[seen.running].mean())
        return [Fact(share > LEAST_SHARE, f"{what} acted in {_pct(share)} of the samples")]

    return test


transients = _left_on(
    ACCELERATION_ENRICHMENT | DECELERATION_ENLEANMENT, "enrichment by a moving throttle"
)
fuel_cut = _left_on(FUEL_CUT, "a fuel cut")
adaptation = _left_on(LONG_TERM_ADAPTATION, "long-term adaptation")
power = _left_on(POWER_ENRICHMENT, "full-load enrichment")


def closed_loop(seen: Seen) -> list[Fact]:
    """Closed loop where the method wants it open."""
    if seen.ride.settings.closed_loop:
        return [Fact(None, "this method wants the loop closed")]
    return _left_on(CLOSED_LOOP, "closed loop")(seen)


def warm_up(seen: Seen) -> list[Fact]:
    """Warm-up enrichment with a warm engine."""
    warm = seen.running & (seen.samples["coolant_c"] > WARM_C)
    if not warm.any():
        return [Fact(None, f"the coolant was not measured above {WARM_C:.0f} degC")]
    share = float(seen.flagged(WARM_UP_ENRICHMENT)[warm].mean())
    text = f"warm-up enrichment acted in {_pct(share)} of the samples above {WARM_C:.0f} degC"
    return [Fact(share > LEAST_SHARE, text)]


def target(seen: Seen) -> list[Fact]:
    """A target that moves with speed and load."""
    values = seen.samples["target_lambda"][seen.running]
    values = values[np.isfinite(values)]
    if not len(values):
        return [Fact(None, "no target was sent")]
    low, high = np.percentile(values, [1, 99])
    return [Fact(bool(high - low > FLAT), f"the target lambda went from {low:.3f} to {high:.3f}")]


def free_air(seen: Seen) -> list[Fact]:
    """What the sensors read when the fuel is cut: air and nothing else."""
    if seen.ride.settings.sensor_kind == SWITCHING:
        return [Fact(None, "a switching sensor does not measure air")]
    _, ends = _cuts(seen)
    if len(ends) < LEAST_CUTS:
        return [Fact(None, f"{len(ends)} fuel cuts of {CUT_S:.0f} s or more, {LEAST_CUTS} wanted")]
    facts = []
    for bank in range(len(seen.names)):
        read = seen.samples["measured_lambda"][ends, bank]
        # A reading beyond its range is none, and says lean as well.
        lean = float(np.nanmedian(np.where(np.isfinite(read), read, FREE_AIR)))
        text = f"lambda {lean:.2f} at the end of {len(ends)} fuel cuts (air reads {FREE_AIR:g} up)"
        facts.append(Fact(lean < FREE_AIR, text, bank))
    return facts


def _cuts(seen: Seen) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last sample of each cut that is long enough to flush the exhaust."""
    cut = seen.flagged(FUEL_CUT | REV_LIMIT) & seen.running
    edges = np.diff(np.concatenate([[False], cut, [False]]).astype(int))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    long = seen.time_s[ends] - seen.time_s[starts] >= CUT_S
    return np.asarray(starts[long]), np.asarray(ends[long])


def answers_late(seen: Seen) -> list[Fact]:
    """How long a sensor takes from lean to very lean when the fuel is cut: the edge of free air is
    sharp when it comes, so the time is the sensor's own, whatever the delay."""
    if seen.ride.settings.sensor_kind == SWITCHING:
        return [Fact(None, "a switching sensor does not measure air")]
    starts, ends = _cuts(seen)
    facts = []
    for bank, settings in enumerate(seen.ride.settings.banks):
        pairs = zip(starts, ends, strict=True)
        rises = [_rise_s(seen, bank, start, end) for start, end in pairs]
        known = [rise for rise in rises if rise is not None]
        if len(known) < LEAST_CUTS:
            why = f"{len(known)} fuel cuts that its reading followed, {LEAST_CUTS} wanted"
            facts.append(Fact(None, why, bank))
            continue
        rise_s = float(np.median(known))
        most_s = RISE_S + RISE_LAGS * settings.delay.sensor_lag_s
        text = (
            f"from lambda {EDGE[0]:g} to {EDGE[1]:g} in {rise_s:.2f} s at {len(known)} fuel cuts; "
            f"its stated lag leaves {most_s:.2f} s at most"
        )
        facts.append(Fact(rise_s > most_s, text, bank))
    return facts


def _rise_s(seen: Seen, bank: int, start: int, end: int) -> float | None:
    """Time between the two lambdas of EDGE in one cut, None where it was not followed."""
    time_s = seen.time_s[start : end + 1]
    read = seen.samples["measured_lambda"][start : end + 1, bank]
    # What mixes is fuel over air; a reading beyond the range is none, and says air.
    fuel = 1.0 / np.where(np.isfinite(read) & (read > 0.0), read, 2.0 * EDGE[1])
    passed = []
    for edge in EDGE:
        below = np.flatnonzero(fuel < 1.0 / edge)
        if not len(below) or below[0] == 0:
            return None
        k = int(below[0])
        share = (fuel[k - 1] - 1.0 / edge) / (fuel[k - 1] - fuel[k])
        passed.append(float(time_s[k - 1] + share * (time_s[k] - time_s[k - 1])))
    return passed[1] - passed[0]


def clock(seen: Seen) -> list[Fact]:
    """Times that stand still or run backwards: rows out of order, a restarted clock."""
    steps = np.diff(seen.samples["time_us"])
    if not len(steps):
        return [Fact(None, "one sample only")]
    wrong = int((steps <= 0).sum())
    text = f"{wrong} of {len(steps)} times did not go on"
    return [Fact(wrong / len(steps) > CLOCK_SHARE, text)]


def link(seen: Seen) -> list[Fact]:
    """Frames that were lost on the way."""
    lost = int((seen.samples["lost_before"] > 0).sum())
    share = lost / max(len(seen.samples), 1)
    return [Fact(share > LOST_SHARE, f"frames were lost before {_pct(share)} of the samples")]


def columns_swapped(seen: Seen) -> list[Fact]:
    """Pressure and throttle in each other's place: a running engine cannot have 5 kPa, and nobody
    rides above 15 % of throttle all the time while the pressure lies below."""
    running = seen.running
    pressure, throttle = seen.samples["map_kpa"][running], seen.samples["throttle_pct"][running]
    if not (np.isfinite(pressure).any() and np.isfinite(throttle).any()):
        return [Fact(None, "pressure and throttle were not both measured")]
    low_p, low_t = np.nanpercentile(pressure, 10), np.nanpercentile(throttle, 10)
    text = f"a tenth of the time pressure was below {low_p:.0f} kPa, throttle below {low_t:.0f} %"
    return [Fact(bool(low_p < 10.0 and low_t > 15.0), text)]


def units(seen: Seen) -> list[Fact]:
    """Numbers in another unit: AFR for lambda, mbar for kPa, degF for degC."""
    running = seen.running
    if not running.any():
        return [Fact(None, "the engine never ran")]
    wrong, fit = [], []
    measured = seen.samples["measured_lambda"][running]
    for name, values, low, high, unit in (
        ("lambda", measured, 8.0, 25.0, "an air/fuel ratio"),
        ("map_kpa", seen.samples["map_kpa"][running], 150.0, 1200.0, "mbar"),
        ("coolant_c", seen.samples["coolant_c"][running], 140.0, 250.0, "degF"),
    ):
        known = values[np.isfinite(values)]
        if not len(known):
            continue
        middle = float(np.median(known))
        if low < middle < high:
            wrong.append(f"{name} is {middle:.0f} in the middle, which looks like {unit}")
        else:
            fit.append(name)
    if not (wrong or fit):
        return [Fact(None, "neither lambda, pressure nor coolant was measured")]
    return [Fact(bool(wrong), "; ".join(wrong) or f"middle values fit the unit: {', '.join(fit)}")]


def hidden_fuel(seen: Seen) -> list[Fact]:
    """Fuel that the samples do not account for: a loop, an adaptation or an enrichment at work
    without its flag. The pulse width is held against table, pressure and temperature."""
    samples, pulse = seen.samples, seen.ride.pulse
    if pulse is None:
        return [Fact(None, "no pulse width that goes with the table was sent")]
    good = seen.running & (samples["pulse_width_ms"] > SHORTEST_MS)
    good &= ~seen.flagged(
        FUEL_CUT | REV_LIMIT | ACCELERATION_ENRICHMENT | DECELERATION_ENLEANMENT
        | POWER_ENRICHMENT | WARM_UP_ENRICHMENT | LONG_TERM_ADAPTATION
    )  # fmt: skip
    battery = np.nan_to_num(samples["battery_v"] - USUAL_BATTERY_V)
    opened = samples["pulse_width_ms"] - pulse.dead_ms - pulse.dead_ms_per_v * battery
    expected = pulse.ms_per_unit * seen.ride.air
    good &= np.isfinite(expected) & (expected > 0.1) & (opened > 0.1)
    if good.sum() < 1000:
        return [Fact(None, "fewer than 1,000 pulses of a running engine without a flag")]
    ratio = np.log(opened[good] / expected[good])
    ratio -= np.median(ratio)
    stretch = (seen.time_s[good] // STRETCH_S).astype(int)
    _, stretch = np.unique(stretch, return_inverse=True)
    count = np.bincount(stretch)
    mean = np.bincount(stretch, ratio) / count
    full = count > 0.5 * count.max()
    moved = float(np.sqrt(np.mean(mean[full] ** 2)))
    text = f"over {STRETCH_S:.0f} s the pulse strays from the table by {_pct(moved)} rms"
    return [Fact(moved > HIDDEN, text)]


def film_differs(seen: Seen) -> list[Fact]:
    """Banks whose mixture lags the load differently. Injectors and ports of one engine are alike,
    so are their films; a slow sensor, or a delay that is stated wrong, looks like another film."""
    if seen.ride.settings.sensor_kind == SWITCHING or len(seen.films) < 2:
        return [Fact(None, "it takes two banks with a wideband sensor each")]
    known = [film for film in seen.films if film and film.share_error <= FILM_SHARE_ERROR]
    if len(known) < len(seen.films):
        return [Fact(None, "the ride does not tell the film of each bank")]
    pairs = list(combinations(range(len(known)), 2))
    apart = [_apart(known[one], known[other]) for one, other in pairs]
    most = max(apart)
    text = "; ".join(
        f"{seen.names[bank]}: {_pct(known[bank].share)} ± {_pct(known[bank].share_error)} of the "
        f"fuel for {known[bank].time_s:.2f} ± {known[bank].time_error_s:.2f} s"
        for bank in pairs[apart.index(most)]
    )
    return [Fact(most > FILMS_APART, text)]


def _apart(one: FilmEstimate, other: FilmEstimate) -> float:
    """In standard errors, the larger of share and time."""
    share = FILM_MODEL * 0.5 * (one.share + other.share)
    time_s = FILM_MODEL * 0.5 * (one.time_s + other.time_s)
    return max(
        abs(one.share - other.share) / hypot(one.share_error, other.share_error, share),
        abs(one.time_s - other.time_s) / hypot(one.time_error_s, other.time_error_s, time_s),
    )


def delay_differs(seen: Seen) -> list[Fact]:
    """Banks whose delay is another part of what is stated for it than their sister's is."""
    if len(seen.names) < 2:
        return [Fact(None, "it takes two banks")]
    if not seen.delays:
        return [Fact(None, "nobody looked for the delay: replay --find-delay does")]
    shares, errors = [], []
    for bank, found in enumerate(seen.delays):
        if found is None or not found.known:
            return [Fact(None, "the ride does not tell the delay of each bank")]
        shares.append(_delay_share(seen, bank, found))
        errors.append(shares[-1] * found.delay_error_s / found.delay_s)
    low, high = int(np.argmin(shares)), int(np.argmax(shares))
    apart = (shares[high] - shares[low]) / hypot(errors[high], errors[low])
    text = "; ".join(
        f"{seen.names[bank]}: {shares[bank]:.2f} ± {errors[bank]:.2f} of the delay that is stated"
        for bank in dict.fromkeys((high, low))
    )
    return [Fact(apart > DELAYS_APART, text)]


def _delay_share(seen: Seen, bank: int, found: FoundDelay) -> float:
    """A found delay over the stated one, medians over the samples used."""
    replay, rows = BankReplay(seen.samples, bank, seen.ride.settings), seen.ride.rows[bank]
    medians_s = [
        float(np.median(replay.transport_s(model)[rows])) + model.sensor_lag_s
        for model in (found.model, seen.ride.settings.banks[bank].delay)
    ]
    return medians_s[0] / medians_s[1]


def barometer(seen: Seen) -> list[Fact]:
    """The air's pressure, as far as it shows: what the pressure sensor read while the engine stood.
    What the controller takes it for is in no sample, so nothing is judged."""
    text = "no barometer is in the samples; within one ride it is the same as fuel-factor"
    samples = seen.samples
    read = samples["map_kpa"][(samples["speed_rpm"] == 0.0) & np.isfinite(samples["map_kpa"])]
    if len(read) < STANDING:
        return [Fact(None, text)]
    low, middle, high = np.percentile(read, [10, 50, 90])
    text += f"; while the engine stood its pressure sensor read {middle:.1f} kPa"
    if high - low > AIR_MOVED_KPA:
        return [Fact(None, f"{text}, from {low:.1f} to {high:.1f}: learn such rides apart")]
    return [Fact(None, f"{text}: hold that against the weather's")]
