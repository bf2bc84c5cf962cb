"""The commands `breathmap exercise ...`: for a class, on the simulated bench."""

import getpass
import secrets
import sys
from pathlib import Path
from typing import Annotated

import typer

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import write_text
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.base.texts import one_line
from breathmap.tools.classroom.engine import prepare_exercise
from breathmap.tools.classroom.exercise import LEVELS, WORKSHEET
from breathmap.tools.classroom.marking import Mark, mark
from breathmap.tools.cli.options import AsJson
from breathmap.tools.cli.page import Asked, engine_page, page_asked
from breathmap.tools.demo.simulating import Order, serve, write_drive

MOST_SEED = 10**6

Word = Annotated[
    str | None,
    typer.Option(
        metavar="WORD",
        help="The teacher's word; asked for at the terminal when left out. It keeps the answer "
        "from being read by accident, and is no security.",
        show_default=False,
    ),
]
LEVELS_HELP = "; ".join(f"{number}: {level.text}" for number, level in LEVELS.items())


def new(
    folder: Annotated[Path, typer.Argument(help="A new folder for the exercise.")],
    level: Annotated[int, typer.Option(min=1, max=5, help=LEVELS_HELP + ".")],
    seed: Annotated[
        int | None,
        typer.Option(min=0, help="Same level and seed, same exercise; by default drawn."),
    ] = None,
    word: Word = None,
    as_json: AsJson = False,
) -> None:
    """Make an exercise: an engine with a hidden truth, from level 3 with faults, a work sheet to
    print, and a sealed answer."""
    screen = Screen(as_json)
    chosen = secrets.randbelow(MOST_SEED) if seed is None else seed
    given = _word(word)
    # Here, because the template's engine takes a moment to load.
    from breathmap.tools.classroom.new import make_exercise

    make_exercise(folder, level, chosen, given)
    screen.say(f"Exercise of level {level} in {folder}: {LEVELS[level].text}.")
    screen.say(f"Print {folder / WORKSHEET} (any browser; it makes a PDF, too).")
    screen.say(f"Its engine: breathmap simulate --exercise {folder}")
    screen.say(f"When it is handed in: breathmap exercise mark {folder}")
    screen.result({"folder": str(folder), "level": level, "seed": chosen, "invented": True})


def mark_all(
    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER...", help="Exercises as they were handed in.")
    ],
    word: Word = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE.html", help="Also write a page: table, answers and curves."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Mark what was handed in: error left, riding, faults found and false alarms, set-up."""
    screen = Screen(as_json)
    given = _word(word)
    marks: list[Mark] = []
    failed: list[tuple[str, str]] = []
    for folder in folders:
        try:
            marks.append(mark(folder, given))
        except UserError as error:
            failed.append((str(folder), one_line(str(error))))
    if not marks:
        raise UserError(failed[0][1] + _more(len(failed) - 1))
    if out is not None:
        # Here, because the template's engine takes a moment to load.
        from breathmap.tools.base.pages import check_place
        from breathmap.tools.classroom.pages import class_page

        check_place(out)
        write_text(out, class_page(marks, failed))
    failures = [{"folder": folder, "why": why} for folder, why in failed]
    page = None if out is None else str(out)
    result = {"marks": [one.as_dict() for one in marks], "failed": failures, "page": page}
    if not screen.result(result):
        _show(screen, marks, failed, out)
    if failed:
        raise UserError(f"not marked: {failed[0][1]}{_more(len(failed) - 1)}")


def ride_exercise(
    folder: Path,
    order: Order,
    is_alone: bool,
    out: Path | None,
    port: tuple[str | None, int, float | None],
    screen: Screen,
    page: Asked,
) -> None:
    """Play an exercise's engine as `simulate` does, and write down what was ridden. is_alone: no
    other option says what the engine is. port: kind, TCP port, speed. page: its options."""
    if not is_alone:
        raise UserError(
            "--exercise says itself what engine, faults and set-up there are: with it leave out "
            "--faults, --rate, --truth, --sensor, --tables, --setup, --memory and --describe"
        )
    one = prepare_exercise(folder, order.drive, order.minutes, order.seed)
    try:
        if out is None:
            with page_asked(page, screen) as shown:
                serve(one.bench, *port, screen, engine_page(shown, one.bench))
        else:
            write_drive(one.bench, out, screen)
    finally:
        one.note()


def _more(count: int) -> str:
    return f" (and {count} more)" if count else ""


def _show(
    screen: Screen, marks: list[Mark], failed: list[tuple[str, str]], out: Path | None
) -> None:
    screen.show(_table(marks))
    for one in marks:
        points = ", ".join(
            f"{name} {value:.0f} of {one.most[name]:.0f}" for name, value in one.parts.items()
        )
        screen.say(f"{one.pupil}: {points}; fuel {one.fuel_g / 1000.0:.2f} kg")
        screen.say(
            f"  the answer: {', '.join(one.answer) or 'no fault'}; tables from {one.handed_in}"
        )
        for what, names in (("missed", one.missed), ("named, and not there", one.false)):
            if names:
                screen.say(f"  {what}: {', '.join(names)}")
        steps = ", ".join(f"{s.error_pct:.1f} % at {s.minutes:.0f} min" for s in one.curve)
        screen.say(f"  error: {steps}")
    for folder, why in failed:
        screen.warn(f"{folder} was not marked: {why}")
    if out is not None:
        screen.say(f"Page: {out}")


def _table(marks: list[Mark]) -> Table:
    table = Table(title="Marks", title_justify="left")
    table.add_column("pupil", overflow="fold", min_width=8)
    for heading in ("level", "points", "error left, %", "found", "false", "lean", "back", "ridden"):
        table.add_column(heading, justify="right", no_wrap=True)
    for one in marks:
        back = "-" if one.put_back is None else "yes" if one.put_back else "no"
        table.add_row(
            one.pupil,
            str(one.level),
            f"{one.points:.0f}",
            f"{one.start_pct:.1f} to {one.error_pct:.1f}",
            f"{len(one.found)}/{len(one.answer)}",
            str(len(one.false)),
            f"{one.unsafe_s:.0f} s",
            back,
            f"{one.minutes:.0f} min",
        )
    return table


def _word(given: str | None) -> str:
    if given is not None:
        return given
    if not sys.stdin.isatty():
        raise UserError("give the teacher's word with --word: there is no terminal to ask at")
    return getpass.getpass("The teacher's word: ")


def add_exercise(app: typer.Typer, exit_codes: str) -> None:
    """Add the commands to the program."""
    group = typer.Typer(
        name="exercise",
        no_args_is_help=True,
        rich_markup_mode="markdown",
        help="For a class: exercises on the simulated bench, with a hidden truth and with faults, "
        "work sheets, and marks.",
    )
    group.command(
        "new",
        epilog="Examples:\n\n`breathmap exercise new anna --level 1 --word sparrow`\n\n"
        "`breathmap exercise new class/ben --level 5 --seed 12`\n\n" + exit_codes,
    )(new)
    group.command(
        "mark",
        epilog="Examples:\n\n`breathmap exercise mark anna --word sparrow`\n\n"
        "`breathmap exercise mark class/* --word sparrow --out class.html`\n\n" + exit_codes,
    )(mark_all)
    app.add_typer(group)
