"""The recording of a port: the bytes as they arrive, in a folder, never over an older one.

The file is the queue between who reads the port and who learns, so that learning may lag behind
for as long as it likes, and what is learned is what is on disk.
"""

import contextlib
import errno
import os
import re
import shutil
import threading
import time
from pathlib import Path
from typing import BinaryIO

from breathmap.protocol.host.link import NEED_DATA, LinkReader
from breathmap.tools.base.disk import errors_about, make_folders, sync_folder, write_new
from breathmap.tools.run.evidence_files import evidence_in

# Begins the names of logs that were learned into a job.
LOG = "log"
SYNC_EVERY_S = 2.0
# After an error the disk is tried again so often.
RETRY_S = 2.0
# So much of a disk is left free: results and a job's history need room, too.
KEPT_FREE_BYTES = 4_000_000
# What a full disk does not take is held for so long, and the recording ends there.
UNWRITTEN_BYTES_MAXIMUM = 32_000_000
# A learner that is further behind reads back from the disk.
RECENT_BYTES_MAXIMUM = 1_000_000


class RecordingFile:
    """Takes what arrives in one thread, gives it to a learner in another, and writes it to
    folder/recording-NNN.bin, which must not exist.

    Bytes are held until `start`, and none are given before, so that a port which never speaks
    leaves nothing behind. A learner that lags behind reads the file. Where the disk takes no more
    bytes are given from memory, and writing is tried again.

    path: the file, the folder before there is one. trouble: what keeps the disk from taking what
    has arrived, None when nothing does. over: nothing more will be added. ended_early: the file
    holds less than is given, by `held_bytes`.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        # In memory: what has arrived from byte self._base on. On disk: the first self._written.
        self._data = bytearray()
        self._base = self._written = self._taken = 0
        self._whole = 0  # the end of the last whole frame on disk
        self._file: BinaryIO | None = None
        self._is_named = False
        self._reader: BinaryIO | None = None
        self._tried = self._synced = float("-inf")
        self.path = folder
        self.started = False
        self.trouble: OSError | None = None
        self.over = False
        self.ended_early = False

    @property
    def size_bytes(self) -> int:
        """Bytes on disk."""
        return self._written

    @property
    def held_bytes(self) -> int:
        """Bytes that are not on disk."""
        return self._base + len(self._data) - self._written

    def add(self, data: bytes) -> None:
        """Take bytes as they arrived; with none of them only try again what was not written."""
        with self._lock:
            self._data += data
            if self.started:
                self._write(time.monotonic())
        self._sync()

    def start(self) -> None:
        """Make folder and file, write what was held, and let it be taken."""
        self.started = True
        self.add(b"")

    def take(self, most: int) -> bytes:
        """Return what comes next, b"" when nothing has. UserError where it cannot be read back."""
        with self._lock:
            if not self.started:
                return b""
            if self._taken < self._base:
                with errors_about(self.path, "cannot be read"):
                    data = self._read(min(most, self._base - self._taken))
            else:
                at = self._taken - self._base
                data = bytes(self._data[at : at + most])
            self._taken += len(data)
            return data

    def close(self) -> None:
        """End it, everything on disk that the disk takes; once more does nothing."""
        with self._lock:
            if self.over:
                return
            self._tried = float("-inf")
            if self.started:
                self._write(time.monotonic())
                if self.held_bytes and not self.ended_early:
                    self._end_early()
            if self._file is not None:
                self._finish(self._file)
            self.over = True

    def put_aside(self, kind: str) -> Path:
        """Write what was held into a file that is no recording; return it. OSError."""
        make_folders(self._folder)
        place = next_recording(self._folder, kind)
        write_new(place, bytes(self._data))
        sync_folder(self._folder)
        return place

    def _read(self, count: int) -> bytes:
        if self._reader is None:
            self._reader = self.path.open("rb")
        self._reader.seek(self._taken)
        return self._reader.read(count)

    def _write(self, now: float) -> None:
        """Write what is not on disk, or say in `trouble` why not."""
        if self.ended_early:
            return
        is_due = now - self._tried >= RETRY_S
        if is_due or self.trouble is None:
            try:
                if is_due:
                    self._tried = now
                    self._check_room()
                file = self._opened()
                while self.held_bytes:
                    self._append(file)
                self.trouble = None
            except OSError as error:
                self.trouble = error
        if self.held_bytes > UNWRITTEN_BYTES_MAXIMUM:
            self._end_early()
        self._forget()

    def _opened(self) -> BinaryIO:
        if self._file is None:
            path = next_recording(self._folder)
            # Unbuffered: what was written is known to the byte when the disk is full.
            self._file = path.open("xb", buffering=0)
            self.path = path
        if not self._is_named:
            # Without its name its bytes would be lost, synced or not.
            sync_folder(self._folder)
            self._is_named = True
        return self._file

    def _append(self, file: BinaryIO) -> None:
        at = self._written - self._base
        count = file.write(self._data[at:])
        end = self._data.rfind(b"\0", at, at + count)
        if end >= 0:
            self._whole = self._base + end + 1
        self._written += count

    def _forget(self) -> None:
        """Let go of what is on disk and was taken, or is too much for memory."""
        is_much = self._whole - self._base > RECENT_BYTES_MAXIMUM
        done = self._whole if is_much else min(self._whole, self._taken)
        if done > self._base:
            del self._data[: done - self._base]
            self._base = done

    def _check_room(self) -> None:
        make_folders(self._folder)
        disk = shutil.disk_usage(self._folder)
        # Some network disks tell nothing of their size.
        if disk.total and disk.free < KEPT_FREE_BYTES:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _sync(self) -> None:
        now = time.monotonic()
        if self._file is None or self._file.closed or now - self._synced <= SYNC_EVERY_S:
            return
        self._synced = now
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            self.trouble = error

    def _end_early(self) -> None:
        """Let the file end with its last whole frame, empty where it has none; the rest is given
        from memory."""
        self.ended_early = True
        if self._file is not None:
            with contextlib.suppress(OSError):
                if self._whole < RECENT_BYTES_MAXIMUM and not _frames_in(self.path, self._whole):
                    self._whole = 0
                self._file.truncate(self._whole)
        self._written = self._whole

    def _finish(self, file: BinaryIO) -> None:
        try:
            os.fsync(file.fileno())
        except OSError as error:
            self.trouble = error
        file.close()


def _frames_in(path: Path, size: int) -> int:
    reader = LinkReader()
    with path.open("rb") as file:
        reader.feed(file.read(size))
    while reader.next_event() is not NEED_DATA:
        pass
    return reader.counters.frames


def next_recording(folder: Path, kind: str = "recording") -> Path:
    """Return where the next recording goes: one number above the highest, never into a gap."""
    return folder / f"{kind}-{_highest(folder, kind) + 1:03d}.bin"


def next_log(folder: Path, name: str) -> Path:
    """Return where a log goes: under its own name, behind the next recording's number."""
    return folder / f"{LOG}-{_highest(folder, 'recording') + 1:03d}-{name}"


