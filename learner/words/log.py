"""A log of an engine, row by row, as samples.

The engine description's [log] part says which column is what. Lines before the header, a row of
units below it, and separators are found out; a cell that holds no number is a value not measured.
No I/O: callers read the file.
"""

import math
from collections.abc import Iterator

from breathmap.learner.words.clock import ClockReader
from breathmap.learner.words.csv_text import CsvError, number_of
from breathmap.learner.words.description import Column, EngineDescription, Log, TimeColumn
from breathmap.learner.words.log_rows import Cell, Rows, TextRows
from breathmap.protocol.wire.codes import (
    ACCELERATION_ENRICHMENT,
    CLOSED_LOOP,
    FUEL_CUT,
    SENSOR_READY,
)
from breathmap.protocol.wire.sample import Sample

HEADER_WITHIN_LINES = 60
MICROSECONDS = {"min": 60e6, "s": 1e6, "ms": 1e3, "us": 1.0}
FLAGS = {
    "fuel_cut": FUEL_CUT,
    "closed_loop": CLOSED_LOOP,
    "acceleration_enrichment": ACCELERATION_ENRICHMENT,
}
YES = ("true", "on", "yes", "active")
MEASUREMENTS = ("speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v")


# Beyond any number that is meant, in the quantity's own unit; what a logger writes for "no value"
# (-1, 655.35, 65535) is within.
MOST_NUMBER = 1e6
# Some 300 years.
MOST_TIME_US = 1e16


class LogError(ValueError):
    """One line: what a log or its description lacks, or which line holds what cannot be."""


