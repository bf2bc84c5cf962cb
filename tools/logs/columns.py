"""A CSV log's columns at once, where polars (the extra `logs`) can read them without any doubt.

The same samples as `breathmap.learner.words.log` gives row by row, bit for bit. Whatever it would
refuse, read over, or understand by a rule of its own is left to it, so that it is told in its words
and with its row: quotes, decimal commas, texts, clocks, values held, times that go back.
"""

import io
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.words.description import Column, EngineDescription, Log
from breathmap.learner.words.log import (
    FLAGS,
    MEASUREMENTS,
    MICROSECONDS,
    MOST_NUMBER,
    MOST_TIME_US,
    LogReader,
)
from breathmap.learner.words.log_rows import TextRows
from breathmap.protocol.host.bulk import sample_dtype
from breathmap.protocol.wire.codes import SENSOR_READY

Array = NDArray[np.float64]

# Fewer rows are read faster than polars is loaded.
LEAST_ROWS = 20_000
# Rows of units and the like below the header, at most.
MOST_UNITS = 5


class DoubtError(Exception):
    """What the exact reader must look at."""


def samples_at_once(reader: LogReader, description: EngineDescription) -> NDArray[np.void] | None:
    """Return a log's samples, an array of `sample_dtype`, as its reader would give them; None where
    it must give them itself. The reader counts the rows that were skipped; it has not begun."""
    source, log = reader.source, description.log
    if not isinstance(source, TextRows) or log is None or source.count < LEAST_ROWS:
        return None
    if log.hold_s or log.time.unit == "clock":
        return None
    try:
        import polars  # noqa: F401 - the extra may be missing
    except ImportError:
        return None
    try:
        skipped, first = _first_with_time(reader)
        table = _Columns(reader, log, source, first)
        made = _samples(reader, table, log, description)
    except DoubtError:
        return None
    reader.skipped_rows += skipped
    return made


def _first_with_time(reader: LogReader) -> tuple[int, int]:
    """Return how many rows below the header hold something and no time, and the line of the first
    that holds one (counted from 0)."""
    skipped = 0
    for row, (line, cells) in enumerate(reader.below_header()):
        time_us = reader.time_us_of(cells)
        if time_us == time_us:
            return skipped, line - 1
        if row >= MOST_UNITS:
            break
        skipped += any(cell != "" for cell in cells)
    raise DoubtError


class _Columns:
    """The columns that a log's mapping names, as numbers; NaN where a cell is empty."""

    def __init__(self, reader: LogReader, log: Log, source: TextRows, first: int) -> None:
        import polars

        self._places = sorted(set(reader.places.values()))
        text = source.plain_from(first)
        if text is None or (source.separator != "," and "," in text):
            raise DoubtError
        try:
            self._table = polars.read_csv(
                io.BytesIO(text.encode()),
                has_header=False,
                separator=source.separator,
                columns=self._places,
                schema_overrides=None,
                infer_schema=False,
                quote_char=None,
            )
            self._table = self._table.cast(polars.Float64, strict=True)
        except (polars.exceptions.PolarsError, OverflowError):
            raise DoubtError from None
        self.count = self._table.height
        if self.count != source.count - first:
            raise DoubtError

    def numbers(self, place: int) -> Array:
        """Return a column (n,)."""
        series = self._table.to_series(self._places.index(place))
        values = np.array(series.to_numpy(), dtype=np.float64)
        values[~np.isfinite(values)] = math.nan
        return values


def _samples(
    reader: LogReader, table: _Columns, log: Log, description: EngineDescription
) -> NDArray[np.void]:
    samples = np.zeros(table.count, sample_dtype(len(log.bank)))
    time_us = table.numbers(reader.places[(log.time.column, log.time.nth)])
    time_us *= MICROSECONDS[log.time.unit]
    _certain(bool(np.isfinite(time_us).all()) and bool((np.abs(time_us) <= MOST_TIME_US).all()))
    _certain(bool((np.diff(time_us) >= 0.0).all()))
    samples["time_us"] = np.rint(time_us).astype(np.int64)

    def values(column: Column | None) -> Array | float:
        if column is None:
            return math.nan
        if column.column is None:
            return math.nan if column.constant is None else column.constant
        found = table.numbers(reader.places[(column.column, column.nth)])
        found = found * column.scale + column.offset
        _certain(not (np.abs(found) > MOST_NUMBER).any())
        return found

    def lambdas(column: Column, unit: str) -> Array | float:
        found = values(column)
        return found / (description.engine.afr or math.nan) if unit == "afr" else found

    for name in MEASUREMENTS:
        samples[name] = values(getattr(log, name))
    samples["pulse_width_ms"] = math.nan
    samples["target_lambda"] = lambdas(log.target_lambda, log.target_lambda.unit)
    for name, bit in FLAGS.items():
        flag: Column | None = getattr(log, name)
        if flag is not None:
            set_ = np.asarray(values(flag))
            samples["flags"] |= np.where(np.isfinite(set_) & (set_ != 0.0), bit, 0).astype("u2")
        elif name == "closed_loop" and reader.assumes_closed:
            samples["flags"] |= bit
    for number, bank in enumerate(log.bank):
        measured, trim = bank.measured_lambda, bank.fuel_multiplier
        samples["measured_lambda"][:, number] = lambdas(measured, measured.unit)
        samples["fuel_multiplier"][:, number] = 1.0 if trim is None else values(trim)
    samples["sensor_state"], samples["banks"] = SENSOR_READY, len(log.bank)
    return samples


def _certain(is_so: bool) -> None:
    if not is_so:
        raise DoubtError


def parts(samples: NDArray[np.void], rows: int) -> Iterator[NDArray[np.void]]:
    """Yield samples so many at a time."""
    for start in range(0, len(samples), rows):
        yield samples[start : start + rows]
