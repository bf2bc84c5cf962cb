"""One bank's samples as a cause sees them: what was commanded where, through delay and lag.

A cause is a column: what a size of 1 of it would add to the observation d at each sample. Columns
are made here from the samples (n,) and looked at as the sensor does.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.settings import Settings
from breathmap.learner.core.stream import USUAL_INTAKE_C, USUAL_MAP_KPA
from breathmap.learner.exact.replay import BankReplay, Observations, locate
from breathmap.protocol.host.bulk import sample_dtype

Array = NDArray[np.float64]

# A pulse is known to consist of dead time and fuel when the fit leaves at most this of it, rms;
# transients and noise leave some per cent (common practice, no source).
PULSE_FIT = 0.1
# Samples that a fit takes at least, and pulses shorter than this are cuts.
LEAST_SAMPLES = 500
SHORTEST_MS = 0.05
USUAL_BATTERY_V = 13.5


@dataclass(frozen=True)
class PulseFit:
    """The pulse as dead time plus fuel: dead_ms at USUAL_BATTERY_V, dead_ms_per_v (falling with
    voltage, so negative), ms_per_unit of the air term; error: rms of what is left, a part of the
    pulse."""

    dead_ms: float
    dead_ms_per_v: float
    ms_per_unit: float
    error: float


def air_term(samples: NDArray[np.void], settings: Settings) -> Array:
    """What the controller makes fuel of, (n,), mean of the banks: VE p / T / target x loop."""
    total = np.zeros(len(samples))
    for number, bank in enumerate(settings.banks):
        _, _, ve_pct = locate(bank.table, samples["speed_rpm"], samples["map_kpa"])
        total += ve_pct * samples["fuel_multiplier"][:, number]
    kelvin = samples["intake_c"] + 273.15
    total *= samples["map_kpa"] / kelvin / samples["target_lambda"] / len(settings.banks)
    return total


def fit_pulse(samples: NDArray[np.void], settings: Settings, air: Array) -> PulseFit | None:
    """Take the pulse width apart by least squares; None where it is not measured, or is no line
    over the air (a throttle axis, another unit). air: as `air_term` has it."""
    if settings.load_is_throttle:
        return None
    pulse = samples["pulse_width_ms"]
    good = np.isfinite(air) & np.isfinite(pulse) & (pulse > SHORTEST_MS)
    good &= samples["speed_rpm"] > settings.limits.speed_min_rpm
    if good.sum() < LEAST_SAMPLES:
        return None
    battery = np.nan_to_num(samples["battery_v"][good] - USUAL_BATTERY_V)
    design = np.stack([np.ones(good.sum()), battery, air[good]], axis=1)
    found = np.linalg.lstsq(design, pulse[good], rcond=None)[0]
    left = (pulse[good] - design @ found) / pulse[good]
    error = float(np.sqrt(np.mean(left**2)))
    dead_ms, per_v, slope = found.tolist()
    if error > PULSE_FIT or not slope > 0.0 or dead_ms < 0.0:
        return None
    return PulseFit(dead_ms, per_v, slope, error)


class Scene:
    """One bank's stretch of samples under its delay model.

    samples: structured array (n,). pulse: as taken apart over the whole recording. mean_intake_c:
    over the whole recording, too.
    """

    def __init__(
        self,
        samples: NDArray[np.void],
        bank: int,
        settings: Settings,
        pulse: PulseFit | None,
        mean_intake_c: float,
    ) -> None:
        self.samples = samples
        self.settings = settings
        self.pulse = pulse
        self.mean_intake_c = mean_intake_c
        self.replay = BankReplay(samples, bank, settings)
        self.delay = settings.banks[bank].delay
        self.lag_s = self.delay.sensor_lag_s
        self.transport_s = self.replay.transport_s(self.delay)
        self.seen: Observations = self.replay.observe_at(self.transport_s, self.lag_s)

    def slower(self, factor: float) -> "Scene":
        """The same through a sensor with so many times the lag; it shares what that leaves."""
        if factor == 1.0:
            return self
        other: Scene = object.__new__(type(self))
        shared = ("samples", "settings", "pulse", "mean_intake_c", "replay", "delay", "transport_s")
        vars(other).update({name: vars(self)[name] for name in shared})
        other.lag_s = factor * self.delay.sensor_lag_s
        other.seen = self.replay.observe_at(self.transport_s, other.lag_s)
        return other

    def at_injection(self, values: Array) -> Array:
        """A column as the sensor sees it: a transport delay ago, through the lag."""
        return self.replay.seen_at(values, self.transport_s, self.lag_s)

    @cached_property
    def gas_share(self) -> Array:
        """The exhaust gas that flows past the sensor now, as a part of what full load at top speed
        sends."""
        replay, delay = self.replay, self.delay
        table = replay.bank.table
        flow = delay.gas_cm3(replay.speed_rpm, replay.map_kpa, replay.ve_pct, replay.intake_c)  # type: ignore[arg-type]
        most = delay.gas_cm3(table.speed_rpm[-1], 100.0, max(table.cells), 25.0)
        return np.asarray(flow * replay.speed_rpm / (most * table.speed_rpm[-1]))

    @cached_property
    def open_ms(self) -> Array | None:
        """How long the injector is open at the point seen, by the controller's own reckoning.

        From the table and not from each pulse: pulses of a transient would stand in for the film.
        """
        if self.pulse is None:
            return None
        seen = self.seen
        kelvin = np.nan_to_num(self.replay.intake_c, nan=USUAL_INTAKE_C) + 273.15
        open_ms = self.pulse.ms_per_unit * seen.ve_pct * seen.load / kelvin / self.commanded
        return np.asarray(open_ms)

    @cached_property
    def commanded(self) -> Array:
        """The lambda commanded, as the sensor sees it."""
        measured = np.asarray(self.replay.measured)
        return np.nan_to_num(measured / (1.0 + self.seen.d), nan=1.0)

    @property
    def battery_off_v(self) -> Array:
        """Battery voltage less the usual one, 0 where it is not measured."""
        return np.nan_to_num(self.samples["battery_v"] - USUAL_BATTERY_V)


class _AsItIs:
    """Stands in for a replay where nothing moves: no lag, the table's own points."""

    def __init__(self, settings: Settings, bank: int) -> None:
        self.bank = settings.banks[bank]
        table = self.bank.table
        load, speed_rpm = np.meshgrid(table.load, table.speed_rpm, indexing="ij")
        self.speed_rpm, self.load = speed_rpm.ravel(), load.ravel()
        is_throttle = settings.load_is_throttle
        self.map_kpa = np.full(len(self.load), USUAL_MAP_KPA) if is_throttle else self.load
        self.ve_pct = np.asarray(table.cells, dtype=np.float64)
        self.intake_c = np.full(len(self.load), USUAL_INTAKE_C)

    def lagged(self, column: Array, lag_s: float) -> Array:
        """The column itself."""
        return column


