"""The command `breathmap learn`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.job import OtherDevice, learn_into
from breathmap.tools.cli.options import AsJson
from breathmap.tools.cli.page import AskedPage, PageHost, PagePort, page_asked, show_in
from breathmap.tools.cli.replay import View, show_causes
from breathmap.tools.job.folder import is_job_rather_than_file
from breathmap.tools.run.learning import learn_live
from breathmap.tools.run.sources import names_no_file
from breathmap.tools.run.summary_text import show_summary

GiveUp = Annotated[
    float | None,
    typer.Option(
        min=0,
        metavar="SECONDS",
        help="End when the port has been away for so long (0: when it closes); by default wait "
        "for it until Ctrl-C.",
        show_default=False,
    ),
]
Description = Annotated[
    Path,
    typer.Argument(
        metavar="ENGINE.toml|JOB",
        help="The engine description, or a job folder.",
        show_default=False,
    ),
]
PortName = Annotated[
    str,
    typer.Argument(
        metavar="PORT",
        help="A serial port (/dev/ttyUSB0, COM5) or any pyserial URL (socket://HOST:PORT).",
        show_default=False,
    ),
]

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap learn engine.toml /dev/ttyACM0`\n\n"
    "`breathmap learn engine.toml COM5 --out monday`\n\n"
    "`breathmap learn engine.toml /dev/ttyACM0 --view` (for whoever is not riding)\n\n"
    "`breathmap learn engine.toml /dev/ttyACM0 --page --page-host 192.168.4.2` (the same in the "
    "browsers of telephone and projector on the bench's network; the link that it prints opens "
    "it, maps, alarms and all, and nobody can change anything from there)\n\n"
    "`breathmap learn engine.toml socket://192.168.4.1:3333 --out monday --add`\n\n"
    "`breathmap learn JOB /dev/ttyACM0` (into the open pass of a job; a recording's path in place "
    "of the port adds that)\n\n"
    "In the folder afterwards, per bank: BANK-before.csv and BANK-proposed.csv (VE, %), "
    "BANK-correction.csv (%), BANK-standard-error.csv (%), BANK-coverage.csv (equivalent "
    "independent samples), BANK-decision.csv (a word per cell); summary.json; causes.json "
    "(what beside VE could explain it); trace.json; "
    "recording-001.bin, the bytes as they arrived, to be read again with `replay`.\n\n"
)


def learn(
    description: Description,
    port: PortName,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("learned"),
    baud: Annotated[int, typer.Option(min=300, help="Baud rate of a serial port.")] = 115200,
    add: Annotated[
        bool,
        typer.Option("--add", help="Go on with a folder: its recordings are learned first."),
    ] = False,
    wait: Annotated[
        float, typer.Option(min=0.1, help="Seconds to wait for the first frame.")
    ] = 10.0,
    give_up: GiveUp = None,
    no_find_delay: Annotated[
        bool,
        typer.Option(
            "--no-find-delay",
            help="At the end, do not look for the delay in the last samples.",
        ),
    ] = False,
    no_check: Annotated[
        bool,
        typer.Option(
            "--no-check-controller",
            help="For a job: do not read first whether the controller holds its table.",
        ),
    ] = False,
    view: View = False,
    page: AskedPage = False,
    page_port: PagePort = None,
    page_host: PageHost = None,
    other_device: OtherDevice = "",
    as_json: AsJson = False,
) -> None:
    """Learn live from a port until Ctrl-C, unplugged and back or not; then write the results."""
    asked = (page, page_port, page_host)
    if is_job_rather_than_file(description):
        learn_into(
            description, port, baud, wait, not no_check, as_json, view, other_device, give_up, asked
        )
        return
    if Path(port).is_file() or names_no_file(port):
        what = "is a file" if Path(port).is_file() else "no such file; and no port"
        raise UserError(f"{port}: {what}: breathmap replay {description} FILE learns from files")
    screen = Screen(as_json)
    finding = not no_find_delay
    with page_asked(asked, screen) as shown:
        show, _ = show_in(view, shown, screen)
        outcome = learn_live(
            description, port, out, screen, baud, add, wait, finding, show, give_up_s=give_up
        )
        if shown is not None:
            shown.outcome(outcome, out)
    show_summary(screen, outcome.summary)
    show_causes(screen, outcome, out, description)
    screen.say(f"Written to {out}: tables, summary.json, causes.json and the recording.")


def add_learn(app: typer.Typer, exit_codes: str) -> None:
    """Add the command to the program."""
    app.command("learn", epilog=EXAMPLES + exit_codes)(learn)
