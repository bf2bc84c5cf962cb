"""The generated parts of SPEC.md, as Markdown text made from the field table and the vectors.

Pure text: no files. `tools/make/spec.py` puts each block between its markers.
"""

import struct
from collections.abc import Callable
from typing import Any

from breathmap.protocol.book.texts import (
    ACTION_TEXTS,
    FIELD_TEXTS,
    FLAG_TEXTS,
    FRAME_TEXTS,
    LEARNER_ACTION_TEXTS,
    LEARNER_OUTCOME_TEXTS,
    LOAD_AXIS_TEXTS,
    OUTCOME_TEXTS,
    RESERVED_TEXTS,
    SENSOR_STATE_TEXTS,
    SETTING_TEXTS,
    TABLE_TEXTS,
)
from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.wire import control_fields as control
from breathmap.protocol.wire import evidence_codes as learner
from breathmap.protocol.wire import fields as f
from breathmap.protocol.wire.scaling import is_measured, value_from_raw

# The budget table's line: 8 data bits, no parity, 1 stop bit, so ten bits a byte.
BAUD = 115200
BITS_PER_BYTE = 10


def _table(head: list[str], rows: list[list[str]]) -> str:
    lines = ["| " + " | ".join(cells) + " |" for cells in [head, ["---"] * len(head), *rows]]
    return "\n".join(lines)


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else f"{value:g}"


def field_table(frame_type: f.FrameType) -> str:
    """Return the table of one frame's fields; offsets count from the start of the payload."""
    rows = []
    offset = 0
    for field in frame_type.fields:
        rows.append(_field_row(str(offset), f"{frame_type.name}.{field.name}", field))
        offset += field.size
    counts = ""
    for group in frame_type.groups:
        for field in group.fields:
            name = f"{frame_type.name}.{group.name}.{field.name}"
            rows.append(_field_row(f"{offset}{counts} + {group.size}·i", name, field))
            offset += field.size
        offset -= group.size
        counts += f" + {group.size}·{group.count_field}"
    return _table(["offset", "field", "type", "per unit", "unit", "range", "null", "meaning"], rows)


def _field_row(place: str, path: str, field: f.Field) -> list[str]:
    is_text = field.wire == "text16"
    shown = "" if is_text else f"{_number(field.low)} to {_number(field.high)}"
    if field.unit == "bits":
        shown = f"{8 * field.size} bits"
    null = "none"
    if is_measured(field) and field.null_raw is not None:
        null = f"`{field.null_raw & 0xFFFF:04X}`"
    return [
        place,
        "`" + path.split(".", 1)[1] + "`",
        field.wire,
        "" if is_text else str(field.per_unit),
        field.unit,
        shown,
        null,
        FIELD_TEXTS[path],
    ]


def frame_table() -> str:
    """Return the list of frame types."""
    rows = []
    for frame_type in ALL_FRAMES:
        most = frame_type.fixed_size + sum(g.most * g.size for g in frame_type.groups)
        least = frame_type.fixed_size + sum(
            g.size * field.raw_low
            for g in frame_type.groups
            for field in frame_type.fields
            if field.name == g.count_field
        )
        text = FRAME_TEXTS[frame_type.name]
        rows.append([str(frame_type.number), f"`{frame_type.name}`", f"{least} to {most}", text])
    return _table(["number", "name", "payload bytes", "purpose"], rows)


def reserved_table() -> str:
    """Return the type numbers set aside."""
    rows = [[f"{low} to {high}", name, RESERVED_TEXTS[name]] for low, high, name in f.RESERVED]
    return _table(["numbers", "name", "for"], rows)


def type_table() -> str:
    """Return the wire types."""
    meanings = {
        "u8": "unsigned integer",
        "u16": "unsigned integer",
        "i16": "signed integer, two's complement",
        "u32": "unsigned integer",
        "text16": "UTF-8 text, zero-padded",
    }
    rows = []
    for name, (_, size, _low, _high, null) in f.WIRE_TYPES.items():
        shown = "none" if null is None else f"`{null & 0xFFFF:04X}`"
        rows.append([name, str(size), meanings[name], shown])
    return _table(["type", "bytes", "meaning", "null value of a measurement"], rows)


def limits_table() -> str:
    """Return the limits of this version."""
    rows = [
        ["protocol version", str(f.PROTOCOL_VERSION)],
        ["shortest frame before stuffing", f"{f.HEADER_BYTES + f.CRC_BYTES} bytes"],
        ["longest frame before stuffing, header and CRC included", f"{f.MAX_FRAME_BYTES} bytes"],
        ["longest payload", f"{f.MAX_PAYLOAD_BYTES} bytes"],
        ["longest stuffed frame, delimiter not counted", f"{f.MAX_WIRE_BYTES - 1} bytes"],
        ["most banks", str(f.MAX_BANKS)],
        ["most breakpoints of one axis", str(f.MAX_BREAKPOINTS)],
    ]
    return _table(["what", "value"], rows)


def flag_table() -> str:
    """Return the sample flags."""
    rows = [
        [str(bit), f"`{1 << bit:04X}`", f"`{name}`", FLAG_TEXTS[name]]
        for bit, name in enumerate(f.FLAGS)
    ]
    return _table(["bit", "mask", "flag", "set while"], rows)


def _codes(names: tuple[str, ...], texts: dict[str, str]) -> str:
    rows = [[str(code), f"`{name}`", texts[name]] for code, name in enumerate(names)]
    return _table(["code", "name", "meaning"], rows)


