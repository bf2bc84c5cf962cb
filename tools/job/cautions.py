"""What a proposal leaves, in words: risk that no rule can take away, cells that stand out; and the
reason of one cell."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import SATURATED, Rules
from breathmap.learner.decide.why import Why
from breathmap.learner.exact.solve import ONE_SAMPLE
from breathmap.learner.words.description import Axes
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen

Reasons = Sequence[Sequence[Why]]


def left_lines(
    name: str, reasons: Reasons, stands_out: NDArray[np.bool_], rules: Rules, axes: Axes
) -> Iterator[str]:
    """Say of a bank what the rule could not make safe, and which cells stand out because of it."""
    risky, spikes = [], []
    for j, row in enumerate(reasons):
        for i, why in enumerate(row):
            if why.decision == SATURATED:
                continue
            place = f"{axes.speed_rpm[i]:g} rpm, {axes.load[j]:g} {axes.load_unit_said}"
            if why.samples >= ONE_SAMPLE and why.risk > why.risk_allowed:
                risky.append((why.risk, place))
            if stands_out[j, i]:
                spikes.append((why.taken - why.correction, place))
    if risky:
        risk, place = max(risky)
        yield (
            f"{name}: {_cells(risky)} may still be leaner than target by {100.0 * rules.lean:g} % "
            f"with more than {100.0 * rules.risk:g} % probability, though as rich as was measured; "
            f"most at {place} ({100.0 * risk:.0f} %). Learn more there before it works hard."
        )
    if spikes:
        back, place = max(spikes)
        yield (
            f"{name}: {_cells(spikes)} stand out, held back more than the neighbours and left "
            f"richer, by {100.0 * back:.1f} % at {place}. A little time there settles it."
        )


def show_reasons(
    banks: Sequence[tuple[str, Reasons]], place: tuple[int, int], axes: Axes, screen: Screen
) -> None:
    """Say of one cell, (column, row), why each bank would get its decision there."""
    column, row = place
    by_bank = {name: asdict(reasons[row][column]) for name, reasons in banks}
    at = {"speed_rpm": axes.speed_rpm[column], "load": axes.load[row]}
    if screen.result({**at, "banks": by_bank}):
        return
    screen.say(
        f"The cell at {axes.speed_rpm[column]:g} rpm, {axes.load[row]:g} {axes.load_unit_said}:"
    )
    for name, reasons in banks:
        why = reasons[row][column]
        screen.say(
            f"{name}: {why.decision}, VE {why.old_pct:g} to {why.new_pct:g} %. {why.text()}. "
            f"Then leaner than target by more than {100.0 * why.lean:g} % with a probability "
            f"{_probability(why.risk)}."
        )


def nearest_cell(place: str, axes: Axes) -> tuple[int, int]:
    """Return column and row of the cell nearest to "SPEED,LOAD"; UserError where that is none."""
    try:
        speed_rpm, load = (float(part) for part in place.split(","))
    except ValueError:
        speed_rpm = load = float("nan")
    pairs = ((speed_rpm, axes.speed_rpm), (load, axes.load))
    if not all(points[0] <= value <= points[-1] for value, points in pairs):
        raise UserError(
            f"--cell {place}: give a speed from {axes.speed_rpm[0]:g} to {axes.speed_rpm[-1]:g} "
            f"rpm and a load from {axes.load[0]:g} to {axes.load[-1]:g} {axes.load_unit_said}, as "
            f"in --cell {axes.speed_rpm[1]:g},{axes.load[1]:g}"
        )
    column, row = (int(np.argmin(np.abs(np.asarray(points) - value))) for value, points in pairs)
    return column, row


def _probability(risk: float) -> str:
    return "below 0.1 %" if risk < 0.001 else f"of {100.0 * risk:.1f} %"


def _cells(items: Sequence[object]) -> str:
    return f"{len(items)} visited cell{'s' if len(items) > 1 else ''}"
