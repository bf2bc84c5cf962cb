"""A job proposes nothing while a likely cause makes its table unsafe, unless told to, on record."""

import json
import shutil
from pathlib import Path

import pytest

from breathmap.tools.base.errors import UserError
from breathmap.tools.cli.main import run
from breathmap.tools.run.diagnosis_text import cause_lines


@pytest.fixture(scope="module")
def bench_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The college's bench with rides: healthy, and with the sensors swapped."""
    folder = tmp_path_factory.mktemp("bench")
    make = ["simulate", "--minutes", "5", "--describe", str(folder)]
    assert run([*make, "--out", str(folder / "ride.bin")]) == 0
    swapped = [*make, "--faults", "sensors-swapped", "--out", str(folder / "swapped.bin")]
    assert run(swapped) == 0
    return folder


@pytest.fixture
def job(bench_folder: Path, tmp_path: Path) -> Path:
    """A job of that engine."""
    folder = tmp_path / "job"
    assert run(["new", str(folder), "--engine", str(bench_folder / "engine.toml")]) == 0
    return folder


@pytest.fixture(scope="module")
def learned(bench_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job that has learned the healthy ride, to be asked or copied."""
    folder = tmp_path_factory.mktemp("learned") / "job"
    assert run(["new", str(folder), "--engine", str(bench_folder / "engine.toml")]) == 0
    assert run(["learn", str(folder), str(bench_folder / "ride.bin")]) == 0
    return folder


def last_record(job: Path) -> dict[str, object]:
    """The last line of a job's history."""
    record: dict[str, object] = json.loads((job / "history.jsonl").read_text().splitlines()[-1])
    return record


def test_an_unsafe_table_is_not_proposed(
    bench_folder: Path, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With swapped sensors nothing is proposed and nothing written; with --despite and a reason it
    is, and both are on record."""
    assert run(["learn", str(job), str(bench_folder / "swapped.bin")]) == 0
    before = (job / "history.jsonl").read_bytes()
    capsys.readouterr()
    assert run(["propose", str(job)]) == 2
    error = capsys.readouterr().err
    assert "sensors are exchanged" in error
    assert "--despite sensors-swapped --reason" in error
    assert (job / "history.jsonl").read_bytes() == before
    assert not list(job.glob("proposals/*"))

    despite = ["propose", str(job), "--despite", "sensors-swapped"]
    assert run(despite) == 2
    assert "--reason" in capsys.readouterr().err
    assert run([*despite, "--reason", "only to see"]) == 0
    record = last_record(job)
    assert record["despite"] == ["sensors-swapped"]
    assert record["despite_reason"] == "only to see"
    causes = json.loads((job / "proposals" / "001" / "causes.json").read_text())
    assert causes["findings"][0]["cause"] == "sensors-swapped"
    assert run(["report", str(job)]) == 0
    page = (job / "report.html").read_text("utf-8")
    assert "What else could explain it" in page
    assert "All: likely: the first two banks" in page
    assert run(["history", str(job), "--verify"]) == 0
    assert "only to see" in capsys.readouterr().out


def test_a_healthy_table_is_proposed(
    learned: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A healthy pass is proposed as ever, with a line about what else could explain it; a cause
    that was not found is not on record as overruled."""
    job = shutil.copytree(learned, tmp_path / "job")
    assert run(["propose", str(job), "--despite", "exhaust-leak", "--reason", "gasket new"]) == 0
    assert "What else could explain it" in capsys.readouterr().out
    assert last_record(job)["despite"] == []
    assert run(["diagnose", str(job), "--json"]) == 0
    assert run(["diagnose", str(job), "--since", "3"]) == 2
    assert "no pass with a recording" in capsys.readouterr().err


def test_a_cause_that_is_none(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown cause is refused with those that there are."""
    assert run(["propose", str(job), "--despite", "gremlins", "--reason", "x"]) == 2
    assert "it takes one of exhaust-leak" in capsys.readouterr().err


def test_a_written_diagnosis_that_is_none(tmp_path: Path) -> None:
    """A damaged causes.json is told in one line; where there is none, there is nothing to say."""
    path = tmp_path / "causes.json"
    assert cause_lines(path) == []
    odd = ["[]", '{"findings": [{"bank": null}]}', '{"findings": 7}', "[" * 100_000, "9" * 5000]
    odd += ['{"findings": [{"bank": 1, "state": "no sign", "cause": []}]}']
    for text in odd:
        path.write_text(text)
        with pytest.raises(UserError, match="is no diagnosis"):
            cause_lines(path)
    path.write_text("")
    with pytest.raises(UserError, match="empty"):
        cause_lines(path)


@pytest.mark.parametrize("since", ["²", "9" * 5000, "-1", "0", "no-such-folder", ""])
def test_an_earlier_pass_that_is_none(
    learned: Path, since: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is neither an earlier pass nor an output folder is one line, whatever it is."""
    capsys.readouterr()
    assert run(["diagnose", str(learned), "--since", since]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_no_sign_is_said_of_what_no_bank_shows(tmp_path: Path) -> None:
    """A cause stands in one list: there is no sign of it only where every bank shows none."""
    states = {
        "exhaust-leak": ("cannot tell", "no sign"),
        "sensor-slow": ("no sign", "not looked at"),
        "misfire": ("no sign", "no sign"),
    }
    findings = [
        {"cause": cause, "bank": bank, "state": state, "text": "", "check": ""}
        for cause, both in states.items()
        for bank, state in zip(("left", "right"), both, strict=True)
    ]
    path = tmp_path / "causes.json"
    path.write_text(json.dumps({"findings": findings}), "utf-8")
    assert cause_lines(path) == [
        "Cannot tell: exhaust-leak.", "No sign: misfire.", "Not looked at: sensor-slow."
    ]  # fmt: skip
