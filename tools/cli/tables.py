"""The commands that hand tables to people and take them from people: `enter`, `edit`."""

from pathlib import Path
from typing import Annotated

import typer

from breathmap.learner.decide.proposal import PRESETS
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import make_folder, write_text
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.job import JobFolder, RuleName, looking, working
from breathmap.tools.cli.options import AsJson
from breathmap.tools.job.edit import How, Where, edit_job
from breathmap.tools.job.enter import (
    DecimalMark,
    Form,
    LoadOrder,
    as_list,
    as_text,
    axes_lines,
    changes,
    displacement_line,
)
from breathmap.tools.job.named import Named, wanted
from breathmap.tools.job.recordings import take_in

EXAMPLES = (
    "Examples:\n\n"
    "`breathmap enter monday --bank left` (the whole table, tab-separated, to paste)\n\n"
    "`breathmap enter monday --changed --loads high-first` (only what changes, to type in)\n\n"
    "`breathmap enter monday --decimal comma --out for-the-controller` (both, in files)\n\n"
    "Afterwards export each table from the controller and run `breathmap compare monday "
    "EXPORTED.csv`: only that says what it holds.\n\n"
)


def enter(
    job: JobFolder,
    bank: Annotated[str | None, typer.Option(help="One bank alone.")] = None,
    changed: Annotated[
        bool, typer.Option("--changed", help="Only the cells that change, as a list to type in.")
    ] = False,
    loads: Annotated[
        LoadOrder, typer.Option(help="Which load stands in the controller's first row.")
    ] = "low-first",
    decimal: Annotated[DecimalMark, typer.Option(help="Decimal mark.")] = "point",
    with_axes: Annotated[
        bool, typer.Option("--axes", help="Speeds and loads beside the cells, too.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Write both forms of every bank into this new folder."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show tables for a controller without our protocol: to paste, or to type in.

    The latest proposal where it is not accepted yet, else the present table.
    """
    screen, form = Screen(as_json), Form(loads, decimal, with_axes)
    with looking(job, screen) as opened:
        new, old = wanted(opened)
        names = [table.bank for table in new]
        if bank is not None and bank not in names:
            raise UserError(f"{job}: there is no bank {bank}; there are {', '.join(names)}")
        pairs = [(a, b) for a, b in zip(new, old, strict=True) if bank in (None, a.bank)]
        line = displacement_line(new, old)
        if line:
            screen.warn(line)
        load_unit = opened.description().axes.load_unit_said
        axes = axes_lines(new[0], old[0], load_unit)
        if axes and changed:
            raise UserError(
                f"{job}: the axes change, and every cell with them: leave out --changed"
            )
        for change in axes:
            screen.warn(change)
        if out is not None:
            _save(out, pairs, form, load_unit, screen)
        elif not as_json:
            _show(pairs, form, changed, screen)
        screen.result(
            {"axes_change": bool(axes), "speed_rpm": new[0].speed_rpm, "load": new[0].load,
             "tables": [{"bank": a.bank, "table": a.source, "before": b.source,
                         "text": as_text(a, form), "changes": changes(a, b, form)}
                        for a, b in pairs]}
        )  # fmt: skip
        if out is not None or changed:
            screen.say(
                f"Then export each table and run breathmap compare {job} EXPORTED.csv: only that "
                "says what the controller holds."
            )


def _save(
    out: Path, pairs: list[tuple[Named, Named]], form: Form, load_unit: str, screen: Screen
) -> None:
    make_folder(out, may_exist=False, hint="give a new folder with --out")
    for new, old in pairs:
        write_text(out / f"{new.bank}.txt", as_text(new, form))
        if axes := axes_lines(new, old, load_unit):
            write_text(out / "axes.txt", "\n".join(axes) + "\n")
            screen.say(f"{out / 'axes.txt'} first, then {out / new.bank}.txt to paste.")
            continue
        write_text(out / f"{new.bank}-changes.txt", as_list(new, old, form))
        screen.say(f"{out / new.bank}.txt to paste, {out / new.bank}-changes.txt to type in.")


def _show(pairs: list[tuple[Named, Named]], form: Form, changed: bool, screen: Screen) -> None:
    for new, old in pairs:
        if changed:
            screen.say_lines(as_list(new, old, form))
            continue
        if len(pairs) > 1:
            screen.say(f"{new.name}:")
        screen.paste(as_text(new, form))


def edit(
    job: JobFolder,
    cell: Annotated[str, typer.Option(metavar="SPEED,LOAD", help="The cell nearest to here.")] = "",
    region: Annotated[
        str, typer.Option(metavar="FROM-TO,FROM-TO", help="All cells in a span of speeds, loads.")
    ] = "",
    table: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The whole table of a bank, as edited.")
    ] = None,
    bank: Annotated[str | None, typer.Option(help="One bank alone.")] = None,
    ve: Annotated[float | None, typer.Option(min=0.01, max=1000, help="Set to this VE, %.")] = None,
    by: Annotated[float | None, typer.Option(min=-50, max=100, help="Change by so many %.")] = None,
    hold: Annotated[bool, typer.Option("--hold", help="As it was in the table before.")] = False,
    smooth: Annotated[bool, typer.Option("--smooth", help="As the cells around it say.")] = False,
    says: Annotated[str, typer.Option(help="Who says so, and why; it goes on record.")] = "",
    rule: RuleName = "standard",
    despite: Annotated[
        bool, typer.Option("--despite", help="Although the rule forbids it; it goes on record.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Change cells of the job's present table by hand, on record; `undo` goes back.

    Evidence stays as it was. An edit that leans out further than --rule allows is refused.
    """
    ways = sum((ve is not None, by is not None, hold, smooth, table is not None))
    places = sum((bool(cell), bool(region), table is not None))
    if ways != 1:
        raise UserError("give one of --ve, --by, --hold, --smooth and --table")
    if places != 1:
        raise UserError("give one of --cell and --region; --table stands alone")
    screen = Screen(as_json)
    with working(job, screen) as opened:
        take_in(opened, screen)
        where, how = Where(cell, region, bank), How(ve, by, hold, smooth, table)
        edit_job(opened, where, how, says, PRESETS[rule], despite, screen)


EDIT_EXAMPLES = (
    "Examples:\n\n"
    '`breathmap edit monday --cell 2200,52 --by 2 --says "bench log 4: knock"`\n\n'
    '`breathmap edit monday --region 5000-7500,90-105 --hold --says "not trusted yet"`\n\n'
    '`breathmap edit monday --bank left --table left-edited.csv --says "spreadsheet"`\n\n'
)


def add_tables(app: typer.Typer, exit_codes: str) -> None:
    """Add the commands to the program."""
    panel = "The calibration job"
    app.command("enter", epilog=EXAMPLES + exit_codes, rich_help_panel=panel)(enter)
    app.command("edit", epilog=EDIT_EXAMPLES + exit_codes, rich_help_panel=panel)(edit)
