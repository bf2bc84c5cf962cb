"""Single promises of `tools/base/disk.py` and of recordings, held against the model of a disk."""

import errno
import random
import shutil
import sys
from pathlib import Path

import pytest
from disk_log import DiskLog
from power_cut import Tree, Volume, put, tree_of, without_left_overs

from breathmap.tools.base.disk import save_folder, settle
from breathmap.tools.run import recording_file
from breathmap.tools.run.recording_file import RecordingFile

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="folders cannot be synced there")


def test_a_folder_is_replaced_whole(tmp_path: Path) -> None:
    """Cut anywhere while a folder is replaced, the old or the new one is there once it is settled:
    never neither, never a mixture."""
    root = tmp_path / "root"
    old: Tree = {"kept": None, "kept/a": b"old", "kept/b": b"old"}
    new: Tree = {"kept": None, "kept/a": b"new", "kept/c": b"new"}
    put(old, root)
    volume, log = Volume(root), DiskLog(root)
    with log:
        save_folder(root / "kept", {"a": b"new", "c": b"new"})
    found: list[Tree] = []
    for step in log.steps:
        volume.take(step)
        for tree in volume.cuts(random.Random(1)):
            shutil.rmtree(root)
            put(tree, root)
            settle(root / "kept")
            found.append(without_left_overs(tree_of(root)))
            assert found[-1] in (old, new)
            assert not (root / ".old-kept").exists()
    assert found[0] == old
    assert found[-1] == new


def test_a_recording_has_its_name_before_it_counts(tmp_path: Path) -> None:
    """What was synced of a recording is there after a cut, under its name, in folders made for
    it."""
    volume, log = Volume(tmp_path), DiskLog(tmp_path)
    recording = RecordingFile(tmp_path / "a" / "b")
    with log:
        recording.add(b"held ")
        recording.start()
        recording.add(b"and then")
    for step in log.steps:
        volume.take(step)
    for tree in volume.cuts(random.Random(1)):
        assert (tree["a/b/recording-001.bin"] or b"").startswith(b"held ")
    recording.close()


def test_a_name_that_was_not_synced_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a recording's name cannot be synced at first, the same file takes all once it can: no
    second one is begun, and it knows where it is."""
    tries = []

    def sync(folder: Path) -> None:
        tries.append(folder)
        if len(tries) == 1:
            raise OSError(errno.EIO, "the disk failed")

    monkeypatch.setattr(recording_file, "sync_folder", sync)
    monkeypatch.setattr(recording_file, "RETRY_S", 0.0)
    recording = RecordingFile(tmp_path)
    recording.add(b"one")
    recording.start()
    assert recording.trouble is not None
    recording.add(b"two")

    assert recording.trouble is None
    recording.close()
    assert recording.path == tmp_path / "recording-001.bin"
    assert recording.path.read_bytes() == b"onetwo"
    assert len(list(tmp_path.iterdir())) == 1
    assert len(tries) == 2
