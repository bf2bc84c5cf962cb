"""Keeps the C header of all frames, breathmap_frames.h, in step with the field table.

    python -m breathmap.tools.make.bridge                 rewrite the header
    python -m breathmap.tools.make.bridge --check         change nothing, exit 1 when it is stale
    python -m breathmap.tools.make.bridge --vectors FILE  write vectors.json as a C array for the
    self-test

The header holds numbers and lists of fields only; the C code makes its structures, its encoder and
its decoder from the lists, so a frame added to the table needs no C written by hand.
"""

import argparse
import json
import struct
import sys
import textwrap
from pathlib import Path
from typing import Any

from breathmap.protocol.book.texts import (
    FIELD_TEXTS,
    FLAG_TEXTS,
    FRAME_TEXTS,
    LOAD_AXIS_TEXTS,
    SENSOR_STATE_TEXTS,
)
from breathmap.protocol.wire import fields
from breathmap.protocol.wire.fields import FRAMES, Field, FrameType, Group
from breathmap.protocol.wire.scaling import is_measured

ROOM = Path(__file__).resolve().parents[2] / "protocol"
HEADER = ROOM / "bridge" / "breathmap_frames.h"
# What bm_put_... and bm_get_... exist for in breathmap_link.c.
C_TYPES = ("u8", "u16", "i16", "u32", "text16")
CODE_COLUMN = 46

OPENING = """\
/* The frames of the breathmap wire protocol, version {version}: numbers, sizes, scaling, ranges.
 *
 * Generated from the field table by `python -m breathmap.tools.make.bridge`. Do not edit.
 *
 * A measurement travels as an integer, raw = floor(value * PER_UNIT + 0.5), clipped to LOW .. HIGH
 * (which are raw); one that was not made travels as BM_NULL_U16 or BM_NULL_I16. Everything else is
 * a count, a code or bits and travels as it is. SPEC.md says the rest.
 */
#ifndef BREATHMAP_FRAMES_H
#define BREATHMAP_FRAMES_H
"""


def define(name: str, value: str, comment: str = "") -> str:
    """Return one #define line, its comment aligned with the others where it fits."""
    line = f"#define {name} {value}"
    return f"{line:<{CODE_COLUMN}} /* {comment} */" if comment else line


def unsigned(value: int) -> str:
    """Return an unsigned literal that also a 16-bit int carries."""
    return f"{value}u" if value < 1 << 16 else f"{value}ul"


def raw_literal(field: Field, value: int) -> str:
    """Return a literal of the field's own signedness: mixing the two is C's oldest trap."""
    if field.wire == "i16":
        return f"({value})" if value < 0 else str(value)
    return unsigned(value)


def limits() -> list[str]:
    """Return the sizes and null values."""
    run_bytes = fields.MAX_WIRE_BYTES - 1
    return [
        define("BM_PROTOCOL_VERSION", unsigned(fields.PROTOCOL_VERSION)),
        define("BM_HEADER_BYTES", unsigned(fields.HEADER_BYTES)),
        define("BM_CRC_BYTES", unsigned(fields.CRC_BYTES)),
        define("BM_MAX_PAYLOAD_BYTES", unsigned(fields.MAX_PAYLOAD_BYTES)),
        define("BM_MAX_FRAME_BYTES", unsigned(fields.MAX_FRAME_BYTES), "before stuffing"),
        define("BM_MAX_RUN_BYTES", unsigned(run_bytes), "stuffed, without its delimiter"),
        define("BM_MAX_WIRE_BYTES", unsigned(fields.MAX_WIRE_BYTES), "stuffed, with it"),
        define("BM_NULL_U16", "0xFFFFu", "not measured"),
        define("BM_NULL_I16", "(-32767 - 1)", "not measured"),
        define("BM_NO_BANK", unsigned(fields.NO_BANK), "in status: a device without a learner"),
    ]


def codes(title: str, prefix: str, names: tuple[str, ...], texts: dict[str, str]) -> list[str]:
    """Return numbered names, one #define each."""
    lines = [f"/* {title} */"]
    for number, name in enumerate(names):
        lines.append(define(f"{prefix}_{name.upper()}", unsigned(number), texts.get(name, "")))
    return lines


def flags() -> list[str]:
    """Return the sample flags as masks."""
    lines = ["/* Flags of a sample. */"]
    for bit, name in enumerate(fields.FLAGS):
        lines.append(define(f"BM_FLAG_{name.upper()}", f"0x{1 << bit:04X}u", FLAG_TEXTS[name]))
    return lines


