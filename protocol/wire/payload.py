# Board-safe: runs on CPython and MicroPython alike.
"""Payloads to values and back, from the field table, with `struct` alone.

`pack_payload` and `unpack_payload` serve every frame type through plain dicts. Samples, which a
device handles many times a second, have a faster pair that fills one Sample again and again.
Nothing here knows about framing.
"""

import struct

from breathmap.protocol.wire.fields import FRAMES, SAMPLE, Field, FrameType
from breathmap.protocol.wire.sample import Sample, fill_sample
from breathmap.protocol.wire.scaling import (
    is_measured,
    raw_from_value,
    text_from_bytes,
    text_to_bytes,
    value_from_raw,
)
from breathmap.protocol.wire.shapes import payload_fits


class BadFrame(ValueError):  # noqa: N818 (says what arrived, not what went wrong)
    """A payload whose length or counts do not match its frame type."""


def frame_type_of(number: int, frame_types: "tuple[FrameType, ...]" = FRAMES) -> "FrameType | None":
    """Return the frame type of that number, or None when it is not among `frame_types`."""
    for frame_type in frame_types:
        if frame_type.number == number:
            return frame_type
    return None


def _pack_one(field: Field, values: dict) -> "int | bytes":  # type: ignore[type-arg]
    value = values.get(field.name)
    if field.wire == "text16":
        return text_to_bytes(value or "")
    return raw_from_value(field, value)


def _refuse_unknown(names: "list[str]", values: dict, where: str) -> None:  # type: ignore[type-arg]
    for name in values:
        if name not in names:
            raise ValueError("%s has no field %s, it has %s" % (where, name, ", ".join(names)))


def pack_payload(frame_type: FrameType, values: dict) -> bytes:  # type: ignore[type-arg]
    """Return the payload for values by field name; a group is a list of dicts under its name.

    Counts are taken from the groups. A measurement left out travels as null, a text as empty.
    Raises ValueError for an unknown name, a missing count, code or flags, or a group too short
    or too long.
    """
    names = [f.name for f in frame_type.fields] + [g.name for g in frame_type.groups]
    _refuse_unknown(names, values, "frame " + frame_type.name)
    values = dict(values)
    tail = b""
    for group in frame_type.groups:
        entries = values.get(group.name) or []
        count_field, _ = frame_type.offset_of(group.count_field)
        if not count_field.raw_low <= len(entries) <= group.most:
            raise ValueError(
                "%s.%s takes %d to %d entries, got %d"
                % (frame_type.name, group.name, count_field.raw_low, group.most, len(entries))
            )
        values[group.count_field] = len(entries)
        group_names = [f.name for f in group.fields]
        for entry in entries:
            _refuse_unknown(group_names, entry, "group " + group.name)
            for field in group.fields:
                tail += struct.pack("<" + field.struct_code, _pack_one(field, entry))
    fixed = [_pack_one(f, values) for f in frame_type.fields]
    return struct.pack(frame_type.fixed_format, *fixed) + tail


def _unpack_run(fields: "list[Field]", payload: bytes, offset: int, into: dict) -> int:  # type: ignore[type-arg]
    for field in fields:
        raw = struct.unpack_from("<" + field.struct_code, payload, offset)[0]
        if field.wire == "text16":
            into[field.name] = text_from_bytes(raw)
        else:
            into[field.name] = value_from_raw(field, raw)
        offset += field.size
    return offset


def unpack_payload(frame_type: FrameType, payload: bytes) -> dict:  # type: ignore[type-arg]
    """Return values by field name, counts included, and each group as a list of dicts.

    Raises BadFrame when the payload's length or counts do not match the frame type.
    """
    if not payload_fits(frame_type.shape, payload):
        raise BadFrame(
            "%d bytes do not match a %s frame, discard it" % (len(payload), frame_type.name)
        )
    values = {}  # type: ignore[var-annotated]
    offset = _unpack_run(frame_type.fields, payload, 0, values)
    for group in frame_type.groups:
        entries = []
        for _ in range(values[group.count_field]):
            entry = {}  # type: ignore[var-annotated]
            offset = _unpack_run(group.fields, payload, offset, entry)
            entries.append(entry)
        values[group.name] = entries
    return values


def numbers_of(fields: "list[Field]") -> tuple:  # type: ignore[type-arg]
    """Return of each field what `fill_sample` needs, without attribute look-ups or property
    calls."""
    return tuple(
        [(f.name, f.per_unit, f.raw_low, f.raw_high, is_measured(f), f.size) for f in fields]
    )


_SAMPLE_FIXED = numbers_of(SAMPLE.fields)
_BANK_FIELDS = numbers_of(SAMPLE.groups[0].fields)
_BANK_CODES = "".join([f.struct_code for f in SAMPLE.groups[0].fields])
_SAMPLE_FORMATS = [SAMPLE.fixed_format + _BANK_CODES * n for n in range(SAMPLE.groups[0].most + 1)]


def bank_count(payload: bytes) -> int:
    """Return the number of banks that a sample payload of this length has room for."""
    return (len(payload) - SAMPLE.fixed_size) // SAMPLE.groups[0].size


def decode_sample_into(payload: bytes, sample: Sample) -> None:
    """Fill every measured attribute of `sample` from a sample payload; its times stay untouched.

    Per-bank lists grow when they are too short. Raises BadFrame, with `sample` unchanged.
    """
    if not payload_fits(SAMPLE.shape, payload):
        raise BadFrame("%d bytes do not match a sample frame, discard it" % len(payload))
    fill_sample(payload, sample, _SAMPLE_FIXED, _BANK_FIELDS)


def encode_sample(sample: Sample) -> bytes:
    """Return the payload of a sample frame for the first `sample.banks` banks.

    Raises ValueError when the number of banks, the flags or a sensor state cannot be sent.
    """
    group = SAMPLE.groups[0]
    if not 1 <= sample.banks <= group.most:
        raise ValueError("banks must be 1 to %d, got %d" % (group.most, sample.banks))
    raws = [raw_from_value(f, getattr(sample, f.name)) for f in SAMPLE.fields]
    for bank in range(sample.banks):
        for field in group.fields:
            raws.append(raw_from_value(field, getattr(sample, field.name)[bank]))
    return struct.pack(_SAMPLE_FORMATS[sample.banks], *raws)
