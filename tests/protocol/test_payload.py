"""Payloads: the codecs against their declaration, text, rounding, ranges and refusals."""

import construct
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from wire_cases import FRAME_VECTORS, field_values, frame_values, named, same

from breathmap.protocol.book.declaration import build_declared, declaration_of, parse_declared
from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.host.bulk import (
    bulk_decode_samples,
    dtype_for,
    sample_dtype,
)
from breathmap.protocol.wire.fields import (
    FRAMES,
    IDENTITY,
    MAX_BANKS,
    MAX_PAYLOAD_BYTES,
    SAMPLE,
    STATUS,
    Field,
)
from breathmap.protocol.wire.payload import (
    BadFrame,
    decode_sample_into,
    encode_sample,
    frame_type_of,
    pack_payload,
    unpack_payload,
)
from breathmap.protocol.wire.sample import NAN, Sample
from breathmap.protocol.wire.scaling import (
    raw_from_value,
    text_from_bytes,
    text_to_bytes,
    value_from_raw,
)
from breathmap.protocol.wire.shapes import payload_fits
from breathmap.tools.board import wire

any_frame = st.sampled_from(ALL_FRAMES).flatmap(lambda t: st.tuples(st.just(t), frame_values(t)))
sample_payloads = frame_values(SAMPLE).map(lambda v: pack_payload(SAMPLE, v))


def sample_payloads_of(banks):
    """Return a strategy for payloads of samples with that many banks."""
    fixed = {f.name: field_values(f) for f in SAMPLE.fields if f.name != "banks"}
    entry = st.fixed_dictionaries({f.name: field_values(f) for f in SAMPLE.groups[0].fields})
    entries = st.lists(entry, min_size=banks, max_size=banks)
    values = st.fixed_dictionaries({**fixed, "bank": entries})
    return values.map(lambda v: pack_payload(SAMPLE, v))


@given(any_frame)
@settings(max_examples=150, deadline=None)
def test_the_devices_codec_is_as_declared(case):
    """Devices pack and read every frame as the specification's declaration does."""
    frame_type, values = case
    payload = build_declared(frame_type, values)
    assert pack_payload(frame_type, values) == payload
    assert same(unpack_payload(frame_type, payload), parse_declared(frame_type, payload))


@pytest.mark.parametrize("frame_type", ALL_FRAMES, ids=lambda t: t.name)
def test_numpy_records_lie_as_declared(frame_type):
    """A record of numpy has each field where the declaration has it, in the same bytes."""
    counts = {g.name: g.most for g in frame_type.groups}
    dtype = dtype_for(frame_type, list(counts.values()))
    at = 0
    assert dtype.fields is not None
    for member in declaration_of(frame_type).subcons[:-1]:  # the last one ends the payload
        assert dtype.fields[member.name][1] == at
        size = member
        if member.name in counts:
            size = member.subcon.subcon
            assert [s.name for s in size.subcons] == list(dtype[member.name].base.names or ())
        at += counts.get(member.name, 1) * size.sizeof()
    assert dtype.itemsize == at


@given(st.integers(1, MAX_BANKS).flatmap(sample_payloads_of))
@settings(max_examples=60, deadline=None)
def test_bulk_decoding_is_as_declared(payload):
    """The fast bulk decoder reads a sample as the specification's declaration does."""
    (row,) = bulk_decode_samples([payload])
    values = parse_declared(SAMPLE, payload)
    for field in SAMPLE.fields:
        assert same(row[field.name].item(), values[field.name])
    for bank, entry in enumerate(values["bank"]):
        for name, value in entry.items():
            assert same(row[name][bank].item(), value)


@given(any_frame)
@settings(max_examples=100, deadline=None)
def test_what_was_read_packs_to_the_same_bytes(case):
    """Reading a payload and packing what was read gives the payload back."""
    frame_type, values = case
    payload = pack_payload(frame_type, values)
    assert pack_payload(frame_type, unpack_payload(frame_type, payload)) == payload


