"""Keeps tools/board/layout.py, the field table as a small board needs it, in step with the table.

python -m breathmap.tools.make.board            write it
python -m breathmap.tools.make.board --check    change nothing, exit 1 when it is stale
"""

import sys
from pathlib import Path

from breathmap.protocol.wire.evidence_fields import (
    EVIDENCE,
    EVIDENCE_PART,
    LEARNER_ANSWER,
    LEARNER_REQUEST,
    LEARNER_ROW,
)
from breathmap.protocol.wire.fields import IDENTITY, SAMPLE, STATUS, FrameType
from breathmap.protocol.wire.payload import numbers_of

LAYOUT = Path(__file__).resolve().parents[1] / "board" / "layout.py"
HEAD = '''# Board-safe: runs on CPython and MicroPython alike.
"""The field table as the board needs it. Do not edit: `python -m breathmap.tools.make.board`.

Plain constants: the table itself, with its units and ranges, costs more heap than the learner.
"""

'''


def _shape(frame_type: FrameType) -> tuple[int, tuple[tuple[int, int, int, int], ...]]:
    groups = []
    for group in frame_type.groups:
        offset = 0
        for field in frame_type.fields:
            if field.name == group.count_field:
                groups.append((offset, field.raw_low, min(field.raw_high, group.most), group.size))
            offset += field.size
    return frame_type.fixed_size, tuple(groups)


def layout_text() -> str:
    """Return the module's text."""
    group = SAMPLE.groups[0]
    values: dict[str, object] = {}
    for name, frame_type in (
        ("SAMPLE", SAMPLE),
        ("REQUEST", LEARNER_REQUEST),
        ("EVIDENCE", EVIDENCE),
        ("PART", EVIDENCE_PART),
    ):
        values[name + "_SHAPE"] = _shape(frame_type)
    for name, frame_type in (
        ("REQUEST", LEARNER_REQUEST),
        ("EVIDENCE", EVIDENCE),
        ("PART", EVIDENCE_PART),
        ("IDENTITY", IDENTITY),
        ("STATUS", STATUS),
        ("ROW", LEARNER_ROW),
        ("ANSWER", LEARNER_ANSWER),
    ):
        values[name + "_FORMAT"] = frame_type.fixed_format
    rate = next(f for f in IDENTITY.fields if f.name == "sample_rate_hz")
    values["RATE_PER_HZ"] = rate.per_unit
    values["SPEED_PER_RPM"] = IDENTITY.groups[0].fields[0].per_unit
    values["LOAD_PER_UNIT"] = IDENTITY.groups[1].fields[0].per_unit
    values["VE_PER_PCT"] = LEARNER_ROW.groups[0].fields[0].per_unit
    lines = [f"{name} = {_literal(value)}" for name, value in values.items()]
    lines.append("# name, counts a unit, lowest raw, highest raw, may it be missing, bytes")
    for name, fields in (("SAMPLE_FIXED", SAMPLE.fields), ("SAMPLE_BANK", group.fields)):
        lines.append(f"{name} = (")
        lines += [f"    {_literal(entry)}," for entry in numbers_of(fields)]
        lines.append(")")
    return HEAD + "\n".join(lines) + "\n"


def _literal(value: object) -> str:
    return repr(value).replace("'", '"')


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    check = "--check" in (sys.argv[1:] if arguments is None else arguments)
    wanted = layout_text()
    if LAYOUT.exists() and LAYOUT.read_text("utf-8") == wanted:
        return 0
    if check:
        print("make_board: layout.py is stale, run make_board", file=sys.stderr)
        return 1
    LAYOUT.write_text(wanted, "utf-8", newline="\n")
    print("make_board: rewrote layout.py")
    return 0


if __name__ == "__main__":
    sys.exit(main())
