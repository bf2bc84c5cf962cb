"""Recordings by whatever name they came, in the order in which they were made, and texts that are
no UTF-8."""

import os
import sys
from pathlib import Path

import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride

from breathmap.tools.base.errors import UserError
from breathmap.tools.job.folder import Job
from breathmap.tools.job.recordings import entry_of
from breathmap.tools.job.records import Dropped, Learned
from breathmap.tools.run.recording_file import recordings_in

CALIBRATION = made_up_calibration(1, 3, 3)
RIDES = [made_up_ride(CALIBRATION, [0.05], 3, seed) for seed in (1, 2, 3)]


@pytest.fixture
def learned(tmp_path: Path, breathmap: Breathmap) -> Path:
    """A job with one small recording in its first pass."""
    engine = engine_files(tmp_path / "engine", CALIBRATION)
    (tmp_path / "ride.bin").write_bytes(RIDES[0])
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", engine).code == 0
    assert breathmap("learn", job, tmp_path / "ride.bin").code == 0
    return job


def test_the_thousandth_recording_comes_last(learned: Path, breathmap: Breathmap) -> None:
    """Recordings are learned by their number, not by their name's letters, now and again."""
    folder = learned / "passes" / "001"
    (folder / "recording-1000.bin").write_bytes(RIDES[1])
    (folder / "recording-999.bin").write_bytes(RIDES[2])
    names = ["recording-001.bin", "recording-999.bin", "recording-1000.bin"]
    assert [path.name for path in recordings_in(folder)] == names

    assert breathmap("propose", learned).code == 0
    assert [entry.name for entry in Job(learned).pass_recordings(1)] == names
    assert "byte for byte" in breathmap("history", learned, "--verify").out


def test_a_folder_that_cannot_be_read_is_not_an_empty_one(
    learned: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the system does not show the recordings, that is told; nothing is made of none."""
    folder = learned / "passes" / "001"
    real = os.listdir

    def listdir(path: object) -> list[str]:
        if Path(str(path)) == folder:
            raise PermissionError(13, "Permission denied", str(path))
        return real(str(path))

    monkeypatch.setattr(os, "listdir", listdir)
    refused(breathmap("propose", learned), "001: Permission denied; see whose it is")


def test_a_reason_that_is_no_utf8(learned: Path, breathmap: Breathmap) -> None:
    """A reason typed in another encoding goes on record as it is shown, and can be read again."""
    ended = breathmap("drop", learned, "1/recording-001", "--reason", "tap\udce9")
    assert ended.code == 0, ended.err
    assert Job(learned).all_of(Dropped)[0].reason == r"tap\xe9"
    assert r"tap\xe9" in breathmap("history", learned).out


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
def test_a_recording_whose_name_is_no_utf8(learned: Path, breathmap: Breathmap) -> None:
    """A recording put into a pass under a name that the history cannot hold gets the next number,
    and says so."""
    folder = learned / "passes" / "001"
    odd = folder / os.fsdecode(b"recording-tap\xe9.bin")
    odd.write_bytes(RIDES[1])
    with pytest.raises(UserError, match="no UTF-8"):
        entry_of(odd)

    ended = breathmap("propose", learned)
    assert ended.code == 0, ended.err
    assert r"recording-tap\xe9.bin is named recording-002.bin now" in ended.out
    assert not odd.exists()
    assert Job(learned).all_of(Learned)[1].recordings[0].name == "recording-002.bin"
    assert breathmap("history", learned, "--verify").code == 0
