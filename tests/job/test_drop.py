"""`breathmap drop`: what is set aside counts nowhere, stays on record, and can be taken back."""

import json
import shutil
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride

from breathmap.protocol.wire.fields import SAMPLE
from breathmap.protocol.wire.framing import cobs_decode
from breathmap.simulator.service import Service
from breathmap.tools.cli.main import run
from breathmap.tools.job.folder import Job
from breathmap.tools.report.job import read_job

OWN = made_up_calibration(1, 4, 4)
GOOD = made_up_ride(OWN, [0.05], 12, seed=2)
BAD = made_up_ride(OWN, [-0.2], 12, seed=3)
PERIOD_S = 0.04


def frames(data: bytes) -> list[bytes]:
    """Return a recording's frames, each with its end."""
    return [part + b"\0" for part in data.split(b"\0")[:-1]]


def without_samples(data: bytes, first: int, end: int) -> bytes:
    """Return a recording that has lost the samples of these numbers on the way."""
    kept, count = [], 0
    for frame in frames(data):
        if cobs_decode(frame[:-1])[1] == SAMPLE.number:
            count += 1
            if first <= count - 1 < end:
                continue
        kept.append(frame)
    return b"".join(kept)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with rides and a job that has learned the good one and the bad one."""
    folder = tmp_path_factory.mktemp("base")
    engine = engine_files(folder / "engine", OWN)
    (folder / "good.bin").write_bytes(GOOD)
    (folder / "bad.bin").write_bytes(BAD)
    assert run(["new", str(folder / "empty"), "--engine", str(engine)]) == 0
    shutil.copytree(folder / "empty", folder / "job")
    for name in ("good.bin", "bad.bin"):
        assert run(["learn", str(folder / "job"), str(folder / name)]) == 0
    return folder


@pytest.fixture
def job(base: Path, tmp_path: Path) -> Path:
    """A job that has learned the good ride and the bad one."""
    return Path(shutil.copytree(base / "job", tmp_path / "job"))


def proposed(breathmap: Breathmap, job: Path) -> dict[str, str]:
    """Propose; return the proposal's texts."""
    ended = breathmap("propose", job)
    assert ended.code == 0, ended.err
    (folder,) = sorted((job / "proposals").iterdir())[-1:]
    return {path.name: path.read_text() for path in folder.glob("*.csv")}


def learned_alone(breathmap: Breathmap, base: Path, tmp_path: Path, *rides: bytes) -> Path:
    """Return a job that has learned these rides and nothing else."""
    job = Path(shutil.copytree(base / "empty", tmp_path / "alone"))
    for ride in rides:
        (tmp_path / "given.bin").write_bytes(ride)
        assert breathmap("learn", job, tmp_path / "given.bin").code == 0
    return job


def summary(job: Path, number: int = 1) -> Any:
    """Return the summary of a pass."""
    return json.loads((job / "passes" / f"{number:03d}" / "summary.json").read_text())


