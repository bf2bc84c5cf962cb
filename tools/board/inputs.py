# Board-safe: runs on CPython and MicroPython alike.
"""A board's own inputs as samples: volts and tooth times in, values with units out.

Where the volts come from is the hardware layer's affair (`tools/board/hardware.py`): it hands in
one callable per input. An input that is not wired, or reads outside its range, gives NaN.
"""

from protocol.codes import SENSOR_FAULT, SENSOR_READY
from protocol.sample import NAN, Sample


class Line:
    """A straight line through two calibration points: (volts, value) each.

    Beyond the points it goes on by `over` of their distance, and gives NaN after that: a broken
    wire is no measurement.
    """

    def __init__(self, first, second, over: float = 0.02) -> None:  # type: ignore[no-untyped-def]
        if first[0] == second[0]:
            raise ValueError("two calibration points need different volts")
        if first[0] > second[0]:
            first, second = second, first
        self._volts = first[0]
        self._value = first[1]
        self._slope = (second[1] - first[1]) / (second[0] - first[0])
        reach = over * (second[0] - first[0])
        self._low = first[0] - reach
        self._high = second[0] + reach

    def value(self, volts: float) -> float:
        """The value at a voltage."""
        if not self._low <= volts <= self._high:
            return NAN
        return self._value + self._slope * (volts - self._volts)


class Points:
    """A curve through calibration points [(volts, value), ...], straight in between: thermistors.

    Outside the points: NaN.
    """

    def __init__(self, points) -> None:  # type: ignore[no-untyped-def]
        self._points = sorted(points)
        if len(self._points) < 2:
            raise ValueError("a curve needs two points or more")

    def value(self, volts: float) -> float:
        """The value at a voltage."""
        points = self._points
        for k in range(1, len(points)):
            if points[k - 1][0] <= volts <= points[k][0]:
                share = (volts - points[k - 1][0]) / (points[k][0] - points[k - 1][0])
                return points[k - 1][1] + share * (points[k][1] - points[k - 1][1])
        return NAN


class ToothWheel:
    """Engine speed from the times of a wheel's teeth. teeth: that pass in one crank revolution.

    `tooth` is called at every tooth (from an interrupt: it allocates nothing). Speed is that of the
    last whole revolution; 0 when no tooth came for `still_us`.
    """

    def __init__(self, teeth: int, still_us: int = 500_000) -> None:
        self.teeth = teeth
        self.still_us = still_us
        self.count = 0
        self.turn_us = 0
        self.turn_start_us = 0
        self.last_us = 0

    def tooth(self, now_us: int) -> None:
        """A tooth has passed."""
        self.last_us = now_us
        if self.count == 0:
            self.turn_start_us = now_us
        self.count += 1
        if self.count > self.teeth:
            self.turn_us = now_us - self.turn_start_us
            self.turn_start_us = now_us
            self.count = 1

    def speed_rpm(self, now_us: int) -> float:
        """Speed now; NaN before the first whole revolution."""
        if now_us - self.last_us > self.still_us:
            self.count = 0
            self.turn_us = 0
            return 0.0
        return 60e6 / self.turn_us if self.turn_us > 0 else NAN


class Inputs:
    """Fills samples from a board's own inputs.

    read: volts of each input by name of a Sample's attribute, "measured_lambda_0" and so on for
    the banks; scale: a Line or Points for each of these names. target_lambda: the flat target
    that the controller has been set to, which no input shows.
    """

    def __init__(self, wheel, read, scale, banks: int, target_lambda: float) -> None:  # type: ignore[no-untyped-def]
        for name in read:
            if name not in scale:
                raise ValueError("input %s has no calibration" % name)
        self._wheel = wheel
        self._read = read
        self._scale = scale
        self.sample = Sample(banks)
        self.sample.target_lambda = target_lambda

    def take(self, now_us: int) -> Sample:
        """Read everything now; the sample is one and the same object each time."""
        sample = self.sample
        sample.time_us = now_us
        sample.speed_rpm = self._wheel.speed_rpm(now_us)
        for name in ("map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v"):
            setattr(sample, name, self._value(name))
        for bank in range(sample.banks):
            value = self._value("measured_lambda_%d" % bank)
            sample.measured_lambda[bank] = value
            sample.sensor_state[bank] = SENSOR_READY if value == value else SENSOR_FAULT
        return sample

    def _value(self, name: str) -> float:
        if name not in self._read:
            return NAN
        value: float = self._scale[name].value(self._read[name]())
        return value