def _highest(folder: Path, kind: str) -> int:
    logs = rf"|{LOG}-(\d+)-.*" if kind == "recording" else ""
    found = (re.fullmatch(rf"{kind}-(\d+)\.bin{logs}", path.name) for path in folder.iterdir())
    return max((int(match[match.lastindex or 1]) for match in found if match), default=0)


def recordings_in(folder: Path) -> list[Path]:
    """Return a folder's recordings in the order they were made, then boards' evidence; a file with
    nothing in it is a name that an interruption left, and no recording."""
    if not folder.exists():
        return []
    # Not by a pattern: that finds nothing where it may not look.
    names = [path.name for path in folder.iterdir() if is_recording_name(path)]
    recordings = [folder / name for name in sorted(names, key=order_of)]
    return [path for path in recordings if path.stat().st_size] + evidence_in(folder)


def is_recording_name(path: Path) -> bool:
    """True for the name of a recording or log of a run, whatever is in it."""
    is_log = path.match(f"{LOG}-*-*") and path.suffix != ".toml"
    return is_log or path.match("recording-*.bin")


def order_of(name: str) -> tuple[bool, bool, int, str]:
    """Return what sorts names as they are learned: recordings by number, however many there are,
    then those that somebody named otherwise, then boards' evidence."""
    match = re.fullmatch(rf"recording-(\d+)\.bin|{LOG}-(\d+)-.*", name)
    number = int(match[match.lastindex or 1]) if match else 0
    return (name.startswith("board-"), match is None, number, name)
