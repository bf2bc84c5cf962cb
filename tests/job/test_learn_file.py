"""`learn JOB FILE` is all or nothing; what does not fit never stays among the recordings."""

import errno
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride
from job_cuts import every_cut

from breathmap.protocol.wire.fields import IDENTITY
from breathmap.protocol.wire.framing import cobs_decode
from breathmap.simulator.service import Service
from breathmap.tools.base import disk
from breathmap.tools.base.files import write_bytes
from breathmap.tools.cli.main import run
from breathmap.tools.job import chain as job_chain
from breathmap.tools.job import recordings as job_recordings
from breathmap.tools.job.folder import Job
from breathmap.tools.job.records import Learned
from breathmap.tools.run.recording_file import RecordingFile, next_recording

OWN = made_up_calibration(1, 4, 4)
OTHER_AXES = made_up_calibration(1, 5, 4)
OTHER_LOADS = made_up_calibration(1, 4, 4, "map_kpa")
OTHER_BANKS = made_up_calibration(2, 4, 4)
RIDE = made_up_ride(OWN, [0.05], 25)


def tree(folder: Path) -> dict[str, bytes | None]:
    """Return the content of every file below a folder, None for a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
    }


def unbroken(out: str) -> str:
    """Return an output without spaces and line ends, since a line may break anywhere."""
    return "".join(out.split())


def frames(data: bytes) -> list[bytes]:
    """Return a recording's frames, each with its end."""
    return [run + b"\0" for run in data.split(b"\0")[:-1]]


def is_identity(frame: bytes) -> bool:
    """True for a frame in which a device says what it is."""
    return cobs_decode(frame[:-1])[1] == IDENTITY.number


def without_identity(data: bytes) -> bytes:
    """Return a recording in which the device never says what it is."""
    return b"".join(frame for frame in frames(data) if not is_identity(frame))


def joined(other: bytes) -> bytes:
    """Return a recording that another device's was joined to, from its next identity on."""
    samples = frames(without_identity(RIDE))[:200]
    return b"".join(samples) + other


def later_identity(data: bytes) -> bytes:
    """Return a stream that was joined after its first identity and before its second."""
    return b"".join(frames(data)[1:])


UNFIT = {
    "text": (b"speed, load\n1000, 40\n" * 900, ("no recording", "read it as a log")),
    "empty": (b"", ("the file is empty",)),
    "blank": (b"\n" * 9000, ("the file is empty",)),
    "program": (bytes(range(256)) * 400, ("no frame of ours",)),
    "late-zeros": (b"x" * 5000 + b"\0\1\0" * 500, ("no frame of ours",)),
    "no-sample": (frames(RIDE)[0], ("holds no sample",)),
    "other-axes": (made_up_ride(OTHER_AXES, [0.0], 4), ("5 breakpoints", "has 4")),
    "other-axes-later": (
        later_identity(made_up_ride(OTHER_AXES, [0.0], 4)), ("5 breakpoints", "samples in it")
    ),
    "other-loads": (later_identity(made_up_ride(OTHER_LOADS, [0.0], 4)), ("load axis is map_kpa",)),
    "other-banks": (made_up_ride(OTHER_BANKS, [0.0, 0.0], 4), ("2 banks", "1")),
    "other-banks-later": (without_identity(made_up_ride(OTHER_BANKS, [0.0, 0.0], 4)), ("2 banks",)),
    "joined-axes": (
        joined(made_up_ride(OTHER_AXES, [0.0], 4)), ("5 breakpoints", "samples in it")
    ),
    "joined-banks": (joined(made_up_ride(OTHER_BANKS, [0.0, 0.0], 4)), ("2 banks",)),
}  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two jobs: one in which nothing has been learned yet, one with a recording."""
    folder = tmp_path_factory.mktemp("made")
    engine = engine_files(folder / "engine", OWN)
    assert run(["new", str(folder / "fresh"), "--engine", str(engine)]) == 0
    assert run(["prepare", str(folder / "fresh")]) == 0
    shutil.copytree(folder / "fresh", folder / "learned")
    assert run(["learn", str(folder / "learned"), str(folder / "engine" / "ride.bin")]) == 0
    return folder


@pytest.fixture
def fresh(made: Path, tmp_path: Path) -> Path:
    """A job in which nothing has been learned yet."""
    return Path(shutil.copytree(made / "fresh", tmp_path / "job"))


@pytest.fixture
def learned(made: Path, tmp_path: Path) -> Path:
    """A job with a recording in its first pass."""
    return Path(shutil.copytree(made / "learned", tmp_path / "job"))


@pytest.fixture
def ride(tmp_path: Path) -> Path:
    """A recording of the job's engine that no job has learned."""
    path = tmp_path / "ride.bin"
    path.write_bytes(made_up_ride(OWN, [0.05], 6, seed=2))
    return path


