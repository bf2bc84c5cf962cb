"""`--json`: every command has it, and stdout then holds one JSON object and nothing else."""

import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from command_line import Breathmap
from processes import BREATHMAP

from breathmap.tools.cli import board as board_cli
from breathmap.tools.cli.main import whole

# Commands without --json, each with its reason; a new one needs one.
WITHOUT: dict[str, str] = {}


def all_commands() -> Iterator[tuple[str, Any]]:
    """Yield (name with its group, command) of every command that does something."""

    def below(command: Any, words: list[str]) -> Iterator[tuple[str, Any]]:
        inner = getattr(command, "commands", None)
        if inner is None:
            yield " ".join(words), command
            return
        for name, one in inner.items():
            yield from below(one, [*words, name])

    yield from below(whole(), [])


COMMANDS = dict(all_commands())


def printed(breathmap: Breathmap, *words: object) -> dict[str, Any]:
    """Run a command with --json; return the one object on stdout."""
    ended = breathmap(*words, "--json")
    assert ended.code == 0, ended.err
    found = json.loads(ended.out)
    assert isinstance(found, dict)
    return found


def test_the_walk_finds_commands_and_sub_commands() -> None:
    """What the following test walks over holds the main commands, a job's and a board's."""
    assert {"learn", "replay", "report", "propose", "board clear"} <= set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_json(name: str) -> None:
    """Every command takes --json and says so in its help, or stands in the list with a reason."""
    options = {flag for parameter in COMMANDS[name].params for flag in parameter.opts}
    assert ("--json" in options) != (name in WITHOUT)


def test_exceptions_are_commands() -> None:
    """The list of exceptions names no command that is gone."""
    assert set(WITHOUT) <= set(COMMANDS)


def test_installing_on_a_board_is_told(breathmap: Breathmap, bench: Path, tmp_path: Path) -> None:
    """board install says as data what was put where."""
    folder = tmp_path / "to-copy"
    found = printed(breathmap, "board", "install", bench, "--folder", folder)
    assert found["folder"] == str(folder)
    assert found["port"] is None
    assert found["bytes_per_number"] == 4


def test_clearing_a_board_is_told(breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch) -> None:
    """board clear says as data how many used samples the board has forgotten."""

    class Link:
        def __init__(self, *_: object) -> None: ...
        def __enter__(self) -> "Link":
            return self

        def __exit__(self, *_: object) -> None: ...

    cleared = []
    heads = [{"samples_used": 70}, {"samples_used": 90}]
    snapshot = SimpleNamespace(heads=heads, origin=b"one")
    monkeypatch.setattr(board_cli, "BoardLink", Link)
    monkeypatch.setattr(board_cli, "fetch_snapshot", lambda _: snapshot)
    monkeypatch.setattr(board_cli, "clear_board", lambda _, origin: cleared.append(origin))

    assert printed(breathmap, "board", "clear", "loop", "--yes") == {
        "port": "loop",
        "cleared": True,
        "samples_used_before": 90,
    }
    assert cleared == [b"one"]


def test_a_job_is_told_step_by_step(
    breathmap: Breathmap, bench: Path, recording: Path, tmp_path: Path
) -> None:
    """Each step of a job prints one object: what was added, and whether it is ready for use."""
    job = tmp_path / "monday"
    assert printed(breathmap, "new", job, "--engine", bench)["ready_for_use"] is False
    assert printed(breathmap, "prepare", job)["records"]
    assert printed(breathmap, "learn", job, recording)["banks"]["left"]["used"] > 1000
    proposed = printed(breathmap, "propose", job)
    assert [record["what"] for record in proposed["records"]] == ["proposed"]
    assert printed(breathmap, "accept", job)["table"] == 1
    assert printed(breathmap, "undo", job, "0")["records"]
    assert printed(breathmap, "history", job)["records"]
    assert printed(breathmap, "report", job)["bytes"] > 1_000_000


def test_simulating_is_told(breathmap: Breathmap, tmp_path: Path) -> None:
    """simulate says what it wrote; check --example gives its text inside the object."""
    out = tmp_path / "ride.bin"
    found = printed(breathmap, "simulate", "--out", out, "--minutes", "0.2")
    assert found["bytes"] == out.stat().st_size
    assert "[engine]" in printed(breathmap, "check", "--example")["example"]


def test_a_served_port_is_told_at_once() -> None:
    """simulate --json names its port on stdout while it waits for a reader, for a script to use."""
    command = [*BREATHMAP, "simulate", "--json", "--port", "tcp"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        assert process.stdout is not None
        try:
            lines = []
            for line in process.stdout:
                lines.append(line)
                if line == "}\n":
                    break
        finally:
            process.terminate()
    found = json.loads("".join(lines))
    assert found["port"].startswith("socket://127.0.0.1:")
    assert found["minutes"] == 30.0


def test_the_shell_completes_commands() -> None:
    """The shell's completion names the commands and their options."""
    asked = {"_BREATHMAP_COMPLETE": "complete_bash", "COMP_CWORD": "1"}
    for words, answer in (("breathmap rep", {"report", "replay"}), ("breathmap bo", {"board"})):
        ended = subprocess.run(
            BREATHMAP,
            env={**os.environ, **asked, "COMP_WORDS": words},
            capture_output=True,
            text=True,
        )
        assert set(ended.stdout.split()) == answer
