"""The specification, its vectors and the field table say the same thing."""

import json
import math
import re
import shutil
import struct
import subprocess

import pytest
from wire_cases import (
    FRAME_VECTORS,
    OPTIONAL_VECTORS,
    ROOM,
    STREAM_VECTORS,
    VECTORS,
    named,
    read_all,
    same,
)

from breathmap.protocol.book import texts
from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.host.link import LinkReader
from breathmap.protocol.wire import control_fields, fields
from breathmap.protocol.wire.codes import REASON_COUNT
from breathmap.protocol.wire.device import build_frame
from breathmap.protocol.wire.events import FrameEvent
from breathmap.protocol.wire.fields import FRAMES, RESERVED, SAMPLE, WIRE_TYPES
from breathmap.protocol.wire.payload import frame_type_of, pack_payload, unpack_payload
from breathmap.tools.make import spec as make_spec

SPEC = (ROOM / "SPEC.md").read_text("utf-8")


# --- the field table ----------------------------------------------------------------------------


def field_paths():
    """Return the dotted path of every field and group field of the table."""
    paths = []
    for frame_type in ALL_FRAMES:
        paths += [f"{frame_type.name}.{f.name}" for f in frame_type.fields]
        for group in frame_type.groups:
            paths += [f"{frame_type.name}.{group.name}.{f.name}" for f in group.fields]
    return paths


def test_every_name_has_its_line_and_no_other():
    """Every frame, field, flag, state and range has one line of prose, and no line is left over."""
    paths = field_paths()
    assert len(paths) == len(set(paths))
    assert set(paths) == set(texts.FIELD_TEXTS)
    assert {t.name for t in ALL_FRAMES} == set(texts.FRAME_TEXTS)
    assert set(control_fields.TABLES) == set(texts.TABLE_TEXTS)
    assert set(control_fields.SETTINGS) == set(texts.SETTING_TEXTS)
    assert set(control_fields.ACTIONS) == set(texts.ACTION_TEXTS)
    assert set(control_fields.OUTCOMES) == set(texts.OUTCOME_TEXTS)
    assert set(fields.FLAGS) == set(texts.FLAG_TEXTS)
    assert set(fields.SENSOR_STATES) == set(texts.SENSOR_STATE_TEXTS)
    assert set(fields.LOAD_AXES) == set(texts.LOAD_AXIS_TEXTS)
    assert {name for _, _, name in RESERVED} == set(texts.RESERVED_TEXTS)


def test_named_numbers_match_the_lists():
    """The constants for flags, sensor states, actions and outcomes are their positions."""
    for code, name in enumerate(control_fields.ACTIONS):
        assert getattr(control_fields, name.upper()) == code
    for code, name in enumerate(control_fields.OUTCOMES):
        assert getattr(control_fields, name.upper()) == code
    for bit, name in enumerate(fields.FLAGS):
        assert getattr(fields, name.upper()) == 1 << bit
    for code, name in enumerate(fields.SENSOR_STATES):
        assert getattr(fields, "SENSOR_" + name.upper()) == code


def test_the_table_is_consistent():
    """Numbers are unique, the reserved ranges hold just the optional frames, counts exist, and all
    frames fit."""
    numbers = [t.number for t in ALL_FRAMES]
    assert len(numbers) == len(set(numbers))
    for frame_type in ALL_FRAMES:
        optional = any(low <= frame_type.number <= high for low, high, _ in RESERVED)
        assert optional == (frame_type not in FRAMES)
        by_name = {f.name: f for f in frame_type.fields}
        most = frame_type.fixed_size
        for group in frame_type.groups:
            assert by_name[group.count_field].wire == "u8"
            most += group.most * group.size
        assert most <= fields.MAX_PAYLOAD_BYTES
        assert frame_type.fixed_size == struct.calcsize(frame_type.fixed_format)
        for field in frame_type.fields + [f for g in frame_type.groups for f in g.fields]:
            if field.wire == "text16":
                continue
            _, _, raw_low, raw_high, null = WIRE_TYPES[field.wire]
            # No range may be wider than its type, nor reach the null value.
            assert raw_low <= round(field.low * field.per_unit) == field.raw_low
            assert field.raw_high == round(field.high * field.per_unit) <= raw_high
            assert null is None or not field.raw_low <= null <= field.raw_high


def test_reasons_fit_the_status_frame():
    """There is room in a status frame for a counter of every reason."""
    assert len(fields.REASONS) == len(set(fields.REASONS)) == REASON_COUNT
    assert len(fields.REASONS) <= fields.STATUS.groups[0].most


# --- vectors ------------------------------------------------------------------------------------


