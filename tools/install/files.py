"""What goes onto a board: the engine file, compiled modules, a ROM image; and the heap it needs.

The modules are those of this tree, compiled with mpy-cross where it is installed: a board that
compiles for itself needs more heap than it has.
"""

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from breathmap.learner.core.kernel import PER_CELL
from breathmap.learner.core.settings import Settings
from breathmap.learner.words.description import EngineDescription
from breathmap.tools.base.errors import UserError
from breathmap.tools.board.engine import FORMAT

ROOT = Path(__file__).resolve().parents[2]
# In the order in which one imports the other; what is not named here a board does not need.
MODULES = (
    *(f"protocol/wire/{name}.py" for name in (
        "codes", "evidence_codes", "evidence_parts", "events", "framing", "reader", "sample",
        "samples", "shapes",
    )),
    *(f"learner/core/{name}.py" for name in (
        "gates", "history", "kernel", "lean", "settings", "single_precision", "snapshot", "stream",
        "table",
    )),
    *(f"tools/board/{name}.py" for name in (
        "app", "engine", "hardware", "inputs", "layout", "slots", "wire",
    )),
)  # fmt: skip
TOP = "breathmap"
# Their own modules may want what a board lacks, so there they are empty folders.
PACKAGES = (
    TOP,
    *(f"{TOP}/{name}" for name in (
        "protocol", "protocol/wire", "learner", "learner/core", "tools", "tools/board",
    )),
)  # fmt: skip
ENGINE_FILE = "engine.txt"
BOARD_FILE = "board.json"
LINE_BOARD = {"host": {}, "source": "line", "line": {"uart": 1, "baud": 115200}}
MPREMOTE = "mpremote is not installed, so nothing was copied: pip install mpremote"
# What stays alive in a heap of 32-bit words, measured (tools/install/heap.py): all but the arrays
# over the table with the modules in ROM, and what their code adds when they are loaded from files.
FIXED_BYTES = 48_500
CODE_BYTES = 28_800
# A part of the heap that must be free, or the board collects garbage more than it learns.
SPARE = 0.25


def engine_text(
    description: EngineDescription, tables: list[list[float]], number_bytes: int = 4
) -> str:
    """Return the engine file of a board: settings, then per bank a line and its table's rows."""
    settings = description.settings(tables)
    limits = description.alarm_limits()
    width = len(description.axes.speed_rpm)
    head = {
        "format": FORMAT,
        "engine": description.engine.name,
        "load_is_throttle": settings.load_is_throttle,
        "sensor_kind": settings.sensor_kind,
        "closed_loop": settings.closed_loop,
        "film_s": settings.film_s,
        "film_terms": settings.film_terms,
        "charge_lead": settings.charge_lead,
        "sample_rate_hz": settings.sample_rate_hz,
        "history_s": settings.history_s,
        "noise": settings.noise,
        "number_bytes": number_bytes,
        "limits": {k: v for k, v in vars(settings.limits).items() if isinstance(v, float | int)},
        "lean": [limits.lean_load, limits.lean_lambda, limits.target_load, limits.above_target],
        "speed_rpm": list(description.axes.speed_rpm),
        "load": list(description.axes.load),
        "banks": len(settings.banks),
    }
    lines = [json.dumps(head)]
    for bank, cells in zip(settings.banks, tables, strict=True):
        delay = bank.delay
        model = [delay.cycles, delay.exhaust_volume_cm3, delay.sensor_lag_s]
        model += [delay.exhaust_temp_k, delay.swept_cm3]
        lines.append(json.dumps({"name": bank.name, "delay": model}))
        lines += [json.dumps(cells[k : k + width]) for k in range(0, len(cells), width)]
    return "\n".join(lines) + "\n"


def write_modules(folder: Path, compiler: str | None) -> None:
    """Write the board's modules and starter into a folder, compiled where there is a compiler."""
    for package in PACKAGES:
        (folder / package).mkdir(parents=True, exist_ok=True)
        # A package's own module may want what a board lacks; here it only says that it is one.
        (folder / package / "__init__.py").write_text("", "utf-8")
    for name in MODULES:
        target = folder / TOP / name
        if compiler is None:
            shutil.copyfile(ROOT / name, target)
            continue
        command: list[str | Path] = [compiler, "-O3", "-o", target.with_suffix(".mpy"), ROOT / name]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        if done.returncode:
            raise UserError(f"mpy-cross: {name}: {done.stderr.strip() or 'failed'}")
    shutil.copyfile(ROOT / "tools" / "board" / "main.py", folder / "main.py")


def find_program(name: str) -> str | None:
    """Return the path of a program beside this interpreter or on the path."""
    beside = Path(sys.executable).with_name(name)
    return str(beside) if beside.exists() else shutil.which(name)


def rom_image(folder: Path) -> bytes:
    """Return the image of a ROM file system with a folder's packages: what is in it costs the heap
    no bytecode. UserError without mpremote, which knows the format."""
    program = find_program("mpremote")
    if program is None:
        raise UserError(MPREMOTE)
    with tempfile.TemporaryDirectory() as temporary:
        content, image = Path(temporary) / "content", Path(temporary) / "rom.img"
        shutil.copytree(folder / TOP, content / TOP)
        command = [program, "romfs", "--no-mpy", "--output", str(image), "build", str(content)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        if done.returncode or not image.exists():
            trouble = (done.stderr or done.stdout).strip().splitlines() or ["it gave no reason"]
            raise UserError(f"mpremote: romfs build: {trouble[-1]}; 1.25 or later is needed")
        return image.read_bytes()


def heap_bytes(settings: Settings, number_bytes: int, in_rom: bool) -> int:
    """Return about how large a board's heap must be, a quarter to spare: 32-bit words."""
    table = settings.banks[0].table
    numbers = PER_CELL + len(settings.term_names()) + 1  # evidence, border, the table itself
    arrays = number_bytes * numbers * table.speed_count * table.load_count * len(settings.banks)
    alive = FIXED_BYTES + arrays + (0 if in_rom else CODE_BYTES)
    return int(alive / (1.0 - SPARE))
