# For MicroPython: runs there only, started by tools/install/heap.py or tools/install/heap.mjs.
"""The board's application on a recorded ride, its heap watched.

    micropython heap_run.py heap FOLDER RIDE IMAGE    what stays alive through the ride
    micropython heap_run.py kinds FOLDER RIDE IMAGE STAGE    what 1,000 samples allocate

FOLDER holds engine.txt and takes the evidence, IMAGE is the ROM image with the modules.
"""

import gc
import sys

TYPE_CHECKING = False  # no board has the module that it usually comes from
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Any

    from breathmap.protocol.wire.sample import Sample
    from breathmap.tools.board.app import Application
    from breathmap.tools.board.hardware import LineSource

collector: "Any" = gc  # MicroPython's, which has more than CPython's
collector.threshold(4096)  # as main.py does

STEPS_A_LOOK = 100
STEP_S = 0.3  # a step's 128 bytes are three samples of two banks
STEADY_FROM, STEADY_TO = 250, 583  # a thousand samples, within three minutes at 10 Hz
# Samples that are looked at: many where a rare object may not be, fewer where the mean counts.
COUNTED = {"learn": 500, "frames": 250, "control": 50}
app: "Application"
source: "LineSource"
allocated = 0


class Host:
    """A host's port that takes everything."""

    def write(self, frame: bytes) -> bool:
        """Always room."""
        return True


def mount(image: bytes) -> None:
    """Put the modules in place as a board does at its start with its ROM partition."""
    import vfs

    vfs.mount(vfs.VfsRom(image), "/rom")
    sys.path.insert(0, "/rom")


def begin(folder: str, ride: str) -> None:
    """Start the application, its line being the recorded ride."""
    global app, source
    import os

    from breathmap.tools.board import hardware

    if not hasattr(os, "urandom"):
        hardware.random32 = lambda: 1
    port = hardware.FilePort(ride)
    app, source = hardware.build(folder, Host(), lambda engine: hardware.LineSource(port))
    collector.collect()
    collector.threshold(-1)  # as hardware.run does


def step() -> bool:
    """Take the next bytes of the ride and what they hold; False at its end."""
    source.step(app)
    app.tick(STEP_S)
    return not source.ended


def counted_step() -> bool:
    """The same where no collection comes within it: `allocated` grows by what it takes."""
    global allocated
    before = collector.mem_alloc()
    going = step()
    allocated += collector.mem_alloc() - before
    return going


def seen() -> int:
    """Samples learned from so far."""
    return app.learner.banks[0].seen_count


def facts() -> "Iterator[tuple[str, int]]":
    """Yield (name, value) of what does not depend on the interpreter."""
    number_bytes = 4 if app.engine.typecode == "f" else 8
    arrays = 0
    for bank in app.learner.banks:
        evidence = bank.evidence
        arrays += number_bytes * (len(evidence.cells) + len(evidence.border))
        arrays += number_bytes * len(bank.table.cells)
    yield "arrays", arrays
    yield "allocated", allocated
    yield "seen", seen()
    yield "learned", app.learner.banks[0].used_count
    yield "saved", app.slots.snapshot


def say_facts() -> None:
    """Print them."""
    for name, value in facts():
        print(name, value)


def heap(folder: str, ride: str) -> None:
    """Run the whole ride where a collection may come at any moment; print what stays alive."""

    def alive() -> int:
        collector.collect()
        held: int = collector.mem_alloc()
        return held

    begin(folder, ride)
    most = built = alive()
    count = 0
    steady = 0
    while step():
        count += 1
        if count % STEPS_A_LOOK == 0:
            most = max(most, alive())
        if count == STEADY_FROM:
            steady = alive()
        if count == STEADY_TO:
            steady = alive() - steady
    print("built", built)
    print("most", most)
    print("end", alive())
    print("steady", steady)
    say_facts()


class Payloads:
    """In the application's place: keeps the samples' payloads."""

    def __init__(self) -> None:
        self.kept: "list[bytes]" = []

    def take(self, sample: "Sample", payload: bytes) -> None:
        """Keep one."""
        self.kept.append(bytes(payload))

    def tick(self, dt_s: float) -> None:
        """Nothing to do."""


def kinds(folder: str, ride: str, stage: str) -> None:
    """Print the heap's map before and after some samples: learned from, read and sent as whole
    frames, or (a control) none, with a tuple and a list made for each."""
    import micropython

    from breathmap.protocol.wire.sample import Sample
    from breathmap.tools.board import wire

    counted = COUNTED[stage]
    begin(folder, ride)
    while seen() < 250:
        step()
    payloads = Payloads()
    while len(payloads.kept) < counted + 10:
        source.step(payloads)
    sample = Sample(2)
    sample.time_us = app.time_us

    def learn(first: int, count: int) -> None:
        for k in range(first, first + count):
            wire.decode_sample(payloads.kept[k], sample)
            sample.time_us += 100_000
            app.learner.learn_one(sample)

    def frames(first: int, count: int) -> None:
        target = seen() + count
        while seen() < target:
            source.step(app)

    held: "list[Any]" = [None] * (counted + 10)

    def control(first: int, count: int) -> None:
        for k in range(first, first + count):
            held[k] = (k, [k])

    run = {"learn": learn, "frames": frames, "control": control}[stage]
    run(0, 10)
    collector.collect()
    collector.disable()
    micropython.mem_info(1)
    before, samples = collector.mem_alloc(), seen()
    run(10, counted)
    after = collector.mem_alloc()
    print("allocated", after - before)
    print("samples", seen() - samples if stage == "frames" else counted)
    micropython.mem_info(1)


if __name__ == "__main__" and len(sys.argv) > 4:
    with open(sys.argv[4], "rb") as file:
        in_heap = file.read()
    mount(in_heap)
    if sys.argv[1] == "heap":
        print("image", len(in_heap))
        heap(sys.argv[2], sys.argv[3])
    else:
        kinds(sys.argv[2], sys.argv[3], sys.argv[5])
