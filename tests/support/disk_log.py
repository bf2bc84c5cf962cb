"""What a command does on disk, operation by operation: kept in order, or broken at one of them.

While a `DiskLog` is entered, the functions through which Python opens, writes, syncs, names and
removes files are replaced by ones that first tell the log. Only what is under its root counts.
"""

import builtins
import errno
import io
import os
import threading
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from command_line import Ended

from breathmap.tools.cli.main import run

# Of operations that change nothing on the disk.
LOOKS = {"look", "read", "list", "said"}
ERRORS: tuple[Exception, ...] = (
    OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)),
    OSError(errno.EIO, os.strerror(errno.EIO)),
    PermissionError(errno.EACCES, os.strerror(errno.EACCES)),
    MemoryError(),
)


@dataclass(frozen=True)
class Step:
    """One operation. path: within the root. other: a second path, of a new name. handle: which open
    file; offset, data: what is written where."""

    what: str
    path: str = ""
    other: str = ""
    handle: int = 0
    offset: int = 0
    data: bytes = b""

    @property
    def changes(self) -> bool:
        """True when something on the disk is another after it."""
        return self.what not in LOOKS


@dataclass
class DiskLog:
    """A context manager. fail_at: number of the operation (from 1) that raises `error`."""

    root: Path
    fail_at: int = 0
    error: Exception = ERRORS[0]
    steps: list[Step] = field(default_factory=list)
    broken: Step | None = None
    # How many operations there were.
    count: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        self._real = {name: getattr(os, name) for name in REPLACED}
        self._real_open = io.open
        self._lock = threading.Lock()  # a port is read in a thread of its own
        self._paths: dict[int, str] = {}
        self._handles: dict[int, int] = {}

    def __enter__(self) -> "DiskLog":
        for name, replacement in REPLACED.items():
            setattr(os, name, self._logged(replacement, self._real[name]))
        builtins.open = io.open = self._open
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for name, real in self._real.items():
            setattr(os, name, real)
        builtins.open = io.open = self._real_open

    def _logged(self, replacement: Callable[..., Any], real: Callable[..., Any]) -> Any:
        return lambda *args, **words: replacement(self, real, *args, **words)

    def within(self, path: Any, dir_fd: int | None = None) -> str | None:
        """Return a path below the root, as text; None for any other."""
        if isinstance(path, int):
            return self._paths.get(path)
        if dir_fd is not None:
            folder = self._paths.get(dir_fd)
            return None if folder is None else f"{folder}/{os.fsdecode(path)}"
        whole = os.path.abspath(os.fsdecode(path))
        root = str(self.root)
        return whole[len(root) + 1 :] if f"{whole}{os.sep}".startswith(root + os.sep) else None

    def step(self, step: Step) -> None:
        """Keep an operation that is about to be done, or break it."""
        with self._lock:
            self.steps.append(step)
            self.count += step.what != "said"
            count = self.count
        if step.what != "said" and count == self.fail_at and self.broken is None:
            self.broken = step
            if isinstance(self.error, OSError):
                error = type(self.error)(*self.error.args)
                error.filename = str(self.root / step.path)
                raise error
            raise self.error

    def said(self) -> None:
        """Note that something was reported."""
        self.step(Step("said"))

    def opened(self, number: int, path: str, handle: int = 0) -> None:
        """Know an open file or folder by its number with the system."""
        self._paths[number] = path
        self._handles[number] = handle

    def handle_of(self, number: int) -> int:
        """Return the log's own handle of an open file; 0 for a folder."""
        return self._handles.get(number, 0)

    def _open(
        self, file: Any, mode: str = "r", buffering: int = -1, *rest: Any, **words: Any
    ) -> Any:
        path = self.within(file)
        if path is None:
            return self._real_open(file, mode, buffering, *rest, **words)
        raw = LoggedFile(self, file, path, mode)
        if buffering == 0:
            return raw
        if buffering == 0:
            return raw
        buffer: Any
        if "+" in mode:
            buffer = io.BufferedRandom(raw)
        else:
            buffer = io.BufferedReader(raw) if "r" in mode else io.BufferedWriter(raw)
        return buffer if "b" in mode else io.TextIOWrapper(buffer, *rest, **words)