class CellScene(Scene):
    """A table's cells in place of samples: what evidence alone can show. count: cells."""

    def __init__(self, settings: Settings, bank: int) -> None:
        self.settings = settings
        self.pulse = None
        self.mean_intake_c = USUAL_INTAKE_C
        self.replay = _AsItIs(settings, bank)  # type: ignore[assignment]
        self.seen = self.replay  # type: ignore[assignment]
        self.count = len(self.seen.load)
        self.samples = np.zeros(self.count, sample_dtype(len(settings.banks)))
        for name in ("intake_c", "coolant_c", "battery_v"):
            self.samples[name] = np.nan
        self.delay = settings.banks[bank].delay
        self.lag_s = 0.0

    @cached_property
    def commanded(self) -> Array:
        """Near 1, wherever the targets were."""
        return np.ones(self.count)


# What a size of 1 adds to d at each sample, (n,); None where the samples cannot say.
ColumnMaker = Callable[[Scene], Array | None]


def one_factor(scene: Scene) -> Array:
    """The same share everywhere."""
    return np.ones(len(scene.samples))


def by_pressure(scene: Scene) -> Array | None:
    """Pressure that reads 1 kPa high is 1 / MAP too much fuel; None on a throttle axis."""
    return None if scene.settings.load_is_throttle else -1.0 / scene.seen.load


def by_open_time(scene: Scene) -> Array | None:
    """1 ms that the injector opens later than the controller believes is lost from its opening."""
    if scene.open_ms is None:
        return None
    return 1.0 / scene.open_ms


def by_battery(scene: Scene) -> Array | None:
    """The same, growing by 1 ms for each volt below the usual."""
    if scene.open_ms is None or not np.isfinite(scene.samples["battery_v"]).any():
        return None
    return -scene.battery_off_v / scene.open_ms


def by_intake(scene: Scene) -> Array | None:
    """1 K too much by the sensor for each K that it reads above its own mean: as lean as warm."""
    intake_c = scene.samples["intake_c"]
    if not np.isfinite(intake_c).any():
        return None
    off = np.nan_to_num(intake_c - scene.mean_intake_c)
    return scene.at_injection(off / (scene.mean_intake_c + 273.15))


def by_cold(scene: Scene) -> Array | None:
    """1 more fuel for each 10 K that the coolant is below 90 degC."""
    coolant_c = scene.samples["coolant_c"]
    if not np.isfinite(coolant_c).any():
        return None
    return scene.at_injection(-np.nan_to_num(90.0 - coolant_c).clip(0.0) / 10.0)


def by_lambda(scene: Scene) -> Array:
    """A reading that is 1 lambda too high, against the lambda commanded."""
    return 1.0 / scene.commanded


def by_other(bank: int) -> ColumnMaker:
    """The observations as they would be with another bank's reading: no cause, but what another
    right-hand side is made of."""

    def column(scene: Scene) -> Array:
        return np.asarray(scene.samples["measured_lambda"][:, bank] / scene.commanded - 1.0)

    return column


def leak(scale: float) -> ColumnMaker:
    """Air drawn in before the sensor: all of 1 at no flow, falling by e for each `scale` of full
    flow. It acts on the gas that passes now, not on what was injected then."""

    def column(scene: Scene) -> Array:
        return scene.replay.lagged(np.exp(-scene.gas_share / scale), scene.lag_s)

    return column
