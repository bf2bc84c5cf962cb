"""The report's summary and what it is made from: numbers against numpy, sentences, refusals."""

import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from report_bench import made_up_bank, made_up_data

from breathmap.tools.cli.main import run
from breathmap.tools.report.data import read_folder, weighted_rms
from breathmap.tools.report.words import CAUTIONS, summarise
from breathmap.tools.run.trace import Bins, TimeBins


def test_summary_says_how_good_where_not_and_what_next() -> None:
    """The three parts name the errors, the ground that was never visited and the costly refusal."""
    words = summarise(made_up_data())

    assert "off by 5.0 % on average (rms)" in words.good[0]
    assert "12 of 20 cells were visited, 11 of them are known to ± 1 % or better" in words.good[0]
    assert words.weak[0].startswith("1000 to 2000 rpm at 20 to 100 kPa (8 cells): never visited")
    assert words.weak[1].startswith("5000 rpm at 100 kPa (1 cell): visited, but known")
    assert "35 % of the samples were refused because the throttle moved" in words.next_steps[0]
    assert any("Run where little is known next: 2000 rpm" in line for line in words.next_steps)
    assert "put back everything" in words.next_steps[-1]


def test_what_holds_for_one_bank_names_it() -> None:
    """A place that only one bank knows badly is told with that bank's name."""
    full = made_up_bank(
        "right", coverage=np.full((4, 5), 50.0), standard_error=np.full((4, 5), 0.2)
    )
    words = summarise(made_up_data(made_up_bank("left"), full))

    assert all(line.startswith("Bank left, ") for line in words.weak)


def test_nothing_learned_and_a_finished_job_are_said() -> None:
    """A bank without any used sample says so; a finished job asks for no further pass."""
    nothing = made_up_bank("left", coverage=np.zeros((4, 5)))
    assert "nothing was learned" in summarise(made_up_data(nothing)).good[0]
    assert math.isnan(weighted_rms(nothing.correction, nothing.coverage))

    steps = summarise(made_up_data(ready=True)).next_steps
    assert any("finished" in step for step in steps)
    assert not any("put back everything" in step for step in steps)


def test_cautions_are_all_there() -> None:
    """The cautions name every danger and duty."""
    text = " ".join(CAUTIONS)
    for word in (
        "lean mixture", "road", "second person", "carbon monoxide", "Hot", "wheels",
        "Emission", "law", "licensed",
    ):  # fmt: skip
        assert word in text


def test_bins_hold_what_numpy_says() -> None:
    """Means and root mean squares in bins are numpy's over the same values, wherever they jump."""
    rng = np.random.default_rng(3)
    values, residuals = rng.uniform(-5, 25, 2000), rng.normal(0.01, 0.02, 2000)
    bins = Bins([0.0, 5.0, 10.0, 20.0])
    for value, residual in zip(values, residuals, strict=True):
        bins.note(float(value), float(residual))
    bins.note(math.nan, 1.0)

    columns = bins.as_dict()

    inside = [values < 5, (values >= 5) & (values < 10), values >= 10]
    assert columns["count"] == [int(mask.sum()) for mask in inside]
    for k, mask in enumerate(inside):
        assert columns["mean_pct"][k] == pytest.approx(100 * residuals[mask].mean(), abs=1e-4)
        rms = 100 * np.sqrt((residuals[mask] ** 2).mean())
        assert columns["rms_pct"][k] == pytest.approx(rms, abs=1e-4)


def test_time_bins_stay_few_and_lose_nothing() -> None:
    """However long a run, the bins over time stay bounded and hold every sample."""
    bins = TimeBins()
    count = 30_000
    for k in range(count):
        bins.note(k * 1.0, k % 2 == 0, 0.05, 0.01)

    columns = bins.as_dict()

    assert len(bins.rows) <= 240
    assert sum(row[0] for row in bins.rows) == count
    assert columns["used_pct"][3] == pytest.approx(50.0, abs=1.0)
    assert columns["before_rms_pct"][3] == pytest.approx(5.0)
    assert columns["after_mean_pct"][3] == pytest.approx(1.0)


