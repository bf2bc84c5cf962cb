# Board-safe: runs on CPython and MicroPython alike.
"""What a reader finds in the bytes that arrive: the events, and how many of each.

Plain classes, because a microcontroller has neither dataclasses nor enums. `kind` is the event's
name in vectors and logs.
"""

# What next_event() returns when it has nothing left to say: feed it more.
NEED_DATA = None


class Event:
    """One finding. Two events are equal when their kind and values are equal.

    fields: names of what it carries, in the constructor's order; one constructor for all kinds,
    because each function of its own costs a small board heap.
    """

    kind = ""
    fields: "tuple[str, ...]" = ()

    def __init__(self, *values: object) -> None:
        for name, value in zip(self.fields, values):  # noqa: B905 (no strict= in MicroPython)
            setattr(self, name, value)

    def values(self) -> tuple:  # type: ignore[type-arg]
        """Return what the event carries, in the constructor's order."""
        return tuple([getattr(self, name) for name in self.fields])

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Event) and self.kind == other.kind and self.values() == other.values()
        )

    def __hash__(self) -> int:
        return hash((self.kind, self.values()))

    def __repr__(self) -> str:
        return "%s%r" % (self.kind, self.values())


class FrameEvent(Event):
    """A whole, checked frame of a known type; its payload has the right length and counts.

    type: number in the field table. version: protocol version. sequence: 0 to 65535.
    time_us: device time, 32 bits, wrapping. payload: bytes.
    """

    kind = "frame"
    fields = ("type", "version", "sequence", "time_us", "payload")

    def __init__(
        self, type: int, version: int, sequence: int, time_us: int, payload: bytes
    ) -> None:
        self.type = type
        self.version = version
        self.sequence = sequence
        self.time_us = time_us
        self.payload = payload


class BadChecksum(Event):
    """A run of bytes of a frame's form whose CRC is wrong."""

    kind = "bad_checksum"


class Overlong(Event):
    """A run longer than any frame; everything up to the next delimiter is discarded."""

    kind = "overlong"


class Malformed(Event):
    """A run that is no frame. reason: "stuffing" (COBS), "short" (below header and CRC),
    "version" (0), or "length" (a good CRC, but length or counts wrong for the type)."""

    kind = "malformed"
    fields = ("reason",)
    reason: str


class LostFrames(Event):
    """The sequence skipped `count` frames before the frame reported next."""

    kind = "lost_frames"
    fields = ("count",)
    count: int


class Restarted(Event):
    """The sequence began anew: how many frames were lost cannot be known."""

    kind = "restarted"


class Repeated(Event):
    """A frame with the same sequence number as the one before; it is dropped."""

    kind = "repeated"
    fields = ("sequence",)
    sequence: int


class UnknownType(Event):
    """A good frame of a type this version does not know; it is skipped."""

    kind = "unknown_type"
    fields = ("type",)
    type: int


class NewerVersion(Event):
    """A good frame of a later protocol version; it is skipped."""

    kind = "newer_version"
    fields = ("version",)
    version: int


class Counters:
    """How often each thing happened since the reader was made; all start at zero.

    bytes: fed. frames: FrameEvents. lost: frames missing from the sequence. The rest count events.
    """

    def __init__(self) -> None:
        self.bytes = 0
        self.frames = 0
        self.bad_checksum = 0
        self.overlong = 0
        self.malformed = 0
        self.lost = 0
        self.restarted = 0
        self.repeated = 0
        self.unknown_type = 0
        self.newer_version = 0

    @property
    def bad(self) -> int:
        """Runs that were no frame."""
        return self.bad_checksum + self.overlong + self.malformed

    def as_dict(self) -> "dict[str, int]":
        """Return the counters by name."""
        return dict(self.__dict__)
