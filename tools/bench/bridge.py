"""What the C kit costs on a small microcontroller: cycles per frame, bytes of flash and RAM.

    python -m breathmap.tools.bench.bridge

The programs are compiled with avr-gcc and run on an emulated ATmega328P (libsimavr), whose counter
of cycles is exact for the instructions executed. Needs the packages gcc-avr, avr-libc and
libsimavr-dev, libelf-dev; works in a temporary folder.
"""

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

from breathmap.tools.base.errors import UserError

KIT = Path(__file__).resolve().parents[2] / "protocol" / "bridge"
MCU = "atmega328p"
CLOCK_HZ = 16_000_000
PERIOD_S = 0.02
AVR = ["avr-gcc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-Os", f"-mmcu={MCU}"]
HOST = ["gcc", "-std=gnu99", "-O2"]
EMULATOR = ["-lsimavr", "-lelf"]
PACKAGES = "apt-get install gcc gcc-avr avr-libc binutils-avr make libsimavr-dev libelf-dev"


@dataclass(frozen=True)
class Cost:
    """One measured operation: cycles, and bytes of the frame on the wire."""

    what: str
    cycles: int
    wire_bytes: int


@dataclass(frozen=True)
class Size:
    """Bytes of one program: flash (code, constants, initial values) and static RAM."""

    what: str
    flash_bytes: int
    ram_bytes: int


def call(*command: object) -> str:
    """Run a program and return what it printed. Raises UserError when it fails."""
    words = [str(word) for word in command]
    if shutil.which(words[0]) is None:
        raise UserError(f"no {words[0]} here; {PACKAGES}")
    done = subprocess.run(words, capture_output=True, text=True, timeout=300)
    if done.returncode != 0:
        trouble = (done.stderr or done.stdout).strip().splitlines() or ["it gave no reason"]
        raise UserError(f"{Path(words[0]).name}: {trouble[0]}; {PACKAGES}")
    return done.stdout


def size_of(what: str, elf: Path) -> Size:
    """Return the size of a program or object file."""
    text, data, bss = map(int, call("avr-size", elf).splitlines()[1].split()[:3])
    return Size(what, text + data, data + bss)


def measure(folder: Path) -> tuple[list[Cost], list[Size]]:
    """Build everything in `folder`, run it, and return what it cost."""
    link = KIT / "breathmap_link.c"
    call(*AVR, "-c", link, "-o", folder / "link.o")
    call(*AVR, link, KIT / "sim" / "bench.c", "-o", folder / "bench.elf")
    call("make", "-C", KIT / "avr", f"OUT={folder}")
    call(*HOST, KIT / "sim" / "run_elf.c", *EMULATOR, "-o", folder / "run_elf")
    costs = []
    for line in call(folder / "run_elf", folder / "bench.elf", MCU).splitlines():
        # What was measured may hold commas itself.
        what, cycles, wire_bytes = line.rsplit(",", 2)
        costs.append(Cost(what, int(cycles), int(wire_bytes)))
    sizes = [
        size_of("encoder and reader, all frames", folder / "link.o"),
        size_of("reference bridge, whole firmware", folder / "bridge.elf"),
    ]
    return costs, sizes


def cost_table(costs: list[Cost]) -> Table:
    """Return the cycles as a table for people."""
    table = Table(title=f"On an emulated {MCU} at {CLOCK_HZ // 10**6} MHz", title_justify="left")
    table.add_column("operation")
    for heading in ("bytes", "cycles", "a byte", "ms", "of 20 ms"):
        table.add_column(heading, justify="right", no_wrap=True)
    for cost in costs:
        seconds = cost.cycles / CLOCK_HZ
        table.add_row(
            cost.what,
            str(cost.wire_bytes),
            f"{cost.cycles:,}",
            f"{cost.cycles / cost.wire_bytes:.0f}",
            f"{1000 * seconds:.2f}",
            f"{100 * seconds / PERIOD_S:.1f} %",
        )
    return table


def size_table(sizes: list[Size]) -> Table:
    """Return the sizes as a table for people."""
    table = Table(title="Size, avr-gcc -Os", title_justify="left")
    table.add_column("program")
    table.add_column("flash, bytes", justify="right")
    table.add_column("static RAM, bytes", justify="right")
    for size in sizes:
        table.add_row(size.what, f"{size.flash_bytes:,}", f"{size.ram_bytes:,}")
    return table


def main() -> int:
    """Run the command; return its exit code."""
    console = Console()
    try:
        with tempfile.TemporaryDirectory() as folder:
            costs, sizes = measure(Path(folder))
    except UserError as error:
        print(f"bench_bridge: {error}", file=sys.stderr)
        return 2
    console.print(cost_table(costs))
    console.print(size_table(sizes))
    return 0


if __name__ == "__main__":
    sys.exit(main())