class LogReader:
    """One log. `samples()` yields one and the same Sample again and again, a row each.

    source: the whole text of a CSV file, or a log's rows. description: of the engine, with a [log]
    part. skipped_rows: rows without a time, so far. fraction: how much of the log has been read.
    Raises LogError when the description names no columns, one that the log has not, or one that it
    has twice.
    """

    def __init__(self, source: str | Rows, description: EngineDescription) -> None:
        if description.log is None:
            raise LogError("the engine description has no [log] part that names the log's columns")
        self.skipped_rows = 0
        self._log: Log = description.log
        self._afr = description.engine.afr or math.nan
        method = description.method
        self._assume_closed = method.closed_loop or method.is_switching
        self._source: Rows = TextRows(source) if isinstance(source, str) else source
        self._separator = self._source.separator
        self._clock = ClockReader()
        self._held: dict[int, tuple[float, Cell]] = {}
        self._now_s = math.nan
        self._places = self._find_header()
        self._row = 0

    @property
    def source(self) -> Rows:
        """What is read."""
        return self._source

    @property
    def places(self) -> dict[tuple[str, int | None], int]:
        """Which column each heading (and which of that heading) is, from 0."""
        return self._places

    @property
    def assumes_closed(self) -> bool:
        """True when the loop counts as closed where no column says so."""
        return self._assume_closed

    def below_header(self) -> Iterator[tuple[int, list[Cell]]]:
        """Yield (line number, cells) of the rows below the header."""
        return self._rows(self._first_row)

    @property
    def fraction(self) -> float:
        """Share of the log's rows read so far, 0 to 1."""
        return min(1.0, self._row / max(1, self._source.count))

    def _columns(self) -> list[tuple[str, int | None]]:
        """Return (heading, which of that heading) of every column that is needed."""
        log = self._log
        parts: list[Column | None] = [getattr(log, name) for name in (*MEASUREMENTS, *FLAGS)]
        parts.append(log.target_lambda)
        for bank in log.bank:
            parts += [bank.measured_lambda, bank.fuel_multiplier]
        named = [(part.column, part.nth) for part in parts if part is not None and part.column]
        return [(log.time.column, log.time.nth), *named]

    def _find_header(self) -> dict[tuple[str, int | None], int]:
        wanted = self._columns()
        best: list[str] = []
        missing = [name for name, _ in wanted]
        for line, row in self._rows(0, HEADER_WITHIN_LINES):
            names = [str(cell) for cell in row]
            absent = [name for name, _ in wanted if name not in names]
            if not absent:
                self._first_row = line
                return {key: _place(names, *key) for key in wanted}
            if len(absent) < len(missing) or not best:
                best, missing = names, absent
        shown = ", ".join(name for name in best if name)[:200]
        raise LogError(
            f"the log has no column {missing[0]!r}, which the engine description's [log] part "
            f"names; its header reads: {shown}"
        )

    def _rows(self, first: int, last: int | None = None) -> Iterator[tuple[int, list[Cell]]]:
        """Yield (line number, cells) of a span of lines."""
        try:
            for line, row in self._source.rows(first, last):
                self._row = line
                yield line, row
        except CsvError as error:
            raise LogError(error) from None

    def samples(self) -> Iterator[Sample]:
        """Yield the log's rows; the object is reused. Raises LogError where one cannot be."""
        log = self._log
        sample = Sample(len(log.bank))
        before_us = -MOST_TIME_US
        for _, row in self.below_header():
            time_us = self.time_us_of(row)
            if time_us != time_us:
                self.skipped_rows += any(cell != "" for cell in row)
                continue
            self._check(row, log.time, time_us, MOST_TIME_US)
            if time_us < before_us:
                self._refuse_order(before_us, time_us)
            before_us, self._now_s = time_us, 1e-6 * time_us
            sample.time_us = round(time_us)
            for name in MEASUREMENTS:
                setattr(sample, name, self._value(row, getattr(log, name)))
            sample.target_lambda = self._lambda(row, log.target_lambda, log.target_lambda.unit)
            sample.flags = self._flags(row)
            for number, bank in enumerate(log.bank):
                measured = bank.measured_lambda
                sample.measured_lambda[number] = self._lambda(row, measured, measured.unit)
                trim = bank.fuel_multiplier
                sample.fuel_multiplier[number] = 1.0 if trim is None else self._value(row, trim)
                sample.sensor_state[number] = SENSOR_READY
            yield sample

    def time_us_of(self, row: list[Cell]) -> float:
        """Return a row's time, microseconds; NaN where it holds none."""
        time = self._log.time
        if time.unit == "clock":
            return 1e6 * self._clock.seconds(str(self._cell(row, time)))
        return self._number(row, time) * MICROSECONDS[time.unit]

    def _refuse_order(self, before_us: float, time_us: float) -> None:
        raise LogError(
            f"line {self._row}: time goes back, from {1e-6 * before_us:g} to {1e-6 * time_us:g} s: "
            "sort the rows by time, or, where a second ride begins there, make a file of each"
        )

    def _flags(self, row: list[Cell]) -> int:
        flags = 0
        for name, bit in FLAGS.items():
            column: Column | None = getattr(self._log, name)
            if column is None:
                if name == "closed_loop" and self._assume_closed:
                    flags |= bit
                continue
            if column.column and str(self._cell(row, column)).lower() in YES:
                flags |= bit
                continue
            value = self._value(row, column)
            if value == value and value != 0.0:
                flags |= bit
        return flags

    def _lambda(self, row: list[Cell], column: Column, unit: str) -> float:
        value = self._value(row, column)
        return value / self._afr if unit == "afr" else value

    def _value(self, row: list[Cell], column: Column | None) -> float:
        if column is None:
            return math.nan
        if column.column is None:
            return math.nan if column.constant is None else column.constant
        value = self._number(row, column) * column.scale + column.offset
        self._check(row, column, value, MOST_NUMBER)
        return value

    def _check(
        self, row: list[Cell], column: Column | TimeColumn, value: float, most: float
    ) -> None:
        if abs(value) > most:
            raise LogError(
                f"line {self._row}, column {column.column!r}: {str(self._cell(row, column))[:20]} "
                f"cannot be meant: {most:g} at most, with the scale of the [log] part; correct the "
                "line or the scale"
            )

    def _number(self, row: list[Cell], column: Column | TimeColumn) -> float:
        cell = self._cell(row, column)
        value = cell if isinstance(cell, float) else number_of(cell, self._separator)
        return value if math.isfinite(value) else math.nan

    def _cell(self, row: list[Cell], column: Column | TimeColumn) -> Cell:
        place = self._places[(column.column or "", column.nth)]
        cell = row[place] if place < len(row) else ""
        if not self._log.hold_s or isinstance(column, TimeColumn):
            return cell
        if cell != "":
            self._held[place] = (self._now_s, cell)
            return cell
        since_s, kept = self._held.get(place, (math.nan, ""))
        return kept if self._now_s - since_s <= self._log.hold_s else ""


def _place(names: list[str], name: str, nth: int | None) -> int:
    """Return where a column stands. Raises LogError where its heading does not tell which."""
    places = [place for place, other in enumerate(names) if other == name]
    if nth is None and len(places) > 1:
        where = " and ".join(str(place + 1) for place in places)
        raise LogError(
            f"the log has {len(places)} columns {name!r} (columns {where}): say in the [log] part "
            f'which one is meant, {{ column = "{name}", nth = 1 }} for the first from the left'
        )
    if nth is not None and nth > len(places):
        raise LogError(
            f"the log has {len(places)} columns {name!r}, so nth = {nth} of the [log] part names "
            "none"
        )
    return places[(nth or 1) - 1]
