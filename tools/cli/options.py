"""Options that several commands have."""

from typing import Annotated

import typer

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON to stdout.")]
Columns = Annotated[
    list[str] | None,
    typer.Option(
        "--column",
        metavar="KEY=HEADING",
        help="With a log: which column is what (AFR#2: the second so called), or a number that "
        "always holds. KEY: as in [log], and measured_lambda@BANK.",
        show_default=False,
    ),
]
