# Board-safe: runs on CPython and MicroPython alike.
"""Everything a device needs to speak on the wire, under one name.

    wire = build_frame(SAMPLE.number, sequence, time_us, encode_sample(sample))

    reader = FrameReader()
    reader.feed(uart.read() or b"")
    while (event := reader.next_event()) is not NEED_DATA: ...

A device short of memory calls `gc.threshold(4096)` first, and takes only the modules it needs or
their .mpy files.
"""

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
from breathmap.protocol.wire.framing import build_frame, cobs_decode, cobs_encode
from breathmap.protocol.wire.payload import (
    BadFrame,
    decode_sample_into,
    encode_sample,
    pack_payload,
    unpack_payload,
)
from breathmap.protocol.wire.reader import FrameReader
from breathmap.protocol.wire.samples import SampleAssembler
from breathmap.protocol.wire.shapes import payload_fits

__all__ = [
    "NEED_DATA",
    "BadChecksum",
    "BadFrame",
    "Counters",
    "Event",
    "FrameEvent",
    "FrameReader",
    "LostFrames",
    "Malformed",
    "NewerVersion",
    "Overlong",
    "Repeated",
    "Restarted",
    "SampleAssembler",
    "UnknownType",
    "build_frame",
    "cobs_decode",
    "cobs_encode",
    "decode_sample_into",
    "encode_sample",
    "pack_payload",
    "payload_fits",
    "unpack_payload",
]
