# Board-safe: runs on CPython and MicroPython alike.
"""One value and the raw form in which it travels: scaling, rounding, range, null, text.

The rules are those of SPEC.md, section 1.
"""

from math import floor

from breathmap.protocol.wire.fields import Field
from breathmap.protocol.wire.sample import NAN

TEXT_BYTES = 16


def is_measured(field: Field) -> bool:
    """True when the field decodes to a float that may be NaN; flags are bits, never missing."""
    return field.is_measurement and field.unit != "bits"


def raw_from_value(field: Field, value: "float | None") -> int:
    """Return the integer that travels: floor(value * per_unit + 0.5), clipped to the range.

    NaN and None give the null value. Flags are sent bit by bit: clipping would change them.
    Raises ValueError when a count, code or flags field has no value.
    """
    if value is None or value != value:
        if not is_measured(field):
            raise ValueError("field %s cannot be missing, give it a number" % field.name)
        return field.null_raw  # type: ignore[return-value]
    if field.unit == "bits":
        return int(value) & 0xFFFF
    if not isinstance(value, int):
        value = float(value)
    scaled = value * field.per_unit
    # Clip first: floor() of an infinity raises.
    if scaled <= field.raw_low:
        return field.raw_low
    if scaled >= field.raw_high:
        return field.raw_high
    # Integers stay integers: a counter does not fit a single-precision float.
    if isinstance(scaled, int):
        return scaled
    return floor(scaled + 0.5)


def value_from_raw(field: Field, raw: int) -> float:
    """Return the value in the field's unit: NaN for a measurement that is null or out of range.

    Counts, codes and flags come back as the integer that was sent.
    """
    if not is_measured(field):
        return raw
    if field.raw_low <= raw <= field.raw_high:
        return raw / field.per_unit
    return NAN


def text_to_bytes(text: str) -> bytes:
    """Return 16 bytes: UTF-8, cut at a character boundary, padded with zeros."""
    raw = text.encode()
    end = min(len(raw), TEXT_BYTES)
    # Step back while the first byte left out continues a character.
    while 0 < end < len(raw) and raw[end] & 0xC0 == 0x80:
        end -= 1
    return raw[:end] + bytes(TEXT_BYTES - end)


def text_from_bytes(raw: bytes) -> str:
    """Return the text up to the first zero byte.

    Where it is no UTF-8, each byte above 7F becomes "?". So does a control character, because a
    device's name ends up on a terminal.
    """
    end = raw.find(b"\0")
    if end >= 0:
        raw = raw[:end]
    try:
        text = raw.decode()
    except UnicodeError:
        text = "".join([chr(b) if b < 0x80 else "?" for b in raw])
    return "".join([c if " " <= c <= "~" or c >= "\xa0" else "?" for c in text])
