"""A disk that takes no more: it ends a recording, and neither the learning nor the proof."""

import errno
import json
import os
import shutil
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from command_line import Breathmap, refused
from plug import Acting, Heard, TcpPlug, frames_of_ride
from processes import wait_for

from breathmap.protocol.host.recording import read_recording
from breathmap.tools.job.folder import Job
from breathmap.tools.run import recording_file, sources
from breathmap.tools.run.recording_file import RecordingFile, recordings_in

MORE = 1 << 40


class Disk:
    """A disk whose room a test sets; writes stop within a frame, as on a real one."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.room = MORE
        monkeypatch.setattr(recording_file, "RETRY_S", 0.0)
        monkeypatch.setattr(RecordingFile, "_append", self._append(RecordingFile._append))
        monkeypatch.setattr(
            shutil, "disk_usage", lambda path: SimpleNamespace(total=MORE, free=MORE)
        )

    def _append(self, append: Any) -> Any:
        def limited(recording: RecordingFile, file: Any) -> None:
            append(recording, SimpleNamespace(write=lambda data: self._write(file, bytes(data))))

        return limited

    def _write(self, file: Any, data: bytes) -> int:
        time.sleep(0.01)  # on a busy machine, too, the room counts that there was
        if not self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        count: int = file.write(data[: self.room])
        self.room -= count
        return count


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    """A disk with room until the test takes it."""
    return Disk(monkeypatch)


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> Heard:
    """What the run's recorder hears."""
    heard = Heard()
    monkeypatch.setattr(sources, "Recorder", heard.make)
    return heard


def size_of(path: Path) -> int:
    """Return a file's size, 0 while it is not there."""
    return path.stat().st_size if path.exists() else 0


