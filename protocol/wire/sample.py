# Board-safe: runs on CPython and MicroPython alike.
"""The sample as the learner sees it, how it is filled, and the device clock made continuous.

A Sample is mutable on purpose: a board decodes into one object again and again.
"""

from breathmap.protocol.wire.codes import MAX_BANKS, SENSOR_ABSENT

NAN = float("nan")


class Sample:
    """One time-aligned set of measurements; attributes are named as in the field table.

    time_us: device time, microseconds, never wrapping (see ClockUnwrapper).
    lost_before: frames known to be lost between the previous sample and this one.
    A measurement that was not sent is NaN. Per-bank values are lists of length `banks` or longer.
    """

    def __init__(self, banks: int = 1) -> None:
        if not 1 <= banks <= MAX_BANKS:
            raise ValueError("banks must be 1 to %d, got %d" % (MAX_BANKS, banks))
        self.time_us: int = 0
        self.lost_before: int = 0
        self.flags: int = 0
        self.speed_rpm: float = NAN
        self.map_kpa: float = NAN
        self.throttle_pct: float = NAN
        self.coolant_c: float = NAN
        self.intake_c: float = NAN
        self.battery_v: float = NAN
        self.pulse_width_ms: float = NAN
        self.target_lambda: float = NAN
        self.banks: int = banks
        self.measured_lambda: "list[float]" = [NAN] * banks
        self.fuel_multiplier: "list[float]" = [1.0] * banks
        self.sensor_state: "list[int]" = [SENSOR_ABSENT] * banks


def fill_sample(payload: bytes, sample: Sample, fixed: tuple, each: tuple) -> None:  # type: ignore[type-arg]
    """Fill every measured attribute of a sample from a payload that fits a sample frame; its times
    stay.

    fixed, each: of the fields of the fixed part and of one bank what the field table says (name,
    counts a unit, lowest raw, highest raw, may it be missing, bytes), so that a board needs no
    table. Byte by byte, so that nothing is allocated but the values that are floats. Per-bank lists
    grow when they are too short.
    """
    at = 0
    for entry in fixed:
        setattr(sample, entry[0], _value(payload, at, entry))
        at += entry[5]
    for bank in range(sample.banks):
        for entry in each:
            values = getattr(sample, entry[0])
            value = _value(payload, at, entry)
            at += entry[5]
            if bank < len(values):
                values[bank] = value
            else:
                values.append(value)


def _value(payload: bytes, at: int, entry: tuple):  # type: ignore[no-untyped-def, type-arg]
    _, per_unit, low, high, measured, size = entry
    raw = payload[at]
    if size == 2:
        raw |= payload[at + 1] << 8
        if low < 0 and raw & 0x8000:
            raw -= 0x10000
    if not measured:
        return raw
    return raw / per_unit if low <= raw <= high else NAN


class ClockUnwrapper:
    """Turns the 32-bit microsecond device clock, which wraps every 71.6 minutes, into one that
    never does. A step back of less than half the range is taken as a restart of the device."""

    def __init__(self) -> None:
        self.time_us: int = 0
        self._last: int = -1

    def unwrap(self, device_us: int) -> int:
        """Return continuous time in microseconds, never less than the previous call's."""
        if self._last >= 0:
            step = (device_us - self._last) & 0xFFFFFFFF
            if step < 0x80000000:
                self.time_us += step
        else:
            self.time_us = device_us
        self._last = device_us
        return self.time_us
