"""The cells of a CSV text: what separates them, and what number one holds."""

import math


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
    if separator != "," and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    if "_" in text:
        return math.nan
    try:
        return float(text)
    except ValueError:
        return math.nan
