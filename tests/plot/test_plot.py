"""`breathmap plot`: drives over time, thinned without losing a peak, from files and jobs."""

import base64
import json
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap, refused
from hypothesis import given, settings
from hypothesis import strategies as st
from plot_bench import made_up_drive

from breathmap.learner.core.gates import SENSOR_FAULTY, primary_reason
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.main import run
from breathmap.tools.demo.simulating import Order, prepare, write_drive, write_recording
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.plot.drive import drive_of
from breathmap.tools.plot.thin import NO_VALUE, buckets_of, packed, packed_verdicts
from breathmap.tools.plot.write import render
from breathmap.tools.run.learning import load
from breathmap.tools.run.session import Session


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the college's bench, half a minute of riding, and one with a stuck sensor."""
    folder = tmp_path_factory.mktemp("plot")
    write_college(folder, *college_bench())
    for name, faults in (("ride", ""), ("stuck", "sensor-stuck@left")):
        order = Order(minutes=0.5, faults=faults)
        write_recording(prepare(order), folder / f"{name}.bin", Screen(quiet=True))
    return folder


@pytest.mark.parametrize("name", ["ride", "stuck"])
def test_verdicts_are_those_of_the_learner(place: Path, name: str) -> None:
    """Verdicts over time add up to the learner's own counts, also where a stuck sensor's samples
    were taken out again."""
    session = Session(*load(place / "engine.toml"))
    drive = drive_of(name, session, [place / f"{name}.bin"], Screen(quiet=True))

    for lines, bank in zip(drive.banks, session.learner.banks, strict=True):
        refusals = np.zeros(len(bank.refused), dtype=int)
        for mask in lines.verdicts[lines.verdicts != 0].tolist():
            refusals[primary_reason(mask)] += 1
        assert refusals.tolist() == bank.refused
        assert (lines.verdicts == 0).sum() == bank.used_count
    if name == "stuck":
        faulty = (drive.banks[0].verdicts & SENSOR_FAULTY) != 0
        assert faulty.mean() > 0.5
        assert drive.banks[1].verdicts[faulty].min() == 0


def test_the_learned_table_predicts_better(place: Path) -> None:
    """Over what was learned, lambda predicted with the learned table lies closer to the measured
    one than with the old, by the corrections; every prediction has an error."""
    session = Session(*load(place / "engine.toml"))
    drive = drive_of("ride", session, [place / "ride.bin"], Screen(quiet=True))

    for lines in drive.banks:
        old, learned = lines.left_pct(lines.old), lines.left_pct(lines.learned)
        assert old is not None
        assert learned is not None
        assert learned < 0.5 * old
        assert np.array_equal(np.isfinite(lines.learned), np.isfinite(lines.error))
        assert np.nanmin(lines.error) > 0.0


def test_files_on_one_clock(breathmap: Breathmap, place: Path, tmp_path: Path) -> None:
    """Two recordings are drawn in one file, below one another or side by side; --json tells of
    each what was learned."""
    out = tmp_path / "both.html"
    files = [place / "ride.bin", place / "stuck.bin"]
    ended = breathmap(
        "plot", *files, "--engine", place / "engine.toml", "--beside", "--out", out, "--json"
    )
    assert ended.code == 0, ended.err
    summary = json.loads(ended.out)
    assert [drive["source"] for drive in summary["drives"]] == [str(path) for path in files]
    assert summary["drives"][1]["banks"]["left"]["refused"]["sensor_fault"] > 300
    assert summary["bytes"] == out.stat().st_size
    assert '<div class="drives beside">' in out.read_text()


def test_a_log_of_switching_sensors(breathmap: Breathmap, tmp_path: Path) -> None:
    """A log is drawn as its description's columns say; of switching sensors the page says what
    stands for a measured lambda, and its predictions lie by the target."""
    write_college(tmp_path, *college_bench(sensor="switching"), sensor="switching")
    engine, log = tmp_path / "engine.toml", tmp_path / "ride.csv"
    write_drive(prepare(Order(minutes=0.5, sensor="switching")), log, Screen(quiet=True))
    refused(breathmap("plot", log, "--engine", engine), "[log]")
    proposed = json.loads(breathmap("check", engine, log, "--json").out)
    engine.write_text(engine.read_text() + "\n" + proposed["text"])
    ended = breathmap("plot", log, "--engine", engine)
    assert ended.code == 0, ended.err
    page = (tmp_path / "ride-plot.html").read_text()
    assert "the target, which the closed loop holds" in page


