"""Builds the C core where there is a compiler; all else stands in pyproject.toml.

Optional: without a compiler, or where it fails, the installation goes on and the Python core runs.
The object is loaded by its path (breathmap.learner.fast.compiled), so it needs nothing of Python's
own C headers, and one build serves every Python.
"""

import os
from glob import glob
from zlib import crc32

from setuptools import Extension, setup

FOLDERS = ("learner/c", "protocol/bridge")


def files(pattern: str) -> "list[str]":
    """Return the C files that match, folder by folder, as compiled.source_files() orders them."""
    return [path for folder in FOLDERS for path in sorted(glob(folder + "/" + pattern))]


def mark() -> int:
    """Return what compiled.sources_mark() reckons."""
    total = 0
    for path in files("*.[ch]"):
        with open(path, "rb") as file:
            total = crc32(file.read().replace(b"\r\n", b"\n"), total)
    return total


setup(
    ext_modules=[
        Extension(
            "breathmap.learner.fast._compiled",
            sources=files("*.c"),
            depends=files("*.h"),
            include_dirs=["learner/c", "protocol/bridge"],
            define_macros=[("BREATHMAP_SOURCES", "%du" % mark())],
            # Every operation rounded by itself, as Python's are.
            extra_compile_args=["/fp:precise"]
            if os.name == "nt"
            else ["-std=c99", "-O2", "-ffp-contract=off"],
            optional=True,
            py_limited_api=True,
        )
    ],
)
