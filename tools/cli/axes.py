"""The command `breathmap axes`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.learner.axes.advice import WORTH_IT
from breathmap.learner.axes.search import Steps
from breathmap.learner.decide.proposal import PRESETS
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.complete import passes
from breathmap.tools.cli.job import DespiteCauses, RuleName, looking, working
from breathmap.tools.cli.options import AsJson
from breathmap.tools.job.axes import of_job, of_pass
from breathmap.tools.job.folder import is_job_rather_than_file
from breathmap.tools.job.new_axes import apply_axes, pass_to_apply
from breathmap.tools.job.propose import Despite
from breathmap.tools.job.recordings import take_in
from breathmap.tools.run.axes import Advised, advise_on, of_files, save_new
from breathmap.tools.run.axes_text import as_dict, show_advice

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap axes monday` (a job: its latest pass with a recording)\n\n"
    "`breathmap axes engine.toml ride.bin --drive track.bin`\n\n"
    "`breathmap axes monday --to new-axes` (engine description and tables on the best axes)\n\n"
    "`breathmap axes monday --apply` (the job goes on with them: its table as it reads there, and "
    "a new pass that begins with what the old recordings say; `breathmap undo monday` goes back)"
    "\n\n"
    "After --apply: `breathmap propose monday` and `accept`, then "
    "`breathmap store monday --port PORT`, which writes axes and tables together. A controller "
    "that takes no axes over the wire is refused until they are typed in (`breathmap enter monday` "
    "shows them).\n\n"
)


First = Annotated[
    Path,
    typer.Argument(metavar="JOB|ENGINE.toml", help="A job, or an engine description."),
]
Recordings = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="RECORDING...",
        help="With an engine description: recordings, CSV logs or output folders of learn.",
        show_default=False,
    ),
]
Drives = Annotated[
    list[Path] | None,
    typer.Option(
        metavar="RECORDING",
        help="Weigh by where this drive goes, in place of where the engine ran.",
    ),
]
PassNumber = Annotated[
    int | None,
    typer.Option(
        "--pass", min=1, help="Of a job: another pass than the latest.", autocompletion=passes
    ),
]
NewFolder = Annotated[
    Path | None,
    typer.Option(
        metavar="FOLDER",
        help="Write engine description and tables on the best axes into this new folder.",
    ),
]


def axes(
    first: First,
    recordings: Recordings = None,
    drive: Drives = None,
    speed_step: Annotated[
        float, typer.Option(min=1, max=1000, help="Step in which speeds can be entered, rpm.")
    ] = Steps().speed_rpm,
    load_step: Annotated[
        float, typer.Option(min=0.1, max=50, help="Step in which loads can be entered, kPa or %.")
    ] = Steps().load,
    number: PassNumber = None,
    to: NewFolder = None,
    apply: Annotated[
        bool,
        typer.Option("--apply", help="Of a job: go on with a table on the best axes, on record."),
    ] = False,
    anyway: Annotated[
        bool, typer.Option("--yes", help="With --apply: though it is not sure to be worth it.")
    ] = False,
    despite: DespiteCauses = None,
    reason: Annotated[
        str, typer.Option(help="With --despite: why, for whoever reads the history.")
    ] = "",
    rule: RuleName = "standard",
    as_json: AsJson = False,
) -> None:
    """Say what a table's axes cost, which would be better, and how many are worth it.

    The recordings are learned again on a finer grid. Nothing of a job is changed without --apply.
    """
    screen = Screen(as_json)
    steps, drives = Steps(speed_step, load_step), tuple(drive or ())
    if to is not None and to.exists():
        raise UserError(f"{to} exists; give a new folder with --to")
    of_a_job = is_job_rather_than_file(first)
    if apply and (to is not None or drive or not of_a_job):
        raise UserError("--apply is for a job, and goes neither with --to nor with --drive")
    if of_a_job:
        if recordings:
            raise UserError(f"{first} is a job: it has its recordings; give it alone")
        if apply:
            against = Despite(tuple(despite or ()), reason)
            _apply(first, number, steps, anyway, against, screen)
            return
        with looking(first, screen) as job:
            advised = advise_on(of_job(job, number, drives), steps, screen)
            _tell(advised, to, rule, screen)
        return
    advised = advise_on(of_files(first, recordings or (), drives), steps, screen)
    _tell(advised, to, rule, screen)


def _tell(advised: Advised, to: Path | None, rule: str, screen: Screen) -> None:
    advice = as_dict(advised)
    best = advised.advice.best
    show_advice(advised, screen)
    if to is not None:
        if best.verdict != WORTH_IT:
            screen.warn(f"new axes: {best.verdict}; they are written because --to asks for them.")
        made = save_new(advised, best.grid, PRESETS[rule], to, advice, screen)
        names = [bank.name for bank in advised.ordered.description.bank]
        for name, table in zip(names, made, strict=True):
            if table.clips:
                screen.warn(
                    f"{name}: {len(table.clips)} cells need more than the controller can store; "
                    "running there is unsafe."
                )
        screen.say(f"Written to {to}: engine.toml, tables and to-do.md, which says what to do.")
    screen.result(advice)


def _apply(
    folder: Path,
    number: int | None,
    steps: Steps,
    anyway: bool,
    despite: Despite,
    screen: Screen,
) -> None:
    with working(folder, screen) as job:
        take_in(job, screen)
        advised = advise_on(of_pass(job, pass_to_apply(job, number)), steps, screen, False)
        show_advice(advised, screen)
        apply_axes(job, advised, as_dict(advised), despite, anyway, screen)


def add_axes(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("axes", epilog=EXAMPLES + exit_codes)(axes)
