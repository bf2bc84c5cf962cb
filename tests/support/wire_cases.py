"""What the protocol's tests share: the vectors, strategies for values, and a reader run dry."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

import breathmap.protocol
from breathmap.protocol.host.link import LinkReader
from breathmap.protocol.wire.device import FrameReader, build_frame, encode_sample
from breathmap.protocol.wire.events import NEED_DATA
from breathmap.protocol.wire.fields import SAMPLE, Field, FrameType
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.scaling import is_measured

ROOM = Path(breathmap.protocol.__file__).parent
VECTORS: dict[str, Any] = json.loads((ROOM / "vectors.json").read_text("utf-8"))
FRAME_VECTORS = VECTORS["frames"]
STREAM_VECTORS = VECTORS["streams"]
OPTIONAL_VECTORS = VECTORS["optional_frames"]


def named(vectors: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return pytest parameters with the vectors' own names."""
    return {"argvalues": vectors, "ids": [v["name"] for v in vectors]}


def drain(reader: FrameReader | LinkReader) -> list[Any]:
    """Return every event that the reader has to say now."""
    events = []
    while (event := reader.next_event()) is not NEED_DATA:
        events.append(event)
    return events


def read_all(reader: FrameReader | LinkReader, data: bytes) -> list[Any]:
    """Return the events of `data` fed in one piece."""
    reader.feed(data)
    return drain(reader)


def sample_frame(sequence: int, banks: int = 2, **values: Any) -> bytes:
    """Return the wire bytes of an invented sample, 40 ms after the one before it."""
    sample = Sample(banks)
    sample.speed_rpm = 3000.0 + sequence % 500
    sample.measured_lambda = [0.95 + 0.001 * (sequence % 50)] * banks
    for name, value in values.items():
        setattr(sample, name, value)
    return build_frame(SAMPLE.number, sequence, sequence * 40000, encode_sample(sample))


def _text() -> st.SearchStrategy[str]:
    letters = st.characters(min_codepoint=0xA0, max_codepoint=0x1F9FF, exclude_categories=["Cs"])
    ascii_letters = st.characters(min_codepoint=0x20, max_codepoint=0x7E)
    return st.text(letters | ascii_letters, max_size=24)


def field_values(field: Field) -> st.SearchStrategy[Any]:
    """Return a strategy for what a sender may hold in this field."""
    if field.wire == "text16":
        return _text()
    if field.unit == "bits":
        return st.integers(0, 0xFFFF)
    if not is_measured(field):
        return st.integers(-5, 2**33)
    return (
        st.none()
        | st.floats(field.low - 1, field.high + 1)
        | st.floats(allow_nan=True, allow_infinity=True)
        | st.integers(field.raw_low, field.raw_high).map(lambda raw: raw / field.per_unit)
    )


def frame_values(frame_type: FrameType) -> st.SearchStrategy[dict[str, Any]]:
    """Return a strategy for the values of a whole frame, groups included."""
    counts = [g.count_field for g in frame_type.groups]
    parts = {f.name: field_values(f) for f in frame_type.fields if f.name not in counts}
    for group in frame_type.groups:
        least = next(f.raw_low for f in frame_type.fields if f.name == group.count_field)
        entry = st.fixed_dictionaries({f.name: field_values(f) for f in group.fields})
        parts[group.name] = st.lists(entry, min_size=least, max_size=group.most)
    return st.fixed_dictionaries(parts)


def same(left: Any, right: Any) -> bool:
    """True when two decoded values are equal, NaN (or None) equalling NaN."""
    if isinstance(left, dict) and isinstance(right, dict):
        return left.keys() == right.keys() and all(same(left[k], right[k]) for k in left)
    if isinstance(left, list) and isinstance(right, list):
        return len(left) == len(right) and all(map(same, left, right))
    missing = left is None or left != left
    return bool(missing) if right is None or right != right else left == right
