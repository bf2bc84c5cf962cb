"""Recordings: cut, damaged, long; samples with continuous time and their losses."""

import gc
import math
import tracemalloc

import numpy as np
import pytest
from wire_cases import FRAME_VECTORS, STREAM_VECTORS, drain, read_all, same, sample_frame

from breathmap.protocol.host.link import LinkReader
from breathmap.protocol.host.recording import read_recording
from breathmap.protocol.wire.device import build_frame, encode_sample
from breathmap.protocol.wire.events import FrameEvent
from breathmap.protocol.wire.fields import IDENTITY, STATUS
from breathmap.protocol.wire.payload import unpack_payload
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.samples import SampleAssembler


def vector_named(name):
    """Return one frame vector."""
    return next(v for v in FRAME_VECTORS if v["name"] == name)


def wire_of(name):
    """Return the wire bytes of one frame vector."""
    return bytes.fromhex(vector_named(name)["wire"])


def vector_frame(name, sequence, time_us=0):
    """Return a vector's payload in a frame with another number and time."""
    vector = vector_named(name)
    return build_frame(vector["type"], sequence, time_us, bytes.fromhex(vector["payload"]))


def samples_of(data, reuse=False):
    """Return (time, lost before, first lambda) of each sample in `data`."""
    assembler = SampleAssembler(reuse)
    found = []
    for event in read_all(LinkReader(), data):
        sample = assembler.take(event)
        if sample is not None:
            found.append((sample.time_us, sample.lost_before, sample.measured_lambda[0]))
    return found


RECORDING = (
    vector_frame("identity_bench", 0)
    + sample_frame(1)
    + sample_frame(2)
    + vector_frame("status_bench", 3)
    + sample_frame(4)
    + sample_frame(7)
)
ENDS = [i + 1 for i, byte in enumerate(RECORDING) if byte == 0]
KINDS = ["identity", "sample", "sample", "status", "sample", "sample"]


def test_a_whole_recording():
    """A recording gives the latest identity, each bank's status, and the samples as a table."""
    recording = read_recording(RECORDING)
    assert recording.identity is not None
    assert recording.identity["device_name"] == "bench bridge"
    assert recording.statuses[0]["samples_used"] == 5
    assert recording.table["time_us"].tolist() == [40000, 80000, 160000, 280000]
    assert recording.table["lost_before"].tolist() == [0, 0, 0, 2]
    assert recording.counters.frames == 6
    assert recording.leftover_bytes == 0
    assert recording.table["measured_lambda"].shape == (4, 2)


def test_a_recording_cut_at_every_byte():
    """Wherever a recording is cut, every whole frame is there and the rest is counted."""
    for cut in range(len(RECORDING) + 1):
        recording = read_recording(RECORDING[:cut])
        whole = [kind for kind, end in zip(KINDS, ENDS, strict=True) if end <= cut]
        assert recording.counters.frames == len(whole), cut
        assert len(recording.table) == whole.count("sample"), cut
        assert (recording.identity is not None) == ("identity" in whole), cut
        last_end = max([end for end in ENDS if end <= cut], default=0)
        assert recording.leftover_bytes == cut - last_end
        assert recording.counters.bad == 0, cut


def test_samples_equal_the_table():
    """The samples, one by one, are the table's rows, and each is an object of its own."""
    recording = read_recording(RECORDING)
    samples = list(recording.samples())
    assert len({id(s) for s in samples}) == len(recording.table) == len(samples)
    for row, sample in zip(recording.table, samples, strict=True):
        for name in recording.table.dtype.names or ():
            np.testing.assert_array_equal(row[name], getattr(sample, name))


def test_damage_is_counted_and_survived():
    """A damaged recording gives its whole frames, and the losses before each sample."""
    damage = bytearray(RECORDING)
    damage[ENDS[1] + 12] ^= 4  # a bit of the second sample's clock
    recording = read_recording(bytes(damage))
    assert recording.counters.bad_checksum == 1
    assert recording.table["lost_before"].tolist() == [0, 1, 2]


@pytest.mark.parametrize(
    "data", [b"", b"\0" * 50, bytes(range(1, 256)) * 9, b"a,b,c\n1,2,3\n"], ids=str
)
def test_what_is_no_recording_gives_no_samples(data):
    """Empty, binary and text files give no samples and no error."""
    recording = read_recording(data[:1000])
    assert recording.identity is None
    assert recording.table.shape == (0,)
    assert list(recording.samples()) == []
    assert recording.counters.frames == 0


