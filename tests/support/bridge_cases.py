"""What the bridge's tests share: compilers, programs built once, the C kit as a library."""

import ctypes
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from checkout import ROOT
from numpy.typing import NDArray

import breathmap.protocol
from breathmap.protocol.wire.fields import FRAMES, Field

KIT = Path(breathmap.protocol.__file__).parent / "bridge"
HERE = ROOT / "tests" / "bridge"
C99 = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic"]
MCU = "atmega328p"

# What a Debian or Ubuntu machine installs for each program.
PACKAGES = {
    "gcc": "gcc libc6-dev",
    "make": "make",
    "clang": "clang",
    "avr-gcc": "gcc-avr avr-libc",
    "avr-size": "binutils-avr",
    "arm-none-eabi-gcc": "gcc-arm-none-eabi libnewlib-arm-none-eabi",
    "qemu-system-arm": "qemu-system-arm",
}
_NUMPY_TYPES = {"u8": "u1", "u16": "u2", "i16": "i2", "u32": "u4", "text16": "V16"}


def need(*programs: str) -> None:
    """Skip with the reason where one of the programs is missing."""
    for program in programs:
        if shutil.which(program) is None:
            pytest.skip(f"no {program} here: apt-get install {PACKAGES[program]}")


def need_simavr() -> None:
    """Skip with the reason where the emulated AVR cannot be built."""
    need("gcc", "avr-gcc")
    if not Path("/usr/include/simavr/sim_avr.h").exists():
        pytest.skip("no libsimavr here: apt-get install libsimavr-dev libelf-dev")


def run(*command: object, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run a program to its end; its output is in the assertion when it fails."""
    done = subprocess.run(
        [str(word) for word in command], capture_output=True, text=True, timeout=300, **options
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done


def load_kit(folder: Path) -> ctypes.CDLL:
    """Return the C kit as a library, compiled into `folder`."""
    need("gcc")
    library = folder / "kit.so"
    sources = [KIT / "breathmap_link.c", HERE / "harness.c"]
    run("gcc", *C99, "-O2", "-shared", "-fPIC", "-I", KIT, *sources, "-o", library)
    return ctypes.CDLL(str(library))


def struct_dtype(members: Sequence[Field]) -> np.dtype[Any]:
    """Return the record type of a C structure with these fields, as the compiler lays it out."""
    return np.dtype([(f.name, _NUMPY_TYPES[f.wire]) for f in members], align=True)


def address(array: NDArray[Any]) -> ctypes.c_void_p:
    """Return an array's address as a C pointer."""
    return ctypes.c_void_p(array.ctypes.data)


def cursors(arrays: Sequence[NDArray[Any]]) -> ctypes.Array[ctypes.c_void_p]:
    """Return C pointers to each array, in a C array."""
    return (ctypes.c_void_p * max(len(arrays), 1))(*[a.ctypes.data for a in arrays])


FRAME_NAMES = [frame.name for frame in FRAMES]
