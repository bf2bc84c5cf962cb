"""The command `breathmap plot`."""

from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.pages import check_place
from breathmap.tools.base.screen import Screen, number
from breathmap.tools.base.texts import counted as counted_as
from breathmap.tools.cli.job import looking
from breathmap.tools.cli.options import AsJson
from breathmap.tools.job.diagnosing import latest_pass
from breathmap.tools.job.folder import Job
from breathmap.tools.job.named import pass_named
from breathmap.tools.job.recordings import counted, pass_session
from breathmap.tools.plot.drive import Drive, drive_of
from breathmap.tools.plot.write import MOST_DRIVES, write_plot
from breathmap.tools.run.alarm_words import clock
from breathmap.tools.run.diagnosing import files_of
from breathmap.tools.run.learning import load
from breathmap.tools.run.session import Session

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap plot ride.bin --engine engine.toml` (writes ride-plot.html beside it)\n\n"
    "`breathmap plot monday` (a job: its latest pass) or `breathmap plot monday:pass-1`\n\n"
    "`breathmap plot monday:pass-1 monday:pass-2 --beside --out both.html`\n\n"
    "In the page: point or touch for values, arrow keys move, + and - zoom, 0 shows all.\n\n"
)


def plot(
    sources: Annotated[
        list[str],
        typer.Argument(
            metavar="RECORDING|LOG|JOB[:pass-N]...",
            help="A recording, a log, an output folder of learn, or a job; several are drawn on "
            "one clock, each from its first sample.",
            show_default=False,
        ),
    ],
    engine: Annotated[
        Path | None,
        typer.Option(metavar="ENGINE.toml", help="The engine description; a job has its own."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE.html", help="Where to; left out: beside the first source."),
    ] = None,
    beside: Annotated[
        bool, typer.Option("--beside", help="Side by side; else one below the other.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Draw drives over time: speed, load, lambda measured and predicted, and what was not learned.

    Each source is learned by itself, so that the page shows what its own samples say. The file
    needs no network, and stays below 5 MB: of long drives it keeps least and most.
    """
    screen = Screen(as_json)
    if len(sources) > MOST_DRIVES:
        raise UserError(f"{len(sources)} drives are too many for one page; give {MOST_DRIVES}")
    place = out or _beside(sources[0])
    check_place(place)
    with ExitStack() as stack:
        jobs: dict[Path, Job] = {}
        drives = []
        for source in sources:
            named = pass_named(source)
            if named is None:
                drives.append(_of_files(Path(source), engine, screen))
                continue
            folder, number_ = named
            if folder not in jobs:
                jobs[folder] = stack.enter_context(looking(folder, screen))
            drives.append(_of_pass(jobs[folder], number_, screen))
        path, summary = write_plot(drives, place, beside)
        if not screen.result(summary):
            _show(screen, drives)
            screen.say(
                f"Written to {path} ({summary['bytes'] / 1e6:.1f} MB); open it in any browser."
            )


def _of_files(path: Path, engine: Path | None, screen: Screen) -> Drive:
    if engine is None:
        raise UserError(f"{path} is no job: say which engine it is with --engine ENGINE.toml")
    return drive_of(str(path), Session(*load(engine)), files_of(path), screen)


def _of_pass(job: Job, wanted: int | None, screen: Screen) -> Drive:
    if wanted is not None and (wanted not in job.passes or not counted(job, wanted)):
        raise UserError(f"{job.folder}: pass {wanted} holds no recording")
    number_ = latest_pass(job) if wanted is None else wanted
    session, paths = pass_session(job, number_)
    return drive_of(f"{job.folder}, pass {number_}", session, paths, screen)


def _beside(source: str) -> Path:
    """Return where a page goes by default: into a job or folder, beside a file."""
    named = pass_named(source)
    folder = Path(source) if named is None else named[0]
    if folder.is_dir():
        return folder / "plot.html"
    return folder.with_name(f"{folder.stem}-plot.html")


def _show(screen: Screen, drives: list[Drive]) -> None:
    for drive in drives:
        alarms = f", {counted_as(len(drive.alarms), 'alarm')}" if drive.alarms else ""
        length = f"{len(drive.time_s):,} samples in {clock(drive.time_s[-1])}{alarms}"
        screen.say(f"{drive.title}: {length}")
        for bank in drive.banks:
            used = 100.0 * (bank.verdicts == 0).mean()
            screen.say(
                f"- {bank.name}: {used:.0f} % learned; measured against predicted, rms: "
                f"{number(bank.left_pct(bank.old))} % with the old table, "
                f"{number(bank.left_pct(bank.learned))} % with the learned one"
            )


def add_plot(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("plot", epilog=EXAMPLES + exit_codes)(plot)
