"""A board's own inputs as samples: volts and tooth times in, values with units out.

`Inputs` is handed one callable per input; `InputSource` makes them of a microcontroller's pins.
An input that is not wired, or reads outside its range, gives NaN.
"""

import time

from breathmap.protocol.wire.codes import SENSOR_FAULT, SENSOR_READY
from breathmap.protocol.wire.sample import NAN, Sample
from breathmap.tools.board import wire


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
        return self._value + self._slope * (volts - self._volts)  # type: ignore[no-any-return]


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
                low, high = points[k - 1][1], points[k][1]
                return low + share * (high - low)  # type: ignore[no-any-return]
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


class InputSource:
    """Samples from the board's own inputs, at the engine file's rate.

    settings: {"target_lambda": 0.9, "full_scale_v": 3.3, "wheel": {"pin": 15, "teeth": 35},
    "map_kpa": {"pin": 26, "ratio": 0.66, "points": [[0.5, 20], [4.5, 115]]}, ...}; ratio: of the
    divider before the pin; two points make a line, more a curve.
    """

    def __init__(self, settings, banks: int, rate_hz: float) -> None:  # type: ignore[no-untyped-def]
        from machine import ADC, Pin

        step_v = settings.get("full_scale_v", 3.3) / 65535
        read = {}
        scale = {}
        for name in settings:
            part = settings[name]
            if isinstance(part, dict) and "points" in part:
                read[name] = self._volts(ADC(Pin(part["pin"])), step_v / part.get("ratio", 1.0))
                points = part["points"]
                scale[name] = Line(*points) if len(points) == 2 else Points(points)
        wheel = ToothWheel(settings["wheel"]["teeth"])
        Pin(settings["wheel"]["pin"], Pin.IN).irq(
            lambda pin: wheel.tooth(time.ticks_us()), Pin.IRQ_RISING
        )
        self._inputs = Inputs(wheel, read, scale, banks, settings["target_lambda"])
        self._every_us = int(1e6 / rate_hz)
        self._next_us = time.ticks_us()
        self._time_us = 0
        self.ended = False

    def _volts(self, adc, factor: float):  # type: ignore[no-untyped-def]
        return lambda: adc.read_u16() * factor

    def step(self, app) -> bool:  # type: ignore[no-untyped-def]
        """Take a sample when one is due."""
        if time.ticks_diff(time.ticks_us(), self._next_us) < 0:
            return False
        self._next_us = time.ticks_add(self._next_us, self._every_us)
        self._time_us += self._every_us
        sample = self._inputs.take(time.ticks_us())
        sample.time_us = self._time_us
        app.take(sample, wire.encode_sample(sample))
        return True
