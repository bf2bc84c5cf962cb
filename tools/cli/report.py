"""The command `breathmap report`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.tools.base.screen import Screen

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap report learned` (an output folder of learn or replay)\n\n"
    "`breathmap report monday --out monday.html` (a job)\n\n"
)


def report(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="A job, or an output folder of learn or replay."),
    ],
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE.html", help="Where to; left out: report.html in the folder."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the report's summary as JSON to stdout.")
    ] = False,
) -> None:
    """Write one HTML file with everything about a run or a job: maps, errors, decisions."""
    # Bokeh takes half a second to load, which no other command should pay.
    from breathmap.tools.report.write import write_report

    screen = Screen(as_json)
    path, brief = write_report(folder, out)
    if screen.result(brief):
        return
    for title, key in (
        ("Alarms", "alarms"),
        ("How good it is", "how_good"),
        ("Where it isn't", "where_not"),
        ("What to do next", "what_next"),
    ):
        if brief[key]:
            screen.say(f"{title}:")
        for line in brief[key]:
            screen.say(f"- {line}")
    screen.say(f"Written to {path} ({brief['bytes'] / 1e6:.1f} MB); open it in any browser.")


def add_report(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("report", epilog=EXAMPLES + exit_codes)(report)
