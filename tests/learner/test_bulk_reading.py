"""Bytes read in bulk give what the incremental reader gives, whatever arrives."""

import ctypes
from typing import Any

import numpy as np
import pytest
from checkout import EARLIER
from core_bench import use_c
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breathmap.learner.fast.compiled import library
from breathmap.learner.fast.reading import BulkReader
from breathmap.protocol.host.link import NEED_DATA, FrameEvent, LinkReader, Malformed, NewerVersion
from breathmap.protocol.wire.control_fields import CONTROLLER
from breathmap.protocol.wire.fields import FRAMES, IDENTITY, SAMPLE
from breathmap.protocol.wire.framing import build_frame
from breathmap.protocol.wire.payload import pack_payload
from breathmap.protocol.wire.samples import SampleAssembler

NOTED = (IDENTITY, CONTROLLER)
RIDE = (EARLIER / "ride.bin").read_bytes()
START = RIDE[:9000]  # some two hundred samples


@pytest.fixture(autouse=True)
def _core(monkeypatch):
    use_c(monkeypatch)


def plain(value: Any) -> Any:
    """Return a value as one that compares, NaN with itself."""
    return np.asarray(value, dtype=np.float64).tobytes()


def one_by_one(data: bytes) -> tuple[list[Any], dict[str, int], int]:
    """Samples and told events of the incremental reader, its counters, its pending bytes."""
    reader, assembler = LinkReader((*FRAMES, CONTROLLER)), SampleAssembler()
    found: list[Any] = []
    noted = {frame_type.number for frame_type in NOTED}
    reader.feed(data)
    while (event := reader.next_event()) is not NEED_DATA:
        sample = assembler.take(event)
        if sample is not None:
            found.append({name: plain(value) for name, value in vars(sample).items()})
        elif isinstance(event, NewerVersion) or (
            isinstance(event, FrameEvent) and event.type in noted
        ):
            found.append(event)
    return found, reader.counters.as_dict(), reader.pending_bytes


def in_bulk(data: bytes, cuts: list[int]) -> tuple[list[Any], dict[str, int], int]:
    """The same of the bulk reader, fed in pieces."""
    core = library()
    assert core is not None
    reader, start = BulkReader(core, NOTED), 0
    found: list[Any] = []
    for size in [*cuts, len(data)]:
        for part in reader.read(data[start : start + size]):
            if isinstance(part, np.ndarray):
                names = part.dtype.names or ()
                found += [{name: plain(row[name]) for name in names} for row in part]
            elif not isinstance(part, Malformed):
                found.append(part)
        start += size
    return found, reader.counters.as_dict(), reader.pending_bytes


def news(found: list[Any]) -> list[Any]:
    """Leave out told frames that say what the one before said: nobody hears them thrice."""
    kept: list[Any] = []
    latest: dict[bool, bytes] = {}
    for one in found:
        if isinstance(one, FrameEvent):
            is_known = one.type == IDENTITY.number
            if latest.get(is_known) == one.payload:
                continue
            latest[is_known] = one.payload
        kept.append(one)
    return kept


def assert_alike(data: bytes, cuts: list[int]) -> None:
    """Both readers find the same in the same bytes."""
    slow, slow_counters, slow_pending = one_by_one(data)
    fast, fast_counters, fast_pending = in_bulk(data, cuts)
    assert [repr(one) for one in news(fast)] == [repr(one) for one in news(slow)]
    assert (fast_counters, fast_pending) == (slow_counters, slow_pending)


def sample_frame(sequence: int, banks: int, time_us: int) -> bytes:
    """A sample of so many banks."""
    each = [{"measured_lambda": 0.9, "fuel_multiplier": 1.0, "sensor_state": 2}] * banks
    values = {"flags": 0, "speed_rpm": 3000.0, "map_kpa": 50.0, "bank": each}
    return build_frame(SAMPLE.number, sequence, time_us, pack_payload(SAMPLE, values))


PIECES = st.one_of(
    st.builds(sample_frame, st.integers(0, 70_000), st.integers(1, 8), st.integers(0, 2**32)),
    st.builds(
        build_frame,
        st.sampled_from([1, 2, 3, CONTROLLER.number, 77]),
        st.integers(0, 70_000),
        st.integers(0, 2**32),
        st.binary(max_size=60),
    ),
    st.builds(
        build_frame,
        st.just(CONTROLLER.number),
        st.integers(0, 70_000),
        st.just(9),
        st.sampled_from([pack_payload(CONTROLLER, {}), b"short"]),
    ),
    st.integers(0, len(RIDE)).map(lambda at: RIDE[at : at + 300]),
    st.binary(max_size=300),
    st.just(b"\x05" * 400),
)


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(PIECES, max_size=12), st.lists(st.integers(1, 500), max_size=8))
def test_anything_that_arrives_is_read_alike(pieces, cuts):
    """Frames of every kind, cut, damaged and between noise: samples, told events, counters and
    pending bytes are those of the incremental reader, however the bytes are split."""
    data = b"".join(pieces)
    assert_alike(data, cuts)


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(st.integers(0, len(START) - 1), st.integers(0, 255)), max_size=40))
def test_a_damaged_recording_is_read_alike(damage):
    """A recording with any bytes changed gives the same samples and losses in bulk."""
    data = bytearray(START)
    for at, value in damage:
        data[at] = value
    assert_alike(bytes(data), [1000, 1])


def test_more_rows_than_there_is_room(monkeypatch):
    """Samples come in arrays of what there is room for, none lost between them."""
    monkeypatch.setattr("breathmap.learner.fast.reading.ROOM", 7)
    assert_alike(RIDE, [])


def test_the_layout_is_checked():
    """The C side says how large its structure is, and that is ours."""
    core = library()
    assert core is not None
    assert core.bm_bulk_size() == ctypes.sizeof(BulkReader(core, NOTED)._bulk)
