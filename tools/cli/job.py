"""The commands of a job, each a thin layer: open the job, do one thing, say how things stand.

Whatever happens, the last line says whether the learning set-up may still be in the vehicle.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from breathmap.learner.decide.finished import TARGET, Judgement, Region
from breathmap.learner.decide.proposal import DECISIONS, PRESETS, Rules
from breathmap.learner.words.description import EngineDescription
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.cli.complete import jobs, recordings
from breathmap.tools.cli.options import AsJson, Columns
from breathmap.tools.cli.page import Asked, page_asked, show_in
from breathmap.tools.job import compare as comparing
from breathmap.tools.job import drop as dropping
from breathmap.tools.job.cautions import nearest_cell, show_reasons
from breathmap.tools.job.finish import finish_job
from breathmap.tools.job.folder import DESCRIPTION, Job, is_job
from breathmap.tools.job.history import history_table, verify_job
from breathmap.tools.job.new import Origin, make_job, parse_settings
from breathmap.tools.job.passes import accept_job, give_originals, prepare_job, store_job, undo_job
from breathmap.tools.job.propose import BankPlan, Despite, Plan, planned, propose_job
from breathmap.tools.job.recordings import new_recordings, take_in
from breathmap.tools.job.records import REBASE, SATURATE, Proposed, Record
from breathmap.tools.job.runs import learn_job
from breathmap.tools.job.trims import CELLS, COMMON, trim_lines
from breathmap.tools.job.vehicle import read_job
from breathmap.tools.run.diagnosis_text import show_brief

JobFolder = Annotated[
    Path, typer.Argument(metavar="JOB", help="The job folder.", autocompletion=jobs)
]
Port = Annotated[
    str | None,
    typer.Option("--port", metavar="PORT", help="The controller's port, or any pyserial URL."),
]
Baud = Annotated[int, typer.Option("--baud", min=300, help="Baud rate of a serial port.")]
OtherDevice = Annotated[
    str,
    typer.Option(
        "--other-device",
        metavar="REASON",
        help="Take another device than the job's, for a reason that the history keeps.",
    ),
]
RULES = Rules()
Preset = Literal["cautious", "standard", "bold"]

MaxChange = Annotated[
    float, typer.Option(min=0.5, max=100, help="Largest change of a cell in a pass, %.")
]
RuleName = Annotated[
    Preset,
    typer.Option(
        help="How boldly to lean out: "
        + "; ".join(
            f"{name}: leaner than target by {100 * r.lean:g} % with {100 * r.risk:g} % risk"
            for name, r in PRESETS.items()
        )
        + "."
    ),
]
Lean = Annotated[
    float | None,
    typer.Option(min=0.1, max=20, help="Leanness of the mixture to tolerate, %, as in --rule."),
]
Risk = Annotated[
    float | None,
    typer.Option(min=0.1, max=50, help="Risk that a cell ends leaner than that, %."),
]
StopAt = Annotated[
    float, typer.Option(min=0.1, max=20, help="Remaining fuelling error to stop at, %.")
]
CellPlace = Annotated[
    str | None,
    typer.Option(
        metavar="SPEED,LOAD",
        help="Only say why, in numbers, of the cell nearest to here; nothing is proposed.",
    ),
]
DespiteCauses = Annotated[
    list[str] | None,
    typer.Option(
        metavar="CAUSE",
        help="Propose although this cause is likely and makes the table unsafe to store.",
    ),
]


@contextmanager
def working(folder: Path, screen: Screen, tell: bool = True) -> Iterator[Job]:
    """Open a job, hold it, and close with the line about the set-up, whatever happened.

    tell: for --json print what the command added to the history.
    """
    job = Job(folder)
    with job.working():
        before = len(job.records)
        try:
            yield job
        finally:
            _close(job, screen)
        if tell:
            screen.result(_standing(job, job.records[before:]))


@contextmanager
def looking(folder: Path, screen: Screen) -> Iterator[Job]:
    """Open a job and change nothing in it, so that it may be where nobody can write; close with
    the line about the set-up."""
    job = Job(folder)
    try:
        for path in new_recordings(job):
            screen.say(
                f"{path} is of an interrupted run: the next `learn` or `propose` takes it in."
            )
        yield job
    finally:
        _close(job, screen)


def _standing(job: Job, records: list[Record]) -> dict[str, Any]:
    """Return records and how the job stands now, for --json."""
    text, is_caution = job.closing_line()
    return {
        "job": str(job.folder),
        "records": [record.as_dict() for record in records],
        "table": job.table,
        "open_pass": job.pass_number,
        "ready_for_use": not is_caution,
        "set_up": text,
    }


def _close(job: Job, screen: Screen) -> None:
    text, is_caution = job.closing_line()
    if is_caution:
        screen.warn(text)
    else:
        screen.say(text)


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
    port: Port = None,
    baud: Baud = 115200,
    engine: Annotated[
        Path | None, typer.Option(metavar="ENGINE.toml", help="A description with its tables.")
    ] = None,
    table: Annotated[
        list[Path] | None,
        typer.Option(help="VE table (CSV), once per bank; - reads standard input."),
    ] = None,
    target: Annotated[
        Path | None, typer.Option(help="The original target lambda table (CSV).")
    ] = None,
    setting: Annotated[
        list[str] | None, typer.Option(help="An original setting, NAME=on, off or a number.")
    ] = None,
    bank: Annotated[list[str] | None, typer.Option(help="Name of a bank, in order.")] = None,
    name: Annotated[str, typer.Option(help="What people call the engine.")] = "engine",
    displacement: Annotated[
        float | None, typer.Option(help="Swept volume of all cylinders, cm3.")
    ] = None,
    cylinders: Annotated[int | None, typer.Option(help="Number of cylinders.")] = None,
    load_axis: Annotated[str, typer.Option(help="map_kpa or throttle_pct.")] = "map_kpa",
    sensor: Annotated[str, typer.Option(help="wideband or switching.")] = "wideband",
    stoichiometric_afr: Annotated[
        float | None, typer.Option(help="Stoichiometric air/fuel ratio of the fuel in use.")
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(
            metavar="RIDE.csv",
            help="A log: which column is what is found out, and asked where it is not sure.",
        ),
    ] = None,
    column: Columns = None,
    yes: Annotated[
        bool,
        typer.Option("--yes", help="Take tables with a cell far from all its neighbours, too."),
    ] = False,
    original: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Where the originals are when a learning set-up is in the controller: the job "
            "that put it in, or a folder of calibration files.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Make a job: engine description, starting tables, a place for passes."""
    screen = Screen(as_json)
    origin = Origin(
        port, baud, engine, tuple(table or ()), target, tuple(setting or ()), tuple(bank or ()),
        name, displacement, cylinders, load_axis, sensor, stoichiometric_afr, yes, original,
        log, tuple(column or ()),
    )  # fmt: skip
    made = make_job(folder, origin, screen)
    _close(made, screen)
    screen.result(_standing(made, made.records))


