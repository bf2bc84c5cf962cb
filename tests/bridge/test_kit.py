"""The C kit says byte for byte what the Python codec says, and reads what it reads."""

import ctypes
import json
import os
import random
import re
import struct
import subprocess
from binascii import crc32

import numpy as np
import pytest
from bridge_cases import C99, HERE, KIT, address, cursors, need, run, struct_dtype

from breathmap.protocol.host.bulk import dtype_for
from breathmap.protocol.host.link import NEED_DATA, LinkReader
from breathmap.protocol.wire.fields import FRAMES, IDENTITY, SAMPLE, STATUS
from breathmap.protocol.wire.framing import build_frame, cobs_decode, cobs_encode
from breathmap.protocol.wire.scaling import text_to_bytes
from breathmap.tools.make import bridge as make_bridge

VECTORS = json.loads((KIT.parent / "vectors.json").read_text("utf-8"))

# Together 200,000: type, entries of its groups, frames.
BATCHES = (
    [(SAMPLE, [banks], 20_000) for banks in range(1, 9)]
    + [(IDENTITY, counts, 4_000) for counts in ([0, 0], [1, 32], [16, 12], [32, 0], [32, 32])]
    + [(STATUS, [count], 5_000) for count in (0, 1, 21, 40)]
)
MANY = 200_000

COMPILERS = {
    "host gcc": ["gcc"],
    "host clang": ["clang"],
    "AVR": ["avr-gcc", "-mmcu=atmega328p"],
    "Cortex-M0": ["arm-none-eabi-gcc", "-mcpu=cortex-m0", "-mthumb"],
    "Cortex-M4": ["arm-none-eabi-gcc", "-mcpu=cortex-m4", "-mthumb"],
}


def test_the_header_is_fresh():
    """The C header holds exactly what the field table gives."""
    assert make_bridge.HEADER.read_text("utf-8") == make_bridge.header_text()


def test_a_stale_header_is_noticed(tmp_path, monkeypatch, capsys):
    """make_bridge --check changes nothing and ends with 1 when the header is stale."""
    stale = tmp_path / "breathmap_frames.h"
    stale.write_text(make_bridge.header_text().replace("_PER_UNIT 2u", "_PER_UNIT 4u"), "utf-8")
    before = stale.read_text("utf-8")
    monkeypatch.setattr(make_bridge, "HEADER", stale)
    assert make_bridge.main(["--check"]) == 1
    assert "stale" in capsys.readouterr().err
    assert stale.read_text("utf-8") == before
    assert make_bridge.main([]) == 0
    assert stale.read_text("utf-8") == make_bridge.header_text()


@pytest.mark.parametrize("target", COMPILERS)
@pytest.mark.parametrize("level", ["-O0", "-Os", "-O3"])
def test_the_kit_compiles_without_a_warning(target, level, tmp_path):
    """C99, strict, with conversions watched, for every target at every level."""
    compiler = COMPILERS[target]
    need(compiler[0])
    source = KIT / "breathmap_link.c"
    run(*compiler, *C99, "-Wconversion", level, "-c", source, "-o", tmp_path / "kit.o")


def test_the_kit_allocates_nothing_and_keeps_nothing(tmp_path):
    """No call into a library, no variable of its own, no floating point, no recursion."""
    need("arm-none-eabi-gcc", "gcc")
    made = tmp_path / "kit.o"
    run(*COMPILERS["Cortex-M0"], *C99, "-Os", "-c", KIT / "breathmap_link.c", "-o", made)
    symbols = run("arm-none-eabi-nm", made).stdout
    # A compiler may fill a small table of a switch, or copy, through its own helper.
    outside = set(re.findall(r" U (\S+)", symbols)) - {"memset", "memcpy"}
    assert all(name.startswith("__gnu_thumb1_case") for name in outside), outside
    assert not re.findall(r" [BbDdC] (\S+)", symbols)
    source = KIT / "breathmap_link.c"
    graph = run("gcc", *C99, "-O0", "-S", "-o", "-", source, cwd=tmp_path).stdout
    calls: dict[str, set[str]] = {}
    inside = ""
    for line in graph.splitlines():
        if match := re.match(r"_?(\w+):", line):
            inside = match[1]
        elif match := re.match(r"\s+(?:call|bl)\s+_?(\w+)", line):
            calls.setdefault(inside, set()).add(match[1])
    assert len(calls) > 10
    assert not [name for name in calls if name in _reach(calls, name)]


def _reach(calls, name):
    """Return everything that a function calls, at any distance."""
    found, open_names = set(), [name]
    while open_names:
        for callee in calls.get(open_names.pop(), ()):
            if callee not in found:
                found.add(callee)
                open_names.append(callee)
    return found


# --- the vectors ----------------------------------------------------------------------------------