def test_a_recording_set_aside_counts_nowhere(
    job: Path, base: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """Without a recording, results and proposal are those of a job that never had it, byte for
    byte; taken back, those of before; history and verifying go along."""
    whole = proposed(breathmap, job)
    results = {p.name: p.read_bytes() for p in (job / "passes" / "001").glob("bank1-*.csv")}
    alone = learned_alone(breathmap, base, tmp_path, GOOD)

    dropped = breathmap("drop", job, "1/recording-002.bin", "--reason", "exhaust leak")
    assert dropped.code == 0, dropped.err
    refused(breathmap("accept", job), "since proposal 1 recording-002.bin was set aside", "propose")
    for path in (alone / "passes" / "001").glob("bank1-*.csv"):
        assert (job / "passes" / "001" / path.name).read_bytes() == path.read_bytes(), path.name
    assert summary(job)["sources"] == ["recording-001.bin"]
    assert summary(job)["banks"] == summary(alone)["banks"]
    assert proposed(breathmap, job) == proposed(breathmap, alone) != whole
    assert len(Job(job).records[-1].as_dict()["recordings"]) == 1

    history = " ".join(breathmap("history", job).out.split())
    for words in ("set aside, pass 1:", "recording-002.bin:", "exhaust leak"):
        assert words in history
    assert "Set aside in pass 1: recording-002.bin: exhaust leak" in str(read_job(job).notes)
    undone = breathmap("drop", job, "1/recording-002", "--undo")
    assert undone.code == 0, undone.err
    refused(breathmap("accept", job), "since proposal 2 recording-002.bin was taken back")
    for name, content in results.items():
        assert (job / "passes" / "001" / name).read_bytes() == content, name
    assert proposed(breathmap, job) == whole
    assert not read_job(job).notes
    verified = breathmap("history", job, "--verify")
    assert verified.code == 0, verified.err
    assert "3 proposals come out the same, byte for byte" in " ".join(verified.out.split())
    assert breathmap("accept", job).code == 0


@pytest.mark.parametrize(
    ("bounds", "first", "end"),
    [
        (("--from-s", "10", "--to-s", "20"), 250, 500),
        (("--from-s", "30"), 750, 1200),
        (("--to-s", "12.5"), 0, 313),
    ],
)
def test_a_span_set_aside_counts_nowhere(
    base: Path, tmp_path: Path, breathmap: Breathmap, bounds: tuple[str, ...], first: int, end: int
) -> None:
    """Without a span, the proposal is that of a recording which has lost those samples on the way,
    byte for byte; the rest of the recording counts."""
    (tmp_path / "other").mkdir()
    job = learned_alone(breathmap, base, tmp_path / "other", GOOD)
    lossy = learned_alone(breathmap, base, tmp_path, without_samples(GOOD, first, end))

    dropped = breathmap("drop", job, "1/recording-001.bin", *bounds, "--reason", "hose off")
    assert dropped.code == 0, dropped.err
    assert summary(job)["samples"] == 1200 - (end - first) == summary(lossy)["samples"]
    assert proposed(breathmap, job) == proposed(breathmap, lossy)
    assert breathmap("history", job, "--verify").code == 0
    assert breathmap("drop", job, "1/recording-001.bin", "--undo").code == 0
    assert summary(job)["samples"] == 1200


def test_spans_add_up(job: Path, breathmap: Breathmap) -> None:
    """Several spans of one recording are all left out; one --undo takes back all of them."""
    for bounds in (("0", "4"), ("2", "8"), ("20", "24")):
        ended = breathmap(
            "drop", job, "1/recording-001.bin", "--from-s", bounds[0], "--to-s", bounds[1],
            "--reason", "hose off",
        )  # fmt: skip
        assert ended.code == 0, ended.err
    assert summary(job)["samples"] == 2400 - 200 - 100
    assert len(read_job(job).notes) == 3
    assert breathmap("drop", job, "1/recording-001.bin", "--undo").code == 0
    assert summary(job)["samples"] == 2400


def test_all_recordings_set_aside(job: Path, breathmap: Breathmap) -> None:
    """With every recording set aside there is nothing to propose from, and the job still opens."""
    for number in (1, 2):
        ended = breathmap("drop", job, f"1/recording-{number:03d}.bin", "--reason", "wrong fuel")
        assert ended.code == 0, ended.err
    refused(breathmap("propose", job), "every recording of pass 1 is set aside", "--undo")
    for words in (["history"], ["report"], ["finish", "--never-prepared"]):
        assert breathmap(words[0], job, *words[1:]).code == 0, words


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("1/recording-003.bin", "--reason", "x"), ("no recording 1/recording-003.bin",
         "there are 1/recording-001.bin, 1/recording-002.bin")),
        (("2/recording-001.bin", "--reason", "x"), ("no recording 2/",)),
        (("../../secret", "--reason", "x"), ("no recording ../../secret",)),
        (("1/recording-001.bin",), ("--reason",)),
        (("1/recording-001.bin", "--reason", "  "), ("--reason",)),
        (("1/recording-001.bin", "--undo"), ("nothing of it is set aside",)),
        (("1/recording-001.bin", "--undo", "--reason", "x"), ("--undo",)),
        (("1/recording-001.bin", "--reason", "x", "--from-s", "5", "--to-s", "5"),
         ("before it ends",)),
        (("1/recording-001.bin", "--reason", "x", "--from-s", "-5"), ("begins at 0",)),
        (("1/recording-001.bin", "--reason", "x", "--from-s", "nan"), ("begins at 0",)),
        (("1/recording-001.bin", "--reason", "x", "--from-s", "5000"),
         ("no sample in 5000 s to its end",)),
    ],
)  # fmt: skip
def test_what_drop_refuses(
    job: Path, breathmap: Breathmap, arguments: tuple[str, ...], said: tuple[str, ...]
) -> None:
    """What cannot be set aside or taken back is refused in one line, and nothing is recorded."""
    before = (job / "history.jsonl").read_bytes()
    refused(breathmap("drop", job, *arguments), *said)
    assert (job / "history.jsonl").read_bytes() == before