def state_table() -> str:
    """Return the sensor states."""
    return _codes(f.SENSOR_STATES, SENSOR_STATE_TEXTS)


def axis_table() -> str:
    """Return the load axes."""
    return _codes(f.LOAD_AXES, LOAD_AXIS_TEXTS)


def reason_table() -> str:
    """Return the refusal reasons by position."""
    rows = [[str(number), f"`{name}`"] for number, name in enumerate(f.REASONS)]
    return _table(["position", "reason"], rows)


def budget_table() -> str:
    """Return what sample frames cost of a serial line."""
    group = f.SAMPLE.groups[0]
    rows = []
    for banks in (1, 2, 4, f.MAX_BANKS):
        payload = f.SAMPLE.fixed_size + banks * group.size
        wire = payload + f.HEADER_BYTES + f.CRC_BYTES + 2
        rate = BAUD / BITS_PER_BYTE
        share = 100 * 25 * wire / rate
        rows.append(
            [
                str(banks),
                str(wire),
                f"{25 * wire} bytes/s",
                f"{share:.1f} %",
                f"{rate / wire:.0f} Hz",
            ]
        )
    head = ["banks", "bytes on the wire", "at 25 Hz", f"of {BAUD:,} baud", "rate that fills it"]
    return _table(head, rows)


def hex_text(data: bytes) -> str:
    """Return bytes as upper-case hex pairs, blank-separated."""
    return data.hex(" ").upper()


def _header_rows(frame_type: f.FrameType, vector: dict[str, Any]) -> list[list[str]]:
    header = struct.pack(
        "<BBHI", f.PROTOCOL_VERSION, vector["type"], vector["sequence"], vector["time_us"]
    )
    return [
        ["header", hex_text(header[0:1]), f"protocol version {header[0]}"],
        ["", hex_text(header[1:2]), f"type {vector['type']}, {frame_type.name}"],
        ["", hex_text(header[2:4]), f"sequence {vector['sequence']}"],
        ["", hex_text(header[4:8]), f"device time {vector['time_us']} µs"],
    ]


def worked_example(frame_type: f.FrameType, vector: dict[str, Any]) -> str:
    """Return one vector taken apart, byte by byte, and its wire bytes."""
    payload = bytes.fromhex(vector["payload"])
    crc = bytes.fromhex(vector["crc"])
    rows = _header_rows(frame_type, vector)
    offset = 0
    runs = [("", field) for field in frame_type.fields]
    for group in frame_type.groups:
        count = vector["decoded"][group.count_field]
        runs += [(f"[{i}]", field) for i in range(count) for field in group.fields]
    for index, field in runs:
        raw = payload[offset : offset + field.size]
        rows.append([str(offset), hex_text(raw), _reading(field, raw, field.name + index)])
        offset += field.size
    rows.append(["CRC", hex_text(crc), f"`{int.from_bytes(crc, 'little'):08X}`, low byte first"])
    table = _table(["offset", "bytes", "reads"], rows)
    wire = _wrapped(bytes.fromhex(vector["wire"]))
    return f"Vector `{vector['name']}`:\n\n{table}\n\nOn the wire:\n\n```hex\n{wire}\n```"


def _reading(field: f.Field, raw: bytes, name: str) -> str:
    number = struct.unpack("<" + field.struct_code, raw)[0]
    if field.wire == "text16":
        text = raw.rstrip(b"\0").decode(errors="replace")
        return f'`{name}` "{text}"'
    value = value_from_raw(field, number)
    if value != value:
        return f"`{name}` not measured"
    if field.unit == "bits":
        names = [flag for bit, flag in enumerate(f.FLAGS) if number >> bit & 1]
        return f"`{name}` {', '.join(names) or 'none'}"
    unit = field.unit if field.unit not in ("code", "") else ""
    return f"`{name}` {_number(value)} {unit}".rstrip()


def _wrapped(data: bytes, width: int = 24) -> str:
    return "\n".join(hex_text(data[i : i + width]) for i in range(0, len(data), width))


def blocks(vectors: dict[str, Any]) -> dict[str, str]:
    """Return every generated block of SPEC.md by the name in its marker.

    vectors: the parsed vectors.json; the first vector of each frame type is the worked example.
    """
    plain: dict[str, Callable[[], str]] = {
        "types": type_table,
        "limits": limits_table,
        "frames": frame_table,
        "reserved": reserved_table,
        "flags": flag_table,
        "states": state_table,
        "axes": axis_table,
        "reasons": reason_table,
        "budget": budget_table,
        "tables": lambda: _codes(control.TABLES, TABLE_TEXTS),
        "settings": lambda: _codes(control.SETTINGS, SETTING_TEXTS),
        "actions": lambda: _codes(control.ACTIONS, ACTION_TEXTS),
        "outcomes": lambda: _codes(control.OUTCOMES, OUTCOME_TEXTS),
        "learner actions": lambda: _codes(learner.LEARNER_ACTIONS, LEARNER_ACTION_TEXTS),
        "learner outcomes": lambda: _codes(learner.LEARNER_OUTCOMES, LEARNER_OUTCOME_TEXTS),
    }
    examples = vectors["frames"] + vectors["optional_frames"]
    made = {name: make() for name, make in plain.items()}
    for frame_type in ALL_FRAMES:
        made[f"fields {frame_type.name}"] = field_table(frame_type)
        example = next(v for v in examples if v["type"] == frame_type.number)
        made[f"example {frame_type.name}"] = worked_example(frame_type, example)
    return made
