"""Files a person writes and reads: the engine description and the tables as CSV.

Reading refuses what is wrong with one line naming file and place. A table's first row holds a
corner label and the speed breakpoints, its first column the load breakpoints; comma, semicolon or
tab separate, and where it is not the comma, a decimal comma is understood. How a file is written is
in `breathmap.tools.base.disk`.
"""

import math
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from breathmap.learner.words.csv_text import CsvError, number_of, rows_of, separator_of
from breathmap.learner.words.description import (
    DescriptionError,
    EngineDescription,
    parse_description,
)
from breathmap.tools.base.disk import DiskError, errors_about, make_folders, why, write_file
from breathmap.tools.base.errors import UserError

MOST_BYTES = 4_000_000


@dataclass(frozen=True)
class Quantity:
    """What a table's cells are. low, high: no cell is beyond them."""

    name: str
    low: float
    high: float
    unit: str


# The least VE is what travels as one count, the largest ten times a good engine's.
VE = Quantity("VE", 0.01, 1000.0, "%")
# As the limits of an engine description.
TARGET_LAMBDA = Quantity("target lambda", 0.3, 6.0, "(lambda, not air/fuel ratio)")

CORNERS = {"map_kpa": "load_kpa\\speed_rpm", "throttle_pct": "throttle_pct\\speed_rpm"}


def read_text(path: Path, what: str) -> str:
    """Return a text file's content without byte order mark; UserError when it is no such file."""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise UserError(f"{path}: no such file; give the path of the {what}") from None
    except IsADirectoryError:
        raise UserError(f"{path} is a folder; give the path of the {what}") from None
    except OSError as error:
        raise DiskError(f"{path}: cannot be read: {why(error)}") from None
    return text_of(path, data, what)


def text_of(path: Path, data: bytes, what: str) -> str:
    """Return what a text file holds without byte order mark; UserError when it is no text.

    path: what to call it. data: MOST_BYTES at most, or it is taken for something else.
    """
    if not data.strip():
        raise UserError(f"{path}: the file is empty; it should hold the {what}")
    if len(data) > MOST_BYTES or b"\0" in data:
        raise UserError(f"{path}: this is no text file; it should hold the {what}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise UserError(f"{path}: line {line} is not UTF-8 text; save it as UTF-8") from None


def read_description(path: Path) -> EngineDescription:
    """Return the checked engine description of a TOML file."""
    try:
        return parse_description(read_toml(path, "engine description (TOML)"))
    except DescriptionError as error:
        raise UserError(f"{path}: {error}") from None


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """Return what a TOML file holds; UserError in one line when it is none."""
    text = read_text(path, what)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path}: not valid TOML: {error}") from None
    except RecursionError:
        raise UserError(f"{path}: not valid TOML: nested too deeply") from None
    except ValueError:
        raise UserError(f"{path}: not valid TOML: a number has too many digits") from None


def read_tables(path: Path, description: EngineDescription) -> list[list[float]]:
    """Return the flat cells of each bank's table; the files stand beside the description."""
    axes = description.axes
    return [
        read_table(path.parent / bank.table, axes.speed_rpm, axes.load) for bank in description.bank
    ]


def read_table(
    path: Path, speed_rpm: Sequence[float], load: Sequence[float], quantity: Quantity = VE
) -> list[float]:
    """Return a table's cells, flat, row by row (rows are loads), checked against the axes."""
    text = read_text(path, f"{quantity.name} table (CSV)")
    table = Sheet(path, rows_in(path, text), separator_of(text))
    table.turn_upright([float(n) for n in speed_rpm])
    table.check_axes([float(n) for n in speed_rpm], [float(p) for p in load])
    return table.cells(quantity)


def rows_in(path: Path, text: str, separator: str = "") -> Iterator[tuple[int, list[str]]]:
    """Yield (line number, cells) of a CSV text; UserError where a line is no row. separator: found
    out where it is not given."""
    try:
        yield from rows_of(text.splitlines(), separator or separator_of(text))
    except CsvError as error:
        raise UserError(f"{path}: {error}") from None


def sheets_in(path: Path, text: str) -> list["Sheet"]:
    """Return the tables of a text; empty lines stand between them."""
    blocks: list[list[tuple[int, list[str]]]] = [[]]
    for line, row in rows_in(path, text):
        if any(row):
            blocks[-1].append((line, row))
        elif blocks[-1]:
            blocks.append([])
    if not blocks[-1] and len(blocks) > 1:
        blocks.pop()
    return [Sheet(path, block, separator_of(text)) for block in blocks]


def _without_empty_end(row: list[str]) -> list[str]:
    length = len(row)
    while length and not row[length - 1]:
        length -= 1
    return row[:length]


def _falls(axis: list[float]) -> bool:
    return len(axis) > 1 and all(b < a for a, b in pairwise(axis))


# No speed axis ends below it, in rpm; no load axis, in kPa or %, above it.
SPEED_FROM = 400.0


