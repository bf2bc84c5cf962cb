"""Drives: what is asked of the engine over time. Brake sweeps, road riding, published schedules,
idle, altitude and hot soak; they can be chained.

A drive has `duration_s`, `start(engine)` and `step(time_s, interval_s, engine)`, which writes into
`engine.command`; time counts from the drive's own start. One drive object serves one run at a time.
"""

import random
from collections.abc import Sequence
from math import isfinite, sin
from typing import Protocol

from breathmap.simulator.engine import Engine
from breathmap.simulator.noise import TURN
from breathmap.simulator.physics import held
from breathmap.simulator.rider import BrakeHand, Rider
from breathmap.simulator.schedules import WLTC, SpeedSchedule, european_schedule, schedule

__all__ = [
    "WLTC",
    "Altitude",
    "BrakeSweep",
    "Chain",
    "Drive",
    "HotSoak",
    "Idle",
    "RoadRide",
    "SpeedSchedule",
    "barometer_kpa",
    "european_schedule",
    "schedule",
]


class Drive(Protocol):
    """What `simulate` needs of a drive."""

    duration_s: float

    def start(self, engine: Engine) -> None:
        """Take over an engine as the drive before (or the start of the run) left it."""
        ...

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Write into `engine.command` what is wanted at `time_s` since the start."""
        ...


def _duration(seconds: float) -> float:
    if not (isfinite(seconds) and seconds > 0):
        raise ValueError(f"duration must be above 0 s, got {seconds}")
    return float(seconds)


class Idle:
    """The engine idles in neutral, throttle closed."""

    def __init__(self, duration_s: float = 30.0) -> None:
        self.duration_s = _duration(duration_s)

    def start(self, engine: Engine) -> None:
        """Leave gear and brake."""
        command = engine.command
        command.gear, command.clutch, command.imposed_rpm = 0, 0.0, 0.0
        command.wheel_brake_n = 400.0
        command.ignition = True

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Let the throttle close."""
        engine.command.throttle_pct = max(0.0, engine.command.throttle_pct - 100.0 * interval_s)


class HotSoak:
    """The engine is switched off hot, stands, and is started again to idle."""

    def __init__(self, off_s: float = 240.0, idle_s: float = 60.0) -> None:
        self._off_s = _duration(off_s)
        self.duration_s = off_s + _duration(idle_s)

    def start(self, engine: Engine) -> None:
        """Leave gear and brake, switch off."""
        Idle().start(engine)
        engine.command.ignition = False
        engine.command.throttle_pct = 0.0

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Switch on again when the soak is over."""
        engine.command.ignition = time_s >= self._off_s
        engine.command.throttle_pct = 0.0


class BrakeSweep:
    """An engine brake holds speed, the operator holds manifold pressure, point by point.

    Every speed in turn; loads up, then at the next speed down. mode "step": hold each point for
    hold_s; "ramp": move to the next point over hold_s. Loads out of reach end at full throttle.
    """

    def __init__(
        self,
        speeds_rpm: Sequence[float] = (
            1300, 1700, 2100, 2500, 2900, 3400, 3900, 4500, 5200, 6000, 6700,
        ),
        loads_kpa: Sequence[float] = (30, 37, 44, 52, 61, 72, 84, 96),
        hold_s: float = 5.0,
        mode: str = "step",
    ) -> None:  # fmt: skip
        if mode not in ("step", "ramp"):
            raise ValueError(f"mode must be step or ramp, got {mode}")
        if not speeds_rpm or not loads_kpa or min(*speeds_rpm, *loads_kpa) <= 0:
            raise ValueError("a brake sweep needs speeds and loads above 0")
        self._hold_s = _duration(hold_s)
        self._mode = mode
        self.points = [
            (float(n), float(p))
            for k, n in enumerate(speeds_rpm)
            for p in (loads_kpa if k % 2 == 0 else list(loads_kpa)[::-1])
        ]
        self.duration_s = self._hold_s * len(self.points)
        self._hand = BrakeHand()

    def start(self, engine: Engine) -> None:
        """Couple the brake."""
        command = engine.command
        command.gear, command.clutch, command.ignition = 0, 0.0, True
        command.imposed_rpm = self.points[0][0]
        self._hand = BrakeHand()

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Ask for the point of this moment."""
        place = time_s / self._hold_s
        k = min(int(place), len(self.points) - 1)
        speed, load = self.points[k]
        if self._mode == "ramp" and k + 1 < len(self.points):
            part = place - k
            speed += part * (self.points[k + 1][0] - speed)
            load += part * (self.points[k + 1][1] - load)
        engine.command.imposed_rpm = speed
        self._hand.hold(engine, load, interval_s)


# What a road asks: share of time, cruising speed km/h, chance of a stop after a stretch.
_ROADS = (
    (0.30, 25.0, 65.0, 0.30),
    (0.45, 55.0, 105.0, 0.06),
    (0.25, 90.0, 135.0, 0.0),
)


HARDEST_BRAKING_M_S2 = -2.2


