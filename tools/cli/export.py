"""The command `breathmap export`."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.options import AsJson
from breathmap.tools.logs.export import KINDS, export_recording

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap export monday/recording-001.bin --to csv`\n\n"
    "`breathmap export ride.bin --to mf4 --out ride.mf4` (ASAM MDF 4, with units and comments)\n\n"
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


def add_export(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("export", epilog=EXAMPLES + exit_codes)(export)