def test_folder_is_read_as_written(replayed: Path) -> None:
    """Axes, tables, verdicts and notes of a folder are those in its files."""
    data = read_folder(replayed)
    summary = json.loads((replayed / "summary.json").read_text())

    assert data.speed_rpm[0] == 1000
    assert data.load[-1] == 105
    assert [bank.name for bank in data.banks] == ["left", "right"]
    left = data.banks[0]
    assert left.summary.model_dump(exclude_unset=True) == summary["banks"]["left"]
    assert left.after is not None
    assert left.before is not None
    moved = 100.0 * (left.after / left.before - 1.0)
    seen = np.array(left.decisions) == "changed"
    assert np.abs(moved - left.correction)[seen].max() < 0.5  # half a storage step
    assert data.notes == [("2025-01-01 12:00", "<b>plugs</b>")]


def changed(path: Path, old: str, new: str) -> None:
    """Put one text in place of another's first occurrence."""
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda out: (out / "summary.json").unlink(), "summary.json: no such file"),
        (lambda out: (out / "summary.json").write_text("{"), "summary.json: damaged"),
        (lambda out: (out / "summary.json").write_text("[]"), "summary.json: damaged"),
        (lambda out: (out / "summary.json").write_text("{}"), "summary.json: not a summary"),
        (
            lambda out: (out / "left-coverage.csv").write_bytes(b"\0\1"),
            "left-coverage.csv: this is no",
        ),
        (lambda out: (out / "left-correction.csv").unlink(), "left-correction.csv: no such file"),
        (lambda out: (out / "trace.json").write_text("x"), "trace.json: damaged"),
        (lambda out: (out / "trace.json").write_text("[" * 3000), "trace.json: damaged"),
        (lambda out: (out / "trace.json").write_text('{"banks": {"left": 1}}'), "not a trace"),
        (lambda out: (out / "notes.csv").write_bytes(b"a,b\n\xff,x\n"), "notes.csv: line 2"),
        (
            lambda out: changed(
                out / "summary.json", 'version": 1,', 'version": ' + "9" * 5000 + ","
            ),
            "summary.json: damaged",
        ),
        (lambda out: changed(out / "summary.json", ": 0", ": NaN"), "summary.json: damaged"),
        (lambda out: changed(out / "summary.json", '"left": {', '"a/b": {'), "not a summary"),
        (lambda out: changed(out / "trace.json", '"minutes": [', '"minutes": [1, '), "not a trace"),
        (lambda out: changed(out / "left-before.csv", "105,", "106,"), "other axes"),
        (lambda out: changed(out / "left-coverage.csv", "105,", "105,1e99,"), "not a table"),
        (lambda out: changed(out / "left-coverage.csv", ".", "e99."), "a cell is no number"),
        (lambda out: changed(out / "left-before.csv", "1300", "x" * 140_000), "field limit"),
    ],
)
def test_spoiled_folder_is_one_line(
    output: Path,
    spoil: Callable[[Path], object],
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A folder that is no whole output gives one line and code 2, and no report."""
    spoil(output)

    assert run(["report", str(output)]) == 2
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert said in line
    assert not (output / "report.html").exists()


def test_command_prints_summary_or_json(output: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command writes the file and says where; with --json its summary is on stdout."""
    target = output.parent / "r.html"

    assert run(["report", str(output), "--out", str(target)]) == 0
    said = capsys.readouterr().out
    assert "How good it is" in said
    assert str(target) in said.replace("\n", "")
    assert run(["report", str(output), "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["report"] == str(output / "report.html")
    assert printed["bytes"] == (output / "report.html").stat().st_size < 5_000_000
    assert set(printed["banks"]) == {"left", "right"}
    assert run(["report", str(output / "nothing")]) == 2
