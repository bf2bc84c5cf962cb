"""Runs on a board's Python: checks every vector, and prints what the heap had to give.

micropython -X heapsize=96k board_vectors.py PATH_OF_THE_ROOMS PATH_OF_VECTORS_JSON
"""

import gc
import json
import sys

sys.path.insert(0, sys.argv[1])
# Collect often: what stays then lies close together, and compiling finds room beside it.
gc.threshold(4096)
gc.collect()
before = gc.mem_alloc()

from breathmap.protocol.wire.device import (  # noqa: E402
    FrameReader,
    build_frame,
    decode_sample_into,
    encode_sample,
    pack_payload,
    unpack_payload,
)
from breathmap.protocol.wire.fields import SAMPLE  # noqa: E402
from breathmap.protocol.wire.payload import frame_type_of  # noqa: E402
from breathmap.protocol.wire.sample import Sample  # noqa: E402
from breathmap.protocol.wire.samples import SampleAssembler  # noqa: E402

gc.collect()
print("import_bytes", gc.mem_alloc() - before)


def alike(got, wanted):
    # A board's JSON reader may be off by a last place; null stands for NaN.
    if isinstance(wanted, dict):
        return len(got) == len(wanted) and all(alike(got[k], wanted[k]) for k in wanted)
    if isinstance(wanted, list):
        return len(got) == len(wanted) and all(map(alike, got, wanted))
    if wanted is None:
        return got != got
    if isinstance(wanted, str):
        return got == wanted
    return abs(got - wanted) <= 1e-9 * abs(wanted)


def check_frame(vector):
    frame_type = frame_type_of(vector["type"])
    assert frame_type is not None, "type"
    payload = bytes.fromhex(vector["payload"])
    if "values" in vector:
        assert pack_payload(frame_type, vector["values"]) == payload, "payload"
    assert alike(unpack_payload(frame_type, payload), vector["decoded"]), "decoded"
    wire = build_frame(vector["type"], vector["sequence"], vector["time_us"], payload)
    assert wire.hex() == vector["wire"], "wire"
    if frame_type.name == "sample" and "values" in vector:
        sample = Sample()
        decode_sample_into(payload, sample)
        assert encode_sample(sample) == payload, "sample"


def check_stream(vector):
    data = bytes.fromhex(vector["bytes"])
    for size in (1, 7, len(data)):
        reader = FrameReader()
        events = []
        for at in range(0, len(data), size):
            reader.feed(data[at : at + size])
            while True:
                event = reader.next_event()
                if event is None:
                    break
                found = [event.kind]
                found.extend([v.hex() if isinstance(v, bytes) else v for v in event.values()])
                events.append(found)
        assert events == vector["events"], events
        assert reader.pending_bytes == vector["pending_bytes"], reader.pending_bytes


def next_vector(lines):
    # One line at a time, and nothing of the one before: the whole file would not fit.
    gc.collect()
    line = lines.readline()
    if not line.startswith('{"'):
        return line
    line = line[: line.rfind("}") + 1]
    gc.collect()
    return json.loads(line)


def check_all(path):
    counts = {"frames": 0, "streams": 0}
    check, kind = check_frame, "frames"
    with open(path) as lines:
        while True:
            vector = next_vector(lines)
            if vector == "":
                break
            if isinstance(vector, dict):
                try:
                    check(vector)
                except Exception:
                    print("failed", vector["name"])
                    raise
                counts[kind] += 1
            elif vector.startswith('"optional_frames"'):
                break
            elif vector.startswith('"frames"'):
                check, kind = check_frame, "frames"
            elif vector.startswith('"streams"'):
                check, kind = check_stream, "streams"
            vector = None
    print("frames", counts["frames"])
    print("streams", counts["streams"])


def read_loop(rounds):
    # What a board does for hours: read, decode into one sample, send.
    reader = FrameReader()
    assembler = SampleAssembler(reuse=True)
    sample = Sample(2)
    sample.speed_rpm = 3000.0
    for number in range(rounds):
        reader.feed(build_frame(SAMPLE.number, number, number * 40000, encode_sample(sample)))
        while True:
            event = reader.next_event()
            if event is None:
                break
            assembler.take(event)
        if number == 10:
            gc.collect()
            settled = gc.mem_alloc()
    gc.collect()
    assert reader.counters.frames == rounds
    return gc.mem_alloc() - settled


check_all(sys.argv[2])
print("loop_growth_bytes", read_loop(2000))
