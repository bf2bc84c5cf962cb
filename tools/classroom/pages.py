"""The classroom's pages: a work sheet to print, and a class's marks. HTML without any script."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from breathmap.tools.base.pages import environment
from breathmap.tools.classroom import marking
from breathmap.tools.classroom.exercise import ANSWERS, LEVELS, named_faults
from breathmap.tools.classroom.marking import Mark
from breathmap.tools.report.words import CAUTIONS

TEMPLATES = Path(__file__).resolve().parent / "templates"
# The curve's drawing, in its own units.
WIDTH, HEIGHT, LEFT, BELOW = 320.0, 120.0, 34.0, 22.0


@dataclass(frozen=True)
class Drawing:
    """A convergence curve as SVG numbers. line: points of the polyline; dots: their places."""

    line: str
    dots: list[tuple[float, float]]
    most_pct: float
    minutes: float
    goal_y: float


def worksheet(level: int, name: str) -> str:
    """Return the work sheet of a level as HTML."""
    return _rendered(
        "worksheet.html",
        name=name,
        number=level,
        level=LEVELS[level],
        cautions=CAUTIONS,
        faults=named_faults(),
        answers=ANSWERS,
        ground_rpm=marking.GROUND_RPM,
        ground_kpa=marking.GROUND_KPA,
        par_minutes=marking.PAR_MINUTES,
        most_unsafe_s=marking.MOST_UNSAFE_S,
    )


def class_page(marks: Sequence[Mark], failed: Sequence[tuple[str, str]]) -> str:
    """Return a class's marks as HTML: a table, then each pupil's answer and curve. failed: folder
    and reason of what could not be marked."""
    goals = {number: level.goal_pct for number, level in LEVELS.items()}
    return _rendered(
        "marks.html",
        marks=[(mark, drawn(mark, goals[mark.level])) for mark in marks],
        failed=failed,
        width=WIDTH,
        height=HEIGHT,
        left=LEFT,
        below=BELOW,
    )


def drawn(mark: Mark, goal_pct: float) -> Drawing:
    """Return a mark's convergence curve, ready to draw."""
    most = max(*(step.error_pct for step in mark.curve), 1.25 * goal_pct)
    minutes = max(mark.curve[-1].minutes, 1.0)
    wide, high = WIDTH - LEFT - 8.0, HEIGHT - BELOW - 10.0

    def y(error: float) -> float:
        return round(10.0 + high * (1.0 - error / most), 1)

    dots = [(round(LEFT + wide * s.minutes / minutes, 1), y(s.error_pct)) for s in mark.curve]
    line = " ".join(f"{across},{up}" for across, up in dots)
    return Drawing(line, dots, most, minutes, y(goal_pct))


def _rendered(template: str, **values: Any) -> str:
    return environment(TEMPLATES).get_template(template).render(**values) + "\n"
