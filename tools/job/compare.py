"""`breathmap compare`: two tables as numbers and as a shaded picture in the terminal.

A table is a CSV file, or JOB:NUMBER for a table of a job (JOB alone: its present one). Tables of
two displacements are compared by VE x displacement, because that is what makes the fuel.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from breathmap.learner.words.csv_text import separator_of
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import Sheet, read_text, rows_in
from breathmap.tools.base.screen import Screen, plain
from breathmap.tools.job.folder import Job, is_job

Array = NDArray[np.float64]

WIDTH = 78
LABEL = 7
NUMBER_WIDTH = 6
SHADES = " ░▒▓█"
# Per cent of difference that a shade begins at, but for the first.
EDGES = (0.5, 2.0, 5.0, 10.0)


@dataclass(frozen=True)
class Named:
    """One table: cells (load_count, speed_count) in per cent, and the displacement if known."""

    name: str
    speed_rpm: list[float]
    load: list[float]
    cells: Array
    displacement_cm3: float | None


def tables_of(text: str, bank: str | None) -> list[Named]:
    """Return the tables that an argument names: one CSV file, or one a bank of a job's table."""
    folder, _, number = text.rpartition(":")
    if folder and number.isascii() and number.isdigit() and is_job(Path(folder)):
        return _of_job(Job(Path(folder)), int(number), bank)
    if is_job(Path(text)):
        job = Job(Path(text))
        return _of_job(job, job.table, bank)
    path = Path(text)
    content = read_text(path, "table (CSV), or JOB:NUMBER")
    sheet = Sheet(path, rows_in(path, content), separator_of(content))
    sheet.turn_upright()
    sheet.check_axes(sheet.speed_rpm, sheet.load)
    cells = np.array(sheet.cells()).reshape(len(sheet.load), len(sheet.speed_rpm))
    return [Named(path.name, sheet.speed_rpm, sheet.load, cells, None)]


def _of_job(job: Job, number: int, bank: str | None) -> list[Named]:
    calibration = job.calibration(number)
    names = [b.name for b in job.description().bank]
    if bank is not None and bank not in names:
        raise UserError(f"{job.folder}: there is no bank {bank}; there are {', '.join(names)}")
    shape = (len(calibration.load), len(calibration.speed_rpm))
    return [
        Named(
            f"{name}, table {number}",
            list(calibration.speed_rpm),
            list(calibration.load),
            np.array(cells).reshape(shape),
            calibration.displacement_cm3,
        )
        for name, cells in zip(names, calibration.ve_pct, strict=True)
        if bank in (None, name)
    ]


def compare(first: str, second: str, bank: str | None, screen: Screen) -> None:
    """Print both comparisons, a bank after the other."""
    left, right = tables_of(first, bank), tables_of(second, bank)
    if len(left) != len(right):
        raise UserError("one side has more banks than the other; name one with --bank")
    for a, b in zip(left, right, strict=True):
        if a.speed_rpm != b.speed_rpm or a.load != b.load:
            raise UserError(f"{a.name} and {b.name} have other axes and cannot be compared")
    pairs = list(zip(left, right, strict=True))
    if screen.result({"comparisons": [_as_dict(a, b) for a, b in pairs]}):
        return
    for a, b in pairs:
        for line in comparison(a, b):
            screen.say(line)


def _as_dict(a: Named, b: Named) -> dict[str, Any]:
    return {
        "first": a.name,
        "second": b.name,
        "speed_rpm": a.speed_rpm,
        "load": a.load,
        "change_of_fuel_pct": change_of_fuel(a, b).round(3).tolist(),
    }


def change_of_fuel(a: Named, b: Named) -> Array:
    """Return the change of VE x displacement from a to b, per cent, of shape
    (load_count, speed_count)."""
    factor = 1.0
    if a.displacement_cm3 and b.displacement_cm3:
        factor = b.displacement_cm3 / a.displacement_cm3
    return np.asarray(100.0 * (b.cells * factor / a.cells - 1.0))


def comparison(a: Named, b: Named) -> list[Text]:
    """Return the lines: what is compared, the numbers, the picture."""
    lines = [plain(f"{a.name} -> {b.name}: change of fuel, per cent", "bold")]
    if a.displacement_cm3 and b.displacement_cm3 and a.displacement_cm3 != b.displacement_cm3:
        lines.append(
            Text(f"displacement {a.displacement_cm3:g} -> {b.displacement_cm3:g} cm3, included")
        )
    change = change_of_fuel(a, b)
    same = int((np.abs(change) < 0.005).sum())
    lines.append(
        Text(
            f"{change.size} cells, {same} the same; from {change.min():+.1f} to "
            f"{change.max():+.1f} %, rms {float(np.sqrt(np.mean(change**2))):.2f} %"
        )
    )
    lines.append(Text())
    lines += _numbers(a, change)
    lines += _picture(a, change)
    return lines


def _numbers(a: Named, change: Array) -> list[Text]:
    """Rows from the highest load down, in blocks of columns that fit the terminal."""
    lines = []
    per_block = (WIDTH - LABEL) // NUMBER_WIDTH
    for at in range(0, len(a.speed_rpm), per_block):
        part = slice(at, at + per_block)
        head = "".join(f"{n:>{NUMBER_WIDTH}g}" for n in a.speed_rpm[part])
        lines.append(Text(f"{'load':>{LABEL}}{head}", style="dim"))
        for row in reversed(range(len(a.load))):
            cells = "".join(f"{_short(c):>{NUMBER_WIDTH}}" for c in change[row, part])
            lines.append(Text(f"{a.load[row]:>{LABEL}g}{cells}"))
        lines.append(Text())
    return lines


def _short(change: float) -> str:
    if abs(change) < 0.05:
        return "."
    return f"{change:+.1f}"


def _picture(a: Named, change: Array) -> list[Text]:
    """Two characters a cell: sign and shade; colour where the terminal has it."""
    lines = [
        Text(
            f"{a.speed_rpm[0]:g} to {a.speed_rpm[-1]:g} rpm from left to right; + richer, - leaner"
        ),
        Text(
            ", ".join(f"{s} {e:g} %" for s, e in zip(SHADES[1:], EDGES, strict=True)) + " and more"
        ),
    ]
    for row in reversed(range(len(a.load))):
        line = Text(f"{a.load[row]:>{LABEL}g} ")
        for value in change[row]:
            shade = sum(abs(value) >= edge for edge in EDGES)
            sign = " " if shade == 0 else ("+" if value > 0 else "-")
            style = "" if shade == 0 else ("red" if value > 0 else "blue")
            line.append(sign + SHADES[shade], style=style)
        lines.append(line)
    lines.append(Text())
    return lines