@pytest.mark.parametrize("kind", UNFIT)
@pytest.mark.parametrize("job", ["fresh", "learned"])
def test_what_does_not_fit_changes_nothing(
    request: pytest.FixtureRequest, tmp_path: Path, breathmap: Breathmap, job: str, kind: str
) -> None:
    """What is no recording of this engine is refused in one line that says where, and the job is
    as it was, byte for byte."""
    folder: Path = request.getfixturevalue(job)
    content, said = UNFIT[kind]
    (tmp_path / "given.bin").write_bytes(content)
    before = tree(folder)

    refused(breathmap("learn", folder, tmp_path / "given.bin"), "given.bin: ", *said)
    assert tree(folder) == before
    assert breathmap("history", folder).code == 0
    if (job, kind) == ("learned", "joined-axes"):
        assert breathmap("propose", folder).code == 0


def test_a_finished_job_checks_no_rubbish(
    fresh: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A check drive from a file that is none of this engine's is refused, and changes nothing."""
    assert breathmap("finish", fresh).code == 0
    (tmp_path / "given.bin").write_bytes(UNFIT["joined-axes"][0])
    before = tree(fresh)

    refused(breathmap("learn", fresh, tmp_path / "given.bin"), "5 breakpoints")
    assert tree(fresh) == before


def test_noise_before_the_first_frame(fresh: Path, tmp_path: Path, breathmap: Breathmap) -> None:
    """However much a device says at its start, its frames are found and learned, again and
    again."""
    noise = b"booting, please wait ... " * 1000
    (tmp_path / "given.bin").write_bytes(noise + b"\0" + RIDE)

    assert breathmap("learn", fresh, tmp_path / "given.bin").code == 0
    (record,) = Job(fresh).all_of(Learned)
    assert record.verdicts["bank1"].samples == 2500
    assert breathmap("propose", fresh).code == 0
    assert breathmap("history", fresh, "--verify").code == 0


def test_a_log_is_learned(fresh: Path, tmp_path: Path, breathmap: Breathmap) -> None:
    """A CSV log whose columns the job's description names is learned as a recording is."""
    engine = fresh / "engine.toml"
    columns = "\n".join(
        f'{name}.column = "{name}"'
        for name in ("time", "speed_rpm", "map_kpa", "throttle_pct", "target_lambda")
    )
    log = f'\n[log]\n{columns}\n[[log.bank]]\nmeasured_lambda.column = "lambda"\n'
    engine.write_text(engine.read_text().split("\n[log]")[0] + log)
    rows = (
        f"{0.04 * k:.2f},{2000 + k % 500},60,{20 + k % 40},0.89,{0.93 + 0.001 * (k % 3):.3f}"
        for k in range(400)
    )
    (tmp_path / "ride.csv").write_text(
        "time,speed_rpm,map_kpa,throttle_pct,target_lambda,lambda\n" + "\n".join(rows) + "\n"
    )

    ended = breathmap("learn", fresh, tmp_path / "ride.csv")
    assert ended.code == 0, ended.err
    (record,) = Job(fresh).all_of(Learned)
    assert record.verdicts["bank1"].samples == 400
    folder = Job(fresh).pass_folder(1)
    place = folder / "log-001-ride.csv"
    assert place.read_bytes() == (tmp_path / "ride.csv").read_bytes()
    # Other columns for the next logger change nothing of what was learned from this one.
    engine.write_text(engine.read_text().replace('column = "map_kpa"', 'column = "P"'))
    assert breathmap("propose", fresh).code == 0
    assert breathmap("history", fresh, "--verify").code == 0
    mapping = folder / "log-001-ride.csv.toml"
    mapping.write_text(mapping.read_text().replace("map_kpa = ", "map_kpa  = "))
    refused(breathmap("propose", fresh), "changed since log-001-ride.csv was learned")
    refused(breathmap("history", fresh, "--verify"), "log-001-ride.csv.toml")


@pytest.mark.parametrize("name", ["nosuch.csv", "rides/nosuch.bin", "nosuch.mf4"])
def test_a_missing_file_is_called_missing(fresh: Path, name: str, breathmap: Breathmap) -> None:
    """A file that is not there is told as that, and not tried as a port."""
    refused(breathmap("learn", fresh, name), f"{name}: no such file")
    refused(breathmap("learn", fresh / "engine.toml", name), "no such file", "breathmap replay")


def full(*_: object, **__: object) -> object:
    """Stand for a call on a full disk."""
    raise OSError(errno.ENOSPC, "No space left on device")


BREAKS: dict[str, Callable[[pytest.MonkeyPatch], None]] = {
    "copy": lambda patch: patch.setattr(shutil, "copyfileobj", full),
    "sync": lambda patch: patch.setattr(disk, "move", full),
    "history": lambda patch: patch.setattr(job_chain, "write_bytes", full),
    "record": lambda patch: patch.setattr(job_recordings, "hash_file", full),
}


@pytest.mark.parametrize(("job", "edited"), [("fresh", False), ("learned", True)])
@pytest.mark.parametrize("place", BREAKS)
def test_a_full_disk_changes_nothing(
    request: pytest.FixtureRequest,
    ride: Path,
    breathmap: Breathmap,
    monkeypatch: pytest.MonkeyPatch,
    place: str,
    job: str,
    edited: bool,
) -> None:
    """When copying or recording it fails, the job is as it was, and learning goes on afterwards."""
    folder: Path = request.getfixturevalue(job)
    if edited:
        path = folder / "engine.toml"
        path.write_text(path.read_text().replace('name = "engine"', 'name = "another"'))
    before = tree(folder)
    with monkeypatch.context() as patch:
        BREAKS[place](patch)
        refused(breathmap("learn", folder, ride), "No space left")
    assert tree(folder) == before

    assert breathmap("learn", folder, ride).code == 0
    refused(breathmap("learn", folder, ride), "already in pass 1")


def test_results_that_cannot_be_written(
    fresh: Path, ride: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When only the tables of the pass cannot be written, nothing goes on record either."""
    before = tree(fresh)
    with monkeypatch.context() as patch:
        patch.setattr("breathmap.tools.run.results.staged", full)
        refused(breathmap("learn", fresh, ride), "No space left")
    assert tree(fresh) == before
    assert breathmap("learn", fresh, ride).code == 0


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork")
def test_learning_a_file_cut_at_every_step(
    fresh: Path, ride: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """Cut anywhere, the file has been learned or not, whole, and learning it again counts it
    once."""
    cuts = every_cut(fresh, tmp_path / "l", "learn", "JOB", str(ride))
    assert len(cuts) > 20
    for _, job in cuts[::3]:
        again = breathmap("learn", job, ride)
        if again.code:
            refused(again, "already in pass 1")
        (record,) = Job(job).all_of(Learned)
        (entry,) = record.recordings
        assert (job / "passes" / "001" / entry.name).read_bytes() == ride.read_bytes()
        assert breathmap("history", job).code == 0
    assert breathmap("propose", cuts[-1][1]).code == 0


def test_what_an_interrupted_run_left_is_tried(
    learned: Path, ride: Path, breathmap: Breathmap
) -> None:
    """A recording that is not on record and does not fit is put aside with a caution, one that
    fits is taken in."""
    own = learned / "passes" / "001"
    (own / "recording-002.bin").write_bytes(UNFIT["joined-axes"][0])
    (own / "recording-003.bin").write_bytes(ride.read_bytes())
    (own / "recording-004.bin").write_bytes(b"")

    proposed = breathmap("propose", learned)
    assert proposed.code == 0, proposed.err
    said = unbroken(proposed.out)
    assert "5breakpoints" in said
    assert "refused-001.bin" in said
    assert "Takeninfromaninterruptedrun:recording-003.bin." in said
    assert (own / "refused-001.bin").read_bytes() == UNFIT["joined-axes"][0]
    assert [entry.name for entry in Job(learned).pass_recordings(1)] == [
        "recording-001.bin", "recording-003.bin"
    ]  # fmt: skip
    assert breathmap("history", learned, "--verify").code == 0


def test_a_device_that_does_not_fit_joined_at_a_port(
    fresh: Path, ride: Path, breathmap: Breathmap
) -> None:
    """A device of another engine that is joined between two of its identities is refused in one
    line; what had arrived is put aside, and the job goes on."""
    data = later_identity(made_up_ride(OTHER_AXES, [0.0], 10))

    def served() -> Iterator[tuple[int, bytes]]:
        yield from ((40_000 * k, frame) for k, frame in enumerate(frames(data)))

    with Service(served(), "tcp", 60.0) as service:
        ended = breathmap("learn", fresh, service.url, "--no-check-controller")
    refused(ended, service.url, "5 breakpoints", "correct axes.speed_rpm")
    assert "refused-001.bin" in unbroken(ended.out)
    assert [path.name for path in (fresh / "passes" / "001").glob("*.bin")] == ["refused-001.bin"]
    assert not Job(fresh).all_of(Learned)
    assert breathmap("learn", fresh, ride).code == 0
    assert breathmap("propose", fresh).code == 0


@pytest.mark.parametrize(
    ("there", "following"),
    [([], 1), ([1, 2], 3), ([2], 3), ([1, 3], 4), ([1, 7, 3], 8), ([999], 1000)],
)
def test_numbers_are_never_used_again(tmp_path: Path, there: list[int], following: int) -> None:
    """A recording gets the number above the highest, never one in a gap, and never a file that is
    there."""
    for number in there:
        (tmp_path / f"recording-{number:03d}.bin").write_bytes(b"x")
    wanted = tmp_path / f"recording-{following:03d}.bin"

    assert next_recording(tmp_path) == wanted
    recording = RecordingFile(tmp_path)
    recording.start()
    recording.close()
    assert recording.path == wanted
    for number in there:
        assert (tmp_path / f"recording-{number:03d}.bin").read_bytes() == b"x"


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
@pytest.mark.parametrize(
    "name", ["history.jsonl", "engine.toml", "start", "passes/001/recording-001.bin", ".lock"]
)
def test_links_are_not_followed(
    learned: Path, tmp_path: Path, breathmap: Breathmap, name: str
) -> None:
    """A link in a job that came from elsewhere is refused in one line, and its target untouched."""
    target = tmp_path / "elsewhere"
    (learned / name).rename(target)
    (learned / name).symlink_to(target)
    before = tree(tmp_path)

    for command in ("history", "propose", "prepare", "report"):
        refused(breathmap(command, learned), name, "plain files and folders only")
    assert tree(tmp_path) == before


@pytest.mark.skipif(sys.platform == "win32", reason="no such files there")
def test_a_pipe_is_not_waited_for(learned: Path, breathmap: Breathmap) -> None:
    """A pipe in a job is refused instead of waiting for its other end."""
    os.mkfifo(learned / "passes" / "001" / "recording-002.bin")
    refused(breathmap("propose", learned), "recording-002.bin", "plain files")


def test_looking_changes_nothing(
    learned: Path, ride: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """History, verifying, comparing and a report elsewhere write nothing into the job, not even a
    lock: it may be where nobody can write."""
    assert breathmap("propose", learned).code == 0
    (learned / ".lock").unlink()
    left = learned / "passes" / "001" / "recording-002.bin"
    left.write_bytes(ride.read_bytes())
    before = tree(learned)
    for path in [learned, *learned.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)

    try:
        looked = breathmap("history", learned)
        assert looked.code == 0, looked.err
        assert "recording-002.binisofaninterruptedrun" in unbroken(looked.out)
        assert breathmap("history", learned, "--verify").code == 0
        assert breathmap("report", learned, "--out", tmp_path / "report.html").code == 0
        assert breathmap("compare", f"{learned}:0", f"{learned}:0").code == 0
        assert tree(learned) == before
    finally:
        for path in [learned, *learned.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)


def test_a_lagging_head_is_brought_up_first(
    learned: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A head that could not be written does not undo its record, and never lags by two."""
    broken = SimpleNamespace(left=1)
    real = write_bytes

    def sometimes(path: Path, data: bytes) -> None:
        if path.name == job_chain.HEAD and broken.left:
            broken.left -= 1
            full()
        real(path, data)

    monkeypatch.setattr(job_chain, "write_bytes", sometimes)
    job = Job(learned)
    with job.working():
        for _ in range(2):
            job.append(job.records[1].model_copy(update=job.head()))
    assert broken.left == 0
    assert len(Job(learned).records) == 6
