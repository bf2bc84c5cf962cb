"""What is printed: names and texts from outside are shown, never obeyed."""

import ast
import json
import os
import re
import sys
from pathlib import Path

import pytest
from checkout import ROOT
from command_line import Breathmap, refused
from hypothesis import given
from hypothesis import strategies as st

from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.base.texts import MOST_CHARACTERS, json_text, one_line, visible
from breathmap.tools.view.map import TRUE_COLOUR, Look

# What a terminal obeys, and what turns the direction of writing; from memory.
RAW = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
EVIL = "\x1b]0;owned\x07\x9b31m\u202etxt.\x7f[bold]:bell:\n"
SHOWN = r"\x1b]0;owned\x07\x9b31m\u202etxt.\x7f[bold]:bell:\n"
ANY_TEXT = st.text(st.characters(exclude_categories=[]))
TOOLS = ROOT / "tools"


@given(ANY_TEXT)
def test_no_text_is_obeyed(text: str) -> None:
    """Whatever a text holds, what is shown of it is one line without a control character."""
    assert not RAW.search(visible(text))
    assert "\n" not in visible(text)
    assert len(one_line(text)) <= MOST_CHARACTERS + 5


@given(st.text(st.characters(categories=["L", "N", "P", "S", "Zs"])))
def test_an_ordinary_text_is_shown_as_it_is(text: str) -> None:
    """Letters, figures and signs of any script are shown unchanged."""
    assert visible(text) == text


def test_a_byte_that_is_no_utf_8_is_shown() -> None:
    """A file name's byte that is no UTF-8 is shown as that byte."""
    assert visible(os.fsdecode(b"caf\xe9.toml")) == r"caf\xe9.toml" or os.name == "nt"


@given(st.recursive(ANY_TEXT | st.none() | st.integers(), lambda inner: st.lists(inner)))
def test_json_says_the_same_and_is_not_obeyed(value: object) -> None:
    """JSON on a terminal holds no raw control character and reads back as the same value."""
    text = json_text(value)

    assert not RAW.search(text)
    assert json.loads(text) == value


@pytest.mark.parametrize("is_terminal", [False, True])
def test_screen_shows_and_does_not_obey(
    is_terminal: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Lines, cautions, tables, and status lines show what is in a name; no markup, no emoji."""
    monkeypatch.setenv("FORCE_COLOR", "1" if is_terminal else "")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "200")
    screen = Screen()
    assert screen.is_terminal == is_terminal
    table = Table(title=EVIL)
    table.add_column(EVIL)
    table.add_row(EVIL)
    screen.say(EVIL)
    screen.warn(EVIL)
    screen.show(table)
    with screen.status() as status, screen.progress(EVIL):
        status.update(EVIL)

    printed = capsys.readouterr().out
    # What moves the cursor for a line that changes in place is the program's own.
    own = re.sub(r"\x1b\[(\?25[lh]|1A|2K|[\d;]*m)|\r", "", printed)
    assert not RAW.search(own), own
    assert own.count(SHOWN) >= 5
    assert "owned\x07" not in printed


@pytest.mark.parametrize("is_unicode", [True, False])
def test_view_shows_and_does_not_obey(is_unicode: bool) -> None:
    """The live view's lines hold no control character of a name."""
    assert not RAW.search(Look(TRUE_COLOUR, is_unicode).plain(EVIL))


def test_nothing_is_printed_past_the_screen() -> None:
    """Only the screen prints: no other module of the program writes to a terminal itself."""
    # What a notebook asks of a run is made for the screen that asks.
    own = {"base/screen.py", "cli/main.py", "cli/start.py", "start.py", "door/run.py"}
    apart = ("bench/", "make/", "board/", "install/heap_run.py")
    for path in TOOLS.rglob("*.py"):
        name = path.relative_to(TOOLS).as_posix()
        if name in own or name.startswith(apart):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                assert called not in ("print", "typer.echo", "typer.secho"), name
                assert not re.search(r"(std(out|err)|console)\.(write|print)$", called), name
            if isinstance(node, ast.ImportFrom):
                assert node.module not in ("rich.table", "rich.console"), name


def test_a_file_name_is_not_obeyed(breathmap: Breathmap, tmp_path: Path) -> None:
    """A file name with escapes is shown in the refusal, in one line."""
    refused(breathmap("check", tmp_path / "x\x1b[2J\x07.toml"), r"x\x1b[2J\x07.toml: no such file")


def test_a_usage_mistake_is_not_obeyed(breathmap: Breathmap) -> None:
    """An option with escapes is shown in the refusal, in one line."""
    refused(breathmap("check", "--x\x1b[2J"), r"\x1b[2J")


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are bytes on Linux")
def test_names_that_are_no_utf_8_work(
    breathmap: Breathmap, bench: Path, recording: Path, tmp_path: Path
) -> None:
    """A recording and folders whose names are no UTF-8 are learned from, reported and named."""
    ride = tmp_path / os.fsdecode(b"caf\xe9.bin")
    ride.write_bytes(recording.read_bytes()[:30_000])
    out = tmp_path / os.fsdecode(b"o\xfft")

    replayed = breathmap("replay", bench, ride, "--out", out, "--json")
    assert replayed.code == 0
    assert json.loads(replayed.out)["sources"] == [str(ride)]
    assert json.loads((out / "summary.json").read_bytes())["sources"] == [str(ride)]
    assert r"o\xfft" in replayed.err

    reported = breathmap("report", out)
    assert reported.code == 0
    assert r"o\xfft" in reported.out
    assert r"caf\xe9.bin" in (out / "report.html").read_text(encoding="utf-8")

    job = tmp_path / os.fsdecode(b"j\xe9b")
    for command in (
        ("new", job, "--engine", bench),
        ("prepare", job),
        ("learn", job, ride),
        ("history", job),
    ):
        ended = breathmap(*command)
        assert ended.code == 0, ended.err
        assert r"j\xe9b" in ended.out


def test_text_to_paste_keeps_its_tabs_and_obeys_nothing(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Tabs and line ends go through as they are; an escape never does."""
    Screen().paste("1\t2\n3\t4\n")
    assert capsys.readouterr().out == "1\t2\n3\t4\n"
    with pytest.raises(ValueError, match="control"):
        Screen().paste("1\t\x1b[2J\n")