@pytest.mark.parametrize("vector", **named(FRAME_VECTORS + OPTIONAL_VECTORS))
def test_frame_vectors(vector):
    """Each frame vector packs to its payload, builds its wire bytes, and reads as it says."""
    frame_type = frame_type_of(vector["type"], ALL_FRAMES)
    assert frame_type is not None
    payload = bytes.fromhex(vector["payload"])
    wire = bytes.fromhex(vector["wire"])
    if "values" in vector:
        assert pack_payload(frame_type, vector["values"]) == payload
    assert same(unpack_payload(frame_type, payload), vector["decoded"])
    assert build_frame(vector["type"], vector["sequence"], vector["time_us"], payload) == wire
    (event,) = read_all(LinkReader(ALL_FRAMES), wire)
    assert event == FrameEvent(vector["type"], 1, vector["sequence"], vector["time_us"], payload)


def test_the_vectors_hold_what_they_are_for():
    """The pinned bytes of one vector, worked out by hand from the specification's rules."""
    vector = next(v for v in FRAME_VECTORS if v["name"] == "sample_bench")
    # flags 0; 3250.5 rpm × 2 = 6501 = 0x1965; 62.4 kPa × 100 = 6240 = 0x1860; 18.25 % × 100 =
    # 1825 = 0x0721; 84.3 °C × 10 = 843 = 0x034B; 31.5 °C × 10 = 315 = 0x013B; 13.82 V × 1000 =
    # 13820 = 0x35FC; 4.215 ms × 1000 = 4215 = 0x1077; λ 0.95 × 10000 = 9500 = 0x251C; 2 banks;
    # 9712 = 0x25F0, 10000 = 0x2710, ready; 9388 = 0x24AC, 10000, ready.
    assert vector["payload"] == (
        "0000" "6519" "6018" "2107" "4b03" "3b01" "fc35" "7710" "1c25" "02"
        "f025" "1027" "02" "ac24" "1027" "02"
    )  # fmt: skip
    body = "0102070080311700" + vector["payload"]  # 1,520,000 µs = 0x00173180
    assert vector["wire"].replace("00", "") != vector["wire"]
    assert body + vector["crc"] == unstuffed_by_hand(bytes.fromhex(vector["wire"])).hex()


def unstuffed_by_hand(wire):
    """Undo the stuffing as SPEC.md explains it: pieces with a zero after each, the last cut."""
    pieces = b""
    at = 0
    while wire[at]:
        pieces += wire[at + 1 : at + wire[at]] + b"\0"
        at += wire[at]
    return pieces[:-1]


def test_every_frame_type_has_vectors():
    """Each frame type has vectors, null values and clipping are among them, names are unique."""
    assert {v["type"] for v in FRAME_VECTORS} == {t.number for t in FRAMES}
    assert {v["type"] for v in OPTIONAL_VECTORS} == {t.number for t in ALL_FRAMES} - {
        t.number for t in FRAMES
    }
    vectors = FRAME_VECTORS + STREAM_VECTORS + OPTIONAL_VECTORS
    names = [v["name"] for v in vectors]
    assert len(names) == len(set(names))
    assert all(v["about"].endswith(".") for v in vectors)


# --- SPEC.md and its generator ------------------------------------------------------------------


def test_the_specification_is_fresh():
    """SPEC.md and vectors.json are what the field table gives."""
    assert make_spec.main(["--check"]) == 0


@pytest.fixture
def room_copy(tmp_path, monkeypatch):
    """A copy of SPEC.md and vectors.json that the generator works on."""
    for name in ("SPEC.md", "vectors.json"):
        shutil.copy(ROOM / name, tmp_path / name)
    monkeypatch.setattr(make_spec, "SPEC", tmp_path / "SPEC.md")
    monkeypatch.setattr(make_spec, "VECTORS", tmp_path / "vectors.json")
    return tmp_path


def test_a_stale_table_is_found_and_mended(room_copy, capsys):
    """A table changed by hand is reported, left alone by --check, and mended without it."""
    spec = room_copy / "SPEC.md"
    spec.write_text(SPEC.replace("| engine speed |", "| speed |"), "utf-8")
    assert make_spec.main(["--check"]) == 1
    assert "SPEC.md is stale" in capsys.readouterr().err
    assert "| speed |" in spec.read_text("utf-8")
    assert make_spec.main([]) == 0
    assert spec.read_text("utf-8") == SPEC


def test_a_missing_block_is_named(room_copy, capsys):
    """A generated block taken out of SPEC.md is named."""
    text = SPEC.replace("<!-- generated: budget -->", "")
    (room_copy / "SPEC.md").write_text(text, "utf-8")
    assert make_spec.main([]) == 1
    assert "budget" in capsys.readouterr().err


def test_pinned_bytes_change_only_on_request(room_copy, capsys):
    """A change of a vector's wire bytes is refused by name, unless it is asked for."""
    vectors = json.loads(json.dumps(VECTORS))
    vectors["frames"][0]["wire"] = "0100"
    path = room_copy / "vectors.json"
    path.write_text(make_spec.vectors_text(vectors), "utf-8")
    assert make_spec.main([]) == 1
    assert "identity_bench: wire would change" in capsys.readouterr().err
    assert json.loads(path.read_text("utf-8"))["frames"][0]["wire"] == "0100"
    assert make_spec.main(["--rewrite"]) == 0
    assert json.loads(path.read_text("utf-8")) == VECTORS


