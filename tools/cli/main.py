"""The command `breathmap`: learn VE tables from lambda sensors, simulate, check, replay.

Thin: every command turns its arguments into one call, and every mistake a person can put right into
one line on stderr and exit code 2. A command is loaded when it is called (`commands.py`).
"""

import io
import os
import sys
from collections.abc import Callable, Sequence
from functools import cache
from typing import Annotated, Any

import typer
from typer.core import TyperGroup
from typer.main import get_command, get_group

from breathmap.tools.base import texts
from breathmap.tools.base.disk import why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.texts import json_text, one_line
from breathmap.tools.cli.commands import ADDERS, EXIT_CODES, Commands, part

# Below the help that a bare `breathmap` shows.
FIRST = """\
What to do first:
  breathmap demo                               the whole work on a simulated engine
  breathmap new JOB --log RIDE.csv --table VE.csv --displacement CM3
                                               your engine, from a log and its VE table
  breathmap new JOB --port PORT                your engine, from its controller
Then each command says what comes next.
"""

NO_MEMORY = (
    "there is not enough memory for this: close other programs, or learn fewer or shorter "
    "recordings at a time, then run the same command again"
)

app = typer.Typer(
    name="breathmap",
    cls=Commands,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help="Learns the VE tables of a speed-density engine controller from its lambda sensors, "
    "sample by sample, with a standard error for every cell.\n\n"
    "Begin with `breathmap demo`: no hardware needed. For an engine of your own: "
    "`breathmap check --example > engine.toml`, then edit, check, learn.",
    epilog=EXIT_CODES,
)


def _version(asked: bool) -> None:
    if asked:
        # Here, because it looks at the C core.
        from breathmap.tools.base.version import version_line

        typer.echo(version_line())
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the versions."),
    ] = False,
) -> None:
    pass


@cache
def program() -> Callable[..., Any]:
    """Return the program; it loads a command when that is asked for."""
    return get_command(app)


def whole() -> TyperGroup:
    """Return the program with all commands loaded, for whoever looks through them."""
    group = get_group(app)
    for adder in ADDERS:
        group.commands.update(part(*adder))
    return group


def run(arguments: Sequence[str]) -> int:
    """Run one command line; return its exit code. Mistakes become one line on stderr."""
    texts.printed_result = False
    bare = not arguments
    try:
        asked = ["--help"] if bare else list(arguments)
        result: Any = program()(args=asked, prog_name="breathmap", standalone_mode=False)
        if bare:
            sys.stdout.write(FIRST)
        # Or a full disk behind it would be noticed when Python has ended, in its own words.
        sys.stdout.flush()
    except UserError as error:
        return _fail(str(error), arguments)
    except KeyboardInterrupt:
        return _fail("stopped", arguments, 130)
    except BrokenPipeError:
        # Whoever read our output has enough (`breathmap ... | head`).
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 (for the flush when Python ends)
        return 0
    except OSError as error:
        return _fail(f"{error.filename or 'input or output'}: {why(error)}", arguments)
    except MemoryError:
        return _fail(NO_MEMORY, arguments)
    except Exception as error:
        # The command-line library's own complaints (unknown option, missing argument).
        if not hasattr(error, "format_message"):
            raise
        return _fail(_usage_line(error), arguments)
    return result if isinstance(result, int) else 0


def _usage_line(error: Any) -> str:
    text = " ".join(str(error.format_message()).split()).rstrip(".") or "give a command"
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "breathmap"
    return f"{text}; see {command} --help"


def _fail(line: str, arguments: Sequence[str], code: int = 2) -> int:
    """Tell what went wrong on stderr; where JSON was asked for and none was printed, there too."""
    sys.stderr.write(f"breathmap: {one_line(line)}\n")
    if "--json" in arguments and not texts.printed_result:
        sys.stdout.write(json_text({"error": one_line(line), "exit_code": code}) + "\n")
    return code


def main() -> None:
    """The console command."""
    # A terminal that knows fewer characters shows a question mark, and does not end the program.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
