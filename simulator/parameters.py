"""What the simulated engine, its vehicle and its sensors are made of: numbers with units, checked.

`college_twin()` is the teaching bench's 689 cc parallel twin, built from parts (all its numbers are
invented within published ranges); `random_engine(seed)` gives others, for statistics.
"""

import random
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import isfinite

from breathmap.simulator.table import Axes
from breathmap.simulator.truth import Truth, on_grid, random_truth, twin_truth

R_AIR = 287.05287  # J/(kg·K), dry air of ISO 2533

TWIN_AXES = Axes(
    speed_rpm=(
        1000, 1300, 1600, 1900, 2200, 2500, 2800, 3200,
        3600, 4000, 4400, 4900, 5400, 6000, 6700, 7500,
    ),
    load_kpa=(20, 26, 32, 38, 44, 50, 57, 64, 72, 81, 92, 105),
)  # fmt: skip


def _need(condition: bool, name: str, value: object, allowed: str) -> None:
    if not condition:
        raise ValueError(f"{name} must be {allowed}, got {value}")


@dataclass(frozen=True)
class Injector:
    """flow at nominal fuel pressure; dead time = dead_time_ms · (13.5 V / battery)^exponent."""

    flow_mg_per_ms: float = 2.6
    dead_time_ms: float = 0.95
    dead_time_exponent: float = 1.4
    resolution_us: float = 2.0

    def dead_time_at(self, battery_v: float) -> float:
        """Return the dead time in ms at a battery voltage."""
        part: float = (13.5 / (battery_v if battery_v > 6.0 else 6.0)) ** self.dead_time_exponent
        return self.dead_time_ms * part


@dataclass(frozen=True)
class Film:
    """Aquino's fuel film, warm: fraction deposited X and evaporation time; how both grow when cold.

    fraction at a coolant temperature T and pressure p: X·(1 + cold_fraction·(80−T)/80) ·
    (1 + pressure_slope·(p/50 kPa − 1)), held in 0.02 to 0.9; time: tau·e^((80−T)/cold_time_c)
    below 80 °C and the same pressure factor.
    """

    fraction: float = 0.18
    time_s: float = 0.25
    cold_fraction: float = 1.8
    cold_time_c: float = 45.0
    pressure_slope: float = 0.15


@dataclass(frozen=True)
class Exhaust:
    """From exhaust port to sensor, one bank.

    volume_l: pipe volume between them. mixing_volume_l: a well-stirred part of it at the sensor.
    The gas is at cool_k with no flow, rising by rise_k at full flow.
    """

    volume_l: float = 0.45
    mixing_volume_l: float = 0.06
    cool_k: float = 640.0
    rise_k: float = 380.0


@dataclass(frozen=True)
class LambdaSensor:
    """One lambda sensor and its electronics.

    kind: "wideband" or "switching". lag_s: first-order time. noise: relative, one sigma, white.
    range_low, range_high: what the wideband can show; free air shows range_high.
    """

    kind: str = "wideband"
    lag_s: float = 0.07
    noise: float = 0.01
    gain: float = 1.0
    offset_lambda: float = 0.0
    warm_up_s: float = 15.0
    range_low: float = 0.65
    range_high: float = 1.9


@dataclass(frozen=True)
class Noise:
    """One-sigma noise of the other sensors, and of the engine from cycle to cycle."""

    map_kpa: float = 0.12
    speed_fraction: float = 0.0008
    throttle_pct: float = 0.05
    temperature_c: float = 0.15
    battery_v: float = 0.02
    battery_wander_v: float = 0.2
    cycle_air: float = 0.012
    cycle_work: float = 0.04


@dataclass(frozen=True)
class Vehicle:
    """A light two-wheeler with its rider, and its drive train."""

    mass_kg: float = 275.0
    drag_area_m2: float = 0.55
    rolling: float = 0.018
    wheel_radius_m: float = 0.31
    overall_ratios: tuple[float, ...] = (13.4, 9.4, 7.3, 6.1, 5.25, 4.65)
    inertia_kg_m2: float = 0.06
    clutch_torque_nm: float = 110.0


