"""The report of a job: its latest pass, the proposal, all passes and the set-up."""

import json
from pathlib import Path

import pytest

from breathmap.tools.cli.main import run
from breathmap.tools.report.job import read_job
from breathmap.tools.report.write import render


@pytest.fixture(scope="module")
def job(replayed: Path, recording: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job of the bench with two passes, the first accepted, the second proposed."""
    folder = tmp_path_factory.mktemp("job") / "monday"
    engine = replayed.parent / "bench" / "engine.toml"
    data = recording.read_bytes()
    middle = data.find(b"\0", len(data) // 2) + 1
    halves = [folder.parent / "one.bin", folder.parent / "two.bin"]
    halves[0].write_bytes(data[:middle])
    halves[1].write_bytes(data[middle:])
    assert run(["new", str(folder), "--engine", str(engine)]) == 0
    for half, then in zip(halves, ("accept", None), strict=True):
        assert run(["learn", str(folder), str(half)]) == 0
        assert run(["propose", str(folder)]) == 0
        if then is not None:
            assert run([then, str(folder)]) == 0
    return folder


def test_job_is_told_whole(job: Path) -> None:
    """A job's report shows the latest pass with its proposal, every pass, and that the set-up may
    still be in the vehicle."""
    data = read_job(job)

    assert sorted({row.number for row in data.passes}) == [1, 2]
    assert data.ready is False
    assert "learning set-up may still be in the vehicle" in data.setup[-1]
    left = data.banks[0]
    assert left.decisions is not None
    proposal = (job / "proposals" / "002" / "left.csv").read_text().splitlines()[1].split(",")[1:]
    assert left.after is not None
    assert left.after[0].tolist() == [float(cell) for cell in proposal]
    text = render(data)
    assert "The job was made" in text or "the job was made" in text
    assert "put back everything that was switched off" in text


def test_job_without_a_run_says_so(replayed: Path, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    """Before anything was learned, a job has nothing to report: one line, code 2."""
    engine = replayed.parent / "bench" / "engine.toml"
    assert run(["new", str(tmp_path / "job"), "--engine", str(engine)]) == 0
    capsys.readouterr()

    assert run(["report", str(tmp_path / "job")]) == 2
    assert "nothing has been learned" in capsys.readouterr().err


def test_commands_of_a_job_print_json(job: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    """With --json stdout holds one JSON object: what was added, and whether it is ready for use."""
    capsys.readouterr()
    assert run(["history", str(job), "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert [r["what"] for r in printed["records"]][:3] == ["created", "learned", "device"]
    assert printed["ready_for_use"] is False
    assert run(["compare", f"{job}:0", f"{job}:1", "--bank", "left", "--json"]) == 0
    compared = json.loads(capsys.readouterr().out)["comparisons"][0]
    assert len(compared["change_of_fuel_pct"]) == len(compared["load"])
    assert run(["simulate", "--list", "--json"]) == 0
    assert "road" in json.loads(capsys.readouterr().out)["drives"]