def field_list(macro: str, members: list[Field], path: str) -> list[str]:
    """Return a list macro, one FIELD(wire type, name) per field in wire order, explained."""
    lines = [f"#define {macro}(FIELD) \\"]
    for field in members:
        text = FIELD_TEXTS[f"{path}.{field.name}"]
        if is_measured(field) and field.wire != "text16":
            text += f"; {field.unit or 'ratio'} * {field.per_unit}"
        entry = f"    FIELD({field.wire}, {field.name})"
        lines.append(f"{entry:<{CODE_COLUMN - 12}} /* {text} */ \\")
    lines[-1] = lines[-1].removesuffix(" \\")
    return lines


def scaling(prefix: str, members: list[Field]) -> list[str]:
    """Return scale and raw range of every measured field."""
    lines = []
    for field in members:
        if not is_measured(field):
            continue
        name = f"{prefix}_{field.name.upper()}"
        low, high = f"{field.low:g} {field.unit}".strip(), f"{field.high:g} {field.unit}".strip()
        lines += [
            define(f"{name}_PER_UNIT", raw_literal(field, field.per_unit)),
            define(f"{name}_LOW", raw_literal(field, field.raw_low), low),
            define(f"{name}_HIGH", raw_literal(field, field.raw_high), high),
        ]
    return lines


def count_field(frame: FrameType, group: Group) -> tuple[Field, int]:
    """Return the field that counts a group, and its offset in the payload."""
    offset = 0
    for field in frame.fields:
        if field.name == group.count_field:
            return field, offset
        offset += field.size
    raise ValueError(f"frame {frame.name} has no field {group.count_field}")


def frame_part(frame: FrameType) -> list[str]:
    """Return everything about one frame."""
    upper = f"BM_{frame.name.upper()}"
    about = textwrap.wrap(f"{frame.name}: {FRAME_TEXTS[frame.name]}", 94)
    lines = ["/* " + "\n * ".join(about) + " */"]
    lines.append(define(f"BM_TYPE_{frame.name.upper()}", unsigned(frame.number)))
    lines.append(define(f"{upper}_BYTES", unsigned(frame.fixed_size), "payload without groups"))
    lines += field_list(f"{upper}_FIELDS", frame.fields, frame.name)
    lines += scaling(upper, frame.fields)
    groups = ""
    for group in frame.groups:
        count, _ = count_field(frame, group)
        inner = f"{upper}_{group.name.upper()}"
        most = min(count.raw_high, group.most)
        lines.append(define(f"{inner}_MOST", unsigned(most), f"{group.count_field}: entries"))
        lines.append(define(f"{inner}_BYTES", unsigned(group.size), "one entry"))
        lines += field_list(f"{inner}_FIELDS", group.fields, f"{frame.name}.{group.name}")
        lines += scaling(inner, group.fields)
        groups += f" \\\n    GROUP({frame.name}, {group.name}, {group.count_field})"
    lines.append(f"#define {upper}_GROUPS(GROUP){groups}")
    return lines


def lists() -> list[str]:
    """Return the lists over all frames, from which the C code makes its functions."""
    frames, records, counts = "", "", ""
    for frame in FRAMES:
        upper = frame.name.upper()
        frames += f" \\\n    FRAME({upper}, {frame.name})"
        records += f" \\\n    RECORD({upper}, {frame.name})"
        for group in frame.groups:
            count, offset = count_field(frame, group)
            most = min(count.raw_high, group.most)
            inner = f"{upper}_{group.name.upper()}"
            records += f" \\\n    RECORD({inner}, {frame.name}_{group.name})"
            counts += (
                f" \\\n    COUNT({frame.number}u, {offset}u, {count.raw_low}u, "
                f"{most}u, {group.size}u)"
            )
    return [
        "/* Every frame: FRAME(NAME, name). */",
        f"#define BM_FRAMES(FRAME){frames}",
        "",
        "/* Every run of fields, fixed parts and groups: RECORD(NAME, name). */",
        f"#define BM_RECORDS(RECORD){records}",
        "",
        "/* Every group: COUNT(frame type, offset of count, least, most, bytes of an entry). */",
        f"#define BM_COUNTS(COUNT){counts}",
    ]


