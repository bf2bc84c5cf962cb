"""`breathmap compare`: two tables as numbers and as a shaded picture in the terminal.

What an argument may name is in `breathmap.tools.job.named`. Tables of two displacements are
compared by VE x displacement, because that is what makes the fuel. A job compared with what a
controller exported is checked: does it hold what was proposed?
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from breathmap.learner.axes.grid import Grid, moved
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen, plain
from breathmap.tools.job.folder import Job, is_job
from breathmap.tools.job.named import USUAL_STEP_PCT, Named, is_file, meant, tables_of

Array = NDArray[np.float64]

WIDTH = 78
LABEL = 7
NUMBER_WIDTH = 6
# Times its standard error that a difference between two passes counts.
SURE = 2.0
SHADES = " ░▒▓█"
# Per cent of difference that a shade begins at, but for the first.
EDGES = (0.5, 2.0, 5.0, 10.0)


def compare(first: str, others: Sequence[str], bank: str | None, screen: Screen) -> bool:
    """Print the comparisons, a bank after the other. others: what the first is compared with; more
    than one: a file a bank, in their order.

    Where a job or folder is compared with files, say whether the controller holds what it should.
    Return False where it does not.
    """
    left = tables_of(first, bank, screen)
    right = [table for text in others for table in tables_of(text, bank, screen, left)]
    if len(left) != len(right):
        raise UserError("one side has more banks than the other; name one with --bank")
    if all(is_file(text) for text in others) and not is_file(first):
        asked = left
        if is_job(Path(first)):
            asked = [one for one in meant(Job(Path(first))) if bank in (None, one.bank)]
        return check_held(asked, right, screen, left)
    pairs = list(zip(left, right, strict=True))
    if not any(is_file(text) for text in (first, *others)):
        pairs = [(a, _on_axes_of(a, b)) for a, b in pairs]
    for a, b in pairs:
        _check_same_axes(a, b)
    if screen.result({"comparisons": [_as_dict(a, b) for a, b in pairs]}):
        return True
    for a, b in pairs:
        for line in comparison(a, b):
            screen.say(line)
    return True


def _on_axes_of(a: Named, b: Named) -> Named:
    """Return b as it reads at the breakpoints of a, and says so in its name; without errors, which
    are of its own cells."""
    if on_same_axes(a, b):
        return b
    before, after = (Grid(tuple(one.speed_rpm), tuple(one.load)) for one in (b, a))
    return replace(
        b,
        name=f"{b.name} (on other axes, interpolated at these; no errors)",
        speed_rpm=a.speed_rpm,
        load=a.load,
        cells=moved(b.cells, before, after),
        errors=None,
    )


def on_same_axes(a: Named, b: Named) -> bool:
    """True when two tables have the same breakpoints."""
    return a.speed_rpm == b.speed_rpm and a.load == b.load


def _check_same_axes(a: Named, b: Named) -> None:
    if not on_same_axes(a, b):
        raise UserError(
            f"{a.name} and {b.name} have other axes and cannot be compared: type the axes of the "
            "first into the controller and export again, or name the table of the other axes"
        )


def differing(a: Named, b: Named) -> list[tuple[int, int]]:
    """Return (row, column) of the cells that a controller would store otherwise: those half a step
    apart or more."""
    _check_same_axes(a, b)
    step = a.step_pct or USUAL_STEP_PCT
    apart = np.abs(a.cells - b.cells) >= step / 2.0 - 1e-9
    return [(int(row), int(column)) for row, column in np.argwhere(apart)]


def check_held(left: list[Named], right: list[Named], screen: Screen, present: list[Named]) -> bool:
    """Say whether a controller, its tables exported, holds what it should, and where not. present:
    the job's table, which is named where that is in it still. Nothing but its VE tables was looked
    at."""
    found = [(a, b, differing(a, b)) for a, b in zip(left, right, strict=True)]
    held = not any(places for _, _, places in found)
    result = {"held": held, "tables": [_held_dict(a, b, places) for a, b, places in found]}
    if screen.result(result):
        return held
    for (a, b, places), now in zip(found, present, strict=True):
        step = f"to within half a step of {a.step_pct or USUAL_STEP_PCT:g} %"
        if not places:
            screen.say(
                f"{a.bank}: the controller holds {_as_proposed(a)}, as {b.name} has it: all "
                f"{a.cells.size} cells the same {step}."
            )
            continue
        screen.warn(
            f"{a.bank}: the controller does not hold {_as_proposed(a)}: in {b.name} "
            f"{len(places)} of {a.cells.size} cells differ, more than {step}:"
        )
        if now.source != a.source and not differing(now, b):
            screen.warn(f"{a.bank}: it still holds {now.source}, from before the proposal.")
            continue
        for row, column in places:
            screen.say(
                f"- {a.speed_rpm[column]:g} rpm, load {a.load[row]:g}: {a.cells[row, column]:g} "
                f"wanted, {b.cells[row, column]:g} there"
            )
    screen.say(
        "Only VE tables were compared: set-up, displacement and every other table were not looked "
        "at."
    )
    return held


def _as_proposed(a: Named) -> str:
    return f"what was proposed ({a.source})" if "proposal" in a.source else a.source


def _held_dict(a: Named, b: Named, places: list[tuple[int, int]]) -> dict[str, Any]:
    return {
        "bank": a.bank,
        "wanted": a.source,
        "exported": b.name,
        "cells": int(a.cells.size),
        "differing": [
            {
                "speed_rpm": a.speed_rpm[column],
                "load": a.load[row],
                "wanted_pct": float(a.cells[row, column]),
                "there_pct": float(b.cells[row, column]),
            }
            for row, column in places
        ],
    }


def _as_dict(a: Named, b: Named) -> dict[str, Any]:
    return {
        "first": a.name,
        "second": b.name,
        "speed_rpm": a.speed_rpm,
        "load": a.load,
        "change_of_fuel_pct": change_of_fuel(a, b).round(3).tolist(),
        **_errors_dict(a, b),
    }


def _errors_dict(a: Named, b: Named) -> dict[str, Any]:
    errors = errors_between(a, b)
    if errors is None:
        return {}
    return {"standard_error_pct": np.nan_to_num(errors, posinf=1e6).round(3).tolist()}


def errors_between(a: Named, b: Named) -> Array | None:
    """Return the standard errors of the change, per cent, shape (load_count, speed_count); None
    where neither side was measured."""
    if a.errors is None and b.errors is None:
        return None
    zero = np.zeros(a.cells.shape)
    first, second = (zero if one.errors is None else one.errors for one in (a, b))
    return np.asarray(100.0 * np.hypot(first, second))


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
    errors = errors_between(a, b)
    if errors is not None:
        beyond = int((np.abs(change) > SURE * errors).sum())
        lines.append(
            Text(f"{beyond} cells differ by more than {SURE:g} times the standard error of that")
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
