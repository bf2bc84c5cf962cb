# Board-safe: runs on CPython and MicroPython alike.
"""How long a payload must be, by frame type: all that a reader needs to know of a frame.

Apart from the field table, which costs a small board more heap than the reader itself.
"""

# The frame types that every device knows.
IDENTITY_TYPE = 1
SAMPLE_TYPE = 2
STATUS_TYPE = 3


class Shape:
    """A frame type reduced to its lengths, for a reader on a device without the field table.

    number: of the frame type. fixed_bytes: of the fixed part. groups: a tuple of
    (offset of the count, least, most, bytes of one entry).
    """

    def __init__(self, number: int, fixed_bytes: int, groups: tuple = ()) -> None:  # type: ignore[type-arg]
        self.number = number
        self.shape = (fixed_bytes, groups)


def payload_fits(shape: tuple, payload: bytes) -> bool:  # type: ignore[type-arg]
    """True when length and counts are exactly right for a shape: match, never skip.

    shape: (fixed bytes, groups) as a `Shape` or a `FrameType` has it.
    """
    length: int = shape[0]
    if len(payload) < length:
        return False
    for offset, least, most, size in shape[1]:
        count = payload[offset]
        if not least <= count <= most:
            return False
        length += count * size
    return len(payload) == length
