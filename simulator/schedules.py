"""Published vehicle-speed schedules, and the rider that follows one.

The European schedule of UN Regulation No. 83 is written here as breakpoints; the WLTC classes come
from the package wltp where that is installed. The vehicle is the bench's: road load from mass, drag
and rolling resistance, gears changed at stated speeds (see `parameters.Vehicle` and `rider`).
"""

import itertools
from bisect import bisect_right
from collections.abc import Sequence
from importlib import import_module

from breathmap.simulator.engine import Engine
from breathmap.simulator.rider import Rider


class SpeedSchedule:
    """A vehicle-speed schedule: breakpoints in s and km/h, straight lines between them.

    The rider follows it; gears change at up_rpm and down_rpm.
    """

    def __init__(
        self,
        times_s: Sequence[float],
        speeds_kmh: Sequence[float],
        up_rpm: float = 4200.0,
        down_rpm: float = 1900.0,
    ) -> None:
        if len(times_s) != len(speeds_kmh) or len(times_s) < 2:
            raise ValueError("a schedule needs as many times as speeds, at least 2")
        if any(b <= a for a, b in itertools.pairwise(times_s)) or times_s[0] != 0:
            raise ValueError("times_s must start at 0 and ascend strictly")
        self.times_s = tuple(float(t) for t in times_s)
        self.speeds_kmh = tuple(float(v) for v in speeds_kmh)
        self.duration_s = self.times_s[-1]
        self._gears = (up_rpm, down_rpm)
        self._rider = Rider(up_rpm, down_rpm)

    def speed_kmh(self, time_s: float) -> float:
        """Return the scheduled speed."""
        times, speeds = self.times_s, self.speeds_kmh
        k = min(max(bisect_right(times, time_s) - 1, 0), len(times) - 2)
        part = min((time_s - times[k]) / (times[k + 1] - times[k]), 1.0)
        return speeds[k] + part * (speeds[k + 1] - speeds[k])

    def distance_m(self) -> float:
        """Return the scheduled distance."""
        corners = itertools.pairwise(zip(self.times_s, self.speeds_kmh, strict=True))
        return sum((t1 - t0) * (v0 + v1) / 7.2 for (t0, v0), (t1, v1) in corners)

    def start(self, engine: Engine) -> None:
        """Leave the brake; start from whatever speed the vehicle has."""
        engine.command.imposed_rpm = 0.0
        engine.command.ignition = True
        self._rider = Rider(*self._gears)

    def step(self, time_s: float, interval_s: float, engine: Engine) -> None:
        """Follow, looking half a second ahead as a person does."""
        now = self.speed_kmh(time_s) / 3.6
        ahead = self.speed_kmh(min(time_s + 0.5, self.duration_s)) / 3.6
        self._rider.follow(engine, now, (ahead - now) / 0.5, interval_s)


# UN Regulation No. 83, Type I test: one elementary urban cycle (195 s) and the extra-urban cycle
# (400 s), as breakpoints. Written from memory of the regulation's tables of operations; a test
# holds them to an independent copy and to the published lengths and distances.
_URBAN_S = (
    0, 11, 15, 23, 25, 28, 49, 54, 56, 61, 85, 93, 96, 117,
    122, 124, 133, 135, 143, 155, 163, 176, 178, 185, 188, 195,
)  # fmt: skip
_URBAN_KMH = (
    0, 0, 15, 15, 10, 0, 0, 15, 15, 32, 32, 10, 0, 0,
    15, 15, 35, 35, 50, 50, 35, 35, 32, 10, 0, 0,
)  # fmt: skip
_EXTRA_URBAN_S = (
    0, 20, 25, 27, 36, 38, 46, 48, 61, 111, 119, 188, 201, 251, 286, 316, 336, 346, 362, 370,
    380, 400,
)  # fmt: skip
_EXTRA_URBAN_KMH = (
    0, 0, 15, 15, 35, 35, 50, 50, 70, 70, 50, 50, 70, 70, 100, 100, 120, 120, 80, 50,
    0, 0,
)  # fmt: skip


def european_schedule() -> SpeedSchedule:
    """Return the 1,180 s schedule of UN Regulation No. 83: four urban cycles and one extra-urban.

    The bench's light vehicle changes gear early, to load the engine as the schedule would a car.
    """
    times = [195.0 * k + t for k in range(4) for t in _URBAN_S[:-1]]
    speeds = [v for _ in range(4) for v in _URBAN_KMH[:-1]]
    times += [780.0 + t for t in _EXTRA_URBAN_S]
    speeds += list(_EXTRA_URBAN_KMH)
    return SpeedSchedule(times, speeds, up_rpm=3000.0, down_rpm=1500.0)


WLTC = {
    "wltc-1": ("class1", "class_data"),
    "wltc-2": ("class2", "class_data"),
    "wltc-3a": ("class3", "class_data_a"),
    "wltc-3b": ("class3", "class_data_b"),
}


def schedule(name: str) -> SpeedSchedule:
    """Return a published schedule by name: "european", or a WLTC class (needs the wltp package).

    Raises ValueError for an unknown name, and when the package is missing.
    """
    if name == "european":
        return european_schedule()
    if name not in WLTC:
        raise ValueError(f"schedule must be european, {', '.join(WLTC)}, got {name}")
    module, function = WLTC[name]
    try:
        data = getattr(import_module(f"wltp.cycles.{module}"), function)()
    except ImportError:
        raise ValueError(
            f"schedule {name} needs the package wltp: pip install --no-deps wltp==0.1.2a0"
        ) from None
    return SpeedSchedule(range(len(data["cycle"])), data["cycle"])
