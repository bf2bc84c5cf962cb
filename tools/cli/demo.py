"""The command `breathmap demo`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.options import AsJson
from breathmap.tools.demo.job import run_job_demo
from breathmap.tools.demo.main import run_demo

EXAMPLES = (
    "Examples: `breathmap demo`, `breathmap demo --axes`, `breathmap demo --job`\n\n"
    "All data is invented. Takes about half a minute.\n\n"
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
    axes: Annotated[
        bool,
        typer.Option(
            "--axes",
            help="Also score tables on the axes that the recording advises; a minute more.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Run the main job on a simulated engine, live over a port, and compare with the truth."""
    if job and axes:
        raise UserError("--axes belongs to the plain demo; leave --job out, or --axes")
    if job:
        run_job_demo(out, Screen(as_json), seed=seed)
        return
    run_demo(out, Screen(as_json), minutes, seed, axes)


def add_demo(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("demo", epilog=EXAMPLES + exit_codes)(demo)
