"""Interrupted at every step: whatever a power cut leaves, the job goes on and repeats nothing."""

import errno
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_line import Breathmap, refused
from job_bench import Twin, engine_files
from job_cuts import cut_at, every_cut
from processes import BREATHMAP

from breathmap.learner.axes.search import Steps
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.run import simulate
from breathmap.simulator.service import FrameStream, Service
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli import axes as axes_cli
from breathmap.tools.job import new_axes
from breathmap.tools.job import propose as job_proposal
from breathmap.tools.job import recordings as job_recordings
from breathmap.tools.job.axes import of_pass
from breathmap.tools.job.folder import Job
from breathmap.tools.run.axes import advise_on
from breathmap.tools.run.session import Session

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs fork")


@pytest.fixture
def learned(tmp_path: Path, breathmap: Breathmap) -> Path:
    """A job with one small recording in its first pass."""
    engine = engine_files(tmp_path / "engine")
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", engine).code == 0
    assert breathmap("prepare", job).code == 0
    assert breathmap("learn", job, tmp_path / "engine" / "ride.bin").code == 0
    return job


def kinds(job: Path) -> list[str]:
    """Return what the history holds, in order."""
    return [record.what for record in Job(job).records]


def proposal_of(job: Path) -> bytes:
    """Return the proposed table's bytes."""
    return (job / "proposals" / "001" / "bank1.csv").read_bytes()