class RoadRide:
    """A rider on the road: stretches of town, country and fast road with hills, stops, brisk and
    lazy accelerations, gears held high and low. Seeded; endless variety, repeatable.
    """

    def __init__(self, duration_s: float = 1800.0, seed: int = 0) -> None:
        self.duration_s = _duration(duration_s)
        self._seed = seed
        self._begin()

    def _begin(self) -> None:
        self._rng = random.Random(f"road {self._seed}")
        self._rider = Rider()
        self._target_m_s = 0.0
        self._rate_m_s2 = 0.0
        self._cruise_m_s = 0.0
        self._grade = 0.0
        self._wanted_grade = 0.0
        self._left_s = 3.0
        self._briskness = 1.0
        self._stopping = True
        self._sway = (0.0, 10.0, 0.0)

    def start(self, engine: Engine) -> None:
        """Leave the brake, sit on the vehicle."""
        self._begin()
        self._target_m_s = engine.vehicle_m_s
        command = engine.command
        command.imposed_rpm, command.ignition, command.grade = 0.0, True, 0.0

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Move the wanted speed and the road; let the rider follow."""
        self._left_s -= interval_s
        if self._left_s <= 0.0:
            self._next_stretch()
        self._grade += (self._wanted_grade - self._grade) * interval_s / 4.0
        moving = engine.vehicle_m_s > 2.0
        engine.command.grade = self._grade if moving else 0.0
        size, period_s, phase = self._sway
        goal = self._cruise_m_s * (1.0 + size * sin(TURN * time_s / period_s + phase))
        wanted = (goal - self._target_m_s) / 1.5
        rate = held(wanted, HARDEST_BRAKING_M_S2, self._briskness)
        # Nobody changes acceleration at once.
        now = self._rate_m_s2
        self._rate_m_s2 = now = now + (rate - now) * min(1.0, interval_s / 0.4)
        target = self._target_m_s + now * interval_s
        # A rider gives up on a speed the hill will not allow.
        self._target_m_s = target = held(target, 0.0, engine.vehicle_m_s + 4.0)
        self._rider.follow(engine, target, now, interval_s)

    def _next_stretch(self) -> None:
        rng = self._rng
        _, low, high, stop = rng.choices(_ROADS, weights=[r[0] for r in _ROADS])[0]
        if not self._stopping and rng.random() < stop:
            self._stopping = True
            self._cruise_m_s = 0.0
            self._left_s = self._target_m_s / 2.0 + rng.uniform(3.0, 12.0)
            return
        self._stopping = False
        self._cruise_m_s = rng.uniform(low, high) / 3.6
        self._left_s = rng.uniform(7.0, 30.0)
        self._briskness = rng.choice((0.7, 1.2, 1.8, 2.6, 4.5))
        self._wanted_grade = min(max(rng.gauss(0.0, 0.035), -0.08), 0.09)
        self._sway = (rng.uniform(0.0, 0.06), rng.uniform(5.0, 16.0), rng.uniform(0.0, 6.0))
        rider = self._rider
        rider.up_rpm = rng.choice((2600.0, 3300.0, 4200.0, 5200.0, 5900.0, 6500.0))
        rider.down_rpm = min(rng.choice((1400.0, 1900.0, 2700.0, 3800.0)), 0.6 * rider.up_rpm)
        rider.hand_pct_per_s = rng.choice((60.0, 120.0, 250.0))
        rider.maximum_throttle_pct = rng.choice((22.0, 30.0, 45.0, 100.0))


class Altitude:
    """Another drive while the road climbs from one altitude to another and back.

    Pressure and temperature follow the standard atmosphere of ISO 2533.
    """

    def __init__(self, drive: Drive, top_m: float = 2000.0, sea_level_c: float = 20.0) -> None:
        if not -500.0 <= top_m <= 6000.0:
            raise ValueError(f"top_m must be -500 to 6000, got {top_m}")
        self._drive = drive
        self._top_m = top_m
        self._sea_level_c = sea_level_c
        self.duration_s = drive.duration_s

    def start(self, engine: Engine) -> None:
        """Start the drive below."""
        self._drive.start(engine)

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Set the weather of this altitude, then drive."""
        part = 1.0 - abs(2.0 * time_s / self.duration_s - 1.0)
        height = self._top_m * part
        engine.command.barometer_kpa = barometer_kpa(height)
        engine.command.ambient_c = self._sea_level_c - 0.0065 * height
        self._drive.step(time_s, interval_s, engine)


def barometer_kpa(altitude_m: float) -> float:
    """Return the standard atmosphere's pressure, kPa: 101.325·(T/288.15)^5.25588 (ISO 2533)."""
    return float(101.325 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588)


class Chain:
    """Drives one after another, the engine running on between them."""

    def __init__(self, *drives: Drive) -> None:
        if not drives:
            raise ValueError("a chain needs at least one drive")
        self._drives = drives
        self.duration_s = sum(d.duration_s for d in drives)
        self._at = 0
        self._since_s = 0.0

    def start(self, engine: Engine) -> None:
        """Start the first."""
        self._at, self._since_s = 0, 0.0
        self._drives[0].start(engine)

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Step the one whose turn it is."""
        while (
            self._at + 1 < len(self._drives)
            and time_s - self._since_s >= self._drives[self._at].duration_s
        ):
            self._since_s += self._drives[self._at].duration_s
            self._at += 1
            self._drives[self._at].start(engine)
        self._drives[self._at].step(time_s - self._since_s, interval_s, engine)
