"""The README's examples run as they stand."""

import re
import subprocess
import sys
from pathlib import Path

from checkout import ROOT

from breathmap.tools.cli.main import whole


def blocks(language: str) -> list[str]:
    """Return the README's fenced blocks of one language."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def test_python_examples_run(tmp_path: Path) -> None:
    """Every Python block of the README runs to its end, by itself, in an empty folder."""
    examples = blocks("python")

    assert examples
    for example in examples:
        done = subprocess.run(
            [sys.executable, "-c", example],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{example}\n{done.stderr}"


def test_commands_exist() -> None:
    """Every `breathmap` command that the README shows is one that the program has."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"(?:^\$? ?|`)breathmap ([a-z]+)", text, re.MULTILINE))

    assert shown
    assert shown <= set(whole().commands)
