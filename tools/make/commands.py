"""Keeps tools/cli/listed.py, what the help shows of each command, in step with the commands.

python -m breathmap.tools.make.commands          write it
python -m breathmap.tools.make.commands --check  change nothing, exit 1 when it is stale
"""

import re
import sys
from inspect import cleandoc
from pathlib import Path

PLACE = Path(__file__).resolve().parents[1] / "cli/listed.py"
# Characters of a string in one line, as the formatter has it.
LONGEST = 89
HEAD = '''"""What help and shell show of each command.

Written by `python -m breathmap.tools.make.commands`. A command's name: the number of its module in
`commands.ADDERS`, the first paragraph of its help, its panel.
"""

LISTED: dict[str, tuple[int, str, str | None]] = {
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
    new = text()
    if "--check" not in sys.argv:
        PLACE.write_text(new, "utf-8")
        return 0
    if PLACE.read_text("utf-8") == new:
        return 0
    print(f"{PLACE} is stale: python -m breathmap.tools.make.commands", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