@given(
    st.integers(1, MAX_BANKS).flatmap(
        lambda banks: st.lists(sample_payloads_of(banks), min_size=1, max_size=4)
    )
)
@settings(max_examples=60, deadline=None)
def test_bulk_decoding_equals_one_by_one(payloads):
    """Bulk decoding gives bit for bit what decoding one by one gives."""
    table = bulk_decode_samples(payloads)
    for row, payload in zip(table, payloads, strict=True):
        sample = Sample()
        decode_sample_into(payload, sample)
        for name in table.dtype.names or ():
            np.testing.assert_array_equal(row[name], getattr(sample, name))


@given(sample_payloads)
@settings(max_examples=100, deadline=None)
def test_fast_sample_pair_equals_the_general_one(payload):
    """The fast sample codec agrees with the general one, both ways."""
    sample = Sample(3)
    decode_sample_into(payload, sample)
    values = unpack_payload(SAMPLE, payload)
    for field in SAMPLE.fields:
        assert same(getattr(sample, field.name), values[field.name])
    for bank, entry in enumerate(values["bank"]):
        for name, value in entry.items():
            assert same(getattr(sample, name)[bank], value)
    assert encode_sample(sample) == payload


@given(st.binary(max_size=MAX_PAYLOAD_BYTES), st.sampled_from(FRAMES))
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_read_or_refused(payload, frame_type):
    """Bytes that fit are read by both codecs, others are refused by both; nothing else happens."""
    if payload_fits(frame_type.shape, payload):
        parse_declared(frame_type, payload)
        unpack_payload(frame_type, payload)
    else:
        with pytest.raises(BadFrame):
            unpack_payload(frame_type, payload)
        with pytest.raises(construct.ConstructError):
            parse_declared(frame_type, payload)


@pytest.mark.parametrize("vector", **named(FRAME_VECTORS))
def test_a_byte_more_or_less_is_refused(vector):
    """A payload one byte too long or too short is no frame: match, never skip."""
    frame_type = frame_type_of(vector["type"])
    assert frame_type is not None
    payload = bytes.fromhex(vector["payload"])
    for wrong in (payload + b"\0", payload[:-1], b""):
        with pytest.raises(BadFrame, match=f"{len(wrong)} bytes"):
            unpack_payload(frame_type, wrong)


@pytest.mark.parametrize("count", [0, MAX_BANKS + 1, 255])
def test_a_count_out_of_range_is_refused(count):
    """A bank count of none or too many is refused even when the length agrees."""
    payload = bytes(18) + bytes([count]) + bytes(5 * count)
    assert not payload_fits(SAMPLE.shape, payload)
    sample = Sample()
    sample.speed_rpm = 1234.0
    with pytest.raises(BadFrame):
        decode_sample_into(payload, sample)
    assert sample.speed_rpm == 1234.0
    with pytest.raises(BadFrame):
        bulk_decode_samples([payload])


def test_bulk_decoding_names_the_odd_payload():
    """Payloads of different bank counts are refused with the position of the odd one."""
    with pytest.raises(BadFrame, match="payload 1 "):
        bulk_decode_samples([encode_sample(Sample(2)), encode_sample(Sample(3))])
    good = encode_sample(Sample(2))
    with pytest.raises(BadFrame, match="payload 1:"):
        bulk_decode_samples([good, good[:18] + b"\x01" + good[19:]])


def test_bulk_decoding_of_nothing_is_an_empty_table():
    """No payloads give a table of no rows."""
    assert bulk_decode_samples([]).shape == (0,)


def test_record_types_are_as_long_as_the_payload():
    """The numpy record of each frame is as long as its payload, without padding."""
    assert dtype_for(SAMPLE, [3]).itemsize == SAMPLE.fixed_size + 3 * 5
    assert dtype_for(STATUS, [40]).itemsize == STATUS.fixed_size + 160
    assert sample_dtype(2)["measured_lambda"].shape == (2,)
    with pytest.raises(ValueError, match="2 groups, got 1"):
        dtype_for(IDENTITY, [3])


TENTHS = Field("tenths", "i16", 10, "x", -60, 250)
RPM = Field("rpm", "u16", 2, "rpm", 0, 30000)


