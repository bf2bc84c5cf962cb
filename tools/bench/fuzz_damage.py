"""Damage done to files for `breathmap.tools.bench.fuzz`: to bytes, to text, and within the form.

The last is the one that finds most: what is still JSON, still frames with right checks, still a
chained history, and yet says what nobody would write.
"""

import json
import random
import re
import struct
from collections.abc import Callable
from typing import Any

from breathmap.protocol.host.evidence import EvidenceError, Snapshot, from_bytes, to_bytes
from breathmap.protocol.wire.evidence_parts import BankNumbers
from breathmap.protocol.wire.framing import build_frame, cobs_decode
from breathmap.tools.job.chain import sha256_of

NUMBERS = (
    "0", "-0.0", "-1", "1", "1e-308", "5e-324", "1e308", "1e400", "-1e308", "1e6", "1e5", "999999",
    "nan", "inf", "-inf", "0.1", "1_0", "0x10", "٣", "1,5", "7", "65535", "4294967296",
    "9007199254740993", "1e-7", "9" * 5000,
)  # fmt: skip
PIECES = (
    "", "\0", "\x1b[2J", "\x1b]0;x\x07", "\x9b31m", "\u202e", "\u2028", "\r", "\n", "\n\n", ",",
    ";", "\t", '"', "'", '"""', "#", "=", "[[", "{", "}", "\\", "\\u0000", "\\ud800", "../../x",
    "[bold]", "[/]", "{{ x }}", "<script>", "%s", "true", "null", "x" * 300, "[" * 3000,
    "{a=" * 2000, "a." * 2000, "[{" * 2000, "x" * 140_000,
)  # fmt: skip
RAW = (b"\xff", b"\xff\xfe", b"\xed\xa0\x80", b"\0\0\0\0", b"\x80" * 40, b"\x1a", b"PK\x03\x04")
ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 3.5, 1e308, -1e308, 5e-324, float("nan"), float("inf"), 10**30,
    10**400, "", "x", "nan", "\x1b[2J", "\0", "<script>", "../../x", "only", [], {}, [None],
    {"only": 1}, [[1, 2], [3]], ["x"], "2026-01-01",
)  # fmt: skip
NUMBER = re.compile(rb"[-+]?\d+(\.\d+)?")
VALUE = re.compile(rb"(?<== )[^\n]+")


def anything(rng: random.Random, data: bytes) -> bytes:
    """Change, cut, double or insert bytes anywhere, a few times."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5))):
        at, length = rng.randrange(len(out) + 1), rng.choice((1, 2, 8, 64))
        kind = rng.randrange(5)
        if kind == 0:
            out[at : at + length] = rng.randbytes(min(length, len(out) - at))
        elif kind == 1:
            del out[at : at + length]
        elif kind == 2:
            del out[at:]
        elif kind == 3:
            out[at:at] = out[at : at + length * 8]
        else:
            out[at:at] = rng.choice(RAW)
    return bytes(out)


def text(rng: random.Random, data: bytes) -> bytes:
    """Put an odd number or piece in place of a number, a line, or nothing."""
    for _ in range(rng.choice((1, 1, 2))):
        lines = data.splitlines(keepends=True) or [b""]
        kind = rng.randrange(4)
        if kind == 0:
            data = _in_place(rng, data, NUMBER, rng.choice(NUMBERS))
        elif kind == 1:
            at = rng.randrange(len(data) + 1)
            data = data[:at] + rng.choice(PIECES).encode() + data[at:]
        elif kind == 2:
            lines[rng.randrange(len(lines))] = rng.choice((*PIECES, *NUMBERS)).encode() + b"\n"
            data = b"".join(lines)
        else:
            rng.shuffle(lines)
            data = b"".join(lines)
    return data


def toml_value(rng: random.Random, data: bytes) -> bytes:
    """Put an odd value in place of one of a TOML file's."""
    quoted = [json.dumps(piece, ensure_ascii=False) for piece in PIECES]
    choices = (*NUMBERS, *quoted, "[]", "{}", "[1, 2]", "2026-01-01", "12:00:00", "[[1]]")
    return _in_place(rng, data, VALUE, rng.choice(choices))


def table(rng: random.Random, data: bytes) -> bytes:
    """Put an odd cell in place of one of a CSV file's; or drop or double one, or cut the file."""
    lines = [line.split(b",") for line in data.splitlines()]
    row = rng.choice(lines) if lines else []
    at = rng.randrange(len(row) + 1)
    kind = rng.randrange(5)
    if kind < 3:
        row[at : at + 1] = [rng.choice((*NUMBERS, *PIECES)).encode()]
    elif kind == 3:
        row[at:at] = row[at : at + 1]
    else:
        return data[: rng.randrange(len(data) + 1)]
    return b"\n".join(b",".join(cells) for cells in lines) + b"\n"


