"""Bytes of a link in bulk: samples as structured arrays, and the few other events between them.

The same as `LinkReader` and `SampleTimeline` give one by one, on damaged streams, too; frames are
found, unstuffed and checked by the bridge kit's reader in C. Needs the C core.
"""

from collections.abc import Iterator, Sequence
from ctypes import (
    CDLL,
    Structure,
    byref,
    c_bool,
    c_int,
    c_int32,
    c_int64,
    c_size_t,
    c_uint8,
    c_uint16,
    c_uint32,
    c_void_p,
    sizeof,
    string_at,
)

import numpy as np
from numpy.typing import NDArray

from breathmap.protocol.host.bulk import decode_rows
from breathmap.protocol.wire.codes import MAX_PAYLOAD_BYTES, MAX_WIRE_BYTES
from breathmap.protocol.wire.events import Counters, Event, FrameEvent, Malformed, NewerVersion
from breathmap.protocol.wire.fields import FRAMES, SAMPLE, FrameType
from breathmap.protocol.wire.shapes import payload_fits

ROOM = 8192  # rows of one array at most
NOTHING, FRAME, UNKNOWN_TYPE, NEWER_VERSION = 0, 1, 9, 10  # enum bm_event


class _Counters(Structure):
    """struct bm_counters"""

    _fields_ = [(name, c_int64) for name in Counters().as_dict()]


class _Reader(Structure):
    """struct bm_reader"""

    _fields_ = [
        ("run", c_uint8 * (MAX_WIRE_BYTES - 1)),
        ("held", c_uint8),
        ("skipping", c_bool),
        ("started", c_bool),
        ("gap", c_int),
        ("lost", c_uint16),
        ("version", c_uint8),
        ("type", c_uint8),
        ("sequence", c_uint16),
        ("time_us", c_uint32),
        ("payload_bytes", c_uint8),
        ("payload", c_void_p),
    ]


class _LatestFrame(Structure):
    """struct bm_latest_frame"""

    _fields_ = [
        ("payload", c_uint8 * MAX_PAYLOAD_BYTES),
        ("bytes", c_uint8),
        ("type", c_uint8),
        ("fits", c_uint8),
        ("times", c_uint16),
    ]


class _Timeline(Structure):
    """struct bm_timeline"""

    _fields_ = [
        *[(name, c_int64) for name in ("time_us", "lost_before", "clock_us", "last_us")],
        ("offset_us", c_int64),
        ("lost", c_int64),
        ("has_restarted", c_int32),
    ]


class _Bulk(Structure):
    """struct bm_bulk"""

    _fields_ = [
        ("counters", _Counters),
        ("timeline", _Timeline),
        ("event", c_int32),
        ("wanted", c_uint8 * 256),
        ("latest", _LatestFrame * 2),
        ("reader", _Reader),
    ]


class _Rows(Structure):
    """struct bm_rows"""

    _fields_ = [
        ("time_us", c_void_p),
        ("lost_before", c_void_p),
        ("payloads", c_void_p),
        ("room", c_int64),
        ("count", c_int64),
        ("payload_bytes", c_int32),
    ]


class BulkReader:
    """`read(bytes)` yields structured arrays of samples, and between them the frames of the types
    to be told and frames of a later protocol version, in the order of the bytes. A frame that says
    the same for the third time in a row is counted and no more.

    core: the C core. wanted: frame types to be told, known to every device or not. Memory held is
    one frame and ROOM samples; no input raises.
    """

    def __init__(self, core: CDLL, wanted: Sequence[FrameType]) -> None:
        core.bm_bulk_read.restype = c_size_t
        core.bm_bulk_size.restype = c_size_t
        self._core = core
        self._bulk = _Bulk()
        assert core.bm_bulk_size() == sizeof(_Bulk)
        core.bm_bulk_init(byref(self._bulk))
        known = {frame_type.number for frame_type in FRAMES}
        # What breathmap_link has no table of is checked here.
        self._others = {t.number: t for t in wanted if t.number not in known}
        for frame_type in wanted:
            self._bulk.wanted[frame_type.number] = 1
        self._time_us = np.empty(ROOM, np.int64)
        self._lost_before = np.empty(ROOM, np.int64)
        self._payloads = np.empty(ROOM * MAX_PAYLOAD_BYTES, np.uint8)
        self._rows = _Rows(
            self._time_us.ctypes.data,
            self._lost_before.ctypes.data,
            self._payloads.ctypes.data,
            ROOM,
        )

    @property
    def counters(self) -> Counters:
        """What happened so far."""
        counters = Counters()
        for name in counters.as_dict():
            setattr(counters, name, getattr(self._bulk.counters, name))
        return counters

    @property
    def pending_bytes(self) -> int:
        """Bytes of a run whose delimiter has not arrived (0 inside an overlong run)."""
        return int(self._bulk.reader.held)

    def read(self, data: bytes) -> Iterator[NDArray[np.void] | Event]:
        """Take bytes; yield what they bring. Ask for all of it before more is read."""
        bulk, rows = self._bulk, self._rows
        view = np.frombuffer(data, np.uint8)
        at = 0
        while at < len(view):
            here = c_void_p(view.ctypes.data + at)
            at += self._core.bm_bulk_read(byref(bulk), here, c_size_t(len(view) - at), byref(rows))
            event, kind = bulk.event, bulk.reader.type
            if rows.count and (event != NOTHING or at == len(view)):
                yield self._take_rows()
            if event == FRAME and kind == SAMPLE.number:
                self._core.bm_bulk_add(byref(bulk), byref(rows))
            elif event != NOTHING and (found := self._event_of(event, kind)) is not None:
                yield found
        if rows.count:
            yield self._take_rows()

    def _take_rows(self) -> NDArray[np.void]:
        count = self._rows.count
        self._rows.count = 0
        raw = self._payloads[: count * self._rows.payload_bytes].tobytes()
        samples = decode_rows(raw, self._rows.payload_bytes)
        samples["time_us"] = self._time_us[:count]
        samples["lost_before"] = self._lost_before[:count]
        return samples

    def _event_of(self, event: int, kind: int) -> Event | None:
        bulk, reader = self._bulk, self._bulk.reader
        if event == NEWER_VERSION:
            return NewerVersion(reader.version)
        payload = string_at(reader.payload, reader.payload_bytes) if reader.payload_bytes else b""
        if event == UNKNOWN_TYPE:
            fits = payload_fits(self._others[kind].shape, payload)
            self._core.bm_bulk_known(byref(bulk), c_bool(fits))
            if not fits:
                return Malformed("length")
        return FrameEvent(kind, reader.version, reader.sequence, reader.time_us, payload)
