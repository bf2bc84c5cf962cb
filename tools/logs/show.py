"""What is shown of a log: its columns as understood, its first rows, the range of every quantity;
and the questions that a terminal is asked."""

import sys
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import typer

from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.log_look import UNITS, Look, Span
from breathmap.learner.words.log_rows import Rows
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.logs.open import log_rows, look_at, open_log
from breathmap.tools.logs.propose import Ask, LogMapping

SHOWN_ROWS = 3


def ask_terminal(screen: Screen) -> Ask | None:
    """Return who answers questions: the terminal, where there is one on both sides."""
    if screen.as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None

    def ask(question: str, choices: Sequence[str]) -> int:
        screen.say(question, "bold")
        for number, choice in enumerate(choices, start=1):
            screen.say(f"  {number}  {choice}")
        while True:
            given = int(typer.prompt("Number", type=int, default=1))
            if 1 <= given <= len(choices):
                return given - 1

    return ask


def show_mapping(path: Path, mapping: LogMapping, screen: Screen) -> None:
    """Print which column was taken for what, why, and how sure that is."""
    screen.say(f"{path}: its columns, as understood:")
    for key, guess in mapping.guesses:
        style = "" if key not in mapping.doubts else "bold yellow"
        unit = f", {guess.unit.name}" if guess.unit.name else ""
        screen.say(f"  {key}: “{guess.column.name}”{unit} ({guess.sure}): {guess.reason}", style)


def show_look(look: Look, screen: Screen) -> None:
    """Print the range of every quantity as understood."""
    rate = f", {1.0 / look.step_s:.3g} rows a second" if look.step_s > 0 else ""
    screen.say(f"{look.rows:,} rows over {look.duration_s / 60.0:.1f} minutes{rate}.")
    table = Table(title="As understood", title_justify="left")
    for name in ("quantity", "range"):
        table.add_column(name)
    table.add_column("rows with it", justify="right")
    for span in look.spans:
        table.add_row(span.key, span.text(), f"{100 * span.share:.0f} %")
    screen.show(table)
    for line in look.odd:
        screen.warn(line + ".")


def show_rows(path: Path, rows: Rows, description: EngineDescription, screen: Screen) -> None:
    """Print the first rows as understood."""
    for sample in islice(open_log(path, description, rows).samples(), SHOWN_ROWS):
        parts = [f"{1e-6 * sample.time_us:.3f} s", f"{sample.speed_rpm:.0f} rpm"]
        for name in ("map_kpa", "throttle_pct", "coolant_c"):
            value = getattr(sample, name)
            if value == value:
                parts.append(f"{value:.4g} {UNITS[name].split()[0]}")
        measured = ", ".join(f"{value:.3f}" for value in sample.measured_lambda)
        parts.append(f"lambda {measured} (commanded {sample.target_lambda:.3f})")
        screen.say("  " + "; ".join(parts))


def check_log(path: Path, description: EngineDescription, screen: Screen) -> dict[str, Any]:
    """Print a log as a description that names its columns understands it, and return that as plain
    values; UserError when it cannot be meant."""
    rows = log_rows(path)
    look = look_at(path, rows, description)
    screen.say(f"{path}: its first rows, as understood:")
    show_rows(path, rows, description, screen)
    show_look(look, screen)
    if look.odd and description.log is not None and not description.log.take_odd_values:
        raise UserError(f"{path}: {look.odd[0]}; correct the [log] part")
    if not look.odd:
        screen.say("Nothing in it contradicts its units.")
    return as_values(look)


def as_values(look: Look) -> dict[str, Any]:
    """Return a look as plain values, for --json."""
    return {
        "rows": look.rows,
        "duration_s": round(look.duration_s, 3),
        "quantities": {span.key: _span_values(span) for span in look.spans},
        "odd": look.odd,
    }


def _span_values(span: Span) -> dict[str, Any]:
    numbers = {"least": span.least, "middle": span.middle, "most": span.most}
    shown = {k: None if not np.isfinite(v) else float(f"{v:.6g}") for k, v in numbers.items()}
    return {"unit": span.unit, "share": round(span.share, 4), **shown}


def mapping_values(mapping: LogMapping) -> dict[str, Any]:
    """Return a mapping as plain values, for --json."""
    return {
        key: {
            "column": guess.column.heading,
            "nth": guess.column.nth,
            "unit": guess.unit.name,
            "sure": guess.sure,
            "reason": guess.reason,
        }
        for key, guess in mapping.guesses
    }
