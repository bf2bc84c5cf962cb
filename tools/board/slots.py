# Runs on CPython and MicroPython alike; reads and writes files.
"""The board's memory: two files in turn, each a whole snapshot of frames or not believed.

A save writes over the file that does not hold the latest snapshot, so that a power cut at any byte
leaves the other one. What a file holds is the protocol's evidence frames and nothing else.
"""

import os
import struct
from binascii import crc32

from breathmap.learner.core.snapshot import numbers_of, restore
from breathmap.protocol.wire.events import FrameEvent
from breathmap.protocol.wire.evidence_codes import EVIDENCE_TYPE, PART_TYPE
from breathmap.protocol.wire.framing import build_frame
from breathmap.protocol.wire.reader import FrameReader
from breathmap.protocol.wire.shapes import Shape
from breathmap.tools.board import layout

NAMES = ("evidence-0.bin", "evidence-1.bin")
CHUNK_BYTES = 256
# Places in an unpacked head.
ORIGIN, SNAPSHOT, FINGERPRINT, BANK, BANK_COUNT = range(5)
SEEN, USED, PART_COUNT, DATA_CRC, ENGINE = range(9, 14)


class NotWhole(ValueError):  # noqa: N818 (says what was found)
    """The file holds no whole snapshot."""


def read_frames(path: str):  # type: ignore[no-untyped-def]
    """Yield (type, payload) of each frame of a file. Raises NotWhole at the first damage, OSError
    where there is no file."""
    reader = FrameReader(
        frame_types=(
            Shape(EVIDENCE_TYPE, *layout.EVIDENCE_SHAPE),
            Shape(PART_TYPE, *layout.PART_SHAPE),
        )
    )
    with open(path, "rb") as file:
        data = file.read(CHUNK_BYTES)
        while data:
            reader.feed(data)
            event = reader.next_event()
            while event is not None:
                if not isinstance(event, FrameEvent):
                    raise NotWhole("damaged")
                yield event.type, event.payload
                event = reader.next_event()
            data = file.read(CHUNK_BYTES)
    if reader.pending_bytes:
        raise NotWhole("cut")


def part_of(payload: bytes):  # type: ignore[no-untyped-def]
    """Return (snapshot, bank, part, data) of an evidence_part payload."""
    snapshot, bank, part, _ = struct.unpack_from(layout.PART_FORMAT, payload, 0)
    return snapshot, bank, part, payload[layout.PART_SHAPE[0] :]


def walk(path: str, take=None):  # type: ignore[no-untyped-def]
    """Check a whole file and return its heads, one a bank; take(bank, part, data) sees each part.

    Raises NotWhole unless all banks, parts and checks are there, in order.
    """
    heads = []  # type: ignore[var-annotated]
    want = 0
    total = 0
    for kind, payload in read_frames(path):
        if kind == EVIDENCE_TYPE:
            _close(heads, want, total)
            head = struct.unpack(layout.EVIDENCE_FORMAT, payload)
            if head[BANK] != len(heads) or (heads and head[:2] != heads[0][:2]):
                raise NotWhole("banks out of order")
            heads.append(head)
            want = 0
            total = 0
            continue
        snapshot, bank, part, data = part_of(payload)
        if not heads or (snapshot, bank, part) != (heads[-1][SNAPSHOT], len(heads) - 1, want):
            raise NotWhole("parts out of order")
        want += 1
        total = crc32(data, total)
        if take is not None:
            take(bank, part, data)
    _close(heads, want, total)
    if not heads or len(heads) != heads[0][BANK_COUNT]:
        raise NotWhole("banks missing")
    return heads


def _close(heads, parts: int, total: int) -> None:  # type: ignore[no-untyped-def]
    if heads and (parts != heads[-1][PART_COUNT] or total & 0xFFFFFFFF != heads[-1][DATA_CRC]):
        raise NotWhole("parts missing")


class Slots:
    """The two files in one folder. latest: path of the latest whole snapshot, or None; snapshot:
    its number, 0 for none. heads: its heads as found at the start, until it is loaded.
    A snapshot that is not whole does not count, whatever its number."""

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self._paths = [folder + "/" + name for name in NAMES]
        self.latest: "str | None" = None
        self.snapshot = 0
        self.heads = []
        for path in self._paths:
            try:
                heads = walk(path)
            except (OSError, NotWhole):
                continue
            if self.latest is None or heads[0][SNAPSHOT] > self.snapshot:
                self.latest = path
                self.snapshot = heads[0][SNAPSHOT]
                self.heads = heads

    def save(self, heads, evidences) -> None:  # type: ignore[no-untyped-def]
        """Write a snapshot. heads(bank, numbers) returns the payload of a bank's head. Raises
        OSError when it cannot be written; the other file is untouched then."""
        path = self._paths[1] if self.latest == self._paths[0] else self._paths[0]
        number = 0
        with open(path, "wb") as file:
            for bank in range(len(evidences)):
                numbers = numbers_of(evidences[bank])
                payload = heads(bank, numbers)
                head = struct.unpack(layout.EVIDENCE_FORMAT, payload)
                file.write(build_frame(EVIDENCE_TYPE, number, 0, payload))
                number += 1
                for part in range(numbers.part_count):
                    data = numbers.data(part)
                    start = struct.pack(layout.PART_FORMAT, head[SNAPSHOT], bank, part, len(data))
                    file.write(build_frame(PART_TYPE, number, 0, start + data))
                    number += 1
            file.flush()
            _sync(file)
        self.latest = path
        self.snapshot = head[SNAPSHOT]
        self.heads = []

    def load(self, evidences) -> None:  # type: ignore[no-untyped-def]
        """Fill the evidences from the latest snapshot, whose heads the caller has compared."""
        numbers = [numbers_of(evidence) for evidence in evidences]
        assert self.latest is not None
        walk(self.latest, lambda bank, part, data: numbers[bank].put(part, data))
        for bank in range(len(evidences)):
            restore(evidences[bank], numbers[bank])
        self.heads = []


def _sync(file) -> None:  # type: ignore[no-untyped-def]
    # On a board closing a file brings it to flash; a host may have to be told.
    if hasattr(os, "fsync"):
        os.fsync(file.fileno())