class Sheet:
    """A CSV table: numbered rows of text, the first one the header; empty rows are left out.

    speed_rpm and load are taken from header and first column as they stand, until `turn_upright`
    has found out which is which and in what order. notes: what that took for what, a line each.
    """

    def __init__(self, path: Path, rows: Iterable[tuple[int, list[str]]], separator: str) -> None:
        filled = [(line, _without_empty_end(row)) for line, row in rows if any(row)]
        if not filled:
            raise UserError(f"{path}: it holds no table")
        self.path = path
        self.separator = separator
        (self.header_line, header), *self.rows = filled
        self.speed_rpm = [
            self._number(cell, self.header_line, column)
            for column, cell in enumerate(header[1:], start=2)
        ]
        self.load = [self._number(row[0], line, 1) for line, row in self.rows]
        self._columns = len(self.speed_rpm)
        self._exchanged = self._speed_falls = self._load_falls = False
        self.notes: list[str] = []

    def turn_upright(self, speed_rpm: Sequence[float] | None = None) -> None:
        """Know tables with the loads across, and with the highest load or speed first.

        speed_rpm: the speeds, where they are known. Otherwise the axis that ends above any load is
        the speeds, if one alone does.
        """
        across, down = self.speed_rpm, self.load
        if speed_rpm is not None:
            wanted = sorted(speed_rpm)
            exchanged = sorted(down) == wanted != sorted(across)
        else:
            exchanged = max(down, default=0.0) >= SPEED_FROM > max(across, default=0.0)
        if exchanged:
            self._exchanged = True
            self.speed_rpm, self.load = down, across
            self.notes.append("the first column was taken for the speeds, the first row for loads")
        self._speed_falls, self._load_falls = _falls(self.speed_rpm), _falls(self.load)
        for falls, name in ((self._speed_falls, "speed"), (self._load_falls, "load")):
            if falls:
                self.notes.append(f"the highest {name} stands first, so the order was turned round")
        if self._speed_falls:
            self.speed_rpm = self.speed_rpm[::-1]
        if self._load_falls:
            self.load = self.load[::-1]

    def check_axes(self, speed_rpm: list[float], load: list[float]) -> None:
        """Raise UserError unless the table has these breakpoints."""
        for name, axis in (("speed", self.speed_rpm), ("load", self.load)):
            for k in range(1, len(axis)):
                if axis[k] <= axis[k - 1]:
                    raise UserError(
                        f"{self.path}: {name} breakpoints must ascend, but {axis[k]:g} follows "
                        f"{axis[k - 1]:g}; sort the {'columns' if name == 'speed' else 'rows'}"
                    )
        if len(self.speed_rpm) != len(speed_rpm) or len(self.load) != len(load):
            raise UserError(
                f"{self.path}: the table has {len(self.load)} loads x {len(self.speed_rpm)} speeds,"
                f" the engine description's axes have {len(load)} x {len(speed_rpm)}"
            )
        for name, mine, other in (("speed", self.speed_rpm, speed_rpm), ("load", self.load, load)):
            for k, (here, there) in enumerate(zip(mine, other, strict=True), start=1):
                if abs(here - there) > 1e-6 * max(1.0, abs(there)):
                    raise UserError(
                        f"{self.path}: {name} breakpoint {k} is {here:g}, the engine description "
                        f"says {there:g}; make them agree"
                    )

    def cells(self, quantity: Quantity = VE) -> list[float]:
        """Return all cells, load by load from the lowest; UserError when one is missing or cannot
        be."""
        rows = [self._cells_of(line, row, quantity) for line, row in self.rows]
        if self._exchanged:
            rows = [list(column) for column in zip(*rows, strict=True)]
        if self._load_falls:
            rows.reverse()
        return [cell for row in rows for cell in (row[::-1] if self._speed_falls else row)]

    def _cells_of(self, line: int, row: list[str], quantity: Quantity) -> list[float]:
        cells = []
        if len(row) != self._columns + 1:
            raise UserError(
                f"{self.path}: line {line} has {len(row) - 1} cells, {self._columns} are needed"
            )
        for column, text in enumerate(row[1:], start=2):
            value = self._number(text, line, column)
            if not quantity.low <= value <= quantity.high:
                raise UserError(
                    f"{self.path}: line {line}, column {column}: {quantity.name} is {value:g}; "
                    f"it must be {quantity.low:g} to {quantity.high:g} {quantity.unit}"
                )
            cells.append(value)
        return cells

    def _number(self, text: str, line: int, column: int) -> float:
        value = number_of(text, self.separator)
        if not math.isfinite(value):
            raise UserError(
                f"{self.path}: line {line}, column {column}: {text[:20]!r} is not a number"
            )
        return value


def write_text(path: Path, text: str) -> None:
    """Write a text file, UTF-8, as `write_bytes` does."""
    write_bytes(path, encoded(text))


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file, to stay, so that a reader finds the old one or the whole new one, whatever
    happens."""
    with errors_about(path):
        write_file(path, data)


def encoded(text: str) -> bytes:
    r"""Return a text as UTF-8. Halves of surrogate pairs, which stand for bytes of file names, are
    written as \udc80: that is what JSON calls them, too."""
    return text.encode("utf-8", "backslashreplace")


def table_text(
    description: EngineDescription, rows: Iterable[Iterable[object]], form: str = "{:g}"
) -> str:
    """Return CSV of a table on the description's axes; form: how a cell is written."""
    axes = description.axes
    lines = [",".join([CORNERS[axes.load_axis], *(f"{n:g}" for n in axes.speed_rpm)])]
    for load, row in zip(axes.load, rows, strict=True):
        lines.append(",".join([f"{load:g}", *(form.format(cell) for cell in row)]))
    return "\n".join(lines) + "\n"


def make_folder(folder: Path, may_exist: bool, hint: str) -> None:
    """Make an output folder; UserError when it holds something and may not. hint: what to do."""
    if folder.is_file():
        raise UserError(f"{folder} is a file; give a folder")
    with errors_about(folder, "cannot be made"):
        make_folders(folder)
        occupied = any(folder.iterdir())
    if occupied and not may_exist:
        raise UserError(f"{folder} exists and is not empty; {hint}")
