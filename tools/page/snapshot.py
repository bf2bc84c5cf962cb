"""What the page shows of a run, as plain values: words, layers and shades of the view's model."""

import secrets
from typing import Any

import numpy as np

from breathmap.learner.core.alarms import AGAIN_S, STOP_NOW
from breathmap.tools.view.causes import cause_line, cause_page
from breathmap.tools.view.layers import LAYERS, correction_text, layer_of
from breathmap.tools.view.map import Layer, level_of, nearest, number_text, step_of
from breathmap.tools.view.model import Model, advised_cells
from breathmap.tools.view.operator import STEADY_S, STOP_AGAIN_S, TONES
from breathmap.tools.view.state import STOP, WAITING
from breathmap.tools.view.words import LEADS, STOP_FIRST, again_text, alarm_text

LANDED = LAYERS[-1]
# Characters of a number in a cell, and of a line.
ROOM = 5
LINE = 100


def hello(title: str, kind: str) -> dict[str, Any]:
    """Return what does not change while a run goes on. run: another one has another."""
    return {
        "run": secrets.token_hex(8),
        "kind": kind,
        "title": title,
        "leads": LEADS,
        "stop_first": STOP_FIRST,
        "tones": {
            state: {"bells": tone.bells, "gap_s": tone.gap_s, "pitch_hz": tone.pitch_hz}
            for state, tone in TONES.items()
        },
        "stop_again_s": STOP_AGAIN_S,
        "steady_s": STEADY_S,
        "again_s": AGAIN_S,
    }


def hello_of(model: Model) -> dict[str, Any]:
    """Return the same of a run that learns, with its banks and axes."""
    axes = model.description.axes
    return hello(model.description.engine.name, "learn") | {
        "banks": model.names,
        "speeds": [f"{speed:g}" for speed in axes.speed_rpm],
        "thousands": [f"{speed / 1000.0:.1f}" for speed in axes.speed_rpm],
        "loads": [f"{load:g}" for load in axes.load],
        "load_unit": axes.load_unit,
        "layers": list(LAYERS),
    }


def words_of(model: Model) -> dict[str, Any]:
    """Return what is said now; called under the lock."""
    watch, axes = model.watch, model.description.axes
    now = model.moment(LINE)
    return {
        "state": {"verdict": list(now.verdict), "calm": list(now.calm)},
        "head": model.head(),
        "point": [nearest(axes.load, watch.load), nearest(axes.speed_rpm, watch.speed_rpm)],
        "alarms": alarms_of(model),
        "spent": now.spent,
    }


def alarms_of(model: Model) -> list[dict[str, Any]]:
    """Return what is latched, worst first. id: grows each time that its cause comes."""
    watch = model.watch
    return [
        {
            "kind": kind,
            "id": watch.came[kind],
            "state": STOP if kind < STOP_NOW else WAITING,
            "text": alarm_text(watch, model.names, kind),
            "again": again_text(watch, kind),
            "on": watch.alarms.active[kind],
        }
        for kind, is_latched in enumerate(watch.alarms.latched)
        if is_latched
    ]


def known_of(model: Model) -> dict[str, Any]:
    """Return what takes long to find, as it was found last."""
    snapshot, found = model.knowing.latest, model.knowing.causes.latest
    aimed = advised_cells(snapshot)
    cells = None
    if aimed is not None:
        cells = [[span.start, span.stop - 1] for span in aimed]
    line = cause_line(found, has_keys=False)
    return {
        "advice": {"lines": model.advice(snapshot), "cells": cells},
        "cause": {"line": line, "page": cause_page(found) if line else []},
    }


def maps_of(model: Model) -> dict[str, Any]:
    """Return every layer of every bank that a look changes, and each cell's correction."""
    snapshot, banks = model.knowing.latest, range(len(model.names))
    layers = [
        [layer_values(layer_of(name, model.watch, snapshot, bank)) for bank in banks]
        for name in LAYERS
        if name != LANDED
    ]
    said: list[list[str]] = []
    if snapshot is not None:
        for solution in snapshot.solutions:
            cells = [(int(row), int(column)) for row, column in np.ndindex(solution.visited.shape)]
            said.append(
                [correction_text(solution, at) if solution.visited[at] else "" for at in cells]
            )
    return {"layers": layers, "corrections": said}


def landed_of(model: Model) -> list[dict[str, Any]]:
    """Return where observations landed, a layer a bank; called under the lock."""
    banks = range(len(model.names))
    return [layer_values(layer_of(LANDED, model.watch, None, bank)) for bank in banks]


def layer_values(layer: Layer) -> dict[str, Any]:
    """Return a layer's title, unit, ends of the shading, numbers as texts, and shades (-1: none),
    row by row from the lowest load."""
    values = [float(value) for value in layer.values.ravel()]
    levels = [level_of(layer, value) for value in values]
    sign = "±" if layer.signed else ""
    return {
        "title": layer.title,
        "unit": layer.unit,
        "ends": [f"{sign}{layer.low:.3g}", f"{sign}{layer.high:.3g}"],
        "numbers": [number_text(value, ROOM, layer.signed) for value in values],
        "shades": [-1 if level is None else step_of(level) for level in levels],
    }