class LoggedFile(io.FileIO):
    """A file that tells the log what is done with it."""

    def __init__(self, log: DiskLog, file: Any, path: str, mode: str) -> None:
        self._log = log
        self._writes = any(letter in mode for letter in "wxa+")
        self._handle = len(log.steps) + 1
        what = "open" if self._writes else "look"
        if self._writes and "x" not in mode and (log.root / path).exists():
            what = "cut" if "w" in mode else "open"
        log.step(Step(what, path, handle=self._handle))
        super().__init__(file, mode.replace("b", "").replace("t", ""))
        log.opened(self.fileno(), path, self._handle)

    def write(self, data: Any) -> int:
        if self._writes:
            at = self.tell()
            self._log.step(
                Step("write", self._path, handle=self._handle, offset=at, data=bytes(data))
            )
        return super().write(data)

    def truncate(self, size: int | None = None) -> int:
        end = self.tell() if size is None else size
        self._log.step(Step("shorten", self._path, handle=self._handle, offset=end))
        return super().truncate(size)

    def readinto(self, buffer: Any) -> int:
        self._log.step(Step("read", self._path))
        return super().readinto(buffer)

    def readall(self) -> bytes:
        self._log.step(Step("read", self._path))
        return super().readall()

    @property
    def _path(self) -> str:
        return self._log.within(self.fileno()) or ""


def _os_open(
    log: DiskLog, real: Any, path: Any, flags: int, mode: int = 0o777, **words: Any
) -> int:
    within = log.within(path, words.get("dir_fd"))
    number: int = real(path, flags, mode, **words)
    if within is not None:
        log.opened(number, within)
    return number


def _fsync(log: DiskLog, real: Any, number: int) -> None:
    within = log.within(number)
    if within is not None or number in log._paths:
        # Taken for done: a model is held to it, and the tests need no disk to turn.
        log.step(Step("sync", within or "", handle=log.handle_of(number)))
        return
    real(number)


def _rename(log: DiskLog, real: Any, path: Any, other: Any, **words: Any) -> None:
    pair = (log.within(path), log.within(other))
    if None not in pair:
        log.step(Step("name", pair[0] or "", pair[1] or ""))
    real(path, other, **words)


def _one(what: str) -> Callable[..., Any]:
    def one(log: DiskLog, real: Any, path: Any = ".", *rest: Any, **words: Any) -> Any:
        within = log.within(path, words.get("dir_fd"))
        # What fails by itself (a folder that is there) is no operation.
        there = within is None or os.path.lexists(log.root / within)
        if within is not None and there == (what != "make"):
            log.step(Step(what, within))
        return real(path, *rest, **words)

    return one


def _sendfile(log: DiskLog, real: Any, out: int, *rest: Any, **words: Any) -> Any:
    if log.handle_of(out):
        # What copies files then does it with reads and writes.
        raise OSError(errno.ENOTSOCK, os.strerror(errno.ENOTSOCK))
    return real(out, *rest, **words)


REPLACED: dict[str, Callable[..., Any]] = {
    "open": _os_open,
    "fsync": _fsync,
    "replace": _rename,
    "rename": _rename,
    "unlink": _one("remove"),
    "remove": _one("remove"),
    "rmdir": _one("remove"),
    "mkdir": _one("make"),
    "listdir": _one("list"),
}
if hasattr(os, "sendfile"):
    REPLACED["sendfile"] = _sendfile


class _Screen(io.StringIO):
    """Standard output that tells the log when something was said."""

    def __init__(self, log: DiskLog) -> None:
        super().__init__()
        self._log = log

    def write(self, text: str) -> int:
        self._log.said()
        return super().write(text)


def logged(log: DiskLog, arguments: list[str]) -> Ended:
    """Run one command line under a log, in this process."""
    out, err = _Screen(log), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), log:
        code = run(arguments)
    return Ended(code, out.getvalue(), err.getvalue())
