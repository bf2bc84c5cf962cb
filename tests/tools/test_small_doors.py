"""What a person meets first: the bare command, help, completion, errors, counts of one."""

import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from command_line import Breathmap, refused
from log_bench import engine_folder
from typer.testing import CliRunner

from breathmap.tools import start
from breathmap.tools.cli import complete
from breathmap.tools.cli.main import app, whole


def commands(command: Any, words: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    """Return every command with the words that call it."""
    inner = getattr(command, "commands", {})
    found = {words: command}
    for name, one in inner.items():
        found |= commands(one, (*words, name))
    return found


ALL = commands(whole())


def test_the_bare_command_helps(breathmap: Breathmap) -> None:
    """Without a word, help is shown and what to do first, with no complaint."""
    ended = breathmap()
    assert (ended.code, ended.err) == (0, "")
    assert "Usage: breathmap" in ended.out
    assert "What to do first:\n  breathmap demo" in ended.out


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_help_fits_80_columns_with_whole_names(words: tuple[str, ...]) -> None:
    """On a terminal of 80 columns no line is longer and no option's name is cut."""
    done = CliRunner(env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"}).invoke(app, [*words, "--help"])
    assert done.exit_code == 0
    assert max(map(len, done.output.splitlines())) <= 80
    names = [
        name
        for option in ALL[words].params
        for name in (*option.opts, *option.secondary_opts)
        if name.startswith("--") and not getattr(option, "hidden", False)
    ]
    missing = [name for name in names if not re.search(rf"{name}(?![\w-])", done.output)]
    assert not missing


def test_errors_are_json_where_it_was_asked_for(tmp_path: Path, breathmap: Breathmap) -> None:
    """With --json a refusal is one object on stdout, beside its line on stderr; of usage, too."""
    for words in (("check", tmp_path / "none.toml", "--json"), ("replay", "--nonsense", "--json")):
        ended = breathmap(*words)
        refused(ended)
        found = json.loads(ended.out)
        assert found["exit_code"] == 2
        assert f"breathmap: {found['error']}\n" == ended.err
    assert breathmap("check", tmp_path / "none.toml").out == ""


def test_one_bank_is_one_bank(tmp_path: Path, breathmap: Breathmap) -> None:
    """One bank is not called banks."""
    folder = engine_folder(tmp_path)
    assert "2 cylinders, 1 bank\n" in breathmap("check", folder / "engine.toml").out
    made = breathmap("new", tmp_path / "job", "--engine", folder / "engine.toml").out
    assert ", 1 bank, 3 speeds x 3 loads." in " ".join(made.split())


def test_a_pipe_has_a_volume(breathmap: Breathmap) -> None:
    """Length and bore in mm give cm3 by the formula of a cylinder, parts add up, and what cannot be
    is refused."""
    volume = json.loads(breathmap("check", "--pipe", "850x38", "--json").out)["exhaust_volume_cm3"]
    assert volume == pytest.approx(math.pi / 4 * 3.8**2 * 85.0, abs=0.05)
    parts = breathmap("check", "--pipe", "425x38 + 425X38", "--json").out
    assert json.loads(parts)["exhaust_volume_cm3"] == pytest.approx(volume, abs=0.1)
    assert "exhaust_volume_cm3 = 964" in breathmap("check", "--pipe", "850x38").out
    refused(breathmap("check", "--pipe", "850"), "give LENGTHxBORE in mm")
    refused(breathmap("check", "--pipe", "38x850"), "--pipe")


def test_values_complete(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Drives, faults and their banks, and jobs complete, also behind what stands there already."""

    def names(values: complete.Values) -> list[str]:
        return [name for name, _ in values]

    assert names(complete.drives("ro")) == ["road"]
    assert names(complete.drives("brake,ro")) == ["brake,road"]
    assert "exhaust-leak" in names(complete.faults("exh"))
    assert names(complete.faults("exhaust-leak=0.4@l")) == ["exhaust-leak=0.4@left"]
    assert names(complete.faults("a@left,exhaust-l")) == ["a@left,exhaust-leak"]
    (tmp_path / "other").mkdir()
    monkeypatch.chdir(tmp_path)
    assert names(complete.jobs("o")) == ["other"]
    assert complete.jobs("none/") == []
    assert complete.recordings(SimpleNamespace(params={"job": "other"}), "") == []


def test_a_jobs_recordings_complete(
    tmp_path: Path, bench: Path, recording: Path, breathmap: Breathmap
) -> None:
    """The recordings of a job, and the job itself, complete for `drop`."""
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", bench).code == 0
    assert breathmap("learn", job, recording).code == 0
    assert [name for name, _ in complete.jobs(f"{tmp_path}/")] == [str(job)]
    values = complete.recordings(SimpleNamespace(params={"job": job}), "1/")
    assert [name for name, _ in values] == ["1/recording-001.bin"]


def test_the_start_script_runs_any_command(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """`start.py run` hands its words to breathmap, and keeps stdout for what that prints."""
    commands: list[list[str]] = []

    def run(command: list[str], folder: str) -> int:
        commands.append([*command, folder])
        return 7

    def make() -> str:
        start.say("making")
        return "python"

    monkeypatch.setitem(start.VOICE, "stream", "stdout")
    monkeypatch.setattr(start, "make_environment", make)
    monkeypatch.setattr(start, "install", lambda purpose, python: start.say(purpose))
    monkeypatch.setattr(start, "run", run)
    assert start.main(["run", "check", "--example"]) == 7
    assert commands == [[start.venv_program("breathmap"), "check", "--example", os.getcwd()]]
    assert capfd.readouterr() == ("", "start: making\nstart: run\n")


def test_a_json_command_through_the_module(package_folder: Path) -> None:
    """As a program of its own, too, an error with --json is one object and one line."""
    done = subprocess.run(
        [sys.executable, "-m", "breathmap.tools.cli.main", "check", "none.toml", "--json"],
        env={**os.environ, "PYTHONPATH": str(package_folder)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert json.loads(done.stdout)["error"] in done.stderr
