"""Keeps protocol/SPEC.md and protocol/vectors.json in step with the field table.

    python -m breathmap.tools.make.spec            fill in new vectors, rewrite the marked blocks
    of SPEC.md python -m breathmap.tools.make.spec --check    change nothing, exit 1 when either
    file is stale python -m breathmap.tools.make.spec --rewrite  also change what existing vectors
    expect

To add a vector, write its inputs into vectors.json on a line of its own: a frame needs `name`,
`about`, `type`, `sequence`, `time_us` and `values` (or a raw `payload`), a stream `name`, `about`
and `bytes`. What is there already is pinned: a change of wire bytes needs --rewrite.
"""

import argparse
import json
import re
import sys
from pathlib import Path
from typing import Any

from breathmap.protocol.book.declaration import build_declared, parse_declared
from breathmap.protocol.book.tables import blocks
from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.wire.device import FrameReader, build_frame, cobs_decode
from breathmap.protocol.wire.events import NEED_DATA, Event
from breathmap.protocol.wire.fields import PROTOCOL_VERSION
from breathmap.protocol.wire.payload import frame_type_of

ROOM = Path(__file__).resolve().parents[2] / "protocol"
SPEC = ROOM / "SPEC.md"
VECTORS = ROOM / "vectors.json"
BLOCK = re.compile(r"(<!-- generated: ([a-z_ ]+) -->\n).*?(<!-- end -->)", re.DOTALL)

Vector = dict[str, Any]


class StaleError(Exception):
    """Something that is written down is not what the field table gives."""


def event_as_list(event: Event) -> list[Any]:
    """Return an event as it stands in vectors.json: kind, then values, payload in hex."""
    values = [v.hex() if isinstance(v, bytes) else v for v in event.values()]
    return [event.kind, *values]


def without_nan(value: Any) -> Any:
    """Return a decoded value with None for NaN, which JSON does not have."""
    if isinstance(value, dict):
        return {key: without_nan(v) for key, v in value.items()}
    if isinstance(value, list):
        return [without_nan(v) for v in value]
    return None if value != value else value


def frame_results(vector: Vector) -> Vector:
    """Return what a frame vector must expect, computed from its inputs by the declaration."""
    frame_type = frame_type_of(vector["type"], ALL_FRAMES)
    if frame_type is None:
        raise StaleError(f"vector {vector['name']}: type {vector['type']} is not in the table")
    if "values" in vector:
        payload = build_declared(frame_type, vector["values"])
    else:
        payload = bytes.fromhex(vector["payload"])
    wire = build_frame(vector["type"], vector["sequence"], vector["time_us"], payload)
    return {
        "payload": payload.hex(),
        "decoded": without_nan(parse_declared(frame_type, payload)),
        "crc": _crc_of(wire),
        "wire": wire.hex(),
    }


def _crc_of(wire: bytes) -> str:
    return cobs_decode(wire[:-1])[-4:].hex()


def stream_results(vector: Vector) -> Vector:
    """Return what a stream vector must expect: its events, and the bytes left unfinished."""
    reader = FrameReader()
    reader.feed(bytes.fromhex(vector["bytes"]))
    events = []
    while (event := reader.next_event()) is not NEED_DATA:
        events.append(event_as_list(event))
    return {"events": events, "pending_bytes": reader.pending_bytes}


# What vectors.json holds, in this order; a small board stops reading before the optional frames.
KINDS = {"frames": frame_results, "streams": stream_results, "optional_frames": frame_results}


def completed(vectors: dict[str, Any], rewrite: bool) -> dict[str, Any]:
    """Return the vectors with every expectation filled in.

    Raises StaleError when one that is there already would change and `rewrite` is off.
    """
    made: dict[str, Any] = {"protocol_version": PROTOCOL_VERSION}
    for kind, results_of in KINDS.items():
        made[kind] = []
        for vector in vectors[kind]:
            results = results_of(vector)
            for key, value in results.items():
                if not rewrite and vector.get(key, value) != value:
                    raise StaleError(
                        f"vector {vector['name']}: {key} would change from {vector[key]} to "
                        f"{value}; old readers would not understand it. If that is meant, "
                        f"use --rewrite"
                    )
            made[kind].append({**vector, **results})
    return made


def vectors_text(vectors: dict[str, Any]) -> str:
    """Return vectors.json: one vector a line, so that a small board can read it line by line."""
    parts = [f'"protocol_version": {vectors["protocol_version"]}']
    for kind in KINDS:
        lines = ",\n".join(json.dumps(v, ensure_ascii=True) for v in vectors[kind])
        parts.append(f'"{kind}": [\n{lines}\n]')
    return "{\n" + ",\n".join(parts) + "\n}\n"


def spec_text(text: str, vectors: dict[str, Any]) -> str:
    """Return SPEC.md with its marked blocks made anew."""
    made = blocks(vectors)
    found = [match.group(2) for match in BLOCK.finditer(text)]
    if sorted(found) != sorted(made):
        odd = sorted(set(found) ^ set(made))
        raise StaleError(f"SPEC.md: each generated block must stand in it once, see {odd}")
    return BLOCK.sub(lambda m: f"{m[1]}\n{made[m[2]]}\n\n{m[3]}", text)


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="make_spec", description="Keep the wire spec in step.")
    parser.add_argument("--check", action="store_true", help="change nothing, exit 1 when stale")
    parser.add_argument("--rewrite", action="store_true", help="let pinned vectors change")
    options = parser.parse_args(arguments)
    try:
        vectors = completed(json.loads(VECTORS.read_text("utf-8")), options.rewrite)
        wanted = {
            VECTORS: vectors_text(vectors),
            SPEC: spec_text(SPEC.read_text("utf-8"), vectors),
        }
    except StaleError as error:
        print(f"make_spec: {error}", file=sys.stderr)
        return 1
    stale = [path for path, text in wanted.items() if path.read_text("utf-8") != text]
    for path in stale:
        if options.check:
            print(f"make_spec: {path.name} is stale, run make_spec", file=sys.stderr)
        else:
            path.write_text(wanted[path], "utf-8", newline="\n")
            print(f"make_spec: rewrote {path.name}")
    return 1 if stale and options.check else 0


if __name__ == "__main__":
    sys.exit(main())
