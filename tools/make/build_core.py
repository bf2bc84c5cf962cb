"""Builds the C core with the package where there is a compiler; pyproject.toml names this class.

Optional: without a compiler, or where it fails, the installation goes on and the Python core runs.
The object is loaded by its path (breathmap.learner.fast.compiled), so it needs nothing of Python's
own C headers, and one build serves every Python. Runs before anything of breathmap can be imported.
"""

import os
from glob import glob
from zlib import crc32

from setuptools.command.build_ext import build_ext

FOLDERS = ("learner/c", "protocol/bridge")


def files(pattern: str) -> list[str]:
    """Return the C files that match, folder by folder, as compiled.source_files() orders them."""
    return [path for folder in FOLDERS for path in sorted(glob(folder + "/" + pattern))]


def mark() -> int:
    """Return what compiled.sources_mark() reckons."""
    total = 0
    for path in files("*.[ch]"):
        with open(path, "rb") as file:
            total = crc32(file.read().replace(b"\r\n", b"\n"), total)
    return total


class BuildCore(build_ext):
    """Gives the extension of pyproject.toml its files, its flags and the mark of its sources."""

    def finalize_options(self) -> None:
        """See setuptools."""
        super().finalize_options()
        for extension in self.extensions:
            extension.sources = files("*.c")
            extension.depends = files("*.h")
            extension.include_dirs = list(FOLDERS)
            extension.define_macros = [("BREATHMAP_SOURCES", f"{mark()}u")]
            # Every operation rounded by itself, as Python's are.
            extension.extra_compile_args = (
                ["/fp:precise"] if os.name == "nt" else ["-std=c99", "-O2", "-ffp-contract=off"]
            )