@pytest.fixture
def selftest(tmp_path):
    """Build the self-test for this machine, from given vectors."""
    need("gcc")

    def build(vectors=VECTORS):
        (tmp_path / "vectors.h").write_text(make_bridge.vectors_text(vectors), "utf-8")
        sources = [KIT / "breathmap_link.c"]
        sources += [KIT / "selftest" / name for name in ("selftest.c", "host.c")]
        run("gcc", *C99, "-I", tmp_path, *sources, "-o", tmp_path / "selftest")
        return subprocess.run([tmp_path / "selftest"], capture_output=True, text=True, timeout=60)

    return build


def test_every_vector_both_ways(selftest):
    """Every vector is read as written and comes out again byte for byte."""
    done = selftest()
    frames, streams = len(VECTORS["frames"]), len(VECTORS["streams"])
    assert done.stdout == f"{frames} frame vectors, {streams} stream vectors: passed\n"
    assert done.returncode == 0


def test_the_self_test_can_fail(selftest):
    """A wrong byte in a frame, a wrong event or a byte left pending is found."""
    frame, stream = VECTORS["frames"][0], VECTORS["streams"][-1]
    wire = "05" + frame["wire"][2:]
    wrong_frame = {"frames": [{**frame, "wire": wire}], "streams": []}
    payload = "00" + frame["payload"][2:]
    wrong_payload = {"frames": [{**frame, "payload": payload}], "streams": []}
    wrong_event = {"frames": [], "streams": [{**stream, "events": [["overlong"]]}]}
    pending = stream["pending_bytes"] + 1
    wrong_pending = {"frames": [], "streams": [{**stream, "pending_bytes": pending}]}
    for vectors in (wrong_frame, wrong_payload, wrong_event, wrong_pending):
        done = selftest(vectors)
        assert done.returncode == 1
        assert "FAILED" in done.stdout


# --- many frames ----------------------------------------------------------------------------------


def random_batch(frame, counts, frames, rng):
    """Return random raw frames: payloads as packed records, and as C structures."""
    packed = np.zeros(frames, dtype_for(frame, counts))
    packed = np.frombuffer(rng.bytes(packed.nbytes), packed.dtype).copy()
    # Zeros are what stuffing is about, and random bytes have few.
    view = packed.view(np.uint8).reshape(frames, -1)
    view[rng.random(view.shape) < 0.2] = 0
    for group, count in zip(frame.groups, counts, strict=True):
        packed[group.count_field] = count
    fixed = np.zeros(frames, struct_dtype(frame.fields))
    for field in frame.fields:
        # Texts as plain bytes: as strings, zeros at their end would not be compared.
        raw = packed[field.name]
        fixed[field.name] = raw.astype("V16") if field.wire == "text16" else raw
    groups = []
    for group, count in zip(frame.groups, counts, strict=True):
        entries = np.zeros((frames, count), struct_dtype(group.fields))
        for field in group.fields:
            entries[field.name] = packed[group.name][field.name]
        groups.append(entries)
    return packed, fixed, groups


def build_all(frame, packed, sequence, times):
    """Return the frames' wire bytes by the Python codec."""
    size, data = packed.dtype.itemsize, packed.tobytes()
    number, made = frame.number, []
    for place, time_us in enumerate(times.tolist()):
        payload = data[place * size : (place + 1) * size]
        made.append(build_frame(number, sequence + place, time_us, payload))
    return b"".join(made)


def test_many_random_frames_are_byte_identical(kit):
    """200,000 frames of random raw values: C encodes what Python encodes, and reads it back."""
    rng = np.random.default_rng(689)
    total = 0
    for frame, counts, frames in BATCHES:
        packed, fixed, groups = random_batch(frame, counts, frames, rng)
        times = rng.integers(0, 2**32, frames, np.uint32)
        sequence = int(rng.integers(0, 2**16))
        by_python = build_all(frame, packed, sequence, times)

        by_c = np.zeros(len(by_python) + 256, np.uint8)
        encode = getattr(kit, f"encode_{frame.name}")
        encode.restype = ctypes.c_long
        length = encode(
            ctypes.c_long(frames), ctypes.c_uint16(sequence), address(times), address(fixed),
            cursors(groups), address(by_c),
        )  # fmt: skip
        assert length == len(by_python)
        assert by_c[:length].tobytes() == by_python

        fixed_back = np.zeros_like(fixed)
        groups_back = [np.zeros_like(g) for g in groups]
        wire = np.frombuffer(by_python, np.uint8)
        decode = getattr(kit, f"decode_{frame.name}")
        decode.restype = ctypes.c_long
        read = decode(
            address(wire), ctypes.c_long(len(wire)), ctypes.c_uint16(sequence), address(times),
            address(fixed_back), cursors(groups_back),
        )  # fmt: skip
        assert read == frames
        for got, wanted in zip([fixed_back, *groups_back], [fixed, *groups], strict=True):
            for name in wanted.dtype.names:  # not whole records: they have padding
                assert got[name].tobytes() == wanted[name].tobytes(), name
        total += read
    assert total == MANY
    assert {frame.name for frame, _, _ in BATCHES} == {frame.name for frame in FRAMES}


