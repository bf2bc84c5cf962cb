"""Advice on axes for people and for programs: numbers with errors, and a verdict on each."""

from collections.abc import Sequence
from typing import Any

from breathmap.learner.axes.advice import (
    CANNOT_TELL,
    NOT_WORTH_IT,
    WORTH_IT,
    Advice,
    Choice,
    Further,
    Worst,
)
from breathmap.learner.axes.limit import Left
from breathmap.learner.axes.search import Axis
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.base.uncertain import value_text
from breathmap.tools.run.axes import Advised

# What is said of a breakpoint that is left out, by what it is worth.
MISSED = {WORTH_IT: "is missed", NOT_WORTH_IT: "is not missed", CANNOT_TELL: CANNOT_TELL}


def show_advice(advised: Advised, screen: Screen) -> None:
    """Print everything: what the axes cost, the better ones, and how many are worth it."""
    advice, description = advised.advice, advised.ordered.description
    rows, columns = advised.fine.shape
    screen.say(
        f"Learned again on {rows} loads x {columns} speeds: there the breathing is known to "
        f"{100.0 * advice.known:.2f} % (rms of its standard error), weighted by where the engine "
        f"ran; {100.0 * advice.share_known:.0f} % of that time is on ground that was learned."
    )
    names = [bank.name for bank in description.bank]
    unit = description.axes.load_unit
    _show_choices(advice, names, unit, screen)
    screen.say(
        f"Cells in whole steps of {description.storage.step_pct:g} % leave about "
        f"{100.0 * advice.rounding:.2f} % beside that, on any axes: verdicts are on what still "
        "shows of a gain."
    )
    for cost in advice.costs:
        steps = ", ".join(
            f"{low:g} to {high:g} {_unit(cost.axis, unit)} ({100.0 * part:.0f} % of it)"
            for low, high, part in cost.steps
        )
        screen.say(f"The {cost.axis} axis alone costs {_left(cost.rms)}, most of it in {steps}.")
    screen.say(_about_best(advice))
    grid = advice.best.grid
    screen.say(f"speeds, rpm: {_points(grid.speed_rpm)}")
    screen.say(f"loads, {unit}: {_points(grid.load)}")
    if advice.one_more:
        screen.say("On the present axes:")
    for further in advice.one_more:
        screen.say(f"- {_about_one_more(further, unit)}")
    if advice.curve:
        _show_curve(advice, unit, screen)


def _show_choices(advice: Advice, names: list[str], unit: str, screen: Screen) -> None:
    table = Table(title="What the best tables on these axes leave, % of fuel", title_justify="left")
    for heading in ("axes", "rms", "worst", "at", "gain"):
        table.add_column(heading)
    for name, choice in (("present", advice.present), ("best found", advice.best)):
        gain = "" if choice is advice.present else _left(choice.gain)
        table.add_row(name, _left(choice.rms), *_worst(choice.worst, names, unit), gain)
    screen.show(table)


def _worst(worst: Worst, names: list[str], unit: str) -> tuple[str, str]:
    size = Left(abs(worst.left.value), worst.left.error)
    side = "rich" if worst.left.value > 0.0 else "lean"
    where = f"{names[worst.bank]}, {worst.speed_rpm:.0f} rpm, {worst.load:.0f} {unit}"
    return f"{_left(size)} {side}", where


def _about_best(advice: Advice) -> str:
    texts = {
        WORTH_IT: "Better axes of the same number of breakpoints",
        NOT_WORTH_IT: "Other axes are not worth it: the best found would be",
        CANNOT_TELL: "Whether other axes are worth it cannot be told yet: learn more. So far the "
        "best would be",
    }
    return f"{texts[advice.best.verdict]}:"


def _about_one_more(further: Further, unit: str) -> str:
    what = "load row" if further.axis == "load" else "speed column"
    return (
        f"one more {what} at {further.place:g} {_unit(further.axis, unit)} gains "
        f"{_left(further.choice.gain)}: {further.choice.verdict}"
    )


def _show_curve(advice: Advice, unit: str, screen: Screen) -> None:
    table = Table(title="Other numbers of breakpoints, from the best axes", title_justify="left")
    for heading in ("axis", "breakpoints", "leaves", "the last step", "verdict"):
        table.add_column(heading)
    for further in advice.curve:
        choice = further.choice
        if further.place is None:
            step, verdict = f"costs {_left(choice.gain)}", MISSED[choice.verdict]
        else:
            where = f"{further.place:g} {_unit(further.axis, unit)}"
            step, verdict = f"at {where}: gains {_left(choice.gain)}", choice.verdict
        table.add_row(further.axis, f"{further.count}", _left(choice.rms), step, verdict)
    screen.show(table)


def _unit(axis: Axis, load_unit: str) -> str:
    return "rpm" if axis == "speed" else load_unit


def _left(left: Left) -> str:
    if abs(left.value) < 5e-5 and left.error < 5e-5:
        return "less than 0.01 %"
    return value_text(100.0 * left.value, 100.0 * left.error, "%", 2)


def _points(points: Sequence[float]) -> str:
    return " ".join(f"{point:g}" for point in points)


def as_dict(advised: Advised) -> dict[str, Any]:
    """Return the advice as plain values, per cent of fuel, units in the names."""
    advice = advised.advice
    names = [bank.name for bank in advised.ordered.description.bank]
    return {
        "fine_cells": list(advised.fine.shape),
        "known_pct": _pct(advice.known),
        "rounding_pct": _pct(advice.rounding),
        "share_known": round(advice.share_known, 4),
        "step_speed_rpm": advised.steps.speed_rpm,
        "step_load": advised.steps.load,
        "present": _choice(advice.present, names),
        "best": _choice(advice.best, names),
        "by_axis": [
            {
                "axis": cost.axis,
                "rms": _both(cost.rms),
                "steps": [
                    {"from": low, "to": high, "share": round(part, 4)}
                    for low, high, part in cost.steps
                ],
            }
            for cost in advice.costs
        ],
        "one_more": [_further(further, names) for further in advice.one_more],
        "curve": [_further(further, names) for further in advice.curve],
    }


def _further(further: Further, names: list[str]) -> dict[str, Any]:
    return {
        "axis": further.axis,
        "breakpoints": further.count,
        "added": further.place,
        **_choice(further.choice, names),
    }


def _choice(choice: Choice, names: list[str]) -> dict[str, Any]:
    worst = choice.worst
    return {
        "speed_rpm": list(choice.grid.speed_rpm),
        "load": list(choice.grid.load),
        "rms": _both(choice.rms),
        "worst": {
            **_both(worst.left),
            "bank": names[worst.bank],
            "speed_rpm": worst.speed_rpm,
            "load": worst.load,
        },
        "gain": _both(choice.gain),
        "verdict": choice.verdict,
    }


def _both(left: Left) -> dict[str, float]:
    return {"pct": _pct(left.value), "standard_error_pct": _pct(left.error)}


def _pct(fraction: float) -> float:
    return round(100.0 * fraction, 4)
