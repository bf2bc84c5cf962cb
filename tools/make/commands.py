"""Keeps what help and shell show of each command in step with the commands: tools/cli/listed.py
and, with all options, tools/cli/listed_options.py.

python -m breathmap.tools.make.commands          write it
python -m breathmap.tools.make.commands --check  change nothing, exit 1 when it is stale
"""

import re
import sys
from collections.abc import Iterator, Mapping
from inspect import cleandoc
from pathlib import Path
from typing import Any

PLACE = Path(__file__).resolve().parents[1] / "cli/listed.py"
OPTIONS = PLACE.with_name("listed_options.py")
# Characters of a string in one line, as the formatter has it.
LONGEST = 89
HEAD = '''"""What help and shell show of each command.

Written by `python -m breathmap.tools.make.commands`. A command's name: the number of its module in
`commands.ADDERS`, the first paragraph of its help, its panel.
"""

LISTED: dict[str, tuple[int, str, str | None]] = {
'''

OPTIONS_HEAD = '''"""The parameters of each command, for the shell's completion.

Written by `python -m breathmap.tools.make.commands`. A command's words: its help, and of each
parameter its name, its option ("" for an argument), what it takes, its help; None: a group.
"""
# ruff: noqa: E501
# fmt: off

Row = tuple[str, str, str, str]
OUTLINES: dict[str, tuple[str, tuple[Row, ...] | None]] = {
'''


def text() -> str:
    """Return the module as the commands say it."""
    from breathmap.tools.cli.commands import ADDERS, part

    lines = []
    for number, adder in enumerate(ADDERS):
        for name, command in part(*adder).items():
            first = cleandoc(command.help or "").split("\n\n")[0]
            panel = getattr(command, "rich_help_panel", None)
            panel = panel if isinstance(panel, str) else None
            lines.append(f"    {quoted(name)}: (\n        {number},\n")
            lines += [f"        {row}\n" for row in rows_of(first)]
            lines.append(f"        {quoted(panel) if panel else None},\n    ),\n")
    return HEAD + "".join(lines) + "}\n"


def options_text() -> str:
    """Return the module of all parameters as the commands say it."""
    from breathmap.tools.cli.main import whole

    lines = []
    for path, command in walk(whole().commands):
        head = f"    {quoted(path)}: ({quoted(command.help or '')}, "
        if hasattr(command, "commands"):
            lines.append(f"{head}None),\n")
            continue
        rows = [f"        ({row_text(parameter)}),\n" for parameter in command.params]
        lines += [f"{head}(\n", *rows, "    )),\n"]
    return OPTIONS_HEAD + "".join(lines) + "}\n"


def walk(commands: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    """Yield the words and the command of each, a group before its own."""
    for name, command in commands.items():
        yield above + name, command
        yield from walk(getattr(command, "commands", {}), f"{above}{name} ")


def row_text(parameter: Any) -> str:
    """Return a parameter's entry. Raises ValueError for what the outline cannot show."""
    is_option = parameter.param_type_name == "option"
    if len(parameter.opts) + len(parameter.secondary_opts) > 1 or parameter.hidden:
        raise ValueError(f"{parameter.opts}: more names than one, or hidden")
    takes = "one"
    if is_option and parameter.is_flag:
        takes = "flag"
    elif parameter.nargs == -1 or (is_option and parameter.multiple):
        takes = "many"
    option = parameter.opts[0] if is_option else ""
    return ", ".join(map(quoted, (parameter.name, option, takes, parameter.help or "")))


def rows_of(paragraph: str) -> list[str]:
    """Return a paragraph as Python writes it, in strings of a line each."""
    words = re.split(r"(?<=\s)", paragraph)
    rows = [""]
    for word in words:
        if len(rows[-1]) + len(word) > LONGEST:
            rows.append("")
        rows[-1] += word
    return [*map(quoted, rows[:-1]), f"{quoted(rows[-1])},"]


def quoted(line: str) -> str:
    """Return a line as a string of Python's, in double quotes."""
    return '"' + line.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def main() -> int:
    """Run the command; return its exit code."""
    made = {PLACE: text(), OPTIONS: options_text()}
    stale = [place for place, new in made.items() if not _holds(place, new)]
    if "--check" not in sys.argv:
        for place in stale:
            place.write_text(made[place], "utf-8")
        return 0
    for place in stale:
        print(f"{place} is stale: python -m breathmap.tools.make.commands", file=sys.stderr)
    return 1 if stale else 0


def _holds(place: Path, text: str) -> bool:
    return place.is_file() and place.read_text("utf-8") == text


if __name__ == "__main__":
    sys.exit(main())
