"""What the live view's table can show: the layers, their titles, and the close-up."""

import numpy as np
from rich.text import Text

from breathmap.learner.exact.solve import Solution
from breathmap.tools.base.uncertain import signed_text
from breathmap.tools.view.map import LABEL_WIDTH, Layer, Look, draw, nearest
from breathmap.tools.view.state import Snapshot, Watch

LAYERS = ("coverage", "VE now", "VE proposed", "correction", "standard error", "landed")
CLOSE_SPAN = 5
CLOSE_WIDTH = LABEL_WIDTH + 7 * CLOSE_SPAN
CLOSE_LINES = 2  # below the close-up
LANDED_MEMORY_S = 30.0

Target = tuple[range, range]


def layer_of(name: str, watch: Watch, snapshot: Snapshot | None, bank: int) -> Layer:
    """Return a layer of a bank; without a snapshot, what needs one is empty."""
    table = watch.session.learner.banks[bank].table
    shape = (table.load_count, table.speed_count)
    if name == "VE now":
        now = np.asarray(table.cells).reshape(shape)
        return Layer(name, "%", now, float(now.min()), float(now.max()))
    if name == "landed":
        age = watch.time_s - watch.landed[bank]
        values = np.where(age < LANDED_MEMORY_S, np.round(age, 1), np.nan)
        # The newest brightest: shading runs the other way round.
        title = f"landed in the last {LANDED_MEMORY_S:.0f} s"
        return Layer(title, "s ago", values, LANDED_MEMORY_S, 0.0)
    if snapshot is None:
        return Layer(name, "", np.full(shape, np.nan), 0.0, 1.0)
    solution = snapshot.solutions[bank]
    seen = solution.visited
    if name == "coverage":
        values = np.where(seen, solution.coverage, np.nan)
        return Layer(name, "independent samples", values, 0.0, 50.0)
    if name == "VE proposed":
        proposed = snapshot.proposed_pct[bank]
        return Layer(name, "%", proposed, float(proposed.min()), float(proposed.max()))
    if name == "correction":
        values = np.where(seen, 100.0 * solution.correction, np.nan)
        return Layer(name, "%", values, 0.0, 12.0, signed=True)
    return Layer(name, "%", 100.0 * solution.standard_error, 0.0, 3.0)


def title_of(layer: Layer, bank: str, load_unit: str, thousands: bool, look: Look) -> Text:
    """Return the line above a map. bank: "" where there is one only."""
    chosen = f"{bank}: " if bank else ""
    unit = f", {layer.unit}" if layer.unit else " (the first estimate follows)"
    speed = "rpm / 1000" if thousands else "rpm"
    text = f"{chosen}{layer.title}{unit}; up: {load_unit}, across: {speed}"
    return Text(look.plain(text), "bold", end="", no_wrap=True, overflow="crop")


def close_up(
    layer: Layer,
    watch: Watch,
    snapshot: Snapshot | None,
    bank: int,
    rows: int,
    look: Look,
    target: Target | None,
) -> Text:
    """Return the cells around the operating point, wide, and the nearest one's correction."""
    axes = watch.session.description.axes
    at_row = max(nearest(axes.load, watch.load), 0)
    at_column = max(nearest(axes.speed_rpm, watch.speed_rpm), 0)
    down, across = _around(at_row, len(axes.load)), _around(at_column, len(axes.speed_rpm))
    values = layer.values[np.ix_(down, across)]
    part = Layer(layer.title, layer.unit, values, layer.low, layer.high, layer.signed)
    inner = None if target is None else (_moved(target[0], down), _moved(target[1], across))
    text = draw(
        part,
        [axes.speed_rpm[k] for k in across],
        [axes.load[k] for k in down],
        (watch.speed_rpm, watch.load),
        CLOSE_WIDTH,
        rows - CLOSE_LINES,
        look,
        inner,
    )
    if snapshot is not None and rows > CLOSE_SPAN + CLOSE_LINES:
        solution = snapshot.solutions[bank]
        here = (at_row, at_column)
        seen = "" if solution.visited[here] else ", never visited"
        lines = (
            f"\nnearest cell {axes.speed_rpm[at_column]:g} rpm, {axes.load[at_row]:g} "
            f"{axes.load_unit}{seen}:"
            f"\ncorrection {correction_text(solution, here)} (standard error)"
        )
        text.append(look.plain(lines))
    return text


def correction_text(solution: Solution, here: tuple[int, int]) -> str:
    """Return the correction of the cell (row, column) with its standard error."""
    value, error = solution.correction[here], solution.standard_error[here]
    return signed_text(100.0 * float(value), 100.0 * float(error), "%", 1)


def _around(centre: int, count: int) -> range:
    first = min(max(centre - CLOSE_SPAN // 2, 0), max(count - CLOSE_SPAN, 0))
    return range(first, min(first + CLOSE_SPAN, count))


def _moved(span: range, to: range) -> range:
    return range(span.start - to.start, span.stop - to.start)