def prepare(
    job: JobFolder,
    port: Port = None,
    baud: Baud = 115200,
    target: Annotated[
        Path | None, typer.Option(help="The original target lambda table (CSV), if not known.")
    ] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option(help="An original setting that is not known, NAME=on, off or a number."),
    ] = None,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Write the set-up sheet; with --port apply it to the controller and read it back."""
    screen = Screen(as_json)
    with working(job, screen) as opened:
        give_originals(opened, parse_settings(setting or ()), target)
        prepare_job(opened, port, baud, screen, other_device)


def read(
    job: JobFolder,
    port: Annotated[str, typer.Option("--port", metavar="PORT", help="The controller's port.")],
    baud: Baud = 115200,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Read the controller: which table and which set-up it holds. Writes nothing to it."""
    screen = Screen(as_json)
    with working(job, screen) as opened:
        read_job(opened, port, baud, other_device, screen)


def learn_into(
    folder: Path,
    source: str,
    baud: int,
    wait_s: float,
    check: bool,
    as_json: bool,
    view: bool = False,
    other_device: str = "",
    give_up_s: float | None = None,
    page: Asked = (False, None, None),
) -> None:
    """Learn into a job; called by `learn` when it is given a job folder. page: its options."""
    screen = Screen(as_json)
    if page[0] and Path(source).is_file():
        raise UserError(
            f"{source}: a recording is added to a job at once, there is nothing to watch: leave "
            f"--page out; breathmap replay {folder / DESCRIPTION} {source} --page shows it"
        )
    with working(folder, screen, tell=False) as opened, page_asked(page, screen) as shown:
        show, _ = show_in(view, shown, screen)
        outcome = learn_job(
            opened, source, baud, wait_s, check, screen, show, other_device, give_up_s
        )
        if shown is not None and outcome is not None:
            shown.outcome(outcome, folder)