def test_a_port_goes_on_without_it(job: Path, breathmap: Breathmap) -> None:
    """Learning from a port goes on from what counts, and not from what was set aside."""
    assert breathmap("drop", job, "1/recording-002.bin", "--reason", "leak").code == 0
    assert breathmap(
        "drop", job, "1/recording-001.bin", "--to-s", "4", "--reason", "cold"
    ).code == 0  # fmt: skip
    data = made_up_ride(OWN, [0.05], 6, seed=5)
    served = [(40_000 * k, frame) for k, frame in enumerate(frames(data))]

    with Service(iter(served), "tcp", None) as service:
        ended = breathmap("learn", job, service.url, "--no-check-controller", "--give-up", 0)
    assert ended.code == 0, ended.err
    assert summary(job)["samples"] == 1200 - 100 + 600
    assert summary(job)["sources"] == ["recording-001.bin", "recording-003.bin"]
    refused(breathmap("learn", job, job / "passes" / "001" / "recording-002.bin"), "already in")


def test_an_accepted_table_is_told(job: Path, breathmap: Breathmap) -> None:
    """Setting aside what an accepted table was made with says how to be rid of it there."""
    proposed(breathmap, job)
    assert breathmap("accept", job).code == 0
    ended = breathmap("drop", job, "1/recording-002.bin", "--reason", "leak")

    assert ended.code == 0, ended.err
    assert "table 1 was made with it" in " ".join(ended.out.split())
    assert breathmap("undo", job, 0).code == 0
    assert proposed(breathmap, job)
    assert breathmap("accept", job).code == 0
    assert Job(job).table == 2
    assert breathmap("history", job, "--verify").code == 0


def test_undo_there_and_back(job: Path, tmp_path: Path, breathmap: Breathmap) -> None:
    """After undo, there and back, every pass goes on: its recordings count for proposals, more can
    be learned into it, and what was accepted can be accepted again."""
    first = proposed(breathmap, job)
    assert breathmap("accept", job).code == 0
    (tmp_path / "second.bin").write_bytes(made_up_ride(OWN, [0.02], 12, seed=7))
    assert breathmap("learn", job, tmp_path / "second.bin").code == 0
    second = proposed(breathmap, job)

    assert breathmap("undo", job, 0).code == 0
    refused(breathmap("accept", job), "since proposal 2 the table has changed")
    assert proposed(breathmap, job) == first
    assert breathmap("undo", job, 1).code == 0
    refused(breathmap("accept", job), "since proposal 3 the table has changed")
    assert proposed(breathmap, job) == second
    assert breathmap("accept", job).code == 0

    assert breathmap("undo", job, 0).code == 0
    (tmp_path / "third.bin").write_bytes(made_up_ride(OWN, [0.05], 12, seed=8))
    assert breathmap("learn", job, tmp_path / "third.bin").code == 0
    assert [entry.name[-7:-4] for entry in Job(job).pass_recordings(1)] == ["001", "002", "003"]
    proposed(breathmap, job)
    assert breathmap("accept", job).code == 0
    assert breathmap("undo", job).code == 0
    assert breathmap("accept", job).code == 0
    tables = sorted((job / "tables").iterdir())
    assert len(tables) == 4
    for one, other in pairwise(tables[2:]):
        assert (one / "bank1.csv").read_bytes() == (other / "bank1.csv").read_bytes()
    assert breathmap("history", job, "--verify").code == 0
    assert breathmap("report", job).code == 0
