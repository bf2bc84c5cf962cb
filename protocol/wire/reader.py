# Board-safe: runs on CPython and MicroPython alike.
"""The streaming reader: bytes in, events out, in bounded memory, whatever arrives.

The rules are those of SPEC.md, sections 3 and 6, in that order.
"""

import struct
from binascii import crc32

from breathmap.protocol.wire.codes import CRC_BYTES, HEADER_BYTES, MAX_WIRE_BYTES, PROTOCOL_VERSION
from breathmap.protocol.wire.events import (
    NEED_DATA,
    BadChecksum,
    Counters,
    Event,
    FrameEvent,
    LostFrames,
    Malformed,
    NewerVersion,
    Overlong,
    Repeated,
    Restarted,
    UnknownType,
)
from breathmap.protocol.wire.framing import HEADER_FORMAT, cobs_decode
from breathmap.protocol.wire.shapes import IDENTITY_TYPE, payload_fits

MAX_RUN_BYTES = MAX_WIRE_BYTES - 1  # without the delimiter
RESTART_GAP = 32768


class FrameReader:
    """Turns the bytes that arrive into events, whatever arrives and however it is split.

    Call `next_event` until it returns NEED_DATA, then `feed` again. Memory held is one frame,
    plus what was fed and not yet asked for. `decode` takes the bytes between two delimiters
    and undoes the stuffing, raising ValueError when it cannot. `frame_types` are those it knows,
    by default those that every device has, as frame types or as mere shapes; frames of any other
    type are skipped and counted. `run_bytes`: the longest run between two delimiters that is looked
    at; a device that knows short frames only need not hold more.
    """

    def __init__(  # type: ignore[no-untyped-def]
        self, decode=cobs_decode, frame_types=None, run_bytes: int = MAX_RUN_BYTES
    ) -> None:
        self.counters = Counters()
        if frame_types is None:
            # A board that names the shapes it wants need not load the field table.
            from breathmap.protocol.wire.fields import FRAMES

            frame_types = FRAMES
        self._shapes = {frame_type.number: frame_type.shape for frame_type in frame_types}
        self._decode = decode
        self._data = b""  # fed, not yet looked at from _at on
        self._at = 0
        self._run = bytearray(run_bytes)  # the run being collected; made once, reused
        self._held = 0
        self._skipping = False  # inside an overlong run
        self._events: "list[Event]" = []  # found and not yet handed out: three at most
        self._sequence = -1  # of the last good frame
        self._time_us = 0

    @property
    def pending_bytes(self) -> int:
        """Bytes of a run whose delimiter has not arrived (0 inside an overlong run)."""
        return self._held

    def feed(self, data: "bytes | bytearray") -> None:
        """Take bytes as they arrive; `data` may be reused by the caller afterwards."""
        self.counters.bytes += len(data)
        self._data = self._data[self._at :] + bytes(data)
        self._at = 0
        # Without a delimiter the bytes need not wait for next_event: memory stays bounded even
        # when nobody calls it.
        if self._data.find(b"\0") < 0:
            self._collect(len(self._data))

    def next_event(self) -> "Event | None":
        """Return the next event in the order of the bytes, or NEED_DATA (None)."""
        while not self._events:
            end = self._data.find(b"\0", self._at)
            if end < 0:
                self._collect(len(self._data))
                break
            self._collect(end)
            self._at = end + 1
            # An empty run is an idle delimiter: no event.
            if self._held:
                run = bytes(self._run[: self._held])
                self._held = 0
                self._read(run)
            self._skipping = False
        if self._at >= len(self._data):
            self._data = b""
            self._at = 0
        return self._events.pop(0) if self._events else NEED_DATA

    def _collect(self, end: int) -> None:
        length = end - self._at
        if not self._skipping:
            if self._held + length > len(self._run):
                self._skipping = True
                self._held = 0
                self.counters.overlong += 1
                self._events.append(Overlong())
            else:
                self._run[self._held : self._held + length] = self._data[self._at : end]
                self._held += length
        self._at = end

    def _read(self, run: bytes) -> None:
        try:
            frame = self._decode(run)
        except ValueError:
            self._malformed("stuffing")
            return
        end = len(frame) - CRC_BYTES
        if end < HEADER_BYTES:
            self._malformed("short")
            return
        body = frame[:end]
        if crc32(body) != struct.unpack_from("<I", frame, end)[0]:
            self.counters.bad_checksum += 1
            self._events.append(BadChecksum())
            return
        version, number, sequence, time_us = struct.unpack_from(HEADER_FORMAT, body, 0)
        if version == 0:
            self._malformed("version")
        elif self._follows(number, sequence, time_us):
            self._sort(version, number, sequence, time_us, body[HEADER_BYTES:])

    def _follows(self, number: int, sequence: int, time_us: int) -> bool:
        # Reports what the sequence number says; False when the frame is a repetition.
        last = self._sequence
        repeated = sequence == last
        if repeated and number == IDENTITY_TYPE and sequence == 0:
            # Only a device that restarted says "identity, number 0" at another time.
            repeated = time_us == self._time_us
        if repeated:
            self.counters.repeated += 1
            self._events.append(Repeated(sequence))
            return False
        gap = (sequence - last - 1) & 0xFFFF
        self._sequence = sequence
        self._time_us = time_us
        if last < 0 or gap == 0:
            return True
        if gap >= RESTART_GAP or (number == IDENTITY_TYPE and sequence == 0):
            self.counters.restarted += 1
            self._events.append(Restarted())
        else:
            self.counters.lost += gap
            self._events.append(LostFrames(gap))
        return True

    def _sort(self, version: int, number: int, sequence: int, time_us: int, payload: bytes) -> None:
        if version > PROTOCOL_VERSION:
            self.counters.newer_version += 1
            self._events.append(NewerVersion(version))
        elif number not in self._shapes:
            self.counters.unknown_type += 1
            self._events.append(UnknownType(number))
        elif not payload_fits(self._shapes[number], payload):
            self._malformed("length")
        else:
            self.counters.frames += 1
            self._events.append(FrameEvent(number, version, sequence, time_us, payload))

    def _malformed(self, reason: str) -> None:
        self.counters.malformed += 1
        self._events.append(Malformed(reason))
