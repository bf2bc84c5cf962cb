"""What is questioned in a table that a person gives: cells that are far off, files cut short."""

from collections.abc import Sequence
from pathlib import Path

from breathmap.learner.words.description import Axes
from breathmap.learner.words.far_cells import far_cells


def odd_cells(bank: str, axes: Axes, cells: Sequence[float]) -> list[str]:
    """Return a line for each cell that is far from all that is near it."""
    return [
        f"{bank}: the cell at {cell.speed_rpm:g} rpm, {cell.load:g} {axes.load_unit_said} holds VE "
        f"{cell.value:g} %; what is near it says {cell.low:.3g} to {cell.high:.3g} %: a slip, or "
        "a file cut short?"
        for cell in far_cells(axes.speed_rpm, axes.load, cells)
    ]


def cut_short(path: Path) -> list[str]:
    """Return a line when a file that was read does not end as a whole file does."""
    if path.read_bytes().endswith((b"\n", b"\r")):
        return []
    return [f"{path}: it does not end with a line end: is it whole? Look at its last cell"]
