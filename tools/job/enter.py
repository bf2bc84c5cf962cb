"""`breathmap enter`: tables for controllers that do not speak our protocol, to paste or to type in.

A whole table as tab-separated text, or only the cells that change, in the order in which they stand
in the controller's own table. Neither says anything of what the controller holds afterwards: for
that `breathmap compare` reads what it exports.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log10
from typing import Any, Literal

from breathmap.tools.job.compare import differing, on_same_axes
from breathmap.tools.job.named import USUAL_STEP_PCT, Named

LoadOrder = Literal["low-first", "high-first"]
DecimalMark = Literal["point", "comma"]


@dataclass(frozen=True)
class Form:
    """How a controller's own program shows a table."""

    loads: LoadOrder = "low-first"
    decimal: DecimalMark = "point"
    axes: bool = False

    def number(self, value: float, decimals: int) -> str:
        """Return a number as it is typed."""
        text = f"{value:.{decimals}f}"
        return text.replace(".", ",") if self.decimal == "comma" else text

    def rows(self, table: Named) -> list[int]:
        """Return the numbers of a table's rows from the top down."""
        rows = list(range(len(table.load)))
        return rows if self.loads == "low-first" else rows[::-1]


def decimals_of(table: Named) -> int:
    """Return how many decimals show every step of a table's cells."""
    step = table.step_pct or USUAL_STEP_PCT
    least = max(0, ceil(-log10(step) - 1e-9))
    return next(d for d in range(least, least + 6) if abs(step * 10**d % 1.0) < 1e-6 or d > 4)


def as_text(table: Named, form: Form) -> str:
    """Return a table as text to paste: tab-separated, a row a load."""
    decimals = decimals_of(table)
    lines = []
    if form.axes:
        lines.append("\t".join(["", *(form.number(n, 0) for n in table.speed_rpm)]))
    for row in form.rows(table):
        cells = [form.number(cell, decimals) for cell in table.cells[row]]
        head = [form.number(table.load[row], 1)] if form.axes else []
        lines.append("\t".join([*head, *cells]))
    return "\n".join(lines) + "\n"


def changes(new: Named, old: Named, form: Form) -> list[dict[str, Any]]:
    """Return the cells that change, row by row from the top, left to right; none where the axes
    change, because then all of it does."""
    if not on_same_axes(new, old):
        return []
    places = set(differing(new, old))
    found = []
    for number, row in enumerate(form.rows(new), start=1):
        for column, speed in enumerate(new.speed_rpm):
            if (row, column) in places:
                found.append(
                    {
                        "row": number,
                        "column": column + 1,
                        "speed_rpm": speed,
                        "load": new.load[row],
                        "old_pct": float(old.cells[row, column]),
                        "new_pct": float(new.cells[row, column]),
                    }
                )
    return found


def as_list(new: Named, old: Named, form: Form) -> str:
    """Return the cells that change as a list to type in and tick."""
    decimals, found = decimals_of(new), changes(new, old, form)
    top = "lowest" if form.loads == "low-first" else "highest"
    lines = [f"{new.name}: {len(found)} of {new.cells.size} cells change; row 1 is the {top} load"]
    before = 0
    for one in found:
        if one["row"] != before:
            before = one["row"]
            lines.append(f"row {before}, load {one['load']:g}:")
        old_text, new_text = (form.number(one[key], decimals) for key in ("old_pct", "new_pct"))
        lines.append(
            f"  [ ] column {one['column']:>2}, {one['speed_rpm']:g} rpm: {old_text} -> {new_text}"
        )
    return "\n".join(lines) + "\n"


def axes_lines(new: Named, old: Named, load_unit: str) -> list[str]:
    """Return what is to be typed in before the tables, where the axes change with them; each axis
    whole, as a table may have other numbers of breakpoints."""
    if on_same_axes(new, old):
        return []
    return [
        f"The axes change with it. {len(new.speed_rpm)} speeds, rpm: "
        f"{' '.join(f'{n:g}' for n in new.speed_rpm)}",
        f"{len(new.load)} loads, {load_unit}: {' '.join(f'{p:g}' for p in new.load)}",
    ]


def displacement_line(new: Sequence[Named], old: Sequence[Named]) -> str:
    """Return what is to be said of the displacement constant, "" where it stays."""
    after, before = new[0].displacement_cm3, old[0].displacement_cm3
    if after is None or before is None or after == before:
        return ""
    return (
        f"The displacement constant changes with it, from {before:g} to {after:g} cm3: neither may "
        "be in the controller without the other."
    )
