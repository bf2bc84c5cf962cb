"""The host's codecs, built from the field table: construct declarations and numpy records.

`construct_for` declares any frame's payload, to build, parse and inspect one at a time.
`dtype_for` and `bulk_decode_samples` read long runs at once; both treat null, range and rounding
as the board codec does, and tests hold the three to one another.
"""

from collections.abc import Sequence
from typing import Any

import construct as c
import numpy as np
import numpy.typing as npt

from breathmap.protocol.wire.fields import SAMPLE, Field, FrameType, Group
from breathmap.protocol.wire.payload import BadFrame, bank_count
from breathmap.protocol.wire.scaling import (
    TEXT_BYTES,
    is_measured,
    raw_from_value,
    text_from_bytes,
    text_to_bytes,
    value_from_raw,
)

_INTEGERS = {"u8": c.Int8ul, "u16": c.Int16ul, "i16": c.Int16sl, "u32": c.Int32ul}
_NUMPY_TYPES = {"u8": "u1", "u16": "<u2", "i16": "<i2", "u32": "<u4", "text16": "S16"}


def _construct_field(field: Field) -> Any:
    if field.wire == "text16":
        return c.ExprAdapter(
            c.Bytes(TEXT_BYTES),
            lambda raw, _: text_from_bytes(raw),
            lambda text, _: text_to_bytes(text),
        )
    return c.ExprAdapter(
        _INTEGERS[field.wire],
        lambda raw, _: value_from_raw(field, raw),
        lambda value, _: raw_from_value(field, value),
    )


def _construct_count(field: Field, group: Group) -> Any:
    least, most = field.raw_low, min(field.raw_high, group.most)
    return c.ExprValidator(_INTEGERS[field.wire], lambda count, _: least <= count <= most)


def construct_for(frame_type: FrameType) -> Any:
    """Return the `construct` Struct of a frame's payload.

    It parses to, and builds from, the mapping that `unpack_payload` returns; counts are rebuilt
    from the groups. Parsing raises construct.ConstructError when length or counts do not match.
    """
    groups = {g.count_field: g for g in frame_type.groups}
    members = []
    for field in frame_type.fields:
        group = groups.get(field.name)
        if group is None:
            members.append(field.name / _construct_field(field))
            continue
        count = c.Rebuild(_construct_count(field, group), c.len_(c.this[group.name]))
        members.append(field.name / count)
    for group in frame_type.groups:
        entry = c.Struct(*[f.name / _construct_field(f) for f in group.fields])
        members.append(group.name / c.Array(c.this[group.count_field], entry))
    return c.Struct(*members, c.Terminated)


def dtype_for(frame_type: FrameType, counts: Sequence[int] = ()) -> np.dtype[np.void]:
    """Return the packed record type of a frame's payload, raw integers as they travel.

    counts: entries of each group, in the frame's order; a group is a sub-array of records.
    Raises ValueError when the number of counts is not that of the groups.
    """
    if len(counts) != len(frame_type.groups):
        raise ValueError(
            f"frame {frame_type.name} has {len(frame_type.groups)} groups, got {len(counts)} counts"
        )
    members: list[Any] = [(f.name, _NUMPY_TYPES[f.wire]) for f in frame_type.fields]
    for group, count in zip(frame_type.groups, counts, strict=True):
        entry = [(f.name, _NUMPY_TYPES[f.wire]) for f in group.fields]
        members.append((group.name, entry, (count,)))
    return np.dtype(members)


def sample_dtype(banks: int) -> np.dtype[np.void]:
    """Return the record type of decoded samples: attributes of Sample, per-bank ones (banks,).

    Measurements are float64 in the field table's units, counts, codes and flags the integers
    sent; `time_us` is int64 and `lost_before` int32.
    """
    members: list[Any] = [("time_us", "i8"), ("lost_before", "i4")]
    for field in SAMPLE.fields:
        members.append((field.name, _value_type(field)))
    for field in SAMPLE.groups[0].fields:
        members.append((field.name, _value_type(field), (banks,)))
    return np.dtype(members)


def _value_type(field: Field) -> str:
    return "f8" if is_measured(field) else _NUMPY_TYPES[field.wire].lstrip("<")


def _values(field: Field, raw: npt.NDArray[Any]) -> npt.NDArray[Any]:
    if not is_measured(field):
        return raw
    meaningful = (raw >= field.raw_low) & (raw <= field.raw_high)
    return np.where(meaningful, raw / field.per_unit, np.nan)


def bulk_decode_samples(payloads: Sequence[bytes]) -> npt.NDArray[np.void]:
    """Return sample payloads of equal bank count as an array of `sample_dtype`, shape (n,).

    Missing measurements are NaN. `time_us` and `lost_before` are not in a payload and stay 0.
    Raises BadFrame when a payload is no sample or its bank count differs from the first one's.
    """
    group = SAMPLE.groups[0]
    if not payloads:
        return np.zeros(0, sample_dtype(1))
    banks = bank_count(payloads[0])
    raw_dtype = dtype_for(SAMPLE, [max(banks, 0)])
    for position, payload in enumerate(payloads):
        if len(payload) != raw_dtype.itemsize:
            raise BadFrame(
                f"payload {position} has {len(payload)} bytes, "
                f"a sample of {banks} banks has {raw_dtype.itemsize}"
            )
    raw = np.frombuffer(b"".join(payloads), raw_dtype)
    wrong = np.flatnonzero(raw["banks"] != banks)
    if not 1 <= banks <= group.most or wrong.size:
        raise BadFrame(f"payload {wrong[0] if wrong.size else 0}: its bank count is wrong")
    samples = np.zeros(len(payloads), sample_dtype(banks))
    for field in SAMPLE.fields:
        samples[field.name] = _values(field, raw[field.name])
    for field in group.fields:
        samples[field.name] = _values(field, raw[group.name][field.name])
    return samples
