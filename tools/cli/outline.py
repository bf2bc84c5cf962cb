"""Commands as the shell's completion sees them: their options as listed, without what they do.

Only for the value of an option or argument is the command itself loaded, when it is asked.
"""

import inspect
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.main import get_group

from breathmap.tools.cli.listed_options import OUTLINES, Row

if TYPE_CHECKING:
    from typer._click import Command

TYPES: dict[str, Any] = {"flag": bool, "one": str | None, "many": list[str] | None}


def outline(name: str, whole: "Callable[[], Command]") -> "Command":
    """Return a command, or a group of them, with its parameters as listed. whole: loads it."""
    app = typer.Typer(rich_markup_mode="markdown")
    groups = {"": app}
    for path, (text, rows) in OUTLINES.items():
        if f"{path} ".startswith(f"{name} "):
            above, _, last = path.rpartition(" ")
            if rows is None:
                groups[path] = typer.Typer(help=text)
                groups[above].add_typer(groups[path], name=last)
            else:
                groups[above].command(last, help=text)(_function(path, rows, whole))
    return dict(get_group(app).commands)[name]


def _function(path: str, rows: tuple[Row, ...], whole: "Callable[[], Command]") -> Any:
    """Return a function that does nothing, with these parameters."""

    def outlined(**_: object) -> None:
        pass

    found = [_parameter(path, row, whole) for row in rows]
    outlined.__annotations__ = {one.name: one.annotation for one in found}
    outlined.__signature__ = inspect.Signature(found)  # type: ignore[attr-defined]
    return outlined


def _parameter(path: str, row: Row, whole: "Callable[[], Command]") -> inspect.Parameter:
    name, option, takes, text = row

    def values(ctx: typer.Context, incomplete: str) -> list[tuple[str, str]]:
        command: Any = whole()
        for word in path.split()[1:]:
            command = command.commands[word]
        (parameter,) = (one for one in command.params if one.name == name)
        found = parameter.shell_complete(ctx, incomplete)
        return [(item.value, item.help or "") for item in found]

    more: dict[str, Any] = {"help": text} if takes == "flag" else {
        "help": text, "autocompletion": values
    }  # fmt: skip
    kind = typer.Option(option, **more) if option else typer.Argument(**more)
    return inspect.Parameter(
        name,
        inspect.Parameter.KEYWORD_ONLY,
        default=False if takes == "flag" else None,
        annotation=Annotated[TYPES[takes], kind],
    )
