"""The command `breathmap replay`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.options import AsJson
from breathmap.tools.cli.page import AskedPage, PageHost, PagePort, page_asked, show_in
from breathmap.tools.run.diagnosis_text import show_brief
from breathmap.tools.run.learning import replay as replay_files
from breathmap.tools.run.results import Outcome
from breathmap.tools.run.summary_text import show_summary

Description = Annotated[
    Path, typer.Argument(metavar="ENGINE.toml", help="The engine description.", show_default=False)
]
View = Annotated[
    bool, typer.Option("--view", help="Show the live view in this terminal; ? there says more.")
]

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap replay engine.toml monday/recording-001.bin --out monday-again`\n\n"
    "`breathmap replay engine.toml monday/recording-001.bin --view --speed 10` (to watch it)\n\n"
    "`breathmap replay engine.toml monday/recording-001.bin --page --speed 10` (in browsers, for a "
    "class)\n\n"
    "`breathmap replay engine.toml ride.csv` (columns named in the description's [log] part)\n\n"
)


def replay(
    description: Description,
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...", help="Recordings and CSV logs, in order.", show_default=False
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("replayed"),
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over results in the folder.")
    ] = False,
    find_delay: Annotated[
        bool,
        typer.Option("--find-delay", help="Look for the delay, too; say it, and change nothing."),
    ] = False,
    view: View = False,
    speed: Annotated[
        float,
        typer.Option(min=0.1, max=1000, help="With --view or --page: multiple of real time."),
    ] = 1.0,
    page: AskedPage = False,
    page_port: PagePort = None,
    page_host: PageHost = None,
    as_json: AsJson = False,
) -> None:
    """Learn from recordings or CSV logs, and write the same results as `learn`."""
    screen = Screen(as_json)
    with page_asked((page, page_port, page_host), screen) as shown:
        show, in_view = show_in(view, shown, screen, speed)
        outcome = replay_files(description, sources, out, screen, replace, find_delay, show)
        if in_view is not None:
            in_view.save_notes()
        if shown is not None:
            shown.outcome(outcome, out)
    show_summary(screen, outcome.summary)
    show_causes(screen, outcome, out, description)
    screen.say(f"Written to {out}: tables, summary.json and causes.json.")


def show_causes(screen: Screen, outcome: Outcome, out: Path, description: Path) -> None:
    """Say what beside VE is likely, where it was looked for."""
    if outcome.diagnosis is not None:
        source = f"{out} --engine {description}"
        show_brief(screen, outcome.diagnosis, source, is_unsafe_said=True)


def add_replay(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("replay", epilog=EXAMPLES + exit_codes)(replay)