@pytest.mark.parametrize(
    ("field", "value", "raw"),
    [
        (RPM, 1000.25, 2001),  # a half goes up
        (RPM, 1000.249, 2000),
        (TENTHS, -2.25, -22),  # below zero too
        (TENTHS, -2.251, -23),
        (TENTHS, -0.05, 0),
        (RPM, 30000.3, 60000),
        (RPM, -1, 0),
        (TENTHS, -61, -600),
        (RPM, float("inf"), 60000),
        (TENTHS, float("-inf"), -600),
        (RPM, NAN, 65535),
        (RPM, None, 65535),
        (TENTHS, None, -32768),
    ],
)
def test_rounding_clipping_and_null(field, value, raw):
    """Halves go up, values outside the range go to its end, and nothing becomes null."""
    assert raw_from_value(field, value) == raw


@pytest.mark.parametrize("raw", [-32768, -601, 2501, 32767])
def test_raw_outside_the_range_is_not_measured(raw):
    """A raw value beyond the range's end reads as NaN."""
    assert np.isnan(value_from_raw(TENTHS, raw))


def test_large_counters_stay_exact():
    """A 32-bit counter travels exactly and stops at its highest value."""
    uptime = STATUS.fields[0]
    assert raw_from_value(uptime, 4294967294) == 4294967294
    assert raw_from_value(uptime, 4294967300) == 4294967295


def test_flags_are_bits_not_a_quantity():
    """All sixteen flag bits travel as they are: the null value means nothing to them."""
    sample = Sample()
    for flags in (0xFFFF, 0x8001, 0):
        sample.flags = flags
        again = Sample()
        decode_sample_into(encode_sample(sample), again)
        assert again.flags == flags


@given(st.text(max_size=40))
@settings(max_examples=200, deadline=None)
def test_text_is_cut_between_characters(text):
    """Sixteen bytes hold the longest beginning of the text that fits, on small boards as well."""
    assume("\0" not in text)
    try:
        encoded = text.encode()
    except UnicodeEncodeError:
        return
    raw = text_to_bytes(text)
    kept = raw.rstrip(b"\0").decode()
    assert len(raw) == 16
    assert wire.text16(text) == raw
    assert text.startswith(kept)
    if len(encoded) > 16:
        assert len(kept.encode()) + len(text[len(kept)].encode()) > 16
    else:
        assert kept == text


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"bench\0old rest..", "bench"),
        (b"sixteen letters!", "sixteen letters!"),
        (b"\xc3\xbc ok" + bytes(11), "ü ok"),
        (b"a\xff\xc3\xbc" + bytes(12), "a???"),
        (b"\x1b[31mred\n" + bytes(7), "?[31mred?"),
        (b"\xc2\x9b" + bytes(14), "?"),
        (bytes(16), ""),
    ],
)
def test_text_never_reaches_a_terminal_raw(raw, text):
    """Bytes that are no text, and control characters, read as question marks."""
    assert text_from_bytes(raw) == text


@pytest.mark.parametrize(
    ("frame_type", "values", "message"),
    [
        (SAMPLE, {"flags": 0, "speed": 1, "bank": [{"sensor_state": 0}]}, "no field speed"),
        (SAMPLE, {"flags": 0, "bank": []}, "takes 1 to 8 entries, got 0"),
        (SAMPLE, {"flags": 0, "bank": [{"sensor_state": 0}] * 9}, "got 9"),
        (SAMPLE, {"bank": [{"sensor_state": 0}]}, "flags cannot be missing"),
        (SAMPLE, {"flags": 0, "bank": [{}]}, "sensor_state cannot be missing"),
        (SAMPLE, {"flags": 0, "bank": [{"lambda": 1}]}, "group bank has no field lambda"),
    ],
)
def test_packing_says_what_is_wrong(frame_type, values, message):
    """A value that cannot be packed is named in the error."""
    with pytest.raises(ValueError, match=message):
        pack_payload(frame_type, values)


def test_encoding_refuses_an_impossible_sample():
    """A sample with more banks than the wire has room for is refused."""
    sample = Sample()
    sample.banks = 9
    with pytest.raises(ValueError, match="1 to 8, got 9"):
        encode_sample(sample)


def test_decoding_reuses_the_lists_of_the_sample():
    """Decoding into a sample again and again makes no new lists."""
    sample = Sample(2)
    lists = [sample.measured_lambda, sample.fuel_multiplier, sample.sensor_state]
    decode_sample_into(encode_sample(Sample(2)), sample)
    assert lists[0] is sample.measured_lambda
    assert lists[1] is sample.fuel_multiplier
    assert lists[2] is sample.sensor_state
