"""Onto a board with mpremote: the modules into its ROM partition where it has one, else as files.

Bytecode in a ROM partition runs where it lies; from files it is loaded into the heap. The board's
current folder comes before the ROM in its search for modules, so an earlier copy there is removed,
and at the end the board itself is asked where its modules come from.
"""

import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from breathmap.tools.base.errors import UserError
from breathmap.tools.install.files import (
    ENGINE_FILE,
    MODULES,
    MPREMOTE,
    PACKAGES,
    TOP,
    find_program,
    rom_image,
)

MPREMOTE_S = 180.0
STARTER = "main.py"
PARTITION = re.compile(r"ROMFS(\d+) partition has size (\d+) bytes")
MAKE = """import os; names = {names}
for name in names:
    try: os.mkdir(name)
    except OSError: pass"""
REMOVE = """import os
for name in {names}:
    for end in ('.mpy', '.py'):
        try: os.remove(name + end)
        except OSError: pass
for name in {packages}:
    try: os.rmdir(name)
    except OSError: pass
print('left', *[name for name in {packages} if name in os.listdir()])"""
WHERE = """import gc
import breathmap.tools.board
gc.collect()
print('heap', gc.mem_alloc() + gc.mem_free(), breathmap.tools.board.__file__)"""


@dataclass(frozen=True)
class Placed:
    """Where a board's modules are. why: they are not in ROM, else "". heap_bytes: the board's."""

    in_rom: bool
    why: str
    heap_bytes: int | None


class Remote:
    """A board on a port, at the other end of mpremote. UserError where that is missing or fails."""

    def __init__(self, port: str) -> None:
        program = find_program("mpremote")
        if program is None:
            raise UserError(f"{MPREMOTE}, or copy what --folder writes to {port} in any other way")
        self.port = port
        self._command = [program, "connect", port]

    def call(self, *words: object, may_fail: bool = False) -> str:
        """Run one command; return what it printed."""
        command = [*self._command, *(str(word) for word in words)]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=MPREMOTE_S, check=False
            )
        except subprocess.TimeoutExpired:
            message = f"{self.port}: mpremote got no answer; press the board's reset"
            raise UserError(message) from None
        if done.returncode and not may_fail:
            trouble = (done.stderr or done.stdout).strip().splitlines() or ["it gave no reason"]
            raise UserError(f"{self.port}: mpremote: {trouble[-1].removeprefix('mpremote: ')}")
        return done.stdout + done.stderr


def install_on(port: str, folder: Path, compiled: bool) -> Placed:
    """Put a folder of `write_modules` with its engine file onto a board, and start it anew."""
    remote = Remote(port)
    why = "they are not compiled"
    if compiled:
        why = _into_rom(remote, folder)
    placed = None
    if not why:
        _copy(remote, folder, [folder / STARTER, folder / ENGINE_FILE])
        placed = _where(remote, "")
        if not placed.in_rom:
            why = "the board does not import from its ROM partition"
    if why:
        _copy(remote, folder, list(files_of(folder)))
        placed = _where(remote, why)
    assert placed is not None
    remote.call("reset")
    return placed


def files_of(folder: Path) -> Iterator[Path]:
    """Yield what a board folder holds, folders before their files."""
    yield from sorted(folder.rglob("*"), key=lambda p: (len(p.parts), p))


def _into_rom(remote: Remote, folder: Path) -> str:
    """Put the packages into a ROM partition; return why they are not, else ""."""
    said = remote.call("romfs", "query", may_fail=True)
    sizes = {int(number): int(size) for number, size in PARTITION.findall(said)}
    if not sizes:
        last = (said.strip().splitlines() or ["it has no ROM partition"])[-1]
        if "rom" not in last.lower():
            raise UserError(f"{remote.port}: mpremote: {last.removeprefix('mpremote: ')}")
        return f"mpremote says: {last}"
    image = rom_image(folder)
    fitting = [number for number, size in sizes.items() if size >= len(image)]
    if not fitting:
        largest = max(sizes.values()) // 1024
        return f"its ROM partition holds {largest} KiB and they need {len(image) / 1024:.0f}"
    path = folder / "rom.img"
    path.write_bytes(image)
    try:
        remote.call("romfs", "--partition", fitting[0], "deploy", path)
    finally:
        path.unlink()
    _remove_copies(remote)
    return ""


def _remove_copies(remote: Remote) -> None:
    names = [f"{TOP}/{name.removesuffix('.py')}" for name in MODULES]
    names += [f"{package}/__init__" for package in PACKAGES]
    packages = sorted(PACKAGES, key=len, reverse=True)
    said = remote.call("exec", REMOVE.format(names=names, packages=packages))
    left = next((line.split()[1:] for line in said.splitlines() if line.startswith("left")), [])
    if left:
        raise UserError(
            f"{remote.port}: the board's own folder {left[0]}/ hides the modules in its ROM "
            "partition: move what is in it elsewhere, then install again"
        )


def _copy(remote: Remote, folder: Path, paths: list[Path]) -> None:
    names = [path.relative_to(folder).as_posix() for path in paths if path.is_dir()]
    if names:
        # Making one fails where it exists; the copy after it says whether that matters.
        remote.call("exec", MAKE.format(names=names))
    copies: list[object] = []
    for path in paths:
        if path.is_file():
            copies += ["fs", "cp", path, ":" + path.relative_to(folder).as_posix(), "+"]
    remote.call(*copies[:-1])


def _where(remote: Remote, why: str) -> Placed:
    said = remote.call("exec", WHERE, may_fail=True)
    found = re.search(r"heap (\d+) (\S+)", said)
    if found is None:
        return Placed(False, why, None)
    return Placed(found[2].startswith("/rom/"), why, int(found[1]))
