"""Finds the C core that an installation built, and says which core runs.

One shared object beside this file, made by an installation where there is a compiler, or by
`python -m breathmap.tools.make.core`. Without it, or where BREATHMAP_PURE_PYTHON is set, the Python
core does the same in more time. One that was made of other sources than those here is not used: its
numbers might be others.
"""

import ctypes
import os
from functools import cache
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from zlib import crc32

from breathmap.learner.fast import layout

PURE = "BREATHMAP_PURE_PYTHON"
NAME = "_compiled"
HERE = Path(__file__).resolve().parent
TOP = HERE.parents[1]
SOURCES = ("learner/c", "protocol/bridge")


def source_files() -> list[Path]:
    """Return the C files that the shared object is made of, headers included, in order."""
    core = sorted((TOP / "learner/c").glob("*.[ch]"))
    return [*core, *sorted((TOP / "protocol/bridge").glob("*.[ch]"))]


def sources_mark() -> int:
    """Return the CRC-32 of these files, whatever their line ends are."""
    mark = 0
    for path in source_files():
        mark = crc32(path.read_bytes().replace(b"\r\n", b"\n"), mark)
    return mark


def is_pure() -> bool:
    """True when the environment asks for the Python core."""
    return os.environ.get(PURE, "") not in ("", "0")


@cache
def _load(path: Path) -> ctypes.CDLL | None:
    try:
        library = ctypes.CDLL(str(path))
        return library if is_ours(library) else None
    except (OSError, AttributeError):
        return None


def is_ours(library: ctypes.CDLL) -> bool:
    """True when a shared object was made of the sources here, laid out as `layout` says."""
    library.bl_host_sources.restype = ctypes.c_uint32
    library.bl_host_bytes.restype = ctypes.c_uint32
    library.bl_host_learn_many.restype = ctypes.c_int64
    library.bl_host_take_calm.restype = ctypes.c_int64
    sizes = [ctypes.sizeof(structure) for structure in layout.STRUCTURES]
    theirs = [library.bl_host_bytes(k) for k in range(len(sizes))]
    return library.bl_host_sources() == sources_mark() and theirs == sizes


def built() -> list[Path]:
    """Return where a shared object may be, those that are there."""
    places = [HERE / (NAME + suffix) for suffix in EXTENSION_SUFFIXES]
    return [place for place in places if place.is_file()]


def library() -> ctypes.CDLL | None:
    """Return the C core, None where the Python core runs."""
    if is_pure():
        return None
    return next((found for path in built() if (found := _load(path)) is not None), None)


def core_name() -> str:
    """Return which core learns from files, for people."""
    if library() is not None:
        return "C core"
    if is_pure():
        return f"Python core, as {PURE} asks"
    return "Python core (no C core was built of these sources)"
