"""The start script: polite on old interpreters, clear when something is missing, quick when not."""

import ast
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from longest import LONGEST, TESTS, place

from breathmap.tools import start

SCRIPT = Path(start.__file__)


@pytest.mark.parametrize("version", [(3, 6), (3, 7), (3, 8)])
def test_old_interpreters_can_parse_it(version: tuple[int, int]) -> None:
    """The script holds no syntax that is newer than Python 3.6."""
    ast.parse(SCRIPT.read_text(), feature_version=version)


def test_it_needs_the_standard_library_only() -> None:
    """The script imports nothing that must be installed first."""
    names = set()
    for node in ast.walk(ast.parse(SCRIPT.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(str(node.module))

    assert names
    assert names <= sys.stdlib_module_names


def test_old_python_is_told_in_one_line() -> None:
    """An interpreter that is too old is told which one is needed."""
    with pytest.raises(start.CannotStartError, match=r"Python 3.10, breathmap needs 3.11"):
        start.check_python((3, 10, 4))
    start.check_python((3, 11, 0))
    start.check_python((4, 0, 0))


@pytest.mark.parametrize("arguments", [[], ["dance"]])
def test_usage_is_shown(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Without a known command the usage is shown on stderr, with exit code 2."""
    assert start.main(arguments) == 2
    assert "start.py demo" in capsys.readouterr().err


def test_help_is_no_error(capsys: pytest.CaptureFixture[str]) -> None:
    """Asking for help shows the usage with exit code 0."""
    assert start.main(["--help"]) == 0
    assert "start.py test" in capsys.readouterr().out


def test_unreachable_index_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the package index is out of reach, a real pip's failure is explained in one line."""
    monkeypatch.setenv("PIP_INDEX_URL", "http://127.0.0.1:9/simple")
    monkeypatch.setenv("PIP_CONFIG_FILE", os.devnull)
    monkeypatch.setattr(start, "VENV", str(tmp_path / "none"))

    trouble = start.pip_install(
        sys.executable, ["--no-cache-dir", "--target", str(tmp_path), "cobs"]
    )

    assert trouble is not None
    assert trouble.startswith("the package index is out of reach")
    assert "\n" not in trouble


def test_other_failures_show_their_reason() -> None:
    """Any other failure of pip is told by pip's own first error line."""
    log = "Collecting x\nERROR: Package 'x' requires a different Python\nERROR: second\n"

    assert "Package 'x' requires a different Python" in start.explain_failure(log)
    assert "disk is full" in start.explain_failure("OSError: [Errno 28] No space left on device")


def test_installed_again_only_when_something_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """pip runs once, not again on the next start, and again when the project file has changed."""
    calls = []
    monkeypatch.setattr(start, "VENV", str(tmp_path))
    monkeypatch.setattr(start, "pip_install", lambda python, arguments: calls.append(arguments))

    start.install("demo", "python")
    start.install("demo", "python")
    assert calls == [["--editable", "."]]

    monkeypatch.setattr(start, "fingerprint", lambda: "changed")
    start.install("demo", "python")
    assert len(calls) == 2


def test_missing_extras_do_not_stop_the_tests(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What has no wheel for this platform is told and tried again next time; the rest goes on."""
    monkeypatch.setattr(start, "VENV", str(tmp_path))

    def no_board(python: str, arguments: list[str]) -> str | None:
        return "no wheel" if arguments[-1] == ".[board]" else None

    monkeypatch.setattr(start, "pip_install", no_board)
    start.install("test", "python")
    assert "MicroPython could not be installed" in capsys.readouterr().out
    assert [p.name for p in tmp_path.iterdir()] == ["typing"]

    monkeypatch.setattr(start, "pip_install", lambda python, arguments: None)
    start.install("test", "python")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["installed-for-test", "typing"]


def test_link_for_types_follows_the_checkout(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The link that mypy reads is made anew when it is gone or the checkout has been moved."""
    monkeypatch.setattr(start, "VENV", str(tmp_path / "a folder" / ".venv"))
    link = tmp_path / "a folder" / ".venv" / "typing" / "breathmap"

    start.link_for_types()
    assert link.resolve() == Path(start.ROOT).resolve()

    link.unlink()
    link.symlink_to(tmp_path / "where it was", target_is_directory=True)
    start.link_for_types()
    assert link.resolve() == Path(start.ROOT).resolve()


def test_failed_install_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A failed installation ends with exit code 2, one line on stderr and no stamp."""
    monkeypatch.setattr(start, "VENV", str(tmp_path))
    monkeypatch.setattr(start, "make_environment", lambda: "python")
    monkeypatch.setattr(start, "pip_install", lambda python, arguments: "out of reach")

    assert start.main(["demo"]) == 2
    assert capsys.readouterr().err == "start: out of reach\n"
    assert list(tmp_path.iterdir()) == []


def test_missing_venv_module_is_explained(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the venv module is missing, the line says how to get it."""
    broken = (1, "Error: ensurepip is not available")
    monkeypatch.setattr(start, "VENV", str(tmp_path / "venv"))
    monkeypatch.setattr(start, "run_quietly", lambda command: broken)

    assert start.main(["test"]) == 2
    assert "apt install python3-venv" in capsys.readouterr().err


@pytest.mark.parametrize("purpose", ["demo", "run", "test"])
def test_what_is_started_keeps_bytecode(purpose: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is started keeps Python's bytecode, also where the environment forbids it: nothing is
    compiled when it is installed, and compiling it in every process costs minutes. All else in
    the environment stays."""
    given: list[dict[str, str]] = []
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    monkeypatch.setenv("SOMETHING_ELSE", "2")
    monkeypatch.setattr(start, "make_environment", lambda: "python")
    monkeypatch.setattr(start, "install", lambda purpose, python: None)

    def started(command: list[str], cwd: str, env: dict[str, str]) -> SimpleNamespace:
        given.append(env)
        return SimpleNamespace(wait=lambda: 0)

    monkeypatch.setattr(subprocess, "Popen", started)

    assert start.main([purpose]) == 0

    kept = dict(os.environ)
    del kept["PYTHONDONTWRITEBYTECODE"]
    assert given == [kept]


def test_the_longest_files_begin() -> None:
    """Every file that is named as long is there, begins before all others, and once."""
    paths = [TESTS / name for name in LONGEST]

    assert [path for path in paths if not path.is_file()] == []
    assert [place(path) for path in [*paths, SCRIPT]] == list(range(len(LONGEST) + 1))


def test_it_runs_as_a_script() -> None:
    """Started as a script from elsewhere, it answers."""
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--help"],
        capture_output=True,
        text=True,
        cwd="/",
        check=False,
    )

    assert done.returncode == 0
    assert done.stdout == start.USAGE