def test_a_full_disk_ends_the_recording_and_not_the_learning(
    disk: Disk, heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """When the disk is full, learning goes on with an alarm in a line, in the summary and at the
    end; the recording stays whole to its last whole frame."""
    part = frames_of_ride(1, 200)[0]
    device, out, whole = TcpPlug(tmp_path), tmp_path / "out", b"".join(part)
    disk.room = len(whole) // 2 + 7

    def act() -> None:
        device.send(whole)
        heard.all_of(len(whole))
        device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0", "--json")
    acting.check()

    assert ended.code == 0, ended.err
    said = " ".join(ended.err.split())
    assert "Caution: NOT RECORDING since" in said
    assert "No space left on device. Make room on the disk" in said
    summary = json.loads(ended.out)
    assert summary["samples"] == 200
    port = summary["port"]
    kept = (out / "recording-001.bin").read_bytes()
    assert port["unrecorded_bytes"] == len(whole) - len(kept)
    assert port["unrecorded_why"] == "No space left on device"
    assert kept == whole[: len(kept)]
    assert kept.endswith(b"\0")
    assert len(kept) > len(whole) // 2 - max(map(len, part))
    assert f"recording ended at {port['unrecorded_from']}" in summary["warnings"][0]


def test_room_that_comes_back_loses_nothing(
    disk: Disk, heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """What a full disk did not take is written once there is room, into the same recording."""
    part = frames_of_ride(1, 200)[0]
    device, out, whole = TcpPlug(tmp_path), tmp_path / "out", b"".join(part)
    disk.room = len(whole) // 4

    def act() -> None:
        device.send(whole)
        heard.all_of(len(whole))
        assert disk.room == 0
        disk.room = MORE
        wait_for(lambda: size_of(out / "recording-001.bin") == len(whole))
        device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0", "--json")
    acting.check()

    assert ended.code == 0, ended.err
    assert "The disk takes what comes again." in ended.err
    assert (out / "recording-001.bin").read_bytes() == whole
    summary = json.loads(ended.out)
    assert summary["samples"] == 200
    assert "unrecorded_bytes" not in summary["port"]


def test_more_than_can_be_held_goes_on_in_the_next_recording(
    disk: Disk, heard: Heard, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    breathmap: Breathmap,
) -> None:  # fmt: skip
    """While the disk is full no more than the limit is held; with room again a new recording
    begins, and all of it is learned."""
    monkeypatch.setattr(recording_file, "UNWRITTEN_BYTES_MAXIMUM", 5_000)
    parts = frames_of_ride(3, 200)
    device, out = TcpPlug(tmp_path), tmp_path / "out"
    data = [b"".join(part) for part in parts]

    def act() -> None:
        device.send(data[0])
        heard.all_of(len(data[0]))
        assert size_of(out / "recording-001.bin") == len(data[0])
        disk.room = 0
        device.send(data[1])
        heard.all_of(len(data[0] + data[1]))
        disk.room = MORE
        device.send(data[2])
        heard.all_of(len(data[0] + data[1] + data[2]))
        device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0", "--json")
    acting.check()

    assert ended.code == 0, ended.err
    summary = json.loads(ended.out)
    assert summary["samples"] >= 590  # a frame across the seam of two recordings is in neither
    recorded = [path.read_bytes() for path in recordings_in(out)]
    assert recorded[0] == data[0]
    assert len(recorded) == 2
    lost = sum(map(len, data)) - sum(map(len, recorded))
    assert summary["port"]["unrecorded_bytes"] == lost > 5_000


def test_a_disk_that_is_full_at_the_start_is_one_line(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breathmap: Breathmap
) -> None:
    """Where not even the results would fit, `learn` says so before anybody drives."""
    monkeypatch.setattr(
        shutil, "disk_usage", lambda path: SimpleNamespace(total=MORE, free=1_000_000)
    )
    device = TcpPlug(tmp_path)
    acting = Acting(lambda: device.send(b"".join(frames_of_ride(1, 50)[0])))
    ended = breathmap("learn", bench, device.url, "--out", tmp_path / "out")
    acting.check()

    refused(ended, "no recording can be written", "No space left on device")
    assert not list((tmp_path / "out").iterdir())


def test_a_job_holds_what_is_recorded_and_says_what_is_not(
    disk: Disk, heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """In a job the results are those of the recordings, so that its proof stays true, and the end
    says since when the drive is not in it."""
    part = frames_of_ride(1, 200)[0]
    device, job, whole = TcpPlug(tmp_path), tmp_path / "job", b"".join(part)
    assert breathmap("new", job, "--engine", bench).code == 0
    disk.room = len(whole) // 2 + 7

    def act() -> None:
        device.send(whole)
        heard.all_of(len(whole))
        device.unplug()

    acting = Acting(act)
    ended = breathmap(
        "learn", job, device.url, "--give-up", "0", "--no-check-controller"
    )  # fmt: skip
    acting.check()
    disk.room = MORE

    assert ended.code == 0, ended.err
    said = " ".join(ended.out.split())
    assert "is not in the job: make room, and drive that part again" in said
    place = job / "passes" / "001" / "recording-001.bin"
    recorded = len(read_recording(place.read_bytes()).table)
    assert 50 < recorded < 150
    summary = json.loads((place.parent / "summary.json").read_text("utf-8"))
    assert summary["samples"] == recorded
    assert Job(job).pass_recordings(1)[0].size_bytes == place.stat().st_size
    assert breathmap("propose", job).code == 0
    assert breathmap("history", job, "--verify").code == 0


@pytest.mark.parametrize("in_job", [False, True])
def test_a_recording_without_a_frame_is_none(
    disk: Disk, heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap, in_job: bool
) -> None:
    """When the disk is full before the first frame has gone there, no recording is left that nobody
    could learn; what is on record can be learned and verified."""
    whole = b"\x07\x01\0\0" + b"".join(frames_of_ride(1, 200)[0])
    device, job, out = TcpPlug(tmp_path), tmp_path / "job", tmp_path / "out"
    assert breathmap("new", job, "--engine", bench).code == 0
    disk.room = 20

    def act() -> None:
        device.send(whole)
        heard.all_of(len(whole))
        device.unplug()

    acting = Acting(act)
    words = (job, device.url, "--no-check-controller") if in_job else (bench, device.url)
    ended = breathmap("learn", *words, "--out", out, "--give-up", "0", "--json")
    acting.check()
    disk.room = MORE

    assert ended.code == 0, ended.err
    summary = json.loads(ended.out)
    assert summary["samples"] == (0 if in_job else 200)
    assert summary["port"]["unrecorded_bytes"] >= len(whole) - 4
    assert recordings_in(job / "passes" / "001" if in_job else out) == []
    if in_job:
        assert breathmap("history", job, "--verify").code == 0