def test_a_new_vector_is_filled_in(room_copy):
    """A vector with nothing but its inputs gets its expectations, and the old ones stay."""
    vectors = json.loads(json.dumps(VECTORS))
    inputs = {
        k: VECTORS["frames"][0][k] for k in ("about", "type", "sequence", "time_us", "values")
    }
    vectors["frames"].append({"name": "another", **inputs})
    path = room_copy / "vectors.json"
    path.write_text(make_spec.vectors_text(vectors), "utf-8")
    assert make_spec.main([]) == 0
    made = json.loads(path.read_text("utf-8"))
    assert made["frames"][-1]["wire"] == VECTORS["frames"][0]["wire"]
    assert made["frames"][:-1] == VECTORS["frames"]


def fenced(language, text):
    """Return the first fenced block of a language."""
    found = re.search(rf"```{language}\n(.*?)```", text, re.DOTALL)
    assert found is not None
    return found[1]


@pytest.mark.parametrize("frame_type", ALL_FRAMES, ids=[t.name for t in ALL_FRAMES])
def test_the_hex_examples_in_the_document_are_true(frame_type):
    """The hex block under each frame's heading is a frame of that type, as the table there says."""
    section = SPEC.split(f"### {frame_type.number} · {frame_type.name}\n")[1]
    wire = bytes.fromhex(fenced("hex", section))
    (event,) = read_all(LinkReader(ALL_FRAMES), wire)
    assert event.type == frame_type.number
    table = section.split("| offset | bytes | reads |")[1].split("\n\n")[0]
    spelled = "".join(row.split("|")[2] for row in table.splitlines()[2:])
    assert bytes.fromhex(spelled) == unstuffed_by_hand(wire)


def test_the_stuffing_examples_in_the_document_are_true():
    """The stuffing table in SPEC.md is what the stuffing gives."""
    rows = re.findall(r"^\| (nothing|`[0-9A-F ]+`) \| `([0-9A-F ]+)` \|$", SPEC, re.MULTILINE)
    assert len(rows) == 7
    for data, stuffed in rows:
        expected = b"" if data == "nothing" else bytes.fromhex(data.strip("`"))
        assert unstuffed_by_hand(bytes.fromhex(stuffed) + b"\0") == expected


def test_prose_has_one_sentence_a_line():
    """Each line of prose in SPEC.md outside lists holds one sentence."""
    prose = re.sub(r"```.*?```|<!-- generated.*?<!-- end -->", "", SPEC, flags=re.DOTALL)
    for line in prose.splitlines():
        if line and line[0].isalpha() and "Cheshire" not in line:
            assert not re.search(r"[a-z`)]\. [A-Z]", line), line


C_MAIN = """
#include <stdio.h>
void put_byte(uint8_t byte) { printf("%%02x", byte); }
int main(void) {
    struct sample bench = { %s };
    struct sample nothing = { 0, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, 1, {{ NAN, NAN, 0 }} };
    sequence = 7;
    send_sample(&bench, 1520000u);
    sequence = 9;
    send_sample(&nothing, 1600000u);
    return 0;
}
"""


def test_the_sender_in_c_sends_the_vectors(tmp_path):
    """The C example, compiled, sends the vectors byte for byte."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        pytest.skip("no C compiler here")
    vectors = {v["name"]: v for v in FRAME_VECTORS}
    values = vectors["sample_bench"]["values"]
    numbers = [repr(values[f.name]) for f in SAMPLE.fields if f.name != "banks"]
    banks = ["{ %s }" % ", ".join(repr(v) for v in bank.values()) for bank in values["bank"]]
    given = ", ".join([*numbers, str(len(banks)), "{ %s }" % ", ".join(banks)])
    source = fenced("c", SPEC) + C_MAIN % given
    path = tmp_path / "bridge.c"
    path.write_text(source, "utf-8")
    program = tmp_path / "bridge"
    command = [compiler, "-std=c99", "-Wall", "-Wextra", "-Werror", path, "-o", program, "-lm"]
    subprocess.run(command, check=True)
    sent = subprocess.run([program], check=True, capture_output=True, text=True).stdout
    assert sent == vectors["sample_bench"]["wire"] + vectors["sample_nothing_measured"]["wire"]


def test_the_budget_is_what_ten_bits_a_byte_give():
    """The rate at which samples fill the line follows from their length and the baud rate."""
    row = re.search(r"\| 2 \| (\d+) \| .*? \| .*? \| (\d+) Hz \|", SPEC)
    assert row is not None
    wire = len(bytes.fromhex(next(v for v in FRAME_VECTORS if v["name"] == "sample_bench")["wire"]))
    assert int(row[1]) == wire
    assert math.isclose(int(row[2]), 115200 / 10 / wire, abs_tol=0.5)