# --- damaged streams ------------------------------------------------------------------------------

C_ENUM = [
    "BM_NOTHING", "BM_FRAME", "BM_BAD_CHECKSUM", "BM_OVERLONG", "BM_BAD_STUFFING", "BM_TOO_SHORT",
    "BM_BAD_VERSION", "BM_BAD_LENGTH", "BM_REPEATED", "BM_UNKNOWN_TYPE", "BM_NEWER_VERSION",
    "BM_LOST_FRAMES", "BM_RESTARTED",
]  # fmt: skip
NAME_OF_CODE = {C_ENUM.index(c_name): name for name, c_name in make_bridge.EVENT_NAMES.items()}
FOUND = np.dtype(
    [(n, "u4") for n in ("kind", "lost", "type", "version", "sequence", "time_us", "bytes")]
    + [("payload", "u1", (238,))],
    align=True,
)


def c_events(kit, data):
    """Return what the C reader finds, as lists, and the bytes it holds at the end."""
    reader = ctypes.create_string_buffer(kit.reader_bytes())
    kit.start_reader(reader)
    wire = np.frombuffer(data, np.uint8)
    found = np.zeros(2 * len(data) + 2, FOUND)
    kit.read_events.restype = ctypes.c_long
    count = kit.read_events(reader, address(wire), ctypes.c_long(len(data)), address(found))
    return [_as_list(one) for one in found[:count]], kit.held_bytes(reader)


def _as_list(one):
    kind, *reason = NAME_OF_CODE[int(one["kind"])].split()
    if kind == "frame":
        numbers = [int(one[n]) for n in ("type", "version", "sequence", "time_us")]
        return [kind, *numbers, one["payload"][: one["bytes"]].tobytes()]
    of = {"lost_frames": "lost", "repeated": "sequence", "unknown_type": "type"}
    of["newer_version"] = "version"
    return [kind, *reason] + ([int(one[of[kind]])] if kind in of else [])


def python_events(data):
    """Return what the Python reader finds, as lists, and the bytes it holds at the end."""
    reader = LinkReader()
    reader.feed(data)
    events = []
    while (event := reader.next_event()) is not NEED_DATA:
        events.append([event.kind, *event.values()])
    return events, reader.pending_bytes


def frame_of_version(version, wire):
    """Return a frame with another version number and a CRC to match."""
    body = bytes([version]) + cobs_decode(wire[:-1])[1:-4]
    return cobs_encode(body + struct.pack("<I", crc32(body))) + b"\0"


def damaged_stream(rng):
    """Return frames good and odd on a bad cable: bits flipped, bytes and frames lost, repeated."""
    wire, sequence = bytearray(), rng.choice([0, 1, 500, 65530])
    for _ in range(12):
        vector = rng.choice(VECTORS["frames"])
        kind, payload = vector["type"], bytes.fromhex(vector["payload"])
        odd = rng.random()
        if odd < 0.1:
            kind = rng.randrange(256)
        elif odd < 0.2:
            payload = payload[: rng.randrange(len(payload) + 1)]
        elif odd < 0.25:
            sequence = 0
        elif odd < 0.35:
            sequence += rng.choice([1, 5, 32767, 32768, 40000])
        frame = build_frame(kind, sequence, rng.randrange(2**32), payload)
        if rng.random() < 0.05:
            frame = frame_of_version(rng.choice([0, 2, 255]), frame)
        wire += frame * rng.choice([1, 1, 1, 2])
        sequence += 1
    for _ in range(rng.randrange(6)):
        at, cut = rng.randrange(len(wire)), rng.randrange(1, 300)
        how = rng.randrange(4)
        if how == 0:
            wire[at] ^= 1 << rng.randrange(8)
        elif how == 1:
            del wire[at : at + cut % 40]
        elif how == 2:
            wire[at:at] = rng.randbytes(cut)
        else:
            wire[at:at] = b"\x55" * cut
    return bytes(wire)


def test_damaged_streams_give_the_same_events(kit):
    """Three thousand streams from a bad cable: the C reader finds what the Python reader finds."""
    rng = random.Random(327)
    seen = set()
    for _ in range(3000):
        stream = damaged_stream(rng)
        events, held = python_events(stream)
        assert c_events(kit, stream) == (events, held)
        seen |= {" ".join(e[:2]) if e[0] == "malformed" else e[0] for e in events}
    assert seen == set(NAME_OF_CODE.values())


