"""A look over a whole log as the engine description understands it: the range of every quantity,
and what cannot be meant, with its likely cause.

The bounds are those of engines that run, wide enough for racing ones (common practice, no source).
A log that is odd all the same is taken with `take_odd_values` in its [log] part. No I/O.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from breathmap.learner.words.description import EngineDescription, Log
from breathmap.protocol.wire.sample import Sample

Array = npt.NDArray[np.float64]

# Of fewer rows nothing is said.
LEAST_ROWS = 50
AMBIENT_KPA = 101.3
RUNNING_RPM = 300.0
# So many rows after one another are one place of a ride, known again in another file.
SHINGLE = 5
LEAST_SHINGLES = 100
SAME_RIDE = 0.3
# An odd number of many ones: spreads what it multiplies over 64 bits (common practice, no source).
MIXING = np.uint64(0x9E3779B97F4A7C15)

PLAIN = ("speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v")
UNITS = {
    "speed_rpm": "rpm",
    "map_kpa": "kPa absolute",
    "throttle_pct": "%",
    "coolant_c": "°C",
    "intake_c": "°C",
    "battery_v": "V",
    "target_lambda": "lambda",
    "measured_lambda": "lambda",
    "fuel_multiplier": "(1: no trim)",
}


@dataclass(frozen=True)
class Span:
    """What one quantity's values are, over the rows that hold one. key: as in the [log] part."""

    key: str
    unit: str
    share: float
    least: float
    low: float
    middle: float
    high: float
    most: float

    def text(self) -> str:
        """Return its range in words."""
        if self.share == 0.0:
            return "no row holds a value"
        ends = f"{self.least:.4g} to {self.most:.4g} {self.unit}"
        return f"{ends}, mostly {self.low:.4g} to {self.high:.4g}"


@dataclass(frozen=True)
class Look:
    """What a log holds as understood. odd: what cannot be meant, a line each. step_s: the usual
    time between rows. places: of the ride, to know it again."""

    rows: int
    duration_s: float
    step_s: float
    spans: list[Span]
    odd: list[str]
    places: frozenset[int] = field(repr=False, default=frozenset())

    def is_same_ride(self, other: "Look") -> bool:
        """True when the two hold the same rows of a ride, under whatever clock."""
        return is_same_ride(self.places, other.places)


def is_same_ride(one: frozenset[int], other: frozenset[int]) -> bool:
    """True when two sets of places (see `places_of`) are of one ride, or parts of it that
    overlap."""
    fewest = min(len(one), len(other))
    return fewest >= LEAST_SHINGLES and len(one & other) > SAME_RIDE * fewest


def places_of(samples: npt.NDArray[np.void]) -> frozenset[int]:
    """Return the places of a ride in samples, a structured array (n,) as
    `breathmap.protocol.host.bulk.sample_dtype` has it: the same as a look at its log has."""
    lambdas = samples["measured_lambda"]
    columns = [samples["speed_rpm"], *lambdas.T, samples["map_kpa"]]
    return _places(np.stack(columns, axis=1).astype(np.float64))


def look_over(
    samples: Iterable[Sample] | npt.NDArray[np.void], description: EngineDescription
) -> Look:
    """Return what a log's samples are like, one by one or an array of `sample_dtype`. Raises what
    reading them raises."""
    log = description.log
    assert log is not None
    banks = len(log.bank)
    if isinstance(samples, np.ndarray):
        values = _columns_of(samples, banks)
    else:
        values = _collected(samples, banks)
    time_s = values.pop("time_s")
    names = [name for name in values if name == "speed_rpm" or name.endswith("measured_lambda")]
    names.append("map_kpa")
    spans = [_span(key, column) for key, column in values.items() if _is_there(log, key)]
    return Look(
        rows=len(time_s),
        duration_s=float(time_s[-1] - time_s[0]) if len(time_s) else 0.0,
        step_s=float(np.median(np.diff(time_s))) if len(time_s) > 1 else math.nan,
        spans=spans,
        odd=_odd(log, description, time_s, values) if len(time_s) >= LEAST_ROWS else [],
        places=_places(np.stack([values[name] for name in names], axis=1)),
    )


def cause_of(name: str, values: Array) -> str:
    """Return why values of a running engine cannot be meant for a quantity, "" when they can.

    values: finite, at least one. name: of the quantity, without its bank.
    """
    low, middle, high = np.percentile(values, (5, 50, 95)).tolist()
    rule = _RULES.get(name)
    return rule(low, middle, high, float(values.max())) if rule else ""


def bank_key(bank: int, name: str) -> str:
    """Return the key of a bank's quantity, for people: banks count from 1."""
    return f"bank[{bank + 1}].{name}"


