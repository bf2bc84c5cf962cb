"""What the C learner takes on a bare board: RAM, flash, and instructions a sample of one bank.

    python -m breathmap.tools.bench.c_board [--minutes N]

Builds the example of learner/c/board in single precision for a Cortex-M4F and runs it under qemu on
a simulated ride, for tables of several sizes. Arithmetic is in double, which that core has no unit
for: most of the instructions are that. Exit codes: 0 done, 2 a program is missing (one line says
which).
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.tools.base.errors import UserError
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare
from breathmap.tools.make.engine import header_text

TOP = Path(__file__).resolve().parents[2]
CORE, KIT = TOP / "learner/c", TOP / "protocol/bridge"
RIDE = "ride.bin"
BOARD = "qemu.c"  # the one file that an engine's header goes into
SLOTS = ("slot-0.bin", "slot-1.bin")
# By core: what the compiler is told, and a board of qemu that has it.
CORES = {
    "cortex-m4": (["-mcpu=cortex-m4", "-mfpu=fpv4-sp-d16"], "mps2-an386"),
    "cortex-m7": (["-mcpu=cortex-m7", "-mfpu=fpv5-d16"], "mps2-an500"),
}
FLAGS = (
    "-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-ffp-contract=off", "-O2", "-mthumb",
    "-mfloat-abi=hard", "-DBREATHMAP_REAL=float", "-nostartfiles", "-ffunction-sections",
    "-Wl,--gc-sections",
)  # fmt: skip
PACKAGES = "apt-get install gcc-arm-none-eabi libnewlib-arm-none-eabi qemu-system-arm"
# SysTick counts the core's clock of 25 MHz; with one instruction a nanosecond a tick is so many.
INSTRUCTIONS_A_TICK = 40
SIZES = (8, 12, 16, 24, 32)


def call(words: Sequence[object], folder: Path) -> str:
    """Run a program in a folder; return what it said on both outputs. Raises UserError."""
    command = [str(word) for word in words]
    if shutil.which(command[0]) is None:
        raise UserError(f"no {command[0]} here; {PACKAGES}")
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=900)
    if done.returncode:
        said = (done.stderr or done.stdout).strip().splitlines() or ["it gave no reason"]
        raise UserError(f"{command[0]}: {said[-1]}")
    return done.stdout + done.stderr


def compile_core(folder: Path, core: str) -> list[Path]:
    """Compile into a folder what of the example knows no engine; return the objects."""
    sources = [path for path in sorted(CORE.glob("*.c")) if path.name != "host.c"]
    sources += [path for path in sorted((CORE / "board").glob("*.c")) if path.name != BOARD]
    sources += [KIT / "breathmap_link.c", KIT / "breathmap_bulk.c"]
    call([*_compiler(core, folder), "-c", *sources], folder)
    return [(folder / path.name).with_suffix(".o") for path in sources]


def build(
    folder: Path,
    settings: Settings,
    core: str,
    objects: Sequence[Path],
    learner_bytes: int = 32_768,
    name: str = "bench",
) -> Path:
    """Build the example for an engine of that name in a folder, of what `compile_core` has made;
    return the program."""
    (folder / "engine.h").write_text(header_text(name, settings), "utf-8")
    # The kit's map, with as much memory as the emulated board has.
    script = (KIT / "selftest/cortex_m.ld").read_text("utf-8").replace("= 64K", "= 2M")
    (folder / "board.ld").write_text(script, "utf-8")
    words = [*_compiler(core, folder), f"-DLEARNER_BYTES={learner_bytes}u", "-T", "board.ld"]
    call([*words, CORE / "board" / BOARD, *objects, "-lm", "-o", "board.elf"], folder)
    return folder / "board.elf"


def _compiler(core: str, folder: Path) -> list[object]:
    include = [word for path in (folder, CORE, CORE / "board", KIT) for word in ("-I", path)]
    return ["arm-none-eabi-gcc", *FLAGS, *CORES[core][0], *include]


def emulator(program: Path, core: str, serial: str = "none") -> list[str]:
    """Return the command that runs the example; serial: what qemu takes for the host's line."""
    words = ["qemu-system-arm", "-M", CORES[core][1], "-nographic", "-monitor", "none"]
    words += ["-serial", serial, "-semihosting-config", "enable=on,target=native"]
    return [*words, "-kernel", str(program)]


def run(program: Path, core: str, counting: bool = False) -> dict[str, int]:
    """Run the example beside its ride; return the numbers that it says, by name.

    counting: one instruction takes one nanosecond, which is slower to emulate.
    """
    words = [*emulator(program, core), *(["-icount", "shift=0"] if counting else [])]
    said = call(words, program.parent)
    lines = [line.rpartition(" ") for line in said.splitlines() if line]
    return {name: int(number) for name, _, number in lines}


def engine(size: int, banks: int) -> Settings:
    """An invented engine with square tables of so many breakpoints, in single precision."""
    speeds = np.linspace(800.0, 7000.0, size).tolist()
    loads = np.linspace(20.0, 105.0, size).tolist()
    return Settings(
        [
            BankSettings(f"bank {k}", Table(speeds, loads, [60.0] * size**2, "f"), DelayModel())
            for k in range(banks)
        ],
        sample_rate_hz=25.0,
    )


def measure(folder: Path, objects: Sequence[Path], size: int, banks: int, ride: bytes) -> str:
    """Return a row of the table."""
    (folder / RIDE).write_bytes(ride)
    for name in SLOTS:
        (folder / name).unlink(missing_ok=True)
    program = build(folder, engine(size, banks), "cortex-m4", objects, 600_000)
    said = run(program, "cortex-m4", counting=True)
    sizes = call(["arm-none-eabi-size", program], folder).splitlines()[1].split()
    instructions = said["ticks a sample"] * INSTRUCTIONS_A_TICK // banks
    return (
        f"| {size} × {size} × {banks} | {said['learner bytes']:,} | {said['application bytes']} "
        f"| {int(sizes[0]):,} | {instructions:,} |"
    )


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="bench_c_board", description="Measure the bare board.")
    parser.add_argument("--minutes", type=float, default=1.0, help="of simulated riding")
    options = parser.parse_args(arguments)
    ride = b"".join(f for _, f in frames_on_cable(prepare(Order(minutes=options.minutes))))
    print("| table | learner, bytes of RAM | application | flash | instructions a bank-sample |")
    print("|---|---|---|---|---|")
    try:
        with tempfile.TemporaryDirectory() as place:
            objects = compile_core(Path(place), "cortex-m4")
            for size in SIZES:
                for banks in (1, 2):
                    print(measure(Path(place), objects, size, banks, ride), flush=True)
    except UserError as error:
        print(f"bench_c_board: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
