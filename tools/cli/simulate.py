"""The command `breathmap simulate`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.simulator.faults import FAULTS
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.complete import drives, faults
from breathmap.tools.cli.exercise import ride_exercise
from breathmap.tools.cli.options import AsJson
from breathmap.tools.cli.page import AskedPage, PageHost, PagePort, engine_page, page_asked
from breathmap.tools.demo.simulating import (
    DRIVES,
    STANDING,
    Order,
    parse_speed,
    prepare,
    serve,
    write_drive,
)
from breathmap.tools.demo.teaching_bench import DESCRIPTION_NAME, college_bench, write_college

StoredTables = Annotated[
    list[Path] | None,
    typer.Option(help="VE tables to store in the controller, one CSV per bank, in order."),
]
Memory = Annotated[
    Path | None,
    typer.Option(help="Folder that keeps what the controller holds from run to run."),
]
RecordingOut = Annotated[
    Path | None,
    typer.Option(
        help="Write a recording file, not serve a port; as .csv, .parquet or .mf4 a log instead."
    ),
]
Drives = Annotated[
    str,
    typer.Option(
        help="Drives, comma-separated, one after another; see --list.", autocompletion=drives
    ),
]
FaultNames = Annotated[
    str,
    typer.Option(
        help="Faults: NAME, NAME=SIZE or NAME=SIZE@BANK, comma-separated.",
        autocompletion=faults,
    ),
]
PortKind = Annotated[
    str | None,
    typer.Option(help="pty (pseudo-terminal) or tcp; by default pty, on Windows tcp."),
]
ExerciseFolder = Annotated[
    Path | None,
    typer.Option(metavar="FOLDER", help="The engine of an exercise; see breathmap exercise."),
]
Describe = Annotated[
    Path | None,
    typer.Option(help="Folder to write the bench's engine description and tables into."),
]
Minutes = Annotated[
    float, typer.Option(min=0.1, max=6000, help="Minutes of those drives that have no length.")
]
SpeedUp = Annotated[
    str, typer.Option(help="Multiple of real time, or max: as fast as the reader takes it.")
]

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap simulate --describe bench --speed-up 20` and, in a second terminal, the `learn` "
    "line that it prints\n\n"
    "`breathmap simulate --out ride.bin --minutes 10 --faults exhaust-leak=0.4@left`\n\n"
    "`breathmap simulate --tables learned/left-proposed.csv --tables learned/right-proposed.csv` "
    "(a second pass, with the proposed tables stored)\n\n"
    "`breathmap simulate --drive standing --setup normal --memory ecu` (engine off; the controller "
    "can be read and written, and keeps what is written in the folder)\n\n"
    "`breathmap simulate --drive brake --page` (its instruments large in a browser; what is wrong "
    "with it stays hidden)\n\n"
    "`breathmap simulate --exercise anna --drive brake` (see `breathmap exercise`)\n\n"
    "`breathmap simulate --list` names the drives and faults.\n\n"
)


def simulate(
    drive: Drives = "road",
    minutes: Minutes = 30.0,
    seed: Annotated[int, typer.Option(help="Same seed, same run.")] = 1,
    faults: FaultNames = "",
    rate: Annotated[float, typer.Option(help="Samples a second.")] = 25.0,
    truth: Annotated[
        str, typer.Option(help="True VE: continuous, or grid (a table can hold it exactly).")
    ] = "continuous",
    sensor: Annotated[
        str, typer.Option(help="Lambda sensors: wideband or switching.")
    ] = "wideband",
    tables: StoredTables = None,
    setup: Annotated[
        str, typer.Option(help="How the controller is set up: learning, or normal (for use).")
    ] = "learning",
    memory: Memory = None,
    out: RecordingOut = None,
    describe: Describe = None,
    port: PortKind = None,
    tcp_port: Annotated[
        int, typer.Option(min=0, max=65535, help="TCP port on 127.0.0.1; 0 picks a free one.")
    ] = 0,
    speed_up: SpeedUp = "1",
    exercise: ExerciseFolder = None,
    page: AskedPage = False,
    page_port: PagePort = None,
    page_host: PageHost = None,
    listing: Annotated[bool, typer.Option("--list", help="Name the drives and faults.")] = False,
    as_json: AsJson = False,
) -> None:
    """Play the college's simulated engine: over a port, or into a recording file."""
    screen = Screen(as_json)
    if listing:
        _list(screen)
        return
    speed = parse_speed(speed_up)
    given = tuple(tables) if tables else ()
    order = Order(drive, minutes, seed, faults, rate, truth, sensor, given, setup, memory)
    asked = (page, page_port, page_host)
    if page and out is not None:
        raise UserError("--page shows an engine that plays over a port: leave --out, or --page")
    if exercise is not None:
        same = Order(drive, minutes, seed) == order and describe is None
        ride_exercise(exercise, order, same, out, (port, tcp_port, speed), screen, asked)
        return
    bench = prepare(order)
    if describe is not None:
        parameters, controller = college_bench(truth, sensor)
        write_college(describe, parameters, controller, sensor)
        screen.say(f"Engine description and starting tables (invented) in {describe}")
    if out is not None:
        write_drive(bench, out, screen)
        return
    if describe is not None:
        screen.say("To learn from it, in another terminal, with the port named below:")
        screen.say(f"  breathmap learn {describe / DESCRIPTION_NAME} PORT --give-up 2")
    with page_asked(asked, screen) as shown:
        serve(bench, port, tcp_port, speed, screen, engine_page(shown, bench))


def _list(screen: Screen) -> None:
    if screen.result(
        {
            "drives": {name: text for name, (text, _) in DRIVES.items()},
            "faults": {
                name: {
                    "text": kind.text,
                    "size": kind.default,
                    "unit": kind.unit,
                    "per_bank": kind.per_bank,
                }
                for name, kind in FAULTS.items()
            },
        }
    ):
        return
    screen.say("Drives:")
    for name, (text, _) in DRIVES.items():
        screen.say(f"  {name:10} {text}")
    screen.say(f"  {STANDING:10} switched on, engine not running: only its controller answers")
    screen.say("Faults (default size, unit; * can be given @left or @right):")
    for name, kind in FAULTS.items():
        star = "*" if kind.per_bank else " "
        size = f" ({kind.default:g} {kind.unit})" if kind.unit else ""
        screen.say(f"  {name:20}{star} {kind.text}{size}")


def add_simulate(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("simulate", epilog=EXAMPLES + exit_codes)(simulate)