# --- small things ---------------------------------------------------------------------------------


def test_a_frame_without_room_leaves_the_ring_alone(kit):
    """Room for one byte less gives 0 and no byte beyond; exactly enough gives the whole frame."""
    whole = kit.sample_into_ring(ctypes.create_string_buffer(b"\xee" * 256, 256), 0, 256, 2)
    assert whole == 43
    for start in (0, 200, 255):
        ring = ctypes.create_string_buffer(b"\xee" * 256, 256)
        assert kit.sample_into_ring(ring, start, whole, 2) == whole
        turned = ring.raw[start:] + ring.raw[:start]
        assert turned[whole - 1] == 0
        assert turned[whole:] == b"\xee" * (256 - whole)
        events, _ = python_events(turned[:whole])
        assert events[0][0] == "frame"
        for room in range(whole):
            ring = ctypes.create_string_buffer(b"\xee" * 256, 256)
            assert kit.sample_into_ring(ring, start, room, 2) == 0
            turned = ring.raw[start:] + ring.raw[:start]
            assert turned[room:] == b"\xee" * (256 - room)


def test_a_frame_longer_than_any_is_not_sent(kit):
    """More than the longest frame gives 0, however much room there is."""
    ring = ctypes.create_string_buffer(256)
    assert kit.sample_into_ring(ring, 0, 65535, 43) > 0
    assert kit.sample_into_ring(ring, 0, 65535, 44) == 0


@pytest.mark.parametrize("text", ["", "bench", "exactly 16 bytes", "longer than 16 bytes!",
                                  "Prüfstand Zündung", "fünfzehn Zeich ü", "0123456789abcdeü",
                                  "0123456789abc€", "0123456789abcd€"])  # fmt: skip
def test_texts_are_cut_as_python_cuts_them(kit, text):
    """A text field is cut between characters and padded with zeros."""
    field = ctypes.create_string_buffer(b"\xff" * 16, 16)
    kit.bm_text(field, text.encode())
    assert field.raw == text_to_bytes(text)


@pytest.mark.parametrize(
    ("raw", "low", "high", "wanted"),
    [(-700, -600, 2500, -600), (2501, -600, 2500, 2500), (60001, 0, 60000, 60000), (7, 0, 9, 7)],
)
def test_clipping(kit, raw, low, high, wanted):
    """A raw value is held within its field's range, below zero too."""
    assert kit.bm_clip(raw, low, high) == wanted


@pytest.mark.parametrize(("data", "crc"), [(b"123456789", 0xCBF43926), (b"", 0)])
def test_the_crc_has_its_published_check_value(kit, data, crc):
    """CRC-32/ISO-HDLC of the nine digits; source: SPEC.md, section 2."""
    kit.bm_crc32.restype = ctypes.c_uint32
    assert kit.bm_crc32(data, len(data)) == crc


# --- fuzzing --------------------------------------------------------------------------------------

FUZZ_RUNS = 60_000


def test_the_decoder_survives_a_fuzzer(tmp_path):
    """60,000 inputs of libFuzzer under the address and undefined-behaviour sanitizers."""
    need("clang")
    fuzzer = tmp_path / "fuzz"
    sanitizers = "-fsanitize=fuzzer,address,undefined"
    flags = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-O2", "-g", sanitizers]
    flags += ["-fno-sanitize-recover=all", "-I", str(KIT)]
    build = ["clang", *flags, KIT / "breathmap_link.c", HERE / "fuzz_link.c", "-o", fuzzer]
    made = subprocess.run(build, capture_output=True, text=True, timeout=120)
    if "libclang_rt" in made.stderr:
        pytest.skip("clang has no libFuzzer here: apt-get install libclang-rt-dev")
    assert made.returncode == 0, made.stderr
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    for number, vector in enumerate(VECTORS["streams"]):
        (corpus / f"stream{number}").write_bytes(b"\0" + bytes.fromhex(vector["bytes"]))
    for number, vector in enumerate(VECTORS["frames"]):
        payload = bytes.fromhex(vector["payload"])
        head = bytes([2 * min(len(payload), 127) + 1, vector["type"]])
        (corpus / f"frame{number}").write_bytes(head + bytes(5) + payload)
    fuzz = [fuzzer, corpus, f"-runs={FUZZ_RUNS}", "-seed=1", "-max_len=600"]
    # Leak detection needs rights that containers lack; every input is freed on every path.
    environment = {**os.environ, "ASAN_OPTIONS": "detect_leaks=0"}
    done = run(*fuzz, "-print_final_stats=1", cwd=tmp_path, env=environment)
    executed = re.search(r"number_of_executed_units: (\d+)", done.stderr)
    assert executed is not None
    assert int(executed[1]) >= FUZZ_RUNS
