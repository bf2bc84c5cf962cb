"""Damaged files: every parser of the host takes them, or refuses them in one line.

`tests/data/corpus` keeps every file that once failed. More, and for longer:
`python -m breathmap.tools.bench.fuzz`.
"""

from itertools import islice
from pathlib import Path

import pytest
from checkout import ROOT

from breathmap.tools.bench import fuzz
from breathmap.tools.bench.fuzz import Scene, faults, files_in, tries
from breathmap.tools.bench.fuzz_scene import TARGETS, Ended

CORPUS = ROOT / "tests" / "data" / "corpus"
KEPT = sorted(path for path in CORPUS.glob("*/*") if path.is_file())
TRIES_EACH = 3


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """One whole file of every kind."""
    return Scene(tmp_path_factory.mktemp("fuzz"))


def whole_files() -> dict[str, tuple[str, str]]:
    """A name and a command of each way to read the whole scene: many files share one."""
    ways = {
        (command, target.without, name if target.pasted else ""): (name, command)
        for name, target in TARGETS.items()
        for command in target.commands
    }
    return {f"{name}: {command}": (name, command) for name, command in ways.values()}


@pytest.mark.parametrize("way", whole_files().values(), ids=whole_files())
def test_a_whole_file_is_taken(scene: Scene, way: tuple[str, str]) -> None:
    """Undamaged, each file passes every command that reads it without a fault."""
    name, command = way
    assert faults(scene, TARGETS[name], command, scene.seed(TARGETS[name])) == []


@pytest.mark.parametrize("path", KEPT, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_what_once_failed_is_no_fault_any_more(scene: Scene, path: Path) -> None:
    """A file that once brought a parser down is taken, or refused in one line."""
    target = TARGETS[path.parent.name]
    for command in target.commands:
        assert faults(scene, target, command, path.read_bytes()) == []


@pytest.mark.parametrize("name", TARGETS)
def test_damaged_files_are_no_fault(scene: Scene, name: str) -> None:
    """A few of endlessly many damaged files, always the same, are taken or refused in one line."""
    for _, command, data, wrong in islice(tries([name], scene, seed=1), TRIES_EACH):
        assert wrong == [], (command, data[:200])


@pytest.mark.parametrize(
    ("ended", "said"),
    [
        (Ended(1, "", ""), "exit code 1"),
        (Ended(2, "", "breathmap: a\nb\n"), "2 lines on stderr"),
        (Ended(2, "", "Traceback\n"), "1 lines on stderr"),
        (Ended(0, "", "warning\n"), "on stderr"),
        (Ended(0, "\x1b[2J", ""), "printed raw"),
    ],
)
def test_a_fault_is_seen(
    scene: Scene, monkeypatch: pytest.MonkeyPatch, ended: Ended, said: str
) -> None:
    """The fuzzer sees a wrong exit code, a second line, a warning and a raw control character."""
    monkeypatch.setattr(fuzz, "call", lambda *_: ended)
    target = TARGETS["table"]

    (wrong,) = faults(scene, target, target.commands[0], b"")

    assert said in wrong


def test_a_traceback_and_half_a_file_are_seen(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fuzzer sees an exception, and what a refusal left behind."""
    target = TARGETS["table"]

    def raising(*_: object) -> Ended:
        raise ValueError("no such luck")

    def leaving(*_: object) -> Ended:
        (scene.folder / "half.json").write_text("{")
        return Ended(2, "", "breathmap: no\n")

    monkeypatch.setattr(fuzz, "call", raising)
    assert "ValueError: no such luck" in faults(scene, target, target.commands[0], b"")[0]
    monkeypatch.setattr(fuzz, "call", leaving)
    wrong = faults(scene, target, target.commands[0], b"")
    assert any("half.json" in line and "made" in line for line in wrong)
    assert "half.json is no JSON" in wrong
    assert "half.json" in files_in(scene.folder)
