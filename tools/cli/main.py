"""The command `breathmap`: learn VE tables from lambda sensors, simulate, check, replay.

Thin: every command turns its arguments into one call, and every mistake a person can put right into
one line on stderr and exit code 2.
"""

import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from breathmap.learner.words.description_text import annotated_example
from breathmap.simulator.faults import FAULTS
from breathmap.tools.base import screen
from breathmap.tools.base.disk import why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.texts import json_text, one_line
from breathmap.tools.base.version import version_line
from breathmap.tools.cli.axes import add_axes
from breathmap.tools.cli.board import board_app
from breathmap.tools.cli.check import check_engine, check_with_log, show_pipe
from breathmap.tools.cli.complete import drives, faults
from breathmap.tools.cli.diagnose import add_diagnose
from breathmap.tools.cli.exercise import add_exercise, ride_exercise
from breathmap.tools.cli.gather import add_gather
from breathmap.tools.cli.job import Columns, OtherDevice, add_commands, learn_into
from breathmap.tools.cli.report import add_report
from breathmap.tools.cli.tables import add_tables
from breathmap.tools.demo.job import run_job_demo
from breathmap.tools.demo.main import run_demo
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
from breathmap.tools.job.folder import is_job
from breathmap.tools.logs.export import KINDS, export_recording
from breathmap.tools.run.diagnosis_text import show_brief
from breathmap.tools.run.learning import learn_live
from breathmap.tools.run.learning import replay as replay_files
from breathmap.tools.run.results import Outcome
from breathmap.tools.run.sources import names_no_file
from breathmap.tools.run.summary_text import show_summary
from breathmap.tools.view.show import InView

# Below the help that a bare `breathmap` shows.
FIRST = """\
What to do first:
  breathmap demo                               the whole work on a simulated engine
  breathmap new JOB --log RIDE.csv --table VE.csv --displacement CM3
                                               your engine, from a log and its VE table
  breathmap new JOB --port PORT                your engine, from its controller
Then each command says what comes next.
"""
EXIT_CODES = "Exit codes: 0 done; 2 something must be put right first (one line says what)."

NO_MEMORY = (
    "there is not enough memory for this: close other programs, or learn fewer or shorter "
    "recordings at a time, then run the same command again"
)

app = typer.Typer(
    name="breathmap",
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help="Learns the VE tables of a speed-density engine controller from its lambda sensors, "
    "sample by sample, with a standard error for every cell.\n\n"
    "Begin with `breathmap demo`: no hardware needed. For an engine of your own: "
    "`breathmap check --example > engine.toml`, then edit, check, learn.",
    epilog=EXIT_CODES,
)

app.add_typer(board_app, name="board")

Description = Annotated[
    Path, typer.Argument(metavar="ENGINE.toml", help="The engine description.", show_default=False)
]
View = Annotated[
    bool, typer.Option("--view", help="Show the live view in this terminal; ? there says more.")
]
GiveUp = Annotated[
    float | None,
    typer.Option(
        min=0,
        metavar="SECONDS",
        help="End when the port has been away for so long (0: when it closes); by default wait "
        "for it until Ctrl-C.",
        show_default=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON to stdout.")]
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
PortName = Annotated[
    str,
    typer.Argument(
        metavar="PORT",
        help="A serial port (/dev/ttyUSB0, COM5) or any pyserial URL (socket://HOST:PORT).",
        show_default=False,
    ),
]
Describe = Annotated[
    Path | None,
    typer.Option(help="Folder to write the bench's engine description and tables into."),
]


def _version(asked: bool) -> None:
    if asked:
        typer.echo(version_line())
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the versions."),
    ] = False,
) -> None:
    pass


