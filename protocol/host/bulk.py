"""Samples in bulk: a whole recording's at once, as numpy records. Host only.

Null, range and rounding are as in `breathmap.protocol.wire.payload`, and the places of the fields
as in `breathmap.protocol.book.declaration`; tests hold it to both.
"""

from collections.abc import Iterable, Sequence
from functools import cache
from operator import attrgetter
from typing import Any

import numpy as np
import numpy.typing as npt

from breathmap.protocol.wire.fields import SAMPLE, Field, FrameType
from breathmap.protocol.wire.payload import BadFrame, bank_count
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.scaling import is_measured

_NUMPY_TYPES = {"u8": "u1", "u16": "<u2", "i16": "<i2", "u32": "<u4", "text16": "S16"}


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


@cache
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


def samples_table(samples: Iterable[Sample], banks: int) -> npt.NDArray[np.void]:
    """Return samples one by one as an array of `sample_dtype`, shape (n,): the first `banks` banks
    of each. They may be one and the same Sample, filled anew."""
    dtype = sample_dtype(banks)
    names = [f.name for f in SAMPLE.groups[0].fields]
    common = attrgetter(*(name for name in dtype.names or () if name not in names))
    by_bank = attrgetter(*names)
    # Those of a bank stand last in the record.
    rows = [
        (*common(sample), *[tuple(values[:banks]) for values in by_bank(sample)])
        for sample in samples
    ]
    return np.array(rows, dtype)


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
    if not payloads:
        return np.zeros(0, sample_dtype(1))
    banks = bank_count(payloads[0])
    return _decoded(_raw_samples(payloads, banks), banks)


def decode_rows(payloads: bytes, payload_bytes: int) -> npt.NDArray[np.void]:
    """Return sample payloads that lie side by side, each of so many bytes and checked, as an array
    of `sample_dtype`, shape (n,). `time_us` and `lost_before` stay 0."""
    banks = (payload_bytes - SAMPLE.fixed_size) // SAMPLE.groups[0].size
    return _decoded(np.frombuffer(payloads, _raw_dtype(banks)), banks)


@cache
def _raw_dtype(banks: int) -> np.dtype[np.void]:
    return dtype_for(SAMPLE, [banks])


def _decoded(raw: npt.NDArray[np.void], banks: int) -> npt.NDArray[np.void]:
    group = SAMPLE.groups[0]
    samples = np.zeros(len(raw), sample_dtype(banks))
    for field in SAMPLE.fields:
        samples[field.name] = _values(field, raw[field.name])
    for field in group.fields:
        samples[field.name] = _values(field, raw[group.name][field.name])
    return samples


def _raw_samples(payloads: Sequence[bytes], banks: int) -> npt.NDArray[np.void]:
    raw_dtype = dtype_for(SAMPLE, [max(banks, 0)])
    for position, payload in enumerate(payloads):
        if len(payload) != raw_dtype.itemsize:
            raise BadFrame(
                f"payload {position} has {len(payload)} bytes, "
                f"a sample of {banks} banks has {raw_dtype.itemsize}"
            )
    raw = np.frombuffer(b"".join(payloads), raw_dtype)
    wrong = np.flatnonzero(raw["banks"] != banks)
    if not 1 <= banks <= SAMPLE.groups[0].most or wrong.size:
        raise BadFrame(f"payload {wrong[0] if wrong.size else 0}: its bank count is wrong")
    return raw
