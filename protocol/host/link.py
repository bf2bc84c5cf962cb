"""The host's end of the link: bytes in, events out, no I/O.

The same state machine as the board's FrameReader, so the two agree event for event, with the
`cobs` package undoing the stuffing.
"""

from cobs import cobs

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
from breathmap.protocol.wire.fields import FRAMES, FrameType
from breathmap.protocol.wire.reader import FrameReader

__all__ = [
    "NEED_DATA",
    "BadChecksum",
    "Counters",
    "Event",
    "FrameEvent",
    "LinkReader",
    "LostFrames",
    "Malformed",
    "NewerVersion",
    "Overlong",
    "Repeated",
    "Restarted",
    "UnknownType",
]


def _decode(run: bytes) -> bytes:
    try:
        decoded: bytes = cobs.decode(run)
    except cobs.DecodeError as error:
        raise ValueError(str(error)) from error
    return decoded


class LinkReader(FrameReader):
    """Turns bytes into events: `feed(data)`, then `next_event()` until it returns NEED_DATA.

        reader = LinkReader()
        reader.feed(port.read(4096))
        while (event := reader.next_event()) is not NEED_DATA: ...

    `counters` counts what happened. Memory held is one frame, plus what was fed and not yet
    asked for; no input raises. `frame_types` are those it knows; others are skipped and counted.
    """

    def __init__(self, frame_types: tuple[FrameType, ...] = FRAMES) -> None:
        super().__init__(_decode, frame_types)