def test_propose_and_accept_cut_at_every_step(
    learned: Path, tmp_path: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cut anywhere, `propose` and then `accept` have been done or not, never half, and running
    them again gives the same table once."""
    session = job_recordings.relearn_pass(Job(learned), 1, Screen(quiet=True), witnessed=True)
    monkeypatch.setattr(job_proposal, "relearn_pass", lambda *_, **__: session)
    before = kinds(learned)
    cuts = every_cut(learned, tmp_path / "p", "propose", "JOB", stride=2)
    whole = proposal_of(cuts[-1][1])
    assert len(cuts) > 10
    for _, job in cuts[::3]:
        assert kinds(job) in (before, [*before, "proposed"])
        if kinds(job) == before:
            assert breathmap("propose", job).code == 0
        assert proposal_of(job) == whole
        assert kinds(job) == [*before, "proposed"]

    done = cuts[-1][1]
    before = kinds(done)
    for _, job in every_cut(done, tmp_path / "a", "accept", "JOB", stride=2):
        assert kinds(job) in (before, [*before, "accepted"])
        again = breathmap("accept", job)
        if again.code:
            refused(again, "proposal 1 is table 1 already; to write it")
        assert kinds(job) == [*before, "accepted"]
        assert (job / "tables" / "001" / "bank1.csv").read_bytes() == whole
        assert breathmap("history", job).code == 0
        assert not list(job.glob("**/.new-*"))


def test_axes_cut_at_every_step(
    learned: Path, tmp_path: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cut anywhere, the job went on to other axes or not, never half; the next command begins the
    pass on them where that was not done, once."""
    quiet = Screen(quiet=True)
    advised = advise_on(of_pass(Job(learned), 1), Steps(), quiet, with_curve=False)
    session = job_recordings.relearn_pass(Job(learned), 1, quiet, witnessed=True)
    diagnosis = session.diagnose()
    on = new_axes._on_grid(Job(learned), advised.advice.best.grid)
    snapshot = new_axes._carried(Job(learned), 1, *on, quiet)
    monkeypatch.setattr(axes_cli, "advise_on", lambda *_: advised)
    monkeypatch.setattr(new_axes, "relearn_pass", lambda *_, **__: session)
    monkeypatch.setattr(Session, "diagnose", lambda *_, **__: diagnosis)
    monkeypatch.setattr(new_axes, "_carried", lambda *_: snapshot)
    before = kinds(learned)
    cuts = every_cut(learned, tmp_path / "x", "axes", "JOB", "--apply", "--yes", stride=4)
    whole = (cuts[-1][1] / "tables/001/bank1.csv").read_bytes()
    assert len(cuts) > 10
    for _, job in cuts:
        assert kinds(job) in (before, [*before, "axes"], [*before, "axes", "learned"])
        again = breathmap("axes", job, "--apply", "--yes")
        if again.code:
            refused(again, "no recording of its own")
        assert kinds(job) == [*before, "axes", "learned"]
        assert (job / "tables/001/bank1.csv").read_bytes() == whole
        assert not list(job.glob("**/.new-*"))


def test_finish_cut_at_every_step(learned: Path, tmp_path: Path, breathmap: Breathmap) -> None:
    """Cut anywhere, `finish` has been done or not, and until it has the caution stands."""
    for _, job in every_cut(learned, tmp_path / "f", "finish", "JOB"):
        line, is_caution = Job(job).closing_line()
        assert is_caution
        assert ("breathmap finish" in line) == (kinds(job)[-1] != "finished")
        assert breathmap("finish", job).code == 0
        assert (job / "final" / "proof.md").is_file()


def test_new_cut_at_every_step(tmp_path: Path) -> None:
    """Cut anywhere, `new` leaves a whole job or none, and can be run again."""
    engine = engine_files(tmp_path / "engine")
    for step in range(1, 200):
        job = tmp_path / f"job-{step}"
        code = cut_at(step, ["new", str(job), "--engine", str(engine)])
        if job.exists():
            assert kinds(job) == ["created"]
        else:
            assert cut_at(10_000, ["new", str(job), "--engine", str(engine)]) == 0
        if code == 0:
            assert step > 10
            return
    raise AssertionError("never came to its end")


def test_a_killed_run_is_taken_in(tmp_path: Path, breathmap: Breathmap) -> None:
    """A `learn` that is killed loses at most its last frame: the next command takes its recording
    in, once, and going on adds to it."""
    twin, job = Twin(), tmp_path / "job"
    with twin.standing() as url:
        assert breathmap("new", job, "--port", url).code == 0
        assert breathmap("prepare", job, "--port", url).code == 0
    recording = job / "passes" / "001" / "recording-001.bin"
    samples = simulate(twin.parameters, twin.controller, RoadRide(600.0, 1), 1, reuse=True)
    stream = FrameStream(samples, 2, control=twin.server)
    with Service(stream, "tcp", 60.0, hear=twin.server.feed) as service:
        process = subprocess.Popen(
            [*BREATHMAP, "learn", str(job), service.url],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        for _ in range(3000):
            if recording.exists() and recording.stat().st_size > 60_000:
                break
            assert process.poll() is None, process.communicate()[1]
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
        process.communicate()
    size = recording.stat().st_size
    assert kinds(job) == ["created", "writing", "prepared"]

    proposed = breathmap("propose", job)
    assert proposed.code == 0, proposed.err
    assert "Taken in from an interrupted run: recording-001.bin" in proposed.out
    assert kinds(job) == ["created", "writing", "prepared", "learned", "proposed"]
    assert Job(job).pass_recordings(1)[0].size_bytes == size > 60_000
    assert "Taken in" not in breathmap("propose", job).out


def test_the_history_cannot_be_rewritten(learned: Path, breathmap: Breathmap) -> None:
    """A changed line of the history, a changed table, recording or proposal is found and named."""
    path = learned / "history.jsonl"
    text = path.read_text()
    path.write_text(text.replace('"by_wire": false', '"by_wire": true', 1))
    refused(breathmap("propose", learned), "history.jsonl", "line 2 does not follow")
    path.write_text(text[:-20])
    refused(breathmap("history", learned), "line 4 does not follow")
    path.write_text(text)

    table = learned / "start" / "bank1.csv"
    good = table.read_bytes()
    table.write_bytes(good.replace(b"9", b"8"))
    refused(breathmap("propose", learned), "bank1.csv", "changed since the job saved it")
    table.write_bytes(good)

    recording = learned / "passes" / "001" / "recording-001.bin"
    data = recording.read_bytes()
    recording.write_bytes(data[:-100])
    refused(breathmap("propose", learned), "recording-001.bin", "changed since it was recorded")
    recording.write_bytes(data)

    assert breathmap("propose", learned).code == 0
    proposed = learned / "proposals" / "001" / "bank1.csv"
    proposed.write_bytes(proposed.read_bytes().replace(b"9", b"8"))
    refused(breathmap("accept", learned), "changed since it was proposed")


def test_two_commands_at_once(learned: Path, breathmap: Breathmap) -> None:
    """A second command in the same job is told to wait, and changes nothing."""
    with Job(learned).working():
        refused(breathmap("propose", learned), "another breathmap command is at work")
    assert breathmap("propose", learned).code == 0


def test_a_disk_that_cannot_lock_is_told(
    learned: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where nothing can be locked it is not said that another command is at work."""

    def no_locks(handle: int, what: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("fcntl.flock", no_locks)
    refused(breathmap("propose", learned), "cannot be locked", "No locks available")
