"""A table as shaded text: as many cells as fit, the operating point marked, numbers in all.

The number is always there, so that the shading only helps: cividis (Nuñez, Anderton & Renslow,
PLoS ONE 13(7), 2018; values as matplotlib publishes them) where the terminal has the colours, its
nearest four of the standard 16, or a character ramp where there is no colour at all.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rich.style import Style
from rich.text import Text

from breathmap.tools.base.texts import visible

Array = NDArray[np.float64]

CIVIDIS = (
    "#00224e", "#002e6a", "#1a386f", "#32436d", "#434e6c", "#535a6d", "#61656f", "#6f7073",
    "#7d7c78", "#8c8878", "#9b9476", "#aba072", "#bcae6c", "#cdbb63", "#dec958", "#f0d846",
    "#fee838",
)  # fmt: skip
DARK_STEPS = 8  # so many of them carry white figures
# Blue, grey, light grey, yellow: as near as 16 colours come, each exactly one of rich's 16, so that
# none falls upon another.
SIXTEEN = ("#0000aa", "#555555", "#aaaaaa", "#ffff55")
# No character that could be read as part of a number.
RAMP = " `':;|oO#@"
LABEL_WIDTH = 6
NARROWEST, WIDEST = 4, 7
MARK = "<"
TRUE_COLOUR, FEW_COLOURS, NO_COLOUR = "many", "16", "none"


@dataclass(frozen=True)
class Look:
    """What the terminal can: colours ("many", "16" or "none") and more than ASCII."""

    colours: str = TRUE_COLOUR
    unicode: bool = True

    def plain(self, text: str) -> str:
        """Return a text in the characters that the terminal has, none of which it obeys."""
        text = "\n".join(visible(line) for line in text.split("\n"))
        if self.unicode:
            return text
        for one, other in (("±", "+-"), ("°C", "C"), ("−", "-"), ("×", "x"), ("’", "'")):
            text = text.replace(one, other)
        return text.encode("ascii", "replace").decode("ascii")


@dataclass(frozen=True)
class Layer:
    """What a map shows. values: (load_count, speed_count), NaN where there is nothing. low, high:
    the ends of the shading (low above high shades the other way round). signed: numbers carry their
    sign, shading is by size."""

    title: str
    unit: str
    values: Array
    low: float
    high: float
    signed: bool = False


def shown_span(count: int, fits: int, centre: int) -> range:
    """Return which of `count` entries are shown when only some fit, around a centre."""
    fits = max(1, min(fits, count))
    first = min(max(centre - fits // 2, 0), count - fits)
    return range(first, first + fits)


def nearest(axis: Sequence[float], value: float) -> int:
    """Return the index of the nearest breakpoint, -1 for NaN."""
    return int(np.argmin(np.abs(np.asarray(axis) - value))) if value == value else -1


def draw(
    layer: Layer,
    speed_rpm: Sequence[float],
    load: Sequence[float],
    point: tuple[float, float],
    width: int,
    height: int,
    look: Look,
    target: tuple[range, range] | None = None,
) -> Text:
    """Return the map as text of at most `width` x `height`, cells two lines high where they fit.

    point: (speed, load) now, NaN when unknown. target: rows and columns of the advised ground,
    drawn underlined.
    """
    at_column, at_row = nearest(speed_rpm, point[0]), nearest(load, point[1])
    cell = cell_width(len(speed_rpm), width)
    thousands = in_thousands(speed_rpm, width)
    columns = shown_span(len(speed_rpm), (width - LABEL_WIDTH) // cell, max(at_column, 0))
    rows = shown_span(len(load), height - 1, max(at_row, 0))
    is_tall = height - 1 >= 2 * len(load)
    text = Text(no_wrap=True, overflow="crop", end="")
    text.append(" " * LABEL_WIDTH)
    for column in columns:
        text.append(_speed_label(speed_rpm[column], cell, thousands))
    # Pressure grows upwards, as on a graph.
    for row in reversed(rows):
        for is_number in (False, True) if is_tall else (True,):
            text.append("\n")
            text.append(f"{load[row]:>{LABEL_WIDTH - 1}g} " if is_number else " " * LABEL_WIDTH)
            for column in columns:
                here = row == at_row and column == at_column
                aimed = target is not None and row in target[0] and column in target[1]
                value = float(layer.values[row, column])
                style, level = _style_of(layer, value, here, aimed and is_number, look)
                shown = _cell(layer, value, cell, here, level, look) if is_number else " " * cell
                text.append(shown, style)
    return text


def cell_width(count: int, width: int) -> int:
    """Return how wide a cell is drawn when `count` of them shall fit."""
    return min(max((width - LABEL_WIDTH) // count, NARROWEST), WIDEST)


def in_thousands(speed_rpm: Sequence[float], width: int) -> bool:
    """True where whole speeds have no room above their columns."""
    room = cell_width(len(speed_rpm), width) - 1
    return any(len(f"{speed:g}") > room for speed in speed_rpm)


def _speed_label(speed_rpm: float, cell: int, thousands: bool) -> str:
    text = f"{speed_rpm / 1000.0:.1f}" if thousands else f"{speed_rpm:g}"
    return f"{text:>{cell - 1}} "


def _style_of(
    layer: Layer, value: float, here: bool, aimed: bool, look: Look
) -> tuple[Style, float | None]:
    level = level_of(layer, value)
    style = _style(level, look)
    if aimed:
        style += Style(underline=True, bold=True)
    if here:
        style += Style(reverse=True, bold=True)
    return style, level


def _cell(
    layer: Layer, value: float, cell: int, here: bool, level: float | None, look: Look
) -> str:
    tail = MARK if here else " "
    if look.colours == NO_COLOUR and not here and level is not None:
        tail = RAMP[min(int(level * len(RAMP)), len(RAMP) - 1)]
    return f"{number_text(value, cell - 1, layer.signed):>{cell - 1}}{tail}"


def level_of(layer: Layer, value: float) -> float | None:
    """Return where in the shading a value lies, 0 to 1; None where there is no value."""
    if value != value:
        return None
    size = abs(value) if layer.signed else value
    span = layer.high - layer.low
    return min(max((size - layer.low) / span, 0.0), 1.0) if span else 0.0


def _style(level: float | None, look: Look) -> Style:
    if level is None or look.colours == NO_COLOUR:
        return Style()
    if look.colours == FEW_COLOURS:
        step = min(int(level * len(SIXTEEN)), len(SIXTEEN) - 1)
        return Style(color="#ffffff" if step < 2 else "#000000", bgcolor=SIXTEEN[step])
    step = step_of(level)
    return Style(color=ink_on(step), bgcolor=CIVIDIS[step])


def step_of(level: float) -> int:
    """Return which of `CIVIDIS` shades a level."""
    return min(int(level * len(CIVIDIS)), len(CIVIDIS) - 1)


def ink_on(step: int) -> str:
    """Return the colour of figures on a step of `CIVIDIS`."""
    return "#ffffff" if step < DARK_STEPS else "#000000"


def number_text(value: float, room: int, signed: bool) -> str:
    """Return a number in so many characters; a point for none."""
    if value != value:
        return "."
    sign = "+" if signed else ""
    for digits in (2, 1, 0):
        text = f"{value:{sign}.{digits}f}"
        if len(text) <= min(room, 5):
            return text if text.strip("+-0.") else text.lstrip("+-")  # nothing has no sign
    if abs(value) >= 1000.0:
        return f"{value / 1000.0:{sign}.0f}k"[:room]
    return text.removeprefix("+")[:room]