def header_text() -> str:
    """Return the header. Raises ValueError for a wire type that the C code does not know."""
    for frame in FRAMES:
        for field in frame.fields + [f for g in frame.groups for f in g.fields]:
            if field.wire not in C_TYPES:
                raise ValueError(
                    f"{frame.name}.{field.name}: the C code knows no wire type {field.wire}; "
                    "add bm_put_, bm_get_ and BM_MEMBER_ for it to breathmap_link"
                )
    parts = [
        limits(),
        flags(),
        codes("Sensor states.", "BM_SENSOR", fields.SENSOR_STATES, SENSOR_STATE_TEXTS),
        codes("What the load axis is.", "BM_LOAD_AXIS", fields.LOAD_AXES, LOAD_AXIS_TEXTS),
        codes("Positions of the refusal counters.", "BM_REASON", fields.REASONS, {}),
        *[frame_part(frame) for frame in FRAMES],
        lists(),
        ["#endif"],
    ]
    text = OPENING.format(version=fields.PROTOCOL_VERSION)
    return text + "".join("\n" + "\n".join(part) + "\n" for part in parts)


# Event kinds of vectors.json, a malformed run's reason included, and their names in C.
EVENT_NAMES = {
    "frame": "BM_FRAME",
    "bad_checksum": "BM_BAD_CHECKSUM",
    "overlong": "BM_OVERLONG",
    "malformed stuffing": "BM_BAD_STUFFING",
    "malformed short": "BM_TOO_SHORT",
    "malformed version": "BM_BAD_VERSION",
    "malformed length": "BM_BAD_LENGTH",
    "repeated": "BM_REPEATED",
    "unknown_type": "BM_UNKNOWN_TYPE",
    "newer_version": "BM_NEWER_VERSION",
    "lost_frames": "BM_LOST_FRAMES",
    "restarted": "BM_RESTARTED",
}


def byte_list(data: bytes) -> str:
    """Return bytes as C initialisers."""
    return "".join(f"{byte}," for byte in data)


def event_bytes(event: list[Any]) -> str:
    """Return one expected event as C initialisers: its code, then its numbers, low byte first."""
    kind, *values = event
    if kind == "malformed":
        return EVENT_NAMES[f"malformed {values[0]}"] + ","
    name = EVENT_NAMES[kind] + ","
    if kind == "frame":
        number, version, sequence, time_us, payload = values
        payload = bytes.fromhex(payload)
        head = struct.pack("<BBHIB", number, version, sequence, time_us, len(payload))
        return name + byte_list(head + payload)
    if kind in ("lost_frames", "repeated"):
        return name + byte_list(struct.pack("<H", values[0]))
    return name + byte_list(bytes(values))


def vectors_text(vectors: dict[str, Any]) -> str:
    """Return the vectors as one C array, read from front to back by selftest.c."""
    lines = []
    for vector in vectors["frames"]:
        payload, wire = bytes.fromhex(vector["payload"]), bytes.fromhex(vector["wire"])
        head = struct.pack("<BHI", vector["type"], vector["sequence"], vector["time_us"])
        body = bytes([len(payload)]) + payload + bytes([len(wire)]) + wire
        lines.append(f"/* {vector['name']} */ 'F',{byte_list(head + body)}")
    for vector in vectors["streams"]:
        data, events = bytes.fromhex(vector["bytes"]), vector["events"]
        tail = f"{len(events)}," + "".join(map(event_bytes, events)) + f"{vector['pending_bytes']},"
        lines.append(
            f"/* {vector['name']} */ 'S',{byte_list(struct.pack('<H', len(data)) + data)}{tail}"
        )
    entries = "\n".join(lines)
    return (
        "/* Made from vectors.json by `python -m breathmap.tools.make.bridge --vectors`. */\n"
        f"static const uint8_t vectors[] VECTORS_IN_FLASH = {{\n{entries}\n0}};\n"
    )


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="make_bridge", description="Keep the C header in step.")
    parser.add_argument("--check", action="store_true", help="change nothing, exit 1 when stale")
    parser.add_argument("--vectors", metavar="FILE", type=Path, help="write the vectors for C")
    options = parser.parse_args(arguments)
    if options.vectors:
        vectors = json.loads((ROOM / "vectors.json").read_text("utf-8"))
        options.vectors.write_text(vectors_text(vectors), "utf-8", newline="\n")
        return 0
    wanted = header_text()
    if HEADER.is_file() and HEADER.read_text("utf-8") == wanted:
        return 0
    if options.check:
        print(f"make_bridge: {HEADER.name} is stale, run make_bridge", file=sys.stderr)
        return 1
    HEADER.write_text(wanted, "utf-8", newline="\n")
    print(f"make_bridge: rewrote {HEADER.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
