"""Throws damaged files at every parser of the host: success, or one line and exit code 2.

Each try damages one file of a small made-up scene, runs the commands that read it, and looks: no
traceback, on exit code 2 exactly one line on stderr and no file changed, made half or left over; no
control character printed; what was made is whole. Minutes in CI, hours by hand:

    python -m breathmap.tools.bench.fuzz [--parser NAME] [--minutes 10] [--seed 1] [--keep FOLDER]

A file that fails is kept; put it into tests/data/corpus/PARSER, where the tests try it ever after.
"""

import argparse
import hashlib
import json
import random
import re
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from breathmap.tools.bench.fuzz_scene import TARGETS, Ended, Target, call, make

LONGEST_S = 30
CONTROL = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
# Beside results: the lock of a job.
NO_RESULT = (".lock",)

Files = dict[str, bytes]


class Scene:
    """One file of every kind, made once; a fresh copy for each try."""

    def __init__(self, folder: Path) -> None:
        self._whole = folder / "whole"
        self.folder = folder / "tried"
        make(self._whole)

    def fresh(self) -> Path:
        """Return a folder with every file whole."""
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(self._whole, self.folder)
        return self.folder

    def seed(self, target: Target) -> bytes:
        """Return what the target's file holds when it is whole."""
        return (self._whole / target.victim).read_bytes()


def files_in(folder: Path) -> Files:
    """Return every file's content by its path."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in NO_RESULT
    }


def faults(scene: Scene, target: Target, command: str, data: bytes) -> list[str]:
    """Return what is wrong with how one command takes one damaged file, a line each."""
    folder = scene.fresh()
    (folder / target.victim).write_bytes(data)
    for name in target.without:
        (folder / name).unlink()
    before = files_in(folder)
    arguments = [word.replace("{}", str(folder)) for word in command.split()]
    try:
        with _time_limit():
            ended = call(arguments, data if target.pasted else b"")
    except Exception as error:
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(last.filename).name}:{last.lineno}"
        return [f"{type(error).__name__}: {str(error)[:200]} ({place})"]
    as_json = "--json" in arguments
    return [*_said_wrong(ended, as_json), *_made_wrong(ended, before, files_in(folder))]


@contextmanager
def _time_limit() -> Iterator[None]:
    def over(number: int, frame: Any) -> None:
        raise TimeoutError(f"still at work after {LONGEST_S} s")

    if not hasattr(signal, "SIGALRM"):
        yield
        return
    earlier = signal.signal(signal.SIGALRM, over)
    signal.alarm(LONGEST_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, earlier)


def _said_wrong(ended: Ended, as_json: bool) -> Iterator[str]:
    if ended.code not in (0, 2):
        yield f"exit code {ended.code}"
    if as_json and ended.code == 0 and not _is_json(ended.out.encode()):
        yield "stdout is no JSON"
    lines = [] if as_json else ended.err.splitlines()
    if as_json and ended.code:
        lines = ended.err.splitlines()[-1:]
    if ended.code == 2 and not (len(lines) == 1 and lines[0].startswith("breathmap: ")):
        yield f"{len(lines)} lines on stderr: {ended.err[:300]!r}"
    if ended.code == 2 and len(ended.err) > 2000:
        yield f"a line of {len(ended.err)} characters"
    if ended.code == 0 and ended.err and not as_json:
        yield f"on stderr: {ended.err[:300]!r}"
    raw = CONTROL.search(ended.out + ended.err)
    if raw is not None:
        yield f"printed raw: {raw.group()!r}"


def _made_wrong(ended: Ended, before: Files, after: Files) -> Iterator[str]:
    made = {name for name in after if after[name] != before.get(name)}
    gone = set(before) - set(after)
    if ended.code and (made or gone):
        yield f"refused, and yet made {sorted(made)}, took {sorted(gone)}"
    for name in sorted(made):
        if Path(name).name.startswith("."):
            yield f"left over: {name}"
        if name.endswith(".json") and not _is_json(after[name]):
            yield f"{name} is no JSON"
        if name.endswith(".csv") and re.search(rb"nan|inf", after[name].lower()):
            yield f"{name} holds a number that is none"


def _is_json(data: bytes) -> bool:
    def no_number(name: str) -> None:
        raise ValueError(name)

    try:
        json.loads(data, parse_constant=no_number)
    except ValueError:
        return False
    return True


def tries(names: list[str], scene: Scene, seed: int) -> Iterator[tuple[str, str, bytes, list[str]]]:
    """Yield (parser, command, damaged file, what is wrong) without end, parser after parser."""
    count = 0
    while True:
        for name in names:
            target = TARGETS[name]
            rng = random.Random(f"{seed} {name} {count}")
            damaged = rng.choice(target.damages)(rng, scene.seed(target))
            command = rng.choice(target.commands)
            yield name, command, damaged, faults(scene, target, command, damaged)
        count += 1


def keep(folder: Path, name: str, data: bytes) -> Path:
    """Write a file that failed under a name made from its content."""
    suffix = Path(TARGETS[name].victim).suffix
    path = folder / name / f"{hashlib.sha256(data).hexdigest()[:12]}{suffix}"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def main() -> int:
    """Run until the time is over; exit code 1 when anything failed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--parser", choices=sorted(TARGETS), action="append", help="by default all")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1, help="which of endlessly many runs")
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"), metavar="FOLDER")
    asked = parser.parse_args()
    counts: dict[str, int] = {}
    seen: set[str] = set()
    end = time.monotonic() + 60.0 * asked.minutes
    with tempfile.TemporaryDirectory() as temporary:
        scene = Scene(Path(temporary))
        for name, command, data, wrong in tries(asked.parser or list(TARGETS), scene, asked.seed):
            counts[name] = counts.get(name, 0) + 1
            kind = name + re.sub(r"\d+", "", wrong[0])[:60] if wrong else ""
            if wrong and kind not in seen:
                seen.add(kind)
                path = keep(asked.keep, name, data)
                print(f"{name}: {command}\n  {path}", *wrong, sep="\n  ", flush=True)
            if time.monotonic() > end:
                break
    print(f"seed {asked.seed}; tries:", ", ".join(f"{n} {c}" for n, c in counts.items()))
    print(f"{len(seen)} kinds of failure")
    return 1 if seen else 0


if __name__ == "__main__":
    sys.exit(main())