def _columns_of(samples: npt.NDArray[np.void], banks: int) -> dict[str, Array]:
    columns = {"time_s": 1e-6 * samples["time_us"]}
    columns |= {name: np.array(samples[name]) for name in (*PLAIN, "target_lambda")}
    for bank in range(banks):
        for name in ("measured_lambda", "fuel_multiplier"):
            columns[bank_key(bank, name)] = np.array(samples[name][:, bank])
    return columns


def _collected(samples: Iterable[Sample], banks: int) -> dict[str, Array]:
    names = ["time_s", *PLAIN, "target_lambda"]
    names += [bank_key(b, n) for b in range(banks) for n in ("measured_lambda", "fuel_multiplier")]
    rows = []
    for s in samples:
        row = [1e-6 * s.time_us, *(getattr(s, name) for name in PLAIN), s.target_lambda]
        for bank in range(banks):
            row += [s.measured_lambda[bank], s.fuel_multiplier[bank]]
        rows.append(row)
    table = np.array(rows, dtype=np.float64).reshape(len(rows), len(names))
    return {name: table[:, place] for place, name in enumerate(names)}


def _is_there(log: Log, key: str) -> bool:
    if key.endswith(".fuel_multiplier"):
        bank = int(key[len("bank[") : key.index("]")]) - 1
        return log.bank[bank].fuel_multiplier is not None
    return "." in key or getattr(log, key) is not None


def _span(key: str, values: Array) -> Span:
    known = values[np.isfinite(values)]
    unit = UNITS[key.rpartition(".")[2]]
    if not len(known):
        return Span(key, unit, 0.0, *[math.nan] * 5)
    ends = np.percentile(known, (0, 5, 50, 95, 100)).tolist()
    return Span(key, unit, len(known) / len(values), *ends)


def _places(table: Array) -> frozenset[int]:
    """Return a number for each stretch of SHINGLE rows in which the engine speed moved. table:
    (n, columns), the speed first."""
    if len(table) < SHINGLE:
        return frozenset()
    speeds = table[:, 0]
    # Fewer digits than any logger's: another kind of file rounds differently.
    table = np.where(np.abs(table) > 1e-9, table, 0.0)
    size = np.abs(np.where(table != 0.0, table, 1.0))
    digits = np.rint(table * 10.0 ** (3.0 - np.floor(np.log10(size))))
    mixed = np.zeros(len(table), dtype=np.uint64)
    for column in digits.T.astype(np.int64).astype(np.uint64):
        mixed = (mixed ^ column) * MIXING
    ends = len(table) - SHINGLE + 1
    found = np.zeros(ends, dtype=np.uint64)
    for k in range(SHINGLE):
        found = (found ^ mixed[k : k + ends]) * MIXING
    return frozenset(found[speeds[:ends] != speeds[SHINGLE - 1 :]].tolist())


def _odd(
    log: Log, description: EngineDescription, time_s: Array, values: dict[str, Array]
) -> list[str]:
    lines = [*_odd_time(log, time_s), *_odd_rows(log, description, values)]
    speed = values["speed_rpm"]
    running = speed > RUNNING_RPM
    if np.count_nonzero(running) < LEAST_ROWS:
        running = np.ones(len(speed), dtype=bool)
    for key, column in values.items():
        known = column[running & np.isfinite(column)]
        if len(known) < LEAST_ROWS or not _is_there(log, key) or _is_constant(log, key):
            continue
        name = key.rpartition(".")[2]
        if name == "measured_lambda" and description.method.is_switching:
            continue
        cause = cause_of(name, known)
        if cause:
            low, high = np.percentile(known, (5, 95)).tolist()
            lines.append(f"{key}: mostly {low:.4g} to {high:.4g} {UNITS[name]}: {cause}")
    return lines


def _is_constant(log: Log, key: str) -> bool:
    return "." not in key and getattr(log, key).column is None


def _odd_time(log: Log, time_s: Array) -> Iterator[str]:
    steps = np.diff(time_s)
    moving = steps[steps > 0]
    if not len(moving):
        yield "time: it stands still: another column is the clock"
        return
    step_s = float(np.median(moving))
    if log.time.unit == "s" and step_s > 5.0:
        yield f'time: {step_s:.4g} s between rows: looks like milliseconds: unit = "ms"'
    elif log.time.unit == "ms" and step_s < 8e-4:
        yield f'time: {step_s:.2g} s between rows: looks like seconds: unit = "s"'
    elif np.count_nonzero(steps == 0) > 0.3 * len(steps):
        yield (
            f"time: most rows have the time of the row before, and then it goes on by {step_s:.4g} "
            "s: a clock in whole seconds is too coarse: log its fractions, too"
        )


