"""Faults by name, each with a magnitude, for tests and for a classroom.

Most act on the engine, its sensors or the controller's set-up between two moments of a run; two act
on the cable, that is on the bytes. FAULTS says what there is. All are repeatable from the seeds of
run and cable.
"""

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import inf, isfinite

from breathmap.simulator.engine import Engine


@dataclass(frozen=True)
class FaultKind:
    """What a fault is: one line for people, its magnitude's unit, default and range."""

    text: str
    unit: str
    default: float
    low: float
    high: float
    on_cable: bool = False
    per_bank: bool = False


FAULTS: dict[str, FaultKind] = {
    "exhaust-leak": FaultKind(
        "air is drawn in before the sensor at low flow", "share at no flow", 0.25, 0.0, 0.9,
        per_bank=True,
    ),
    "misfire": FaultKind(
        "a cylinder of the bank misfires now and then", "chance per firing", 0.02, 0.0, 1.0,
        per_bank=True,
    ),
    "sensor-slow": FaultKind(
        "an aged lambda sensor answers late", "times its lag", 5.0, 1.0, 100.0, per_bank=True
    ),
    "sensor-biased": FaultKind(
        "a lambda sensor reads off", "lambda added", 0.04, -0.5, 0.5, per_bank=True
    ),
    "sensor-stuck": FaultKind(
        "a lambda sensor holds one reading and calls itself ready", "", 1.0, 1.0, 1.0,
        per_bank=True,
    ),
    "sensor-unplugged": FaultKind(
        "a lambda sensor is not connected", "", 1.0, 1.0, 1.0, per_bank=True
    ),
    "sensors-swapped": FaultKind(
        "the sensors of the first two banks are exchanged", "", 1.0, 1.0, 1.0
    ),
    "map-offset": FaultKind(
        "the manifold pressure sensor reads off", "kPa added", 2.5, -30.0, 30.0
    ),
    "dead-time-wrong": FaultKind(
        "the injectors open later than the controller believes", "ms", 0.15, -1.0, 1.0
    ),
    "fuel-pressure-wrong": FaultKind(
        "fuel pressure is off", "times nominal", 0.85, 0.2, 2.0
    ),
    "intake-soaked": FaultKind(
        "the intake air sensor sits in hot metal", "degC added", 18.0, -60.0, 100.0
    ),
    "forgot-acceleration": FaultKind(
        "acceleration enrichment was left on", "", 1.0, 1.0, 1.0
    ),
    "forgot-closed-loop": FaultKind(
        "closed loop was left on", "", 1.0, 1.0, 1.0
    ),
    "forgot-adaptation": FaultKind(
        "closed loop and long-term adaptation were left on", "", 1.0, 1.0, 1.0
    ),
    "forgot-fuel-cut": FaultKind(
        "over-run fuel cut was left on", "", 1.0, 1.0, 1.0
    ),
    "forgot-target": FaultKind(
        "the target table was not set flat", "lambda from part to full load", 0.12, 0.0, 0.3
    ),
    "cable-noise": FaultKind(
        "bytes are flipped, dropped, inserted or repeated", "chance per byte", 3e-4, 0.0, 1.0,
        on_cable=True,
    ),
    "frames-lost": FaultKind(
        "whole frames are lost", "chance per frame", 0.02, 0.0, 1.0, on_cable=True
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One fault acting from start_s to stop_s of a run; made by `fault`, which checks."""

    name: str
    magnitude: float
    bank: int = 0
    start_s: float = 0.0
    stop_s: float = inf


def fault(
    name: str,
    magnitude: float | None = None,
    bank: int = 0,
    start_s: float = 0.0,
    stop_s: float = inf,
) -> Fault:
    """Return a fault by name, its magnitude the default when None.

    Raises ValueError for an unknown name or what is out of range, naming what is allowed.
    """
    kind = FAULTS.get(name)
    if kind is None:
        raise ValueError(f"there is no fault {name}; there are {', '.join(FAULTS)}")
    size = kind.default if magnitude is None else float(magnitude)
    if not (isfinite(size) and kind.low <= size <= kind.high):
        raise ValueError(
            f"fault {name}: magnitude must be {kind.low:g} to {kind.high:g} {kind.unit}".rstrip()
            + f", got {size:g}"
        )
    if bank < 0:
        raise ValueError(f"fault {name}: bank must be 0 or more, got {bank}")
    if not 0.0 <= start_s < stop_s:
        raise ValueError(f"fault {name}: start_s must be 0 or more and before stop_s")
    return Fault(name, size, bank, start_s, stop_s)


# -- what acts on the engine -----------------------------------------------------------------------


def _leak(engine: Engine, f: Fault, on: bool) -> None:
    engine.leak_share[f.bank] = f.magnitude if on else 0.0


def _misfire(engine: Engine, f: Fault, on: bool) -> None:
    cylinder = engine.parameters.cylinder_bank.index(f.bank)
    engine.misfire[cylinder] = f.magnitude if on else engine.parameters.misfire


def _slow(engine: Engine, f: Fault, on: bool) -> None:
    engine.sensors[f.bank].slow = f.magnitude if on else 1.0


def _biased(engine: Engine, f: Fault, on: bool) -> None:
    sensor = engine.sensors[f.bank]
    sensor.offset_lambda = sensor.parameters.offset_lambda + (f.magnitude if on else 0.0)


def _stuck(engine: Engine, f: Fault, on: bool) -> None:
    engine.sensors[f.bank].stuck = on


def _unplugged(engine: Engine, f: Fault, on: bool) -> None:
    engine.sensors[f.bank].unplugged = on


def _swapped(engine: Engine, f: Fault, on: bool) -> None:
    order = list(range(engine.parameters.banks))
    if on:
        order[0], order[1] = 1, 0
    engine.sensor_of_bank = order


def _map_offset(engine: Engine, f: Fault, on: bool) -> None:
    engine.map_offset_kpa = f.magnitude if on else 0.0


def _dead_time(engine: Engine, f: Fault, on: bool) -> None:
    engine.dead_time_error_ms = f.magnitude if on else 0.0


def _fuel_pressure(engine: Engine, f: Fault, on: bool) -> None:
    engine.fuel_pressure_ratio = f.magnitude if on else 1.0


def _soaked(engine: Engine, f: Fault, on: bool) -> None:
    engine.intake_offset_c = f.magnitude if on else 0.0


_ENGINE_FAULTS: dict[str, Callable[[Engine, Fault, bool], None]] = {
    "exhaust-leak": _leak,
    "misfire": _misfire,
    "sensor-slow": _slow,
    "sensor-biased": _biased,
    "sensor-stuck": _stuck,
    "sensor-unplugged": _unplugged,
    "sensors-swapped": _swapped,
    "map-offset": _map_offset,
    "dead-time-wrong": _dead_time,
    "fuel-pressure-wrong": _fuel_pressure,
    "intake-soaked": _soaked,
}

_FORGOTTEN: dict[str, dict[str, bool]] = {
    "forgot-acceleration": {"acceleration_enrichment": True, "deceleration_enleanment": True},
    "forgot-closed-loop": {"closed_loop": True},
    "forgot-adaptation": {"closed_loop": True, "long_term_adaptation": True},
    "forgot-fuel-cut": {"overrun_fuel_cut": True},
}


class FaultBox:
    """Switches the faults of one run on and off as its time passes; `clear` undoes them all.

    Faults of the cable are left to `Cable`. Raises ValueError when a bank does not exist.
    """

    def __init__(self, faults: Iterable[Fault], engine: Engine) -> None:
        self._engine = engine
        self._faults = [f for f in faults if not FAULTS[f.name].on_cable]
        self._on = [False] * len(self._faults)
        self._original = engine.controller.read_settings()
        banks = engine.parameters.banks
        for f in self._faults:
            if f.bank >= banks:
                raise ValueError(f"fault {f.name}: the engine has {banks} banks, got bank {f.bank}")
            if f.name == "sensors-swapped" and banks < 2:
                raise ValueError("fault sensors-swapped needs an engine with two banks")

    def update(self, time_s: float) -> None:
        """Switch what is due."""
        for k, f in enumerate(self._faults):
            due = f.start_s <= time_s < f.stop_s
            if due != self._on[k]:
                self._on[k] = due
                self._switch(f, due)

    def clear(self) -> None:
        """Switch everything off."""
        self.update(inf)

    def _switch(self, f: Fault, on: bool) -> None:
        acts = _ENGINE_FAULTS.get(f.name)
        if acts is not None:
            acts(self._engine, f, on)
            return
        # The set-up: always built from the original and whatever is now forgotten.
        settings = self._original
        for k, other in enumerate(self._faults):
            if not self._on[k]:
                continue
            if other.name == "forgot-target":
                settings = settings.changed(target_lambda=self._sloped_target(other.magnitude))
            else:
                settings = settings.changed(**_FORGOTTEN.get(other.name, {}))
        self._engine.controller.write_settings(settings)

    def _sloped_target(self, span: float) -> tuple[float, ...]:
        axes = self._engine.controller.axes
        low, high = axes.load_kpa[0], axes.load_kpa[-1]
        return tuple(
            1.0 - span * (p - low) / (high - low) for p in axes.load_kpa for _ in axes.speed_rpm
        )


class Cable:
    """A bad cable: carries frames and damages them as its faults say.

    faults: those of other kinds are ignored. Repeatable from the seed.
    """

    def __init__(self, faults: Iterable[Fault] = (), seed: int = 0) -> None:
        self._faults = [f for f in faults if FAULTS[f.name].on_cable]
        self._rng = random.Random(f"cable {seed}")
        self.frames_lost = 0
        self.bytes_damaged = 0

    def carry(self, frame: bytes, time_s: float) -> bytes:
        """Return what arrives of a frame sent at a time of the run; may be empty."""
        for f in self._faults:
            if not f.start_s <= time_s < f.stop_s:
                continue
            if f.name == "frames-lost":
                if self._rng.random() < f.magnitude:
                    self.frames_lost += 1
                    return b""
            else:
                frame = self._damage(frame, f.magnitude)
        return frame

    def _damage(self, frame: bytes, chance: float) -> bytes:
        rng = self._rng
        if rng.random() >= 1.0 - (1.0 - chance) ** len(frame):
            return frame
        arrived = bytearray()
        # At least one byte suffers, the others with their own chance.
        surely = rng.randrange(len(frame))
        for k, byte in enumerate(frame):
            if k != surely and rng.random() >= chance:
                arrived.append(byte)
                continue
            self.bytes_damaged += 1
            what = rng.randrange(4)
            if what == 0:
                arrived.append(byte ^ (1 << rng.randrange(8)))
            elif what == 1:
                arrived += bytes((byte, byte))
            elif what == 2:
                arrived += bytes((byte, rng.randrange(256)))
        return bytes(arrived)
