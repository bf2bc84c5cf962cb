"""Changes on disk that last: what a command reports as done survives losing the page cache.

Every file and name that a command leaves behind is made here. The rules: a file's content is synced
before its name is, a name is synced before anything that relies on it begins, and what is replaced
is there until what replaces it is whole. Names that begin with NEW belong to nothing yet; a program
that was killed may leave them, and they may be deleted. Raises OSError; `errors_about` makes a line
of it.
"""

import contextlib
import errno
import os
import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

from breathmap.tools.base.errors import UserError

NEW = ".new-"
# Beside a folder that is being replaced: as it was before.
OLD = ".old-"

REMEDIES = {
    errno.ENOSPC: "make room on the disk, then run the same command again",
    errno.EDQUOT: "make room on the disk, then run the same command again",
    errno.EIO: "the disk itself fails: save a copy of what is on it before anything else",
    errno.EACCES: "see whose it is and who may change it",
    errno.EPERM: "see whose it is and who may change it",
    errno.EROFS: "nothing can be written there: give a place elsewhere, or copy it there",
}
# What systems say that cannot sync a folder.
NO_FOLDER_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.EBADF}


class DiskError(UserError):
    """The disk failed or forbade something; it says nothing about what a file holds."""


def why(error: OSError) -> str:
    """Return what the system says, and what to do about it where that is known."""
    said = error.strerror or str(error)
    remedy = REMEDIES.get(error.errno or 0)
    return f"{said}; {remedy}" if remedy else said


@contextlib.contextmanager
def errors_about(path: Path, what: str = "cannot be written") -> Iterator[None]:
    """Turn an OSError within into a DiskError about `path`."""
    try:
        yield
    except OSError as error:
        raise DiskError(f"{path}: {what}: {why(error)}") from None


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)


def make_folders(folder: Path) -> None:
    """Make a folder and those above it, to stay. FileExistsError where one is a file."""
    if not folder.exists():
        make_folders(folder.parent)
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)
    elif not folder.is_dir():
        raise FileExistsError(errno.EEXIST, "it is a file", str(folder))


def new_name(folder: Path) -> Path:
    """Return a path in a folder for something that belongs to nothing yet."""
    return folder / f"{NEW}{secrets.token_hex(6)}"


def write_new(path: Path, data: bytes) -> None:
    """Write a file that must not exist, its content to stay; its name is the caller's to sync."""
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


@contextlib.contextmanager
def new_file(path: Path) -> Iterator[BinaryIO]:
    """Open a file that must not exist, to be written at length; what was not written whole goes."""
    with path.open("xb") as file:
        try:
            yield file
            file.flush()
            os.fsync(file.fileno())
            sync_folder(path.parent)
        except BaseException:
            _remove(path)
            raise


def write_file(path: Path, data: bytes) -> None:
    """Write a file so that a reader finds the old one or the whole new one, whatever happens."""
    with staged(path.parent, {path.name: data}) as put:
        put()


@contextlib.contextmanager
def staged(
    folder: Path, files: Mapping[str, bytes], witness: str = ""
) -> Iterator[Callable[[], None]]:
    """Write files beside their places, and yield what puts all of them there at once.

    Until it is called nothing is changed, and where it is not called nothing stays. witness: the
    file among them that says that the others are whole: it is taken away first and comes back last,
    so that old and new are never taken for one.
    """
    waiting = {folder / name: new_name(folder) for name in files}

    def put() -> None:
        last = folder / witness if witness else None
        if last is not None and last.exists():
            last.unlink()
            sync_folder(folder)
        for path in [path for path in waiting if path != last]:
            os.replace(waiting[path], path)
            del waiting[path]
        sync_folder(folder)
        if last is not None:
            os.replace(waiting[last], last)
            del waiting[last]
            sync_folder(folder)

    try:
        for (_, place), data in zip(list(waiting.items()), files.values(), strict=True):
            write_new(place, data)
        yield put
    finally:
        for place in waiting.values():
            _remove(place)


def copy_file(path: Path, place: Path) -> None:
    """Copy a file to a place, to stay: there is nothing there, or all of it."""
    waiting = new_name(place.parent)
    try:
        with path.open("rb") as source, waiting.open("xb") as copy:
            shutil.copyfileobj(source, copy)
            copy.flush()
            os.fsync(copy.fileno())
        move(waiting, place)
    finally:
        _remove(waiting)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)


def move(path: Path, place: Path) -> None:
    """Give a file or folder another name, to stay."""
    os.replace(path, place)
    sync_folder(place.parent)
    if path.parent != place.parent:
        sync_folder(path.parent)


@contextlib.contextmanager
def scratch(parent: Path) -> Iterator[Path]:
    """Make a folder that belongs to nothing yet; what is left of it at the end goes."""
    made = new_name(parent)
    made.mkdir()
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def save_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write a folder so that it is there whole or not at all; one that stands there is replaced."""
    make_folders(folder.parent)
    with scratch(folder.parent) as made:
        for name, data in files.items():
            write_new(made / name, data)
        sync_folder(made)
        put_folder(made, folder)


def put_folder(made: Path, folder: Path) -> None:
    """Put a folder whose content is synced into its place beside it, to stay; what stood there is
    there until then, or `settle` finds it."""
    settle(folder)
    before = _before(folder)
    if folder.exists():
        move(folder, before)
    try:
        move(made, folder)
    except BaseException:
        settle(folder)
        raise
    shutil.rmtree(before, ignore_errors=True)


def put_all(made: Path, folder: Path) -> None:
    """Move what a folder holds into an empty one, to stay: all of it, or nothing."""
    paths = list(made.iterdir())
    try:
        for path in paths:
            os.replace(path, folder / path.name)
        sync_folder(folder)
    except BaseException:
        for path in paths:
            place = folder / path.name
            shutil.rmtree(place, ignore_errors=True) if place.is_dir() else _remove(place)
        raise


def settle(folder: Path) -> None:
    """Put back what stood in a folder's place when `put_folder` was cut off, or clear it away."""
    before = _before(folder)
    if not before.exists():
        return
    if folder.exists():
        shutil.rmtree(before)
    else:
        move(before, folder)


def _before(folder: Path) -> Path:
    return folder.with_name(f"{OLD}{folder.name}")


def sync_tree(folder: Path) -> None:
    """Make all that a folder holds last, whoever wrote it; its own name is the caller's to sync."""
    for top, _, names in os.walk(folder):
        for name in names:
            handle = os.open(Path(top, name), os.O_RDWR)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        sync_folder(Path(top))
