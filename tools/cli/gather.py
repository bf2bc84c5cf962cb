"""The command `breathmap gather`."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from breathmap.tools.base.screen import Screen
from breathmap.tools.base.uncertain import signed_text
from breathmap.tools.cli.options import AsJson
from breathmap.tools.fleet.comparing import Compared
from breathmap.tools.fleet.gather import Gathered
from breathmap.tools.fleet.gather import gather as gather_recordings
from breathmap.tools.run.summary_text import show_summary

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap gather engine.toml rides/*.bin` (all cores of this machine)\n\n"
    "`breathmap gather engine.toml rides/*.bin --scheduler tcp://bench:8786`\n\n"
)


def gather(
    description: Annotated[
        Path,
        typer.Argument(metavar="ENGINE.toml", help="The engine description.", show_default=False),
    ],
    recordings: Annotated[
        list[Path],
        typer.Argument(
            metavar="RECORDING...",
            help="Recordings, logs and boards' evidence of engines of this description.",
            show_default=False,
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("gathered"),
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over results in the folder.")
    ] = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="A Dask scheduler that is running; its workers must see the recordings under the "
            "same paths. Left out: the cores of this machine.",
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, max=256, help="Processes on this machine, one a core.")
    ] = None,
    skip_bad: Annotated[
        bool, typer.Option("--skip-bad", help="Leave out what cannot be learned, and say so.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Learn many recordings side by side, add them exactly, and find the one that does not agree.

    The results are those of `replay`, whatever the number of workers, and each recording is
    compared with all the others: an engine that differs from the rest is named.
    """
    screen = Screen(as_json)
    found = gather_recordings(
        description, recordings, out, screen, scheduler, workers, replace, skip_bad
    )
    if screen.result(as_dict(found)):
        return
    show_summary(screen, found.outcome.summary)
    show_compared(screen, found)
    screen.say(f"Written to {out}: tables and summary.json.")


def as_dict(found: Gathered) -> dict[str, Any]:
    """Return what `--json` prints."""
    return {
        "summary": found.outcome.summary.model_dump(mode="json"),
        "left_out": found.bad,
        "sources": [
            {
                "source": one.source,
                "is_odd": one.is_odd,
                "banks": {name: asdict(bank) for name, bank in one.banks.items()},
            }
            for one in found.sources
        ],
    }


def show_compared(screen: Screen, found: Gathered) -> None:
    """Say what was left out, and which sources do not agree with the rest."""
    for source, why_not in found.bad.items():
        screen.warn(f"left out: {why_not if source in why_not else f'{source}: {why_not}'}")
    if not found.sources:
        screen.say("One recording: nothing to compare it with.")
        return
    odd = [one for one in found.sources if one.is_odd]
    for one in odd:
        screen.warn(f"{one.source}: does not agree with the others: {_banks_text(one)}.")
    if odd:
        screen.say(
            "An engine that differs, or something wrong with its sensors or settings: look at it "
            "alone (breathmap replay, breathmap diagnose) and gather again without it."
        )
        return
    screen.say(f"All {len(found.sources)} agree, as far as chance can tell.")


def _banks_text(one: Compared) -> str:
    return "; ".join(
        f"{name} {signed_text(100.0 * bank.offset, 100.0 * bank.offset_error, '%')} on the whole, "
        f"chi-square {bank.chi_square:.0f} of {bank.freedom}"
        for name, bank in one.banks.items()
        if bank.freedom
    )


def add_gather(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("gather", epilog=EXAMPLES + exit_codes)(gather)
