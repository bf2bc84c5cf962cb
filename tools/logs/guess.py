"""Which column of a log is what, in which unit, why, and how sure that is.

A guess is sure when the heading's words, its unit and the values agree; likely when two of them do
and nothing speaks against it; doubtful otherwise. Values decide where a unit is not told.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from breathmap.learner.words.clock import clock_s
from breathmap.learner.words.csv_text import number_of
from breathmap.learner.words.log import FLAGS, HEADER_WITHIN_LINES
from breathmap.learner.words.log_look import AMBIENT_KPA, cause_of
from breathmap.learner.words.log_rows import Rows
from breathmap.tools.logs.words import (
    GAUGE_WORDS,
    OTHER_WORDS,
    UNITS,
    Unit,
    met,
    plain,
    quantity_of,
    side_of,
    unit_in,
    unit_named,
)

Array = npt.NDArray[np.float64]
SURE, LIKELY, DOUBTFUL = "sure", "likely", "doubtful"
ROWS_LOOKED_AT = 20_000
# Between which the middle of a running engine's values lies, and their high end above the third.
WINDOWS = {
    "speed_rpm": (400.0, 16000.0, 300.0),
    "map_kpa": (12.0, 320.0, 33.0),
    "throttle_pct": (-2.0, 101.0, 1.02),
    "coolant_c": (-30.0, 130.0, -30.0),
    "intake_c": (-40.0, 90.0, -40.0),
    "battery_v": (9.0, 60.0, 9.0),
    "measured_lambda": (0.55, 2.5, 0.6),
    "target_lambda": (0.55, 1.6, 0.6),
    "fuel_multiplier": (0.6, 1.5, 0.7),
}


@dataclass(frozen=True)
class LogColumn:
    """A column: where, its heading, which of that heading (None where it stands once), the unit
    that a row of units tells, its values and the share of them that are numbers."""

    place: int
    heading: str
    nth: int | None
    unit: str
    values: Array = field(repr=False)
    numbers: float
    clocks: float

    @property
    def name(self) -> str:
        """What a person calls it."""
        return self.heading if self.nth is None else f"{self.heading} #{self.nth}"


@dataclass(frozen=True)
class Guess:
    """What a column is. key: as in the [log] part, of a bank `measured_lambda`. unit: as it was
    understood. reason: why."""

    key: str
    column: LogColumn
    unit: Unit
    sure: str
    reason: str

    @property
    def values(self) -> Array:
        """The column's values, in the unit that is meant; of AFR as they stand."""
        return self.column.values * self.unit.scale + self.unit.offset

    def entry(self) -> dict[str, Any]:
        """Return its part of a [log] part."""
        found: dict[str, Any] = {"column": self.column.heading}
        if self.column.nth is not None:
            found["nth"] = self.column.nth
        if self.unit.scale != 1.0 and self.key != "time":
            found["scale"] = float(f"{self.unit.scale:.7g}")
        if self.unit.offset and self.key != "time":
            found["offset"] = float(f"{self.unit.offset:.7g}")
        if self.unit.log:
            found["unit"] = self.unit.log
        return found


def columns_of(rows: Rows) -> list[LogColumn]:
    """Return a log's columns; none where no row of headings stands above numbers."""
    head = list(islice(rows.rows(0, HEADER_WITHIN_LINES + 3), HEADER_WITHIN_LINES + 3))
    place = _header(head, rows.separator)
    if place is None:
        return []
    headings = [str(cell) for cell in head[place][1]]
    first = next(k for k in range(place + 1, len(head)) if _is_data(head[k][1], rows.separator))
    between = [row for _, row in head[place + 1 : first]]
    units = list(rows.units) or [str(cell) for row in between[:1] for cell in row]
    body = [row for _, row in islice(rows.rows(head[first - 1][0]), ROWS_LOOKED_AT)]
    return [
        _column(k, headings, units, [row[k] if k < len(row) else "" for row in body], rows)
        for k, heading in enumerate(headings)
        if heading
    ]


