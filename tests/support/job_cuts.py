"""Power cuts for the job's tests: a command that dies at any of its changes on disk."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

from breathmap.tools.cli.main import run

KILLED = 77


def cut_at(step: int, arguments: list[str]) -> int:
    """Run a command in a child that dies, without any clean-up, at its `step`-th change on disk."""
    child = os.fork()
    if child == 0:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        left = step

        def mortal(real: Callable[..., object]) -> Callable[..., object]:
            def call(*args: object, **words: object) -> object:
                nonlocal left
                left -= 1
                if left == 0:
                    os._exit(KILLED)
                return real(*args, **words)

            return call

        for name in ("replace", "rename", "fsync", "unlink", "rmdir", "mkdir"):
            setattr(os, name, mortal(getattr(os, name)))
        try:
            os._exit(run(arguments))
        except BaseException:
            os._exit(99)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def every_cut(
    base: Path, tmp_path: Path, *arguments: str, stride: int = 1
) -> list[tuple[int, Path]]:
    """Cut a command at every step, or at one in `stride`, on a fresh copy of the job; return the
    copies with their codes, the last one that of a run that nothing cut."""
    copies = []
    for step in range(1, 400, stride):
        copy = tmp_path / f"cut-{step:03d}"
        shutil.copytree(base, copy)
        code = cut_at(step, [a.replace("JOB", str(copy)) for a in arguments])
        copies.append((code, copy))
        if code != KILLED:
            assert code == 0
            return copies
    raise AssertionError("the command never came to its end")