@dataclass(frozen=True)
class EngineParameters:
    """The whole engine. `truth` holds what nobody at the bench knows.

    cylinder_bank: the bank of each cylinder, in firing order. misfire: chance per firing.
    exhausts, sensors: one per bank. closed_throttle_mm2 is an effective flow area, and
    overrun_air_mm2_per_krpm what a passive valve adds to it above 2,000 rpm, so that a closed
    throttle leaves the manifold 17 to 34 kPa on over-run.
    """

    truth: Truth
    displacement_cm3: float = 689.0
    cylinder_bank: tuple[int, ...] = (0, 1)
    manifold_volume_l: float = 0.60
    throttle_bore_mm: float = 44.0
    closed_throttle_mm2: float = 8.0
    overrun_air_mm2_per_krpm: float = 3.0
    stoichiometric_afr: float = 14.3
    friction_kpa: float = 115.0
    friction_kpa_per_krpm: float = 14.0
    misfire: float = 0.0
    map_sensor_lag_s: float = 0.006
    intake_sensor_lag_s: float = 2.5
    injector: Injector = field(default_factory=Injector)
    film: Film = field(default_factory=Film)
    exhausts: tuple[Exhaust, ...] = (Exhaust(volume_l=0.40), Exhaust(volume_l=0.85))
    sensors: tuple[LambdaSensor, ...] = (LambdaSensor(), LambdaSensor())
    noise: Noise = field(default_factory=Noise)
    vehicle: Vehicle = field(default_factory=Vehicle)

    def __post_init__(self) -> None:
        banks = self.banks
        _need(self.displacement_cm3 > 0, "displacement_cm3", self.displacement_cm3, "above 0")
        _need(
            set(self.cylinder_bank) == set(range(banks)),
            "cylinder_bank",
            self.cylinder_bank,
            "banks 0, 1, ... with none left out",
        )
        _need(self.truth.banks == banks, "truth", f"{self.truth.banks} banks", f"{banks} banks")
        _need(len(self.exhausts) == banks, "exhausts", len(self.exhausts), f"one per bank: {banks}")
        _need(len(self.sensors) == banks, "sensors", len(self.sensors), f"one per bank: {banks}")
        _need(0 <= self.misfire <= 1, "misfire", self.misfire, "0 to 1")
        _need(0 <= self.film.fraction < 1, "film.fraction", self.film.fraction, "0 to below 1")
        for name in ("manifold_volume_l", "throttle_bore_mm", "stoichiometric_afr"):
            value = getattr(self, name)
            _need(isfinite(value) and value > 0, name, value, "above 0")
        for sensor in self.sensors:
            kinds = ("wideband", "switching")
            _need(sensor.kind in kinds, "sensor kind", sensor.kind, " or ".join(kinds))
            _need(sensor.lag_s > 0, "sensor lag_s", sensor.lag_s, "above 0")
        for exhaust in self.exhausts:
            _need(exhaust.volume_l > 0, "exhaust volume_l", exhaust.volume_l, "above 0")
            mixing = exhaust.mixing_volume_l
            _need(mixing > 0, "exhaust mixing_volume_l", mixing, "above 0")

    @cached_property
    def banks(self) -> int:
        """Number of banks."""
        return max(self.cylinder_bank) + 1

    def quiet(self) -> "EngineParameters":
        """Return the same engine without any noise, scatter or misfire: for exact checks."""
        return replace(
            self,
            misfire=0.0,
            noise=Noise(0, 0, 0, 0, 0, 0, 0, 0),
            sensors=tuple(replace(s, noise=0.0) for s in self.sensors),
        )


def college_twin(
    truth: str = "continuous", sensor: str = "wideband", axes: Axes = TWIN_AXES
) -> EngineParameters:
    """Return the teaching bench's engine: a 689 cc parallel twin, one bank per cylinder, the second
    exhaust's sensor further downstream.

    truth: "continuous", or "grid" (the same truth laid on `axes`). sensor: "wideband", "switching".
    """
    _need(truth in ("continuous", "grid"), "truth", truth, "continuous or grid")
    smooth = twin_truth()
    return EngineParameters(
        truth=on_grid(smooth, axes) if truth == "grid" else smooth,
        sensors=_sensors(sensor, 0.01),
    )


def _sensors(kind: str, noise: float) -> tuple[LambdaSensor, LambdaSensor]:
    if kind == "switching":
        # Volts and not lambda are noisy here; lag as published for heated switching sensors is
        # shorter than a wideband's.
        one = LambdaSensor(kind="switching", lag_s=0.04, noise=0.002, warm_up_s=25.0)
    else:
        one = LambdaSensor(kind=kind, noise=noise)
    return one, one


def random_engine(
    seed: int, truth: str = "continuous", sensor: str = "wideband", axes: Axes = TWIN_AXES
) -> EngineParameters:
    """Return a twin-cylinder engine with its own breathing, size, film, delays and sensor noise."""
    _need(truth in ("continuous", "grid"), "truth", truth, "continuous or grid")
    rng = random.Random(f"engine {seed}")
    smooth = random_truth(seed)
    size = rng.uniform(0.75, 1.5)
    near = rng.uniform(0.15, 0.8) * size
    far = near * rng.uniform(1.0, 2.5)
    lag = rng.uniform(0.05, 0.10)
    sensors = _sensors(sensor, rng.uniform(0.006, 0.015))
    if sensor == "wideband":
        sensors = (replace(sensors[0], lag_s=lag), replace(sensors[1], lag_s=lag))
    vehicle = Vehicle()
    return EngineParameters(
        truth=on_grid(smooth, axes) if truth == "grid" else smooth,
        displacement_cm3=689.0 * size,
        manifold_volume_l=rng.uniform(0.6, 1.3) * 0.689 * size,
        throttle_bore_mm=44.0 * size**0.5,
        closed_throttle_mm2=8.0 * size,
        overrun_air_mm2_per_krpm=3.0 * size,
        injector=Injector(
            flow_mg_per_ms=2.6 * size * rng.uniform(0.9, 1.2),
            dead_time_ms=rng.uniform(0.7, 1.1),
        ),
        film=Film(fraction=rng.uniform(0.10, 0.30), time_s=rng.uniform(0.2, 0.5)),
        exhausts=(Exhaust(volume_l=near), Exhaust(volume_l=far)),
        sensors=sensors,
        noise=Noise(cycle_air=rng.uniform(0.008, 0.02)),
        vehicle=replace(vehicle, mass_kg=vehicle.mass_kg * rng.uniform(0.85, 1.4)),
    )
