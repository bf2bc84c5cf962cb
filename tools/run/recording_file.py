"""The recording of a port: the bytes as they arrive, in a folder, never over an older one."""

import os
import re
import time
from pathlib import Path
from typing import BinaryIO

from breathmap.tools.base.disk import sync_folder, told, why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import make_folder
from breathmap.tools.run.evidence_files import evidence_in

SYNC_EVERY_S = 2.0


class RecordingFile:
    """Writes arriving bytes to folder/recording-NNN.bin, which must not exist.

    Bytes are held until `start`, so that a port which never speaks leaves nothing behind.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._held = bytearray()
        self._file: BinaryIO | None = None
        self._synced = 0.0
        self.path = folder

    @property
    def started(self) -> bool:
        """True when the file is there."""
        return self._file is not None

    @property
    def held_bytes(self) -> int:
        """Bytes that wait for `start`."""
        return len(self._held)

    def add(self, data: bytes) -> None:
        """Take bytes as they arrived."""
        if self._file is None:
            self._held += data
            return
        try:
            self._file.write(data)
            self._file.flush()
            if time.monotonic() - self._synced > SYNC_EVERY_S:
                os.fsync(self._file.fileno())
                self._synced = time.monotonic()
        except OSError as error:
            raise UserError(f"{self.path}: cannot be written: {why(error)}") from None

    def start(self) -> None:
        """Make folder and file, and write what was held."""
        make_folder(self._folder, may_exist=True, hint="")
        self.path = next_recording(self._folder)
        with told(self.path):
            self._file = self.path.open("xb")
            # Without its name its bytes would be lost, synced or not.
            sync_folder(self._folder)
        held, self._held = bytes(self._held), bytearray()
        self.add(held)

    def close(self) -> None:
        """Close the file, everything on disk; once more does nothing."""
        if self._file is not None and not self._file.closed:
            os.fsync(self._file.fileno())
            self._file.close()


def next_recording(folder: Path, kind: str = "recording") -> Path:
    """Return where the next recording goes: one number above the highest, never into a gap."""
    found = (re.fullmatch(rf"{kind}-(\d+)\.bin", path.name) for path in folder.iterdir())
    highest = max((int(match[1]) for match in found if match), default=0)
    return folder / f"{kind}-{highest + 1:03d}.bin"


def recordings_in(folder: Path) -> list[Path]:
    """Return a folder's recordings in the order they were made, then boards' evidence; a file with
    nothing in it is a name that an interruption left, and no recording."""
    if not folder.exists():
        return []
    # Not by a pattern: that finds nothing where it may not look.
    names = [path.name for path in folder.iterdir() if path.match("recording-*.bin")]
    recordings = [folder / name for name in sorted(names, key=order_of)]
    return [path for path in recordings if path.stat().st_size] + evidence_in(folder)


def order_of(name: str) -> tuple[bool, bool, int, str]:
    """Return what sorts names as they are learned: recordings by number, however many there are,
    then those that somebody named otherwise, then boards' evidence."""
    match = re.fullmatch(r"recording-(\d+)\.bin", name)
    number = int(match[1]) if match else 0
    return (name.startswith("board-"), match is None, number, name)
