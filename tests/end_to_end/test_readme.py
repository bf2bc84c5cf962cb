"""The README's examples run as they stand; its commands do so in `.ci/run`, in a fresh clone."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from checkout import ROOT

from breathmap.tools.cli.main import whole
from breathmap.tools.make.walk import blocks_of, walk

PAGES = [
    ROOT / name
    for name in (
        "README.md", "tools/classroom/README.md", "tools/board/README.md",
        "protocol/bridge/README.md", "learner/c/README.md",
    )
]  # fmt: skip


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


def test_commands_and_their_options_exist() -> None:
    """Every `breathmap` command that a page for users shows, in a sentence or a block, is one that
    the program has, with the options that stand behind it."""
    program = whole().commands
    shown = 0
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for line in re.findall(
            r"(?:^(?:\$ |    )?|`|run )breathmap ([a-z][^`\n]*)", text, re.MULTILINE
        ):
            words = line.split()
            command = program.get(words[0])
            assert command is not None, f"{page.name}: breathmap {line}"
            inner = getattr(command, "commands", {}).get(words[1] if len(words) > 1 else "")
            options = {flag for one in (inner or command).params for flag in one.opts}
            for word in words[1:]:
                if word.startswith("--"):
                    option = word.rstrip(",.;:)").split("=")[0]
                    assert option in options | {"--help"}, f"{page.name}: breathmap {line}"
            shown += 1
    assert shown > 50


def test_what_is_not_typed_is_little() -> None:
    """Of README's blocks of commands only the first, the two commands themselves, is not typed by
    `tools/make/walk.py`, and it says why; there are enough others."""
    blocks = blocks_of((ROOT / "README.md").read_text(encoding="utf-8"))
    left_out = [block for block in blocks if block.why_not]
    assert left_out == blocks[:1]
    assert "tools/start.py demo" in left_out[0].text
    typed = [
        line for block in blocks[1:] if block.language == "sh" for line in block.text.split("\n")
    ]
    assert len(typed) > 12
    # Every fence is commands, Python, or what a program prints.
    fences = re.findall(
        r"^```(.*)$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE
    )
    assert set(fences) <= {"", "sh", "python"}


PAGE = """
A page.

    python3 -c "open('first', 'w')"

    set in, but no command

<!-- not run: it needs a vehicle -->
```sh
exit 7
```

<!-- in a terminal of its own -->
```sh
echo socket://somewhere:1; touch beside; sleep 60
```

```python
word = "held"
```

```
printed
```

```python
open(word, "w")
```

```sh
test -e first && test -e beside && test -e held   # in order
cd sub
```

    python3 -c "open('in-sub', 'w')"

```python
open("last", "w")
```
"""


def test_a_page_is_typed_in_order(tmp_path: Path) -> None:
    """Blocks run in order in one shell, Python blocks that follow
    one another in one interpreter, what has a terminal of its own
    beside the rest until the end; output and what is marked are left out."""
    (tmp_path / "sub").mkdir()
    (tmp_path / "page.md").write_text(PAGE)
    assert [block.line for block in blocks_of(PAGE)] == [4, 10, 15, 19, 27, 31, 35, 38]
    assert walk(tmp_path / "page.md", cwd=tmp_path) == 0
    assert (tmp_path / "sub" / "in-sub").exists()
    assert (tmp_path / "sub" / "last").exists()


@pytest.mark.parametrize("wrong", ["false\ntrue", "breathmap-nosuch", "test -e gone"])
def test_a_command_that_fails_ends_it(tmp_path: Path, wrong: str) -> None:
    """The first command that fails is the end, and the walk says so."""
    (tmp_path / "page.md").write_text(f"```sh\n{wrong}\n```\n\n```sh\ntouch after\n```\n")
    assert walk(tmp_path / "page.md", cwd=tmp_path) != 0
    assert not (tmp_path / "after").exists()