def _header(head: Sequence[tuple[int, list[Any]]], separator: str) -> int | None:
    """Return which of the first rows holds the headings: of those above the numbers the one that
    names most quantities, the first of several."""
    first = next((k for k, (_, row) in enumerate(head) if _is_data(row, separator)), None)
    if not first:
        return None
    width = len(head[first][1])
    above = [k for k in range(first) if sum(bool(cell) for cell in head[k][1]) > width // 2]
    if not above:
        return None
    return max(above, key=lambda k: len({quantity_of(str(c))[0] for c in head[k][1]}))


def _is_data(row: Sequence[Any], separator: str) -> bool:
    filled = [cell for cell in row if cell != ""]
    numbers = sum(
        isinstance(cell, float)
        or number_of(cell, separator) == number_of(cell, separator)
        or clock_s(cell) == clock_s(cell)
        for cell in filled
    )
    return len(filled) > 1 and numbers > len(filled) / 2


def _column(
    place: int, headings: list[str], units: list[str], cells: list[Any], rows: Rows
) -> LogColumn:
    heading = headings[place]
    nth = headings[: place + 1].count(heading) if headings.count(heading) > 1 else None
    values = np.array(
        [cell if isinstance(cell, float) else number_of(cell, rows.separator) for cell in cells]
    )
    filled = max(sum(cell != "" for cell in cells), 1)
    clocks = sum(clock_s(str(c)) == clock_s(str(c)) for c in cells[:200] if c != "")
    unit = units[place] if place < len(units) else ""
    known = int(np.isfinite(values).sum())
    return LogColumn(place, heading, nth, unit, values, known / filled, clocks / min(filled, 200))


def guesses(columns: Sequence[LogColumn]) -> dict[str, list[Guess]]:
    """Return for each quantity the columns that may be it, the surest first."""
    found: dict[str, list[Guess]] = {}
    for column in columns:
        key, words = quantity_of(column.heading)
        if not key and _turns(column):
            key, words = "speed_rpm", "rpm"
        if key and (guess := guess_of(column, key, words)) is not None:
            found.setdefault(key, []).append(guess)
    order = (SURE, LIKELY, DOUBTFUL)
    for several in found.values():
        several.sort(key=lambda guess: order.index(guess.sure))
    return found


def _turns(column: LogColumn) -> bool:
    """True for a column whose unit alone says that something turns, and nothing that it is not the
    engine."""
    stated = unit_named(column.unit, "speed_rpm") or unit_in(column.heading, "speed_rpm")
    return stated is not None and not met(plain(column.heading), OTHER_WORDS["speed_rpm"])


def guess_of(column: LogColumn, key: str, words: str) -> Guess | None:
    """Return what a column is, taken for a quantity; None where it cannot be. words: what in its
    heading says so, "" where a person does."""
    said = f"“{words}” in the heading" if words else "as you said"
    if key in FLAGS:
        return Guess(key, column, Unit(""), LIKELY if words else SURE, said)
    if key == "time":
        return _time(column, said)
    if column.numbers < 0.5 or not np.isfinite(column.values).any():
        return None
    stated = unit_named(column.unit, key) or unit_in(column.heading, key)
    fitting = [unit for unit in UNITS[key] if not against(key, column, unit)]
    if stated is None and key == "map_kpa":
        fitting = [unit for unit in fitting if _is_usual(column, unit)] or fitting
    if stated is not None and stated in fitting:
        return Guess(key, column, _absolute(key, column, stated), SURE, _why(said, stated, column))
    if stated is not None:
        return _contradicted(key, column, stated, fitting, said)
    if not fitting:
        why = against(key, column, UNITS[key][0])
        return Guess(key, column, UNITS[key][0], DOUBTFUL, f"{said}, but {why}")
    unit = _absolute(key, column, fitting[0])
    is_clear = len(fitting) == 1 or (fitting[0].scale == fitting[1].scale)
    return Guess(
        key, column, unit, LIKELY if is_clear else DOUBTFUL,
        f"{said}; no unit is told, {_range(column)} fits {' or '.join(u.name for u in fitting)}",
    )  # fmt: skip


def _is_usual(column: LogColumn, unit: Unit) -> bool:
    """True where a pressure goes below the outside's now and then, as on every road."""
    low = float(np.nanpercentile(column.values, 5))
    return low * unit.scale + _absolute("map_kpa", column, unit).offset < 0.95 * AMBIENT_KPA


def _contradicted(
    key: str, column: LogColumn, stated: Unit, fitting: list[Unit], said: str
) -> Guess:
    why = f"{said}; the log says {stated.name}, but {_range(column)} "
    if not fitting:
        return Guess(key, column, stated, DOUBTFUL, why + f"is odd: {against(key, column, stated)}")
    names = " or ".join(unit.name for unit in fitting)
    return Guess(key, column, _absolute(key, column, fitting[0]), DOUBTFUL, why + f"fits {names}")


def _why(said: str, stated: Unit, column: LogColumn) -> str:
    return f"{said}, unit {stated.name}; {_range(column)} fits"


def _range(column: LogColumn) -> str:
    low, high = np.nanpercentile(column.values, (2, 98)).tolist()
    return f"{low:.4g} to {high:.4g}"


def against(key: str, column: LogColumn, unit: Unit) -> str:
    """Return what speaks against a column being a quantity in a unit, "" for nothing."""
    values = column.values * unit.scale + _absolute(key, column, unit).offset
    known = values[np.isfinite(values)]
    if unit.log == "afr":
        low, middle, high = np.percentile(known, (5, 50, 95)).tolist()
        is_afr = low > 6.0 and 8.0 < middle < 22.0
        return "" if is_afr else f"{low:.4g} to {high:.4g} is no air/fuel ratio"
    cause = cause_of(key, known)
    low_end, high_end, most = WINDOWS[key]
    middle, high = np.percentile(known, (50, 95)).tolist()
    if not cause and not (low_end <= middle <= high_end and high >= most):
        cause = f"{middle:.4g} in the middle is odd for it"
    return cause


def _absolute(key: str, column: LogColumn, unit: Unit) -> Unit:
    """Return a pressure's unit, with the outside's added where the heading or values below 0 say
    that it is measured against it."""
    if key != "map_kpa" or unit.offset:
        return unit
    low = float(np.nanpercentile(column.values, 5)) * unit.scale
    text = plain(f"{column.heading} {column.unit}")
    if low < -1.0 or (met(text, GAUGE_WORDS) and low < 15.0):
        return Unit(f"{unit.name} gauge", unit.scale, AMBIENT_KPA, unit.log)
    return unit


def _time(column: LogColumn, said: str) -> Guess | None:
    if column.numbers < 0.5 <= column.clocks:
        return Guess("time", column, Unit("clock", log="clock"), SURE, f"{said}; times of day")
    known = column.values[np.isfinite(column.values)]
    steps = np.diff(known)
    if column.numbers < 0.5 or len(known) < 3 or np.any(steps < 0) or not np.any(steps > 0):
        return None
    step = float(np.median(steps[steps > 0]))
    stated = unit_named(column.unit, "time") or unit_in(column.heading, "time")
    seconds = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}
    fitting = [u for u in UNITS["time"] if 2e-3 <= step * seconds[u.log] <= 2.0]
    if stated in fitting and stated is not None:
        return Guess("time", column, stated, SURE, f"{said}, unit {stated.name}; goes up steadily")
    if not fitting:
        return Guess("time", column, stated or UNITS["time"][0], DOUBTFUL,
                     f"{said}; a step of {step:.4g} fits no usual unit")  # fmt: skip
    sure = DOUBTFUL if stated else LIKELY
    return Guess("time", column, fitting[0], sure,
                 f"{said}; a step of {step:.4g} fits {fitting[0].name}")  # fmt: skip


