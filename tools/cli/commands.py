"""The program's commands, each loaded when it is called: its parts take longer than the help.

What the help and the shell show of all of them stands in `listed.py`, written from the commands
themselves by `python -m breathmap.tools.make.commands`.
"""

import gc
import sys
from functools import cache
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_group

from breathmap.tools.cli.listed import LISTED

if TYPE_CHECKING:
    from typer._click import Command, Context

EXIT_CODES = "Exit codes: 0 done; 2 something must be put right first (one line says what)."
# Modules of this shelf with what adds their commands, in the order in which help shows them.
ADDERS = (
    ("demo", "add_demo"),
    ("learn", "add_learn"),
    ("replay", "add_replay"),
    ("check", "add_check"),
    ("simulate", "add_simulate"),
    ("export", "add_export"),
    ("report", "add_report"),
    ("plot", "add_plot"),
    ("diagnose", "add_diagnose"),
    ("axes", "add_axes"),
    ("gather", "add_gather"),
    ("job", "add_commands"),
    ("tables", "add_tables"),
    ("board", "add_board"),
    ("exercise", "add_exercise"),
)


class Commands(TyperGroup):
    """All commands: as listed for whoever looks at them, loaded for whoever calls one."""

    def __init__(self, **options: Any) -> None:
        options["commands"] = {
            name: TyperCommand(name, help=text, rich_help_panel=panel)
            for name, (_, text, panel) in LISTED.items()
        }
        super().__init__(**options)

    def resolve_command(
        self, ctx: "Context", args: list[str]
    ) -> "tuple[str | None, Command | None, list[str]]":
        """Return the command that is called, whole; for the shell's completion its outline."""
        name, listed, rest = super().resolve_command(ctx, args)
        if listed is None or name is None:
            return name, listed, rest
        if ctx.resilient_parsing:
            from breathmap.tools.cli.outline import outline

            return name, outline(name, lambda: _whole(name)), rest
        return name, _whole(name), rest


def _whole(name: str) -> "Command":
    return part(*ADDERS[LISTED[name][0]])[name]


@cache
def part(module: str, adder: str) -> "dict[str, Command]":
    """Load the commands of one module, by their names; made once, for whoever runs more than one
    command line in a process."""
    app = typer.Typer(rich_markup_mode="markdown")
    getattr(_loaded(f"breathmap.tools.cli.{module}"), adder)(app, EXIT_CODES)
    return dict(get_group(app).commands)


def _loaded(name: str) -> ModuleType:
    """Import a command's module. What it brings lives as long as the program, so nobody looks for
    garbage in it, now or at the end; that takes a third of the time of loading."""
    if name in sys.modules:
        return sys.modules[name]
    gc.disable()
    try:
        module = import_module(name)
        gc.freeze()
    finally:
        gc.enable()
    return module