@app.command(
    epilog="Examples: `breathmap demo`, `breathmap demo --job`\n\n"
    "All data is invented. Takes about half a minute.\n\n" + EXIT_CODES
)
def demo(
    out: Annotated[Path, typer.Option(help="Folder for what the demo makes.")] = Path("demo-out"),
    minutes: Annotated[
        float, typer.Option(min=1, max=600, help="Minutes of road riding, simulated.")
    ] = 30.0,
    seed: Annotated[int, typer.Option(help="Which of endlessly many drives.")] = 1,
    job: Annotated[
        bool,
        typer.Option("--job", help="A whole calibration job instead, from new to finish."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Run the main job on a simulated engine, live over a port, and compare with the truth."""
    if job:
        run_job_demo(out, Screen(as_json), seed=seed)
        return
    run_demo(out, Screen(as_json), minutes, seed)


@app.command(
    epilog="Examples:\n\n"
    "`breathmap learn engine.toml /dev/ttyACM0`\n\n"
    "`breathmap learn engine.toml COM5 --out monday`\n\n"
    "`breathmap learn engine.toml /dev/ttyACM0 --view` (for whoever is not riding)\n\n"
    "`breathmap learn engine.toml socket://192.168.4.1:3333 --out monday --add`\n\n"
    "`breathmap learn JOB /dev/ttyACM0` (into the open pass of a job; a recording's path in place "
    "of the port adds that)\n\n"
    "In the folder afterwards, per bank: BANK-before.csv and BANK-proposed.csv (VE, %), "
    "BANK-correction.csv (%), BANK-standard-error.csv (%), BANK-coverage.csv (equivalent "
    "independent samples), BANK-decision.csv (a word per cell); summary.json; causes.json "
    "(what beside VE could explain it); trace.json; "
    "recording-001.bin, the bytes as they arrived, to be read again with `replay`.\n\n" + EXIT_CODES
)
def learn(
    description: Annotated[
        Path,
        typer.Argument(
            metavar="ENGINE.toml|JOB",
            help="The engine description, or a job folder.",
            show_default=False,
        ),
    ],
    port: PortName,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("learned"),
    baud: Annotated[int, typer.Option(min=300, help="Baud rate of a serial port.")] = 115200,
    add: Annotated[
        bool,
        typer.Option("--add", help="Go on with a folder: its recordings are learned first."),
    ] = False,
    wait: Annotated[
        float, typer.Option(min=0.1, help="Seconds to wait for the first frame.")
    ] = 10.0,
    give_up: GiveUp = None,
    no_find_delay: Annotated[
        bool,
        typer.Option(
            "--no-find-delay",
            help="At the end, do not look for the delay in the last samples.",
        ),
    ] = False,
    no_check: Annotated[
        bool,
        typer.Option(
            "--no-check-controller",
            help="For a job: do not read first whether the controller holds its table.",
        ),
    ] = False,
    view: View = False,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Learn live from a port until Ctrl-C, unplugged and back or not; then write the results."""
    if is_job(description):
        learn_into(
            description, port, baud, wait, not no_check, as_json, view, other_device, give_up
        )
        return
    if Path(port).is_file() or names_no_file(port):
        what = "is a file" if Path(port).is_file() else "no such file; and no port"
        raise UserError(f"{port}: {what}: breathmap replay {description} FILE learns from files")
    screen = Screen(as_json)
    show = InView() if view else None
    outcome = learn_live(
        description, port, out, screen, baud, add, wait, not no_find_delay, show, give_up_s=give_up
    )
    show_summary(screen, outcome.summary)
    _show_causes(screen, outcome, out, description)
    screen.say(f"Written to {out}: tables, summary.json, causes.json and the recording.")


@app.command(
    epilog="Examples:\n\n"
    "`breathmap replay engine.toml monday/recording-001.bin --out monday-again`\n\n"
    "`breathmap replay engine.toml monday/recording-001.bin --view --speed 10` (to watch it)\n\n"
    "`breathmap replay engine.toml ride.csv` (columns named in the description's [log] part)\n\n"
    + EXIT_CODES
)
def replay(
    description: Description,
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...", help="Recordings and CSV logs, in order.", show_default=False
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("replayed"),
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over results in the folder.")
    ] = False,
    find_delay: Annotated[
        bool,
        typer.Option("--find-delay", help="Look for the delay, too; say it, and change nothing."),
    ] = False,
    view: View = False,
    speed: Annotated[
        float, typer.Option(min=0.1, max=1000, help="With --view: multiple of real time.")
    ] = 1.0,
    as_json: AsJson = False,
) -> None:
    """Learn from recordings or CSV logs, and write the same results as `learn`."""
    screen = Screen(as_json)
    show = InView(speed) if view else None
    outcome = replay_files(description, sources, out, screen, replace, find_delay, show)
    if show is not None:
        show.save_notes()
    show_summary(screen, outcome.summary)
    _show_causes(screen, outcome, out, description)
    screen.say(f"Written to {out}: tables, summary.json and causes.json.")


@app.command(
    epilog="Examples:\n\n"
    "`breathmap check engine.toml`\n\n"
    "`breathmap check --example > engine.toml` (every key explained, to start from)\n\n"
    "`breathmap check --pipe 420x38+430x45` (the exhaust's volume from lengths and bores, mm)\n\n"
    "`breathmap check engine.toml ride.csv` (a log as understood; without a [log] part in the "
    "description one is proposed)\n\n" + EXIT_CODES
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
            sys.stdout.write(annotated_example())
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


@app.command(
    epilog="Examples:\n\n"
    "`breathmap simulate --describe bench --speed-up 20` and, in a second terminal, the `learn` "
    "line that it prints\n\n"
    "`breathmap simulate --out ride.bin --minutes 10 --faults exhaust-leak=0.4@left`\n\n"
    "`breathmap simulate --tables learned/left-proposed.csv --tables learned/right-proposed.csv` "
    "(a second pass, with the proposed tables stored)\n\n"
    "`breathmap simulate --drive standing --setup normal --memory ecu` (engine off; the controller "
    "can be read and written, and keeps what is written in the folder)\n\n"
    "`breathmap simulate --exercise anna --drive brake` (see `breathmap exercise`)\n\n"
    "`breathmap simulate --list` names the drives and faults.\n\n" + EXIT_CODES
)
def simulate(
    drive: Drives = "road",
    minutes: Annotated[
        float, typer.Option(min=0.1, max=6000, help="Minutes of those drives that have no length.")
    ] = 30.0,
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
    speed_up: Annotated[
        str, typer.Option(help="Multiple of real time, or max: as fast as the reader takes it.")
    ] = "1",
    exercise: ExerciseFolder = None,
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
    if exercise is not None:
        same = Order(drive, minutes, seed) == order and describe is None
        ride_exercise(exercise, order, same, out, (port, tcp_port, speed), screen)
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
    serve(bench, port, tcp_port, speed, screen)


@app.command(
    epilog="Examples:\n\n"
    "`breathmap export monday/recording-001.bin --to csv`\n\n"
    "`breathmap export ride.bin --to mf4 --out ride.mf4` (ASAM MDF 4, with units and comments)\n\n"
    + EXIT_CODES
)
def export(
    recording: Annotated[
        Path, typer.Argument(metavar="RECORDING", help="A recording.", show_default=False)
    ],
    to: Annotated[
        Literal["csv", "parquet", "mf4"],
        typer.Option("--to", help="What to write; all but CSV need the extra `logs`."),
    ] = "csv",
    out: Annotated[
        Path | None, typer.Option(help="The file to write; by default beside the recording.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write a recording as a table for other programs."""
    screen = Screen(as_json)
    place = out or recording.with_suffix(KINDS[to])
    rows = export_recording(recording, to, place)
    screen.say(f"{place}: {rows:,} rows.")
    screen.result({"log": str(place), "rows": rows})


add_report(app, EXIT_CODES)
add_diagnose(app, EXIT_CODES)
add_axes(app, EXIT_CODES)
add_gather(app, EXIT_CODES)
add_commands(app, EXIT_CODES)
add_tables(app, EXIT_CODES)
add_exercise(app, EXIT_CODES)


def _show_causes(screen: Screen, outcome: Outcome, out: Path, description: Path) -> None:
    """Say what beside VE is likely, where it was looked for."""
    if outcome.diagnosis is not None:
        source = f"{out} --engine {description}"
        show_brief(screen, outcome.diagnosis, source, is_unsafe_told=True)


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


def run(arguments: Sequence[str]) -> int:
    """Run one command line; return its exit code. Mistakes become one line on stderr."""
    screen.printed_result = False
    bare = not arguments
    try:
        asked = ["--help"] if bare else list(arguments)
        result: Any = app(args=asked, prog_name="breathmap", standalone_mode=False)
        if bare:
            sys.stdout.write(FIRST)
        # Or a full disk behind it would be noticed when Python has ended, in its own words.
        sys.stdout.flush()
    except UserError as error:
        return _fail(str(error), arguments)
    except KeyboardInterrupt:
        return _fail("stopped", arguments, 130)
    except BrokenPipeError:
        # Whoever read our output has enough (`breathmap ... | head`).
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 (for the flush when Python ends)
        return 0
    except OSError as error:
        return _fail(f"{error.filename or 'input or output'}: {why(error)}", arguments)
    except MemoryError:
        return _fail(NO_MEMORY, arguments)
    except Exception as error:
        # The command-line library's own complaints (unknown option, missing argument).
        if not hasattr(error, "format_message"):
            raise
        return _fail(_usage_line(error), arguments)
    return result if isinstance(result, int) else 0


def _usage_line(error: Any) -> str:
    text = " ".join(str(error.format_message()).split()).rstrip(".") or "give a command"
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "breathmap"
    return f"{text}; see {command} --help"


def _fail(line: str, arguments: Sequence[str], code: int = 2) -> int:
    """Tell what went wrong on stderr; where JSON was asked for and none was printed, there too."""
    sys.stderr.write(f"breathmap: {one_line(line)}\n")
    if "--json" in arguments and not screen.printed_result:
        sys.stdout.write(json_text({"error": one_line(line), "exit_code": code}) + "\n")
    return code


def main() -> None:
    """The console command."""
    # A terminal that knows fewer characters shows a question mark, and does not end the program.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
