"""The command `breathmap diagnose`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.job import looking
from breathmap.tools.job.diagnosing import diagnose_job
from breathmap.tools.job.folder import is_job
from breathmap.tools.run.diagnosing import diagnose_files
from breathmap.tools.run.diagnosis_text import show_diagnosis

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap diagnose monday` (a job: its latest pass with a recording)\n\n"
    "`breathmap diagnose monday --since 1` (what has changed since pass 1)\n\n"
    "`breathmap diagnose ride.bin --engine engine.toml`\n\n"
    "`breathmap diagnose tuesday --engine engine.toml --since monday` (output folders of learn)\n\n"
)


def diagnose(
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="JOB|FOLDER|RECORDING...",
            help="A job; or recordings, CSV logs and output folders of learn, in order.",
            show_default=False,
        ),
    ],
    engine: Annotated[
        Path | None,
        typer.Option(metavar="ENGINE.toml", help="The engine description; a job has its own."),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option(
            metavar="PASS|FOLDER",
            help="Explain what has changed since: a pass of the job, or an output folder.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
) -> None:
    """Say what beside VE could explain what was seen, how sure that is, and what to check."""
    screen = Screen(as_json)
    if is_job(sources[0]):
        if len(sources) > 1 or engine is not None:
            raise UserError(
                f"{sources[0]} is a job: it has its recordings and its engine; give it alone"
            )
        with looking(sources[0], screen) as job:
            diagnosis = diagnose_job(job, since, screen)
            if not screen.result(diagnosis.as_dict()):
                show_diagnosis(screen, diagnosis)
        return
    if engine is None:
        raise UserError(f"{sources[0]} is no job: say which engine it is with --engine ENGINE.toml")
    folder = None if since is None else Path(since)
    diagnosis = diagnose_files(engine, sources, folder, screen)
    if not screen.result(diagnosis.as_dict()):
        show_diagnosis(screen, diagnosis)


def add_diagnose(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("diagnose", epilog=EXAMPLES + exit_codes)(diagnose)
