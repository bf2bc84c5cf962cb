"""Times of day in a log, as seconds: `13:05:07.250`, `1:05:07 pm`, or either behind a date.

Only differences count, so the date is read over: a clock that has gone back by most of a day has
passed midnight.
"""

import math
import re

DAY_S = 86_400.0
HOUR_S = 3_600.0
_CLOCK = re.compile(
    r"(?<![\d:])(\d{1,3}):(\d{2})(?::(\d{2}))?(?:[.,](\d{1,9}))?\s*(?:([ap])\.?m\b\.?)?", re.I
)


def clock_s(text: str) -> float:
    """Return the seconds of the last clock time in a text, NaN where it holds none.

    Two numbers are minutes and seconds, but hours and minutes behind a date.
    """
    found = list(_CLOCK.finditer(text))
    if not found:
        return math.nan
    first, second, third, fraction, half = found[-1].groups()
    value = float(f"0.{fraction}") if fraction else 0.0
    if third is not None or half or (fraction is None and re.search(r"\d[-/.]\d", text)):
        hours = int(first)
        if half:
            hours = hours % 12 + (12 if half in "pP" else 0)
        return value + HOUR_S * hours + 60.0 * int(second) + int(third or 0)
    return value + 60.0 * int(first) + int(second)


class ClockReader:
    """Makes clock times that never go back over midnight; those that go back for another reason
    stay as they are."""

    def __init__(self) -> None:
        self._last = math.nan
        self._days = 0.0

    def seconds(self, text: str) -> float:
        """Return the time of one row after another, s; NaN where a cell holds no clock time."""
        value = clock_s(text)
        if value != value:
            return value
        if self._last - value > DAY_S / 2:
            self._days += DAY_S
        self._last = value
        return value + self._days