def test_bank_counts_may_differ():
    """Where frames differ in their bank count, missing banks are NaN and absent."""
    recording = read_recording(sample_frame(1, banks=1) + sample_frame(2, banks=3))
    first, second = recording.table
    assert first["banks"] == 1
    assert np.isnan(first["measured_lambda"][1:]).all()
    assert first["sensor_state"].tolist() == [0, 0, 0]
    assert not np.isnan(second["measured_lambda"]).any()
    assert [len(s.measured_lambda) for s in recording.samples()] == [1, 3]


def test_time_runs_on_when_the_clock_wraps():
    """The device clock's wrap is invisible in the samples' time."""
    times = [
        t
        for t, _, _ in samples_of(wire_of("sample_last_of_wrap") + wire_of("sample_first_of_wrap"))
    ]
    assert times == [4294967295, 4294967295 + 40000]


@pytest.mark.parametrize("before_us", [10_000_000, 3_000_000_000])
def test_a_restart_holds_the_time_and_counts_as_a_loss(before_us):
    """After a restart time goes on from where it was, wherever the new clock begins."""
    sample = encode_sample(Sample())
    data = (
        build_frame(2, 600, before_us, sample)
        + vector_frame("identity_bench", 0, 900)
        + build_frame(2, 1, 5_000_000, sample)
        + build_frame(2, 2, 5_040_000, sample)
    )
    found = [(t, lost) for t, lost, _ in samples_of(data)]
    assert found == [(before_us, 0), (before_us, 1), (before_us + 40_000, 0)]


def test_losses_add_up_until_the_next_sample():
    """Losses before frames of other types are handed on to the next sample."""
    data = (
        sample_frame(1)
        + vector_frame("status_bench", 4)
        + vector_frame("status_bench", 6)
        + sample_frame(7)
    )
    assert [lost for _, lost, _ in samples_of(data)] == [0, 3]


def test_a_malformed_sample_is_a_loss_of_one():
    """A frame with a good CRC but a wrong length leaves no gap, yet counts as lost."""
    data = bytes.fromhex(next(v for v in STREAM_VECTORS if v["name"] == "wrong_length")["bytes"])
    assert [lost for _, lost, _ in samples_of(data)] == [0, 2]


def test_reusing_the_sample_changes_nothing_but_the_object():
    """An assembler that reuses its sample gives the same values, in one object."""
    assert samples_of(RECORDING, reuse=True) == samples_of(RECORDING)
    assembler = SampleAssembler(reuse=True)
    taken = [assembler.take(e) for e in read_all(LinkReader(), RECORDING)]
    assert len({id(s) for s in taken if s is not None}) == 1


def test_reading_a_long_recording_makes_few_objects():
    """Reading half an hour at 25 Hz holds little more than the payloads and the table."""
    frames = [sample_frame(n) for n in range(500)]
    payload_bytes = 29 * 45_000
    data = b"".join(frames[n % 500] if n < 500 else sample_frame(n) for n in range(45_000))
    gc.collect()
    tracemalloc.start()
    recording = read_recording(data)
    gc.collect()
    # Only what the reader allocated: other tests' threads may live on in this process.
    ours = tracemalloc.take_snapshot().filter_traces([tracemalloc.Filter(True, "*/protocol/*/*")])
    tracemalloc.stop()
    held = sum(trace.size for trace in ours.traces)
    assert held > payload_bytes
    assert len(recording.table) == 45_000
    assert recording.counters.lost == 0
    assert math.isclose(recording.table["time_us"][-1], 44_999 * 40_000)
    assert held < 4 * payload_bytes + recording.table.nbytes + 2_000_000


def test_identity_and_status_are_read_as_unpacked():
    """Identity and status values are what unpacking their payloads gives."""
    events = [e for e in read_all(LinkReader(), RECORDING) if isinstance(e, FrameEvent)]
    recording = read_recording(RECORDING)
    assert same(recording.identity, unpack_payload(IDENTITY, events[0].payload))
    assert same(recording.statuses[0], unpack_payload(STATUS, events[3].payload))


def test_events_before_and_after_a_cut_join_up():
    """Two halves of a recording fed one after the other read like the whole."""
    reader = LinkReader()
    reader.feed(RECORDING[:77])
    first = drain(reader)
    reader.feed(RECORDING[77:])
    assert first + drain(reader) == read_all(LinkReader(), RECORDING)