def propose(
    job: JobFolder,
    saturate: Annotated[
        bool, typer.Option("--saturate", help="Set cells that cannot be stored to the maximum.")
    ] = False,
    rebase: Annotated[
        bool, typer.Option("--rebase", help="Raise the displacement, divide every cell by it.")
    ] = False,
    max_change: MaxChange = 100.0 * RULES.max_change,
    rule: RuleName = "standard",
    lean: Lean = None,
    risk: Risk = None,
    target: StopAt = 100.0 * TARGET,
    cell: CellPlace = None,
    despite: DespiteCauses = None,
    reason: Annotated[
        str, typer.Option(help="With --despite: why, for whoever reads the history.")
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Solve the open pass: a new table with a decision for every cell.

    No cell is leaned out further than --rule allows; richer moves are taken whole. With [trims]
    in engine.toml one common table and a trim of it for each bank are written, too.
    """
    if saturate and rebase:
        raise typer.BadParameter("choose one of --saturate and --rebase")
    choice = SATURATE if saturate else REBASE if rebase else ""
    preset = PRESETS[rule]
    rules = Rules(
        preset.lean if lean is None else lean / 100.0,
        preset.risk if risk is None else risk / 100.0,
        max_change / 100.0,
    )
    screen = Screen(as_json)
    with working(job, screen, tell=cell is None) as opened:
        take_in(opened, screen)
        if cell is not None:
            axes = opened.description().axes
            place = nearest_cell(cell, axes)
            plan = planned(opened, choice, rules, target / 100.0, screen)
            show_reasons([(b.name, b.reasons or []) for b in plan.banks], place, axes, screen)
            return
        against = Despite(tuple(despite or ()), reason)
        plan = propose_job(opened, choice, rules, target / 100.0, screen, against)
        _show_plan(opened, plan, screen)


def accept(
    job: JobFolder,
    port: Port = None,
    baud: Baud = 115200,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Make the latest proposal the table of the next pass; with --port store it, too."""
    screen = Screen(as_json)
    with working(job, screen) as opened:
        take_in(opened, screen)
        accept_job(opened, port, baud, screen, other_device)


def store(
    job: JobFolder,
    port: Annotated[str, typer.Option("--port", metavar="PORT", help="The controller's port.")],
    baud: Baud = 115200,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Even over tables that the job does not know.")
    ] = False,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Write the job's present table to the controller, and read it back.

    On other axes than the controller has now, both are written together, all or nothing. Where the
    controller takes no axes over the wire, nothing is written: type them in first (`breathmap enter
    JOB` shows them).
    """
    screen = Screen(as_json)
    with working(job, screen) as opened:
        store_job(opened, port, baud, screen, overwrite, other_device)


def undo(
    job: JobFolder,
    table: Annotated[int | None, typer.Argument(help="Table number; left out: the last.")] = None,
    port: Port = None,
    baud: Baud = 115200,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Even over tables that the job does not know.")
    ] = False,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Go back to any earlier table; with --port store it, too, and the axes that it is on."""
    screen = Screen(as_json)
    with working(job, screen) as opened:
        take_in(opened, screen)
        undo_job(opened, table, port, baud, overwrite, screen, other_device)


def drop(
    job: JobFolder,
    recording: Annotated[
        str,
        typer.Argument(
            metavar="PASS/RECORDING",
            help="As 1/recording-002.bin.",
            autocompletion=recordings,
        ),
    ],
    reason: Annotated[str, typer.Option(help="Why, for whoever reads the history.")] = "",
    from_s: Annotated[
        float | None, typer.Option("--from-s", help="Only from here, seconds into it.")
    ] = None,
    to_s: Annotated[
        float | None, typer.Option("--to-s", help="Only up to here, seconds into it.")
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take back what was set aside.")] = False,
    as_json: AsJson = False,
) -> None:
    """Set a recording, or a span of it, aside: on record, and it can be taken back."""
    if undo and (reason or from_s is not None or to_s is not None):
        raise typer.BadParameter("--undo takes back all of it: leave the other options out")
    screen = Screen(as_json)
    with working(job, screen) as opened:
        take_in(opened, screen)
        if undo:
            dropping.restore(opened, recording, screen)
        else:
            span = dropping.span_of(from_s, to_s)
            dropping.drop(opened, recording, span, reason, screen)


def finish(
    job: JobFolder,
    port: Port = None,
    baud: Baud = 115200,
    never_prepared: Annotated[
        bool, typer.Option("--never-prepared", help="Finish a job that was never prepared.")
    ] = False,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Write the final calibration with the set-up put back, and the proof of it."""
    screen = Screen(as_json)
    with working(job, screen) as opened:
        take_in(opened, screen)
        finish_job(opened, port, baud, screen, other_device, never_prepared)


def history(
    job: JobFolder,
    verify: Annotated[
        bool, typer.Option("--verify", help="Hash every file and learn every pass again.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show what happened in a job, and from what."""
    screen = Screen(as_json)
    with looking(job, screen) as opened:
        if not as_json:
            screen.show(history_table(opened))
        if verify:
            verify_job(opened, screen)
        screen.result(_standing(opened, opened.records))


def compare(
    first: Annotated[
        str,
        typer.Argument(
            metavar="A",
            help="FILE.csv, JOB, JOB:NUMBER, JOB:proposal-NUMBER, JOB:pass-NUMBER, or a folder.",
        ),
    ],
    others: Annotated[
        list[str],
        typer.Argument(
            metavar="B...", help="Another; or what the controller holds, a file a bank."
        ),
    ],
    bank: Annotated[str | None, typer.Option(help="One bank of a job's table.")] = None,
    as_json: AsJson = False,
) -> None:
    """Show two tables' difference; of a job and exported files, whether the controller holds it.

    Exit code 1 where it does not.
    """
    screen = Screen(as_json)
    held = comparing.compare(first, others, bank, screen)
    for text in (first, *others):
        folder = Path(text.rpartition(":")[0] or text)
        if is_job(folder):
            _close(Job(folder), screen)
            break
    if not held:
        raise typer.Exit(1)


COMMANDS: dict[str, tuple[Any, str]] = {
    "new": (new, "`breathmap new monday --port /dev/ttyACM0 --bank left --bank right`\n\n"
                 "`breathmap new monday --table left.csv --table right.csv --displacement 689`"),
    "prepare": (prepare, "`breathmap prepare monday --port /dev/ttyACM0`"),
    "read": (read, "`breathmap read monday --port /dev/ttyACM0`"),
    "propose": (propose, "`breathmap propose monday --rebase`\n\n"
                         "`breathmap propose monday --despite sensor-slow --reason TEXT`"),
    "accept": (accept, "`breathmap accept monday --port /dev/ttyACM0`"),
    "store": (store, "`breathmap store monday --port /dev/ttyACM0`"),
    "undo": (undo, "`breathmap undo monday 1`"),
    "drop": (drop, "`breathmap drop monday 1/recording-002.bin --reason \"exhaust leak\"`\n\n"
                   "`breathmap drop monday 1/recording-002.bin --from-s 600 --reason \"hose off\"`"
                   "\n\n`breathmap drop monday 1/recording-002.bin --undo`"),
    "finish": (finish, "`breathmap finish monday --port /dev/ttyACM0`"),
    "history": (history, "`breathmap history monday --verify`"),
    "compare": (compare, "`breathmap compare monday:0 monday:2 --bank left`\n\n"
                         "`breathmap compare monday:pass-1 monday:pass-2` (what changed since)\n\n"
                         "`breathmap compare monday left.csv right.csv` (does the controller hold "
                         "what was proposed? exported from it, a file a bank)"),
}  # fmt: skip


def add_commands(app: typer.Typer, exit_codes: str) -> None:
    """Add the commands of a job to the program."""
    for name, (function, examples) in COMMANDS.items():
        epilog = f"Examples:\n\n{examples}\n\n{exit_codes}"
        app.command(name, epilog=epilog, rich_help_panel="The calibration job")(function)


def _show_plan(job: Job, plan: Plan, screen: Screen) -> None:
    """Print decisions, predicted errors, what is still needed, and what to do next."""
    decisions = Table(title="Decisions, cells", title_justify="left")
    decisions.add_column("decision")
    for bank in plan.banks:
        decisions.add_column(bank.name, justify="right")
    decisions.add_column("reason")
    for word, reason in DECISIONS.items():
        counts = [bank.proposal.counts()[word] for bank in plan.banks]
        if any(counts):
            decisions.add_row(word, *[str(n) for n in counts], reason)
    screen.show(decisions)
    if plan.rebase is not None:
        screen.say(
            f"Rebase: displacement {plan.rebase.before_cm3:g} to {plan.rebase.after_cm3:g} cm3, "
            f"every cell of every bank divided by {plan.rebase.factor:.4f}; VE x displacement is "
            "kept to within half a step in every cell, where too little is known to within a step "
            "and never leaner; one step is "
            f"{plan.rebase.coarser_pct:.1f} % coarser than before."
        )
    for bank in plan.banks:
        _show_regions(bank, job.description(), screen)
    for caution in plan.cautions:
        screen.warn(caution)
    if plan.diagnosis is not None:
        show_brief(screen, plan.diagnosis, str(job.folder))
    number = len(job.all_of(Proposed))
    for line in trim_lines(job.proposal_folder(number)):
        screen.say(f"{line} ({COMMON}, BANK-trim.csv; every error: {CELLS}).")
    screen.say(f"Proposal {number} is in {job.proposal_folder(number)}: tables before and after,")
    screen.say("difference, predicted error and its 95 % bound, and BANK-cells.csv, a line a cell.")
    finished = all(bank.judgement.finished for bank in plan.banks)
    if finished:
        screen.say(f"Good enough: breathmap accept {job.folder}, then finish.")
    elif not all(bank.judgement.roamed for bank in plan.banks):
        screen.say(
            f"Next: learn on ground never visited, or breathmap accept {job.folder}. Not good "
            "enough to finish, however well known the visited cells are."
        )
    else:
        screen.say(f"Next: learn the ground named above, or breathmap accept {job.folder}.")


def _show_regions(bank: BankPlan, description: EngineDescription, screen: Screen) -> None:
    table = Table(
        title=f"{bank.name}: remaining fuelling error once accepted, 95 % bound",
        title_justify="left",
    )
    table.add_column("speed, rpm", no_wrap=True)
    table.add_column(f"load, {description.axes.load_unit}", no_wrap=True)
    table.add_column("min run", justify="right")
    table.add_column("bound", justify="right", no_wrap=True)
    table.add_column("worst cell", justify="right")
    table.add_column("still needed")
    for region in bank.judgement.regions:
        table.add_row(
            f"{region.speed_rpm[0]:g} to {region.speed_rpm[1]:g}",
            f"{region.load[0]:g} to {region.load[1]:g}",
            f"{region.minutes:.1f}",
            f"{100.0 * region.bound:.1f} %",
            f"{100.0 * region.worst:.1f} %",
            needed(region),
        )
    screen.show(table)
    screen.say(f"{bank.name}: {unvisited(bank.judgement)}")


def unvisited(judgement: Judgement) -> str:
    """Return in words how much of the ground was never visited, and whether that is too much."""
    ground = f"the {'goal' if judgement.is_goal else 'table'}'s {judgement.cells} cells"
    share = 100.0 * judgement.unvisited / judgement.cells
    line = f"{judgement.unvisited} of {ground} were never visited, or only touched ({share:.0f} %)"
    if judgement.unvisited > judgement.most_unvisited:
        return f"{line}; to finish, at most {judgement.most_unvisited} may be"
    if judgement.visited < judgement.least_visited:
        return (
            f"{line}; to finish, {judgement.least_visited} of the whole table must be visited, and "
            f"{judgement.visited} were"
        )
    return line


def needed(region: Region) -> str:
    """Return in words what a region still needs."""
    if region.finished:
        return "nothing"
    if region.saturated:
        return "cells that can be stored: propose with --rebase"
    if region.needs_pass:
        return "another pass (changes were limited)"
    minutes = round(region.more_minutes)
    return f"about {minutes} more minute{'s' if minutes > 1 else ''} there"