def of_banks(several: Sequence[Guess], banks: Sequence[str]) -> list[Guess] | None:
    """Return a guess per bank out of those for one quantity, doubtful where they do not tell which
    is whose; None where there is none."""
    if not several:
        return None
    sides = {side_of(name): number for number, name in enumerate(banks)}
    taken: dict[int, Guess] = {}
    for guess in several:
        side = side_of(guess.column.heading)
        bank = sides.get(side, side if None in sides else None)
        if side is not None and bank is not None and bank < len(banks):
            taken.setdefault(bank, guess)
    if len(taken) == len(banks):
        return [taken[bank] for bank in range(len(banks))]
    in_order = sorted(several, key=lambda guess: guess.column.place)
    if len(in_order) == len(banks):
        return [in_order[0]] if len(banks) == 1 else [_in_doubt(g, "by order") for g in in_order]
    if len(in_order) < len(banks):
        why = f"{len(in_order)} for {len(banks)} banks"
        return [_in_doubt(in_order[min(k, len(in_order) - 1)], why) for k in range(len(banks))]
    best = [g for g in several if g.sure == several[0].sure][: len(banks)]
    why = f"one of {len(several)} that may be it"
    return [_in_doubt((best * len(banks))[k], why) for k in range(len(banks))]


def _in_doubt(guess: Guess, why: str) -> Guess:
    return Guess(guess.key, guess.column, guess.unit, DOUBTFUL, f"{guess.reason}; {why}")
