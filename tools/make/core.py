"""Builds the C core beside its Python, in a checkout whose installation has none.

    python -m breathmap.tools.make.core           build with cc (or the compiler that CC names)
    python -m breathmap.tools.make.core --check   say which core runs, and nothing else

Exit codes: 0 done, 2 there is no compiler or it failed (one line says what).
"""

import argparse
import os
import shutil
import subprocess
import sys
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

from breathmap.learner.fast import compiled

# Every operation rounded by itself, as Python's are.
FLAGS = ("-std=c99", "-Wall", "-Wextra", "-pedantic", "-ffp-contract=off")


def command(target: Path, *extra: str) -> list[str]:
    """Return the compiler's command line for the shared object."""
    sources = [str(path) for path in compiled.source_files() if path.suffix == ".c"]
    words = [os.environ.get("CC", "cc"), *FLAGS, "-O2", "-shared", "-fPIC", *extra]
    words += [f"-DBREATHMAP_SOURCES={compiled.sources_mark()}u"]
    words += ["-I", str(compiled.TOP / "protocol/bridge")]
    return [*words, *sources, "-lm", "-o", str(target)]


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="make_core", description="Build the C core.")
    parser.add_argument("--check", action="store_true", help="build nothing, say which core runs")
    options = parser.parse_args(arguments)
    if options.check:
        print(compiled.core_name())
        return 0
    # A file of its own, then its name: a program that has the old one open keeps it.
    target = compiled.HERE / (compiled.NAME + EXTENSION_SUFFIXES[-1])
    made = target.with_name(f".{os.getpid()}{target.name}")
    words = command(made)
    if shutil.which(words[0]) is None:
        print(f"make_core: no compiler {words[0]}: install one, or name it in CC", file=sys.stderr)
        return 2
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        line = (done.stderr.strip().splitlines() or ["no reason given"])[0]
        print(f"make_core: {words[0]} failed: {line}", file=sys.stderr)
        return 2
    made.replace(target)
    print(f"make_core: built {target.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
