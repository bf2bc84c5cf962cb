"""The cells of a CSV text: what separates them, and what number one holds."""

import csv
import math
from collections.abc import Iterator, Sequence

# Characters; no program writes more, and the conversion takes its time over millions.
LONGEST_NUMBER = 400


class CsvError(ValueError):
    """One line: which line of the text is no row, and why."""


def rows_of(
    lines: Sequence[str], separator: str, before: int = 0
) -> Iterator[tuple[int, list[str]]]:
    """Yield (number of its last line, counted from 1; cells without spaces around them) of each
    row. before: how many lines stand before these. Raises CsvError."""
    reader = csv.reader(lines, delimiter=separator)
    try:
        for row in reader:
            yield before + reader.line_num, [cell.strip() for cell in row]
    except csv.Error as error:
        line = before + reader.line_num
        raise CsvError(f"line {line} is no row of a CSV file: {error}") from None


def separator_of(text: str) -> str:
    """Return what separates the cells of a CSV text: semicolon or tab where present, else comma."""
    head = "\n".join(text.splitlines()[:20])
    if ";" in head:
        return ";"
    return "\t" if "\t" in head else ","


def number_of(text: str, separator: str = ",") -> float:
    """Return the number in a cell, NaN when it holds none. A decimal comma is understood where the
    comma does not separate cells and no point stands beside it."""
    text = text.strip()
    if len(text) > LONGEST_NUMBER:
        return math.nan
    if separator != "," and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    if "_" in text:
        return math.nan
    try:
        return float(text)
    except ValueError:
        return math.nan
