"""A made-up ride as a log, and an engine that goes with it."""

import math
from pathlib import Path
from typing import Any

from breathmap.learner.words.description import parse_description
from breathmap.learner.words.description_text import annotated_example

ROWS = 600
HEADINGS = ("time", "speed", "map", "throttle", "coolant", "intake", "battery", "target", "lambda")
ENGINE: dict[str, Any] = {
    "engine": {"name": "invented", "displacement_cm3": 689, "cylinders": 2, "fuel": "petrol"},
    "axes": {"speed_rpm": [1000, 3500, 6000], "load": [30, 65, 100]},
    "bank": [{"name": "one", "table": "one.csv"}],
    "log": {
        "time": {"column": "time"},
        "speed_rpm": {"column": "speed"},
        "map_kpa": {"column": "map"},
        "throttle_pct": {"column": "throttle"},
        "coolant_c": {"column": "coolant"},
        "intake_c": {"column": "intake"},
        "battery_v": {"column": "battery"},
        "target_lambda": {"column": "target"},
        "bank": [{"measured_lambda": {"column": "lambda"}}],
    },
}


def ride(start_s: float = 0.0, other: float = 0.0) -> list[list[float]]:
    """Return the rows of a made-up ride, in the units that are meant."""
    rows = []
    for k in range(ROWS):
        wave = 0.5 + 0.5 * math.sin(0.05 * k + other)
        target = 0.95 - 0.1 * wave
        rows.append(
            [start_s + 0.05 * k, 1200 + 4000 * wave, 32 + 60 * wave, 4 + 60 * wave * wave, 84.0,
             22.0, 13.9, target, target * (1.01 + 0.02 * math.sin(0.7 * k + other))]
        )  # fmt: skip
    return rows


def text_of(rows: list[list[float]]) -> str:
    """Return a log as CSV."""
    lines = [",".join(HEADINGS), *(",".join(f"{v:.6g}" for v in row) for row in rows)]
    return "\n".join(lines) + "\n"


def engine_folder(folder: Path, engine: dict[str, Any] = ENGINE) -> Path:
    """Write the engine's description and tables into a folder; return it."""
    (folder / "engine.toml").write_text(annotated_example(parse_description(engine)))
    cells = "".join(f"{load},70,70,70\n" for load in (30, 65, 100))
    for bank in engine["bank"]:
        (folder / bank["table"]).write_text("x,1000,3500,6000\n" + cells)
    return folder