def _odd_rows(log: Log, description: EngineDescription, values: dict[str, Array]) -> Iterator[str]:
    """Rows that hold only what has changed."""
    load = values[description.axes.load_axis]
    needed = [values["speed_rpm"], load, values[bank_key(0, "measured_lambda")]]
    shares = [np.isfinite(column).mean() for column in needed]
    whole = np.isfinite(np.stack(needed)).all(axis=0).mean()
    if min(shares) > 0.02 and whole < 0.3 and not log.hold_s:
        yield (
            f"rows: only {100 * whole:.0f} % hold speed, load and lambda together: looks like a "
            "log of changed values only: hold_s = 1 in the [log] part keeps each for a second"
        )


def _odd_speed(low: float, middle: float, high: float, most: float) -> str:
    if 0.2 < high < 25.0:
        return "looks like thousands: scale = 1000"
    if 25.0 <= high < RUNNING_RPM:
        return "looks like revolutions a second: scale = 60"
    return "looks like a finer unit: scale = 0.1 or less" if middle > 30000.0 else ""


def _odd_pressure(low: float, middle: float, high: float, most: float) -> str:
    add = f"offset = {AMBIENT_KPA:g} (better: the day's air pressure)"
    if low < -35.0:
        return f"looks like gauge pressure: {add}"
    if low < -15.0:
        return f"looks like inHg against the outside: scale = 3.386, {add}"
    if low < -1.1:
        return f"looks like psi against the outside: scale = 6.895, {add}"
    if low < -0.15:
        return f"looks like bar against the outside: scale = 100, {add}"
    if middle > 5000.0:
        return "looks like Pa: scale = 0.001"
    if low > 150.0 and most > 350.0:
        return "looks like mbar (hPa): scale = 0.1"
    if middle > 0.1 and most < 5.0:
        return "looks like bar: scale = 100"
    if middle > 1.0 and most < 20.0:
        return "looks like psi: scale = 6.895"
    if low < 17.0 and most < 33.0:
        return "looks like inHg: scale = 3.386"
    return ""


def _odd_throttle(low: float, middle: float, high: float, most: float) -> str:
    if 0.3 < most <= 1.01 and high - low > 0.15:
        return "looks like a share of 1: scale = 100"
    return "looks like raw counts or degrees, not per cent" if high > 115.0 else ""


def _odd_temperature(low: float, middle: float, high: float, most: float) -> str:
    if 140.0 < middle < 255.0:
        return "looks like °F: scale = 0.5556, offset = -17.78"
    if 255.0 <= middle < 420.0:
        return "looks like kelvin: offset = -273.15"
    return ""


def _odd_intake(low: float, middle: float, high: float, most: float) -> str:
    if 80.0 < middle < 200.0:
        return "looks like °F: scale = 0.5556, offset = -17.78"
    if 230.0 <= middle < 400.0:
        return "looks like kelvin: offset = -273.15"
    return ""


def _odd_voltage(low: float, middle: float, high: float, most: float) -> str:
    if middle > 4000.0:
        return "looks like mV: scale = 0.001"
    return "looks like tenths of a volt: scale = 0.1" if 80.0 < middle < 180.0 else ""


def _odd_lambda(low: float, middle: float, high: float, most: float) -> str:
    if 7.0 < middle < 25.0:
        return 'looks like an air/fuel ratio: unit = "afr"'
    if 65.0 < middle < 140.0:
        return "looks like per cent: scale = 0.01"
    if 0.03 < middle < 0.15 and high < 0.3:
        return 'looks like lambda already: unit = "lambda"'
    if low < 0.3 and most < 1.15:
        return "looks like the volts of a sensor that says rich or lean and no more"
    if 1.6 < middle < 5.1 and most < 5.2:
        return "looks like the volts of a sensor: scale and offset as its maker says"
    return ""


def _odd_trim(low: float, middle: float, high: float, most: float) -> str:
    if low > 60.0 and high < 160.0:
        return "looks like per cent of the fuel: scale = 0.01"
    if low > -40.0 and high < 40.0 and abs(middle) < 25.0 and high - low > 1.5:
        return "looks like a trim in per cent: scale = 0.01, offset = 1"
    if low > -0.5 and high < 0.5:
        return "looks like a trim about 0: offset = 1"
    return ""


_RULES = {
    "speed_rpm": _odd_speed,
    "map_kpa": _odd_pressure,
    "throttle_pct": _odd_throttle,
    "coolant_c": _odd_temperature,
    "intake_c": _odd_intake,
    "battery_v": _odd_voltage,
    "target_lambda": _odd_lambda,
    "measured_lambda": _odd_lambda,
    "fuel_multiplier": _odd_trim,
}
