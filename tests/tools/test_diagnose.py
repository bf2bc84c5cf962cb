"""`breathmap diagnose`: from files and jobs, in words and as JSON."""

import json
from pathlib import Path
from typing import Any

import pytest

from breathmap.tools.cli.main import run

MINUTES = "5"


@pytest.fixture(scope="module")
def bench_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The college's bench with a healthy ride and one with a swapped pair of sensors."""
    folder = tmp_path_factory.mktemp("diagnose")
    make = ["simulate", "--minutes", MINUTES, "--describe", str(folder)]
    assert run([*make, "--out", str(folder / "ride.bin")]) == 0
    swapped = [*make, "--faults", "sensors-swapped", "--out", str(folder / "swapped.bin")]
    assert run(swapped) == 0
    return folder


def diagnosed(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    """Run with --json and return what was printed."""
    capsys.readouterr()
    assert run(["diagnose", *arguments, "--json"]) == 0
    printed: dict[str, Any] = json.loads(capsys.readouterr().out)
    return printed


def test_a_recording(bench_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording's diagnosis names the swapped sensors, and every cause with its state."""
    engine = str(bench_folder / "engine.toml")
    printed = diagnosed(capsys, str(bench_folder / "swapped.bin"), "--engine", engine)
    first = printed["findings"][0]
    assert (first["cause"], first["state"], first["unsafe"]) == ("sensors-swapped", "likely", True)
    states = {finding["state"] for finding in printed["findings"]}
    assert states <= {"seen", "likely", "cannot tell", "no sign", "not looked at"}

    assert run(["diagnose", str(bench_folder / "ride.bin"), "--engine", engine]) == 0
    said = capsys.readouterr().out
    assert "Not looked at" in said
    assert "sensors-swapped" in said


def test_an_output_folder_and_since(
    bench_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An output folder without recordings is diagnosed from its evidence, and serves as the earlier
    state."""
    engine, out = str(bench_folder / "engine.toml"), str(tmp_path / "out")
    assert run(["replay", engine, str(bench_folder / "ride.bin"), "--out", out]) == 0
    alone = diagnosed(capsys, out, "--engine", engine)
    reasons = {f["cause"]: f["text"] for f in alone["findings"] if f["state"] == "not looked at"}
    assert "takes a recording" in reasons["misfire"]
    since = diagnosed(capsys, str(bench_folder / "ride.bin"), "--engine", engine, "--since", out)
    assert since["since"] == out
    assert not [f for f in since["findings"] if f["state"] in ("seen", "likely")]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["nowhere.bin"], "--engine"),
        (["nowhere.bin", "--engine", "ENGINE"], "nowhere.bin: no such file"),
        (["RIDE", "--engine", "ENGINE", "--since", "nowhere"], "nowhere: holds no evidence.bin"),
        (["EMPTY", "--engine", "ENGINE"], "holds no recording"),
    ],
)
def test_bad_input(
    bench_folder: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    says: str,
) -> None:
    """What is missing is said in one line with exit code 2."""
    stands = {"ENGINE": bench_folder / "engine.toml", "RIDE": bench_folder / "ride.bin",
              "EMPTY": tmp_path}  # fmt: skip
    assert run(["diagnose", *(str(stands.get(a, a)) for a in arguments)]) == 2
    error = capsys.readouterr().err.strip().splitlines()
    assert says in error[-1]
    assert error[-1].startswith("breathmap: ")
