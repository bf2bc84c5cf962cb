"""The command `breathmap check`: what a description and its tables were understood to say."""

import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.stream import USUAL_INTAKE_C
from breathmap.learner.words.description import LOAD_UNITS_SAID, EngineDescription, Storage
from breathmap.learner.words.description_text import annotated_example, mapping_text
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description
from breathmap.tools.base.odd_tables import cut_short, odd_cells
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.base.texts import counted
from breathmap.tools.cli.options import AsJson, Columns
from breathmap.tools.logs.open import log_rows, with_mapping
from breathmap.tools.logs.propose import (
    described_with,
    parse_said,
    propose_mapping,
    with_doubts,
    without_comments,
)
from breathmap.tools.logs.show import ask_terminal, check_log, mapping_values, show_mapping
from breathmap.tools.run.learning import load as load_engine

# Where the delay is shown: idle-like, cruising, hard at work (speed rpm, pressure kPa).
DELAY_POINTS = ((1500.0, 35.0), (3000.0, 55.0), (6000.0, 95.0))

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap check engine.toml`\n\n"
    "`breathmap check --example > engine.toml` (every key explained, to start from)\n\n"
    "`breathmap check --pipe 420x38+430x45` (the exhaust's volume from lengths and bores, mm)\n\n"
    "`breathmap check engine.toml ride.csv` (a log as understood; without a [log] part in the "
    "description one is proposed)\n\n"
)


def check(
    description: Annotated[
        Path | None,
        typer.Argument(metavar="ENGINE.toml", help="The engine description.", show_default=False),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Argument(
            metavar="LOG", help="A log: how the description understands it.", show_default=False
        ),
    ] = None,
    column: Columns = None,
    pipe: Annotated[
        str,
        typer.Option(
            metavar="LENGTHxBORE",
            help="Exhaust pipe from valves to sensor, mm: say its volume. Parts with +.",
        ),
    ] = "",
    example: Annotated[
        bool, typer.Option("--example", help="Print an annotated example and do nothing else.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Read an engine description and its tables, or a log by it, and print what was understood."""
    if example:
        if not Screen(as_json).result({"example": annotated_example()}):
            Screen().paste(annotated_example())
        return
    if pipe:
        show_pipe(pipe, Screen(as_json))
        return
    if description is None:
        raise UserError("give an engine description, or --example to print one to start from")
    if log is not None:
        check_with_log(description, log, column or [], Screen(as_json))
        return
    check_engine(description, Screen(as_json))


def check_engine(path: Path, screen: Screen) -> None:
    """Print what was understood; UserError when something is wrong."""
    description, tables = load_engine(path)
    understood = understand(path, description, tables)
    if screen.result(understood):
        return
    _show(understood, screen)


def check_with_log(path: Path, log: Path, column: Sequence[str], screen: Screen) -> None:
    """Print how a log is understood: by the description's [log] part, or by one that is proposed;
    UserError when it cannot be meant."""
    description = with_mapping(log, read_description(path))
    if description.log is not None and not column:
        result = check_log(log, description, screen)
        screen.result({"log": str(log), **result})
        return
    rows, names = log_rows(log), [bank.name for bank in description.bank]
    mapping = propose_mapping(
        log, rows, names, description.axes.load_axis, parse_said(column), ask_terminal(screen)
    )
    show_mapping(log, mapping, screen)
    screen.say(f"To learn from it, put this at the end of {path}:")
    part = with_doubts(without_comments(mapping_text(mapping.log)), mapping.doubts)
    screen.say()
    screen.say_lines(part)
    screen.say()
    proposed = described_with(description, mapping)
    result = check_log(log, proposed, screen)
    if proposed.engine.fuel != description.engine.fuel:
        screen.warn('the log holds AFR: name the fuel, as fuel = "petrol" under [engine].')
    screen.result({"log": str(log), "columns": mapping_values(mapping), "text": part, **result})


def pipe_cm3(text: str) -> float:
    """Return the volume of a pipe given as LENGTHxBORE in mm, parts joined by +; UserError for
    anything else."""
    total = 0.0
    for part in text.split("+"):
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[xX×*]\s*(\d+(?:\.\d+)?)\s*", part)
        if match is None:
            raise UserError(f"--pipe {text}: give LENGTHxBORE in mm, as 850x38, parts with +")
        length_mm, bore_mm = float(match[1]), float(match[2])
        if not (1.0 <= length_mm <= 20000.0 and 5.0 <= bore_mm <= 500.0):
            raise UserError(
                f"--pipe {part}: length 1 to 20000 mm first, then bore (inside) 5 to 500 mm"
            )
        if length_mm < bore_mm:
            raise UserError(f"--pipe {part}: shorter than wide; give the length first")
        total += math.pi / 4.0 * bore_mm**2 * length_mm / 1000.0
    return total


def show_pipe(text: str, screen: Screen) -> None:
    """Print a pipe's volume and what it is for."""
    volume_cm3 = pipe_cm3(text)
    if screen.result({"exhaust_volume_cm3": round(volume_cm3, 1)}):
        return
    screen.say(f"{text} mm: {volume_cm3:.0f} cm3. Under the bank's [bank.delay] write:")
    screen.say(f"  exhaust_volume_cm3 = {volume_cm3:.0f}")
    screen.say(
        "Burnt gas fills it on its way from the valves to the sensor, so it says how long a "
        "reading lags behind its fuel. Take inside bores, and all pipes of the bank up to the "
        "sensor, joined by +. replay --find-delay finds the figure from a drive."
    )


def understand(
    path: Path, description: EngineDescription, tables: list[list[float]]
) -> dict[str, Any]:
    """Return everything understood as plain values, units in the names. path: the description's."""
    settings = description.settings(tables)
    axes, engine, method = description.axes, description.engine, description.method
    banks = []
    for number, bank in enumerate(settings.banks):
        cells = tables[number]
        banks.append(
            {
                "name": bank.name,
                "displacement_cm3": round(description.swept_cm3(number), 1),
                "lowest_ve_pct": min(cells),
                "highest_ve_pct": max(cells),
                "delay_s": [_delay(bank, speed, load) for speed, load in DELAY_POINTS],
            }
        )
    return {
        "engine": engine.name,
        "displacement_cm3": engine.displacement_cm3,
        "cylinders": engine.cylinders,
        "load_axis": axes.load_axis,
        "speed_rpm": axes.speed_rpm,
        "load": axes.load,
        "sensor": method.sensor,
        "closed_loop": settings.closed_loop,
        "global_terms": settings.term_names(),
        "storage_step_pct": description.storage.step_pct,
        "storage_max_pct": description.storage.max_pct,
        "log_described": description.log is not None,
        "banks": banks,
        "warnings": [
            *warnings_of(description, settings, tables),
            *(line for bank in description.bank for line in cut_short(path.parent / bank.table)),
        ],
    }


def _delay(bank: BankSettings, speed_rpm: float, map_kpa: float) -> float:
    bank.table.locate(speed_rpm, map_kpa)
    transport_s = bank.delay.transport_s(speed_rpm, map_kpa, bank.table.ve_pct, USUAL_INTAKE_C)
    return round(transport_s + bank.delay.sensor_lag_s, 3)


def _cell_warnings(name: str, cells: list[float], storage: Storage) -> Iterator[str]:
    over = sum(cell > storage.max_pct for cell in cells)
    if over:
        yield f"{name}: {over} cells are above what the controller stores ({storage.max_pct:g} %)"
    between = sum(abs(c / storage.step_pct - round(c / storage.step_pct)) > 1e-6 for c in cells)
    if between:
        yield (
            f"{name}: {between} cells are no whole step of {storage.step_pct:g} %; "
            "is this the table as stored?"
        )
    if max(cells) < 2.0:
        yield f"{name}: all cells are below 2 %; VE is expected in per cent"


def warnings_of(
    description: EngineDescription, settings: Settings, tables: list[list[float]]
) -> list[str]:
    """Return what is allowed and yet probably a mistake, a line each."""
    lines: list[str] = []
    for bank, cells in zip(settings.banks, tables, strict=True):
        lines += _cell_warnings(bank.name, cells, description.storage)
        lines += odd_cells(bank.name, description.axes, cells)
        slowest = _delay(bank, *DELAY_POINTS[0])
        if slowest > settings.history_s:
            lines.append(
                f"{bank.name}: the delay reaches {slowest:g} s, method.history_s is "
                f"{settings.history_s:g}"
            )
    return lines


def _show(understood: dict[str, Any], screen: Screen) -> None:
    u = understood
    screen.say(
        f"{u['engine']}: {u['displacement_cm3']:g} cm3, {u['cylinders']} cylinders, "
        f"{counted(len(u['banks']), 'bank')}"
    )
    screen.say(_axis("speed", u["speed_rpm"], "rpm"))
    screen.say(_axis("load", u["load"], LOAD_UNITS_SAID[u["load_axis"]]))
    loop = "closed loop" if u["closed_loop"] else "open loop"
    terms = ", ".join(u["global_terms"]) or "none"
    screen.say(f"method: {u['sensor']} sensor, {loop}; global terms: {terms}")
    screen.say(f"storage: steps of {u['storage_step_pct']:g} %, at most {u['storage_max_pct']:g} %")
    log = "described" if u["log_described"] else "not described (only needed to replay CSV logs)"
    screen.say(f"log columns: {log}")
    screen.show(_banks_table(u))
    for line in u["warnings"]:
        screen.warn(line)
    if not u["warnings"]:
        screen.say("Nothing wrong was found.")


def _banks_table(u: dict[str, Any]) -> Table:
    table = Table(title="Banks", title_justify="left")
    table.add_column("bank")
    table.add_column("swept cm3", justify="right")
    table.add_column("VE %", justify="right")
    for speed, load in DELAY_POINTS:
        table.add_column(f"delay s at {speed:g} rpm, {load:g} kPa", justify="right")
    for bank in u["banks"]:
        ve = f"{bank['lowest_ve_pct']:g} to {bank['highest_ve_pct']:g}"
        delays = [f"{delay:.3f}" for delay in bank["delay_s"]]
        table.add_row(bank["name"], f"{bank['displacement_cm3']:g}", ve, *delays)
    return table


def _axis(name: str, points: list[float], unit: str) -> str:
    return f"{name}: {len(points)} breakpoints, {points[0]:g} to {points[-1]:g} {unit}"


def add_check(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("check", epilog=EXAMPLES + exit_codes)(check)
