"""Types what a page says: runs every command of a Markdown file, in order, in the present folder.

    python -m breathmap.tools.make.walk README.md

Commands stand in blocks fenced with `sh` or `python`, or set in by four spaces and begun with a
program of PROGRAMS. Comments that no reader sees change what is done with the block below:

    <!-- not run: REASON -->          it is left out
    <!-- in a terminal of its own --> it goes on until the page's end; what follows waits until it
                                      names its port

All of a page is one shell, in which the first command that fails is the end. Python blocks between
which no shell block stands run in one interpreter.
"""

import re
import shlex
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

PROGRAMS = ("breathmap", "python3", "python", "pip", "cd", ".")
SHELLS = ("sh", "bash", "shell", "console")
NOT_RUN = re.compile(r"<!-- not run: (.+) -->")
OWN_TERMINAL = "<!-- in a terminal of its own -->"
# What a served port is called, and for how long it is waited for.
PORT = "socket://|/dev/pts/"
PORT_WAIT_S = 60


@dataclass(frozen=True)
class Block:
    """Commands of a page. line: of the first, from 1. language: sh or python. why_not: the reason
    for which they are not run, "" where they are. has_terminal: they go on beside what follows."""

    line: int
    language: str
    text: str
    why_not: str = ""
    has_terminal: bool = False


def blocks_of(text: str) -> list[Block]:
    """Return the blocks of commands of a Markdown page, in order."""
    lines = text.splitlines()
    found: list[Block] = []
    above = ""
    at = 0
    while at < len(lines):
        line = lines[at]
        if line.startswith("```"):
            end = next((k for k in range(at + 1, len(lines)) if lines[k] == "```"), len(lines))
            name = line[3:].strip()
            language = "sh" if name in SHELLS else name
            if language in ("sh", "python"):
                found.append(_block(at + 2, language, lines[at + 1 : end], above))
            at = end + 1
        elif line.startswith("    ") and not re.match("[^<]", lines[at - 1].strip() if at else ""):
            end = at
            while end < len(lines) and (lines[end].startswith("    ") or not lines[end].strip()):
                end += 1
            inside = [one[4:] for one in lines[at:end] if one.strip()]
            if inside[0].split()[0] in PROGRAMS:
                found.append(_block(at + 1, "sh", inside, above))
            at = end
        else:
            at += 1
        if line.strip():
            above = line.strip()
    return found


def _block(line: int, language: str, lines: list[str], above: str) -> Block:
    marked = NOT_RUN.fullmatch(above)
    why_not = marked[1] if marked else ""
    return Block(line, language, "\n".join(lines), why_not, above == OWN_TERMINAL)


def script_of(blocks: list[Block], name: str, folder: Path) -> str:
    """Return the shell script that types a page's blocks. folder: for its own files."""
    parts = ["set -eu", "trap 'kill $(jobs -p) 2>/dev/null || true' EXIT"]
    python: list[Block] = []
    for number, block in enumerate(blocks):
        place = f"{name}:{block.line}"
        if block.why_not:
            parts.append(f"echo {shlex.quote(f'== {place}: not run: {block.why_not}')}")
            continue
        if block.language == "python":
            python.append(block)
            continue
        parts += _in_python(python, name, folder)
        python = []
        parts.append(_heading(place))
        parts += _beside(block, folder / f"{number}.log") if block.has_terminal else [block.text]
    return "\n".join([*parts, *_in_python(python, name, folder)]) + "\n"


def _in_python(blocks: list[Block], name: str, folder: Path) -> list[str]:
    """Return how blocks run in one interpreter."""
    if not blocks:
        return []
    own = folder / f"{blocks[0].line}.py"
    own.write_text("\n".join(block.text for block in blocks) + "\n", encoding="utf-8")
    command = f"{shlex.quote(sys.executable)} {shlex.quote(str(own))}"
    return [_heading(f"{name}:{blocks[0].line}"), command]


def _heading(place: str) -> str:
    return f"echo {shlex.quote('== ' + place)}"


def _beside(block: Block, log: Path) -> list[str]:
    """Return how a block is begun in a terminal of its own, and its port waited for."""
    quoted = shlex.quote(str(log))
    return [
        f"({block.text}\n) > {quoted} 2>&1 &",
        f"for _ in $(seq {10 * PORT_WAIT_S}); do",
        f"  grep -Eq '{PORT}' {quoted} && break",
        "  sleep 0.1",
        "done",
        f"grep -E '{PORT}' {quoted} || {{ cat {quoted}; exit 1; }}",
    ]


def walk(page: Path, environment: dict[str, str] | None = None, cwd: Path | None = None) -> int:
    """Type a page's commands in a folder, by default the present one; return the exit code of the
    first that fails, 0 where none does. environment: variables, by default ours."""
    blocks = blocks_of(page.read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory(prefix="walk-") as folder:
        script = Path(folder) / "page.sh"
        script.write_text(script_of(blocks, page.name, Path(folder)), encoding="utf-8")
        return subprocess.run(
            ["bash", str(script)], env=environment, cwd=cwd, check=False
        ).returncode


def main(arguments: list[str]) -> int:
    """Walk the pages that are named."""
    for name in arguments:
        code = walk(Path(name))
        if code:
            sys.stderr.write(f"{name}: the last command above failed (exit code {code})\n")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
