"""A CSV log of an engine, row by row, as samples.

The engine description's [log] part says which column is what. Lines before the header, a row of
units below it, and separators are found out; a cell that holds no number is a value not measured.
No I/O: callers read the file.
"""

import math
from collections.abc import Iterator

from breathmap.learner.words.csv_text import CsvError, number_of, rows_of, separator_of
from breathmap.learner.words.description import Column, EngineDescription, Log
from breathmap.protocol.wire.codes import (
    ACCELERATION_ENRICHMENT,
    CLOSED_LOOP,
    FUEL_CUT,
    SENSOR_READY,
)
from breathmap.protocol.wire.sample import Sample

HEADER_WITHIN_LINES = 60
MICROSECONDS = {"s": 1e6, "ms": 1e3, "us": 1.0}
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

    text: the whole file. description: of the engine, with a [log] part.
    skipped_rows: rows without a time, so far. fraction: how much of the log has been read.
    Raises LogError when the description names no columns, or one that the log has not.
    """

    def __init__(self, text: str, description: EngineDescription) -> None:
        if description.log is None:
            raise LogError("the engine description has no [log] part that names the log's columns")
        self.skipped_rows = 0
        self._log: Log = description.log
        self._afr = description.engine.afr or math.nan
        method = description.method
        self._assume_closed = method.closed_loop or method.is_switching
        self._separator = separator_of(text)
        self._lines = text.splitlines()
        self._places = self._find_header()
        self._row = 0

    @property
    def fraction(self) -> float:
        """Share of the log's rows read so far, 0 to 1."""
        return min(1.0, self._row / max(1, len(self._lines)))

    def _columns(self) -> list[str]:
        log = self._log
        parts: list[Column | None] = [getattr(log, name) for name in (*MEASUREMENTS, *FLAGS)]
        parts.append(log.target_lambda)
        for bank in log.bank:
            parts += [bank.measured_lambda, bank.fuel_multiplier]
        return [log.time.column, *(p.column for p in parts if p is not None and p.column)]

    def _find_header(self) -> dict[str, int]:
        wanted = self._columns()
        best: list[str] = []
        missing = wanted
        for line, names in self._rows(0, HEADER_WITHIN_LINES):
            absent = [name for name in wanted if name not in names]
            if not absent:
                self._first_row = line
                return {name: names.index(name) for name in wanted}
            if len(absent) < len(missing) or not best:
                best, missing = names, absent
        shown = ", ".join(name for name in best if name)[:200]
        raise LogError(
            f"the log has no column {missing[0]!r}, which the engine description's [log] part "
            f"names; its header reads: {shown}"
        )

    def _rows(self, first: int, last: int | None = None) -> Iterator[tuple[int, list[str]]]:
        """Yield (line number, cells) of a span of lines."""
        try:
            for line, row in rows_of(self._lines[first:last], self._separator, first):
                self._row = line
                yield line, row
        except CsvError as error:
            raise LogError(error) from None

    def samples(self) -> Iterator[Sample]:
        """Yield the log's rows; the object is reused. Raises LogError where one cannot be."""
        log = self._log
        sample = Sample(len(log.bank))
        per_unit = MICROSECONDS[log.time.unit]
        for _, row in self._rows(self._first_row):
            time_us = self._number(row, log.time.column) * per_unit
            if time_us != time_us:
                self.skipped_rows += any(row)
                continue
            self._check(row, log.time.column, time_us, MOST_TIME_US)
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

    def _flags(self, row: list[str]) -> int:
        flags = 0
        for name, bit in FLAGS.items():
            column: Column | None = getattr(self._log, name)
            if column is None:
                if name == "closed_loop" and self._assume_closed:
                    flags |= bit
                continue
            if column.column and self._text(row, column.column).lower() in YES:
                flags |= bit
                continue
            value = self._value(row, column)
            if value == value and value != 0.0:
                flags |= bit
        return flags

    def _lambda(self, row: list[str], column: Column, unit: str) -> float:
        value = self._value(row, column)
        return value / self._afr if unit == "afr" else value

    def _value(self, row: list[str], column: Column | None) -> float:
        if column is None:
            return math.nan
        if column.column is None:
            return math.nan if column.constant is None else column.constant
        value = self._number(row, column.column) * column.scale + column.offset
        self._check(row, column.column, value, MOST_NUMBER)
        return value

    def _check(self, row: list[str], name: str, value: float, most: float) -> None:
        if abs(value) > most:
            raise LogError(
                f"line {self._row}, column {name!r}: {self._text(row, name)[:20]} cannot be meant: "
                f"{most:g} at most, with the scale of the [log] part; correct the line or the scale"
            )

    def _number(self, row: list[str], name: str) -> float:
        value = number_of(self._text(row, name), self._separator)
        return value if math.isfinite(value) else math.nan

    def _text(self, row: list[str], name: str) -> str:
        place = self._places[name]
        return row[place] if place < len(row) else ""
