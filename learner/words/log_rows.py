"""The rows of a log, whatever kind of file it was: a line number and cells each, texts or numbers.

The heading stands among the first rows; what is above it is a preamble. No I/O.
"""

from collections.abc import Iterator, Sequence
from typing import Protocol

from breathmap.learner.words.csv_text import rows_of, separator_of

Cell = str | float


class Rows(Protocol):
    """What a log's reader needs of a log. separator: what separated its cells in a text, which
    tells a decimal comma from another. count: of rows, at most. units: of the columns where the
    file tells them beside the headings, else empty."""

    separator: str
    count: int
    units: Sequence[str]

    def rows(self, first: int = 0, last: int | None = None) -> Iterator[tuple[int, list[Cell]]]:
        """Yield (number of the row's last line, from 1; its cells) of a span of lines."""
        ...


class TextRows:
    """The rows of a CSV text; `rows` raises CsvError where a line is none."""

    def __init__(self, text: str) -> None:
        self.separator = separator_of(text)
        self.units: Sequence[str] = ()
        self._lines = text.splitlines()
        self.count = len(self._lines)
        # Characters that end a line for Python alone would part it for nobody else.
        self._is_plain = '"' not in text and self.count == text.count("\n") + (text[-1:] != "\n")

    def rows(self, first: int = 0, last: int | None = None) -> Iterator[tuple[int, list[Cell]]]:
        """See Rows."""
        for line, row in rows_of(self._lines[first:last], self.separator, first):
            yield line, list(row)

    def plain_from(self, first: int) -> str | None:
        """Return the text from a line on (from 0), None where it is not one row a line for anyone:
        quotes, other line ends, empty lines."""
        lines = self._lines[first:]
        return "\n".join(lines) if self._is_plain and all(lines) else None


class TableRows:
    """The rows of a table that knows its headings; they count as line 1.

    headings: one per column. table: rows of texts and numbers; None and NaN are empty. separator:
    by default texts hold numbers as programs write them, with no decimal comma.
    """

    def __init__(
        self,
        headings: Sequence[str],
        table: Sequence[Sequence[object]],
        units: Sequence[str] = (),
        separator: str = ",",
    ) -> None:
        self.separator = separator
        self.units = units
        self._headings = list(headings)
        self._table = table
        self.count = len(table) + 1

    def rows(self, first: int = 0, last: int | None = None) -> Iterator[tuple[int, list[Cell]]]:
        """See Rows."""
        end = self.count if last is None else min(last, self.count)
        for line in range(first, end):
            if line == 0:
                yield 1, [heading.strip() for heading in self._headings]
            else:
                yield line + 1, [_cell(value) for value in self._table[line - 1]]


def _cell(value: object) -> Cell:
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return value
    if isinstance(value, int):
        return float(value)
    return str(value).strip()