def _in_place(rng: random.Random, data: bytes, what: re.Pattern[bytes], new: str) -> bytes:
    found = list(what.finditer(data))
    if not found:
        return data
    start, end = rng.choice(found).span()
    return data[:start] + new.encode() + data[end:]


def odd_value(rng: random.Random, value: Any) -> Any:
    """Return a JSON value with one thing in it changed, dropped or added."""
    if isinstance(value, (dict, list)) and value and rng.random() < 0.9:
        keys: list[Any] = list(value) if isinstance(value, dict) else list(range(len(value)))
        key = rng.choice(keys)
        if rng.random() < 0.1:
            del value[key]
        else:
            value[key] = odd_value(rng, value[key])
        return value
    return rng.choice(ODD)


def json_text(rng: random.Random, data: bytes) -> bytes:
    """Change one value of a JSON file, which stays JSON."""
    try:
        value = json.loads(data)
    except ValueError:
        return data
    return json.dumps(odd_value(rng, value)).encode()


def history(rng: random.Random, data: bytes) -> bytes:
    """Change one value of a history, and chain its records anew."""
    try:
        records = [json.loads(line) for line in data.splitlines()]
    except ValueError:
        return data
    at = rng.randrange(len(records))
    records[at] = odd_value(rng, records[at])
    lines: list[bytes] = []
    for number, record in enumerate(records, start=1):
        if isinstance(record, dict):
            if rng.random() < 0.95:
                record["number"] = number
            record["previous"] = sha256_of(lines[-1]) if lines else ""
        lines.append(json.dumps(record).encode() + b"\n")
    return b"".join(lines)


def frames(rng: random.Random, data: bytes) -> bytes:
    """Change payloads and headers behind right checks; drop, double and mix frames."""
    runs = [run for run in data.split(b"\0") if run]
    out: list[bytes] = []
    for run in runs:
        out.append(run + b"\0")
    for _ in range(rng.choice((1, 3, 20))):
        at = rng.randrange(len(out) + 1)
        kind = rng.randrange(4)
        if kind == 0 and at < len(out):
            del out[at]
        elif kind == 1 and out:
            out.insert(at, rng.choice(out))
        elif at < len(out):
            out[at] = _frame_again(rng, out[at])
    return b"".join(out)


def _frame_again(rng: random.Random, wire: bytes) -> bytes:
    try:
        body = bytearray(cobs_decode(wire[:-1])[:-4])
        _, kind, sequence, time_us = struct.unpack_from("<BBHI", body)
    except (ValueError, struct.error):
        return wire
    payload = body[8:]
    for _ in range(rng.choice((1, 2, 6))):
        if payload:
            payload[rng.randrange(len(payload))] = rng.choice((0, 1, 2, 127, 128, 255))
    if rng.random() < 0.1:
        kind = rng.randrange(256)
    if rng.random() < 0.1:
        time_us = rng.choice((0, 1, 2**31, 2**32 - 1))
    if rng.random() < 0.1:
        payload = payload[: rng.randrange(len(payload) + 1)]
    return build_frame(kind, sequence, time_us, bytes(payload))


def evidence(rng: random.Random, data: bytes) -> bytes:
    """Change numbers and heads of evidence, every check over them being right."""
    try:
        snapshot = from_bytes(data)
    except EvidenceError:
        return data
    heads, numbers = [dict(head) for head in snapshot.heads], snapshot.numbers
    for head, bank in zip(heads, numbers, strict=True):
        _spoil(rng, bank)
        head["data_crc"] = bank.crc()
        if rng.random() < 0.3:
            name = rng.choice(sorted(head))
            if isinstance(head[name], int):
                head[name] = rng.choice((0, 1, 2, 3, 4, 8, 16, 255, 65535, 2**32 - 1))
    try:
        return to_bytes(Snapshot(tuple(heads), numbers))
    except (ValueError, struct.error):
        return data


def _spoil(rng: random.Random, bank: BankNumbers) -> None:
    factors: tuple[Callable[[float], float], ...] = (
        lambda x: -x, lambda x: 0.0, lambda x: 1e29, lambda x: -1e29, lambda x: x * 1e6,
        lambda x: x + 1.0, lambda x: float("nan"), lambda x: float("inf"), lambda x: 1e-300,
    )  # fmt: skip
    change = rng.choice(factors)
    values = rng.choice((bank.doubles, bank.cells, bank.border))
    for k in range(len(values)) if rng.random() < 0.2 else [rng.randrange(max(1, len(values)))]:
        if k < len(values):
            values[k] = change(values[k])