def test_a_job_is_drawn_pass_by_pass(breathmap: Breathmap, place: Path, tmp_path: Path) -> None:
    """JOB is its latest pass, JOB:pass-N that one; what is set aside is left out, and the job is
    left as it was."""
    job = tmp_path / "monday"
    assert run(["new", str(job), "--engine", str(place / "engine.toml")]) == 0
    assert run(["learn", str(job), str(place / "ride.bin")]) == 0
    refused(breathmap("plot", f"{job}:pass-2"), "pass 2 holds no recording")
    refused(breathmap("plot", f"{job}:proposal"), "JOB:pass-NUMBER")
    dropped = [
        "drop",
        str(job),
        "1/recording-001.bin",
        "--from-s",
        "0",
        "--to-s",
        "20",
        "--reason",
        "hose off",
    ]
    assert run(dropped) == 0
    history = (job / "history.jsonl").read_bytes() if (job / "history.jsonl").exists() else b""

    ended = breathmap("plot", f"{job}:pass-1", "--json")
    assert ended.code == 0, ended.err
    drive = json.loads(ended.out)["drives"][0]
    assert drive["source"] == f"{job}, pass 1"
    assert drive["samples"] == pytest.approx(250, abs=5)
    assert json.loads(breathmap("plot", job, "--json").out)["drives"] == [drive]
    assert (job / "plot.html").exists()
    assert history in (b"", (job / "history.jsonl").read_bytes())


def test_refusals(breathmap: Breathmap, place: Path, tmp_path: Path) -> None:
    """What cannot be drawn is refused in one line, and no recording is ever written over."""
    ride, engine = place / "ride.bin", place / "engine.toml"
    before = ride.read_bytes()
    refused(breathmap("plot", ride), "--engine")
    refused(breathmap("plot", tmp_path / "gone.bin", "--engine", engine), "no such file")
    refused(breathmap("plot", ride, "--engine", engine, "--out", ride), ".html")
    refused(breathmap("report", place, "--out", ride), ".html")
    refused(breathmap("plot", *[ride] * 5, "--engine", engine), "too many")
    assert ride.read_bytes() == before


def unpacked(channel: dict[str, object], which: str) -> np.ndarray:
    """Return a channel's values as the page's script reads them."""
    codes = np.frombuffer(base64.b64decode(str(channel[which])), "<u2")
    values = float(str(channel["low"])) + float(str(channel["step"])) * codes
    return np.where(codes == NO_VALUE, np.nan, values)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.floats(-1e4, 1e4), st.just(float("nan"))), min_size=1, max_size=200),
    st.integers(4, 500),
)
def test_no_peak_is_lost(values: list[float], budget: int) -> None:
    """Whatever the thinning, least and most of every bucket stand in the page to a 16-bit step."""
    given_values = np.array(values)
    buckets = buckets_of(len(values), 2, budget)
    channel = packed(given_values, buckets)
    step = float(str(channel["step"]))
    low = unpacked(channel, "lo")
    high = unpacked(channel, "hi") if channel["hi"] is not None else low

    assert len(low) * 2 * (2 if buckets.is_thinned else 1) <= max(budget, 4)
    ends = [*buckets.starts[1:].tolist(), len(values)]
    for k, (start, end) in enumerate(zip(buckets.starts.tolist(), ends, strict=True)):
        known = given_values[start:end][np.isfinite(given_values[start:end])]
        if not len(known):
            assert np.isnan(low[k])
            continue
        assert low[k] == pytest.approx(known.min(), abs=0.51 * step + 1e-9)
        assert high[k] == pytest.approx(known.max(), abs=0.51 * step + 1e-9)


def test_no_refusal_is_lost() -> None:
    """A refusal of one sample among hundreds learned keeps its bucket, and so does the rarest."""
    verdicts = np.zeros(10_000, dtype=np.int32)
    verdicts[5000:5600] = 4096
    verdicts[5100] = 32
    verdicts[77] = 2048 | 4096
    masks, text = packed_verdicts(verdicts, buckets_of(10_000, 1, 200))
    codes = np.frombuffer(base64.b64decode(text), "<u2")

    assert masks[0] == 0
    assert len(codes) == 100
    shown = [masks[code] for code in codes]
    assert shown[0] == 2048 | 4096
    assert shown[51] == 32
    assert shown[50] == shown[55] == 4096
    assert shown.count(0) == 93


def test_an_hour_is_less_than_five_megabytes() -> None:
    """An hour of two banks at 50 samples a second, noise to the last digit, is below 5 MB; a page
    of four such drives, too."""
    drive = made_up_drive("an hour", 180_000)
    assert 2_000_000 < len(render([drive], False)) < 5_000_000
    assert len(render([drive] * 4, True)) < 5_000_000
