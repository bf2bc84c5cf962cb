"""The job folder: plain files, a history that only grows, and saves that a power cut cannot spoil.

    engine.toml          the engine description, yours to edit
    start/               the calibration that the job started from: table 0, never changed
    setup-sheet.md       what to set for learning, and what to put back
    passes/001/          recordings of a pass, the description and tables it ran with
                         (refused-001.bin: left by an interrupted run, and of no use to this job)
    proposals/001/       a proposal: tables, a decision per cell
    tables/001/          a table that was accepted or edited, or made on other axes
    final/               what `finish` wrote, with its proof
                         (.next-final-012/: until record 12 is there and it is in place)
    history.jsonl        one record a line, each with the hash of the line before
    history.head         number and hash of the last record

The history alone says what counts: a folder that it does not name is left over from an interruption
and is made anew.
"""

import contextlib
import hashlib
import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from breathmap.learner.axes.grid import Grid
from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.description_text import annotated_example
from breathmap.protocol.host.calibration import Calibration, Device, present_names
from breathmap.tools.base import disk
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import encoded, read_description
from breathmap.tools.base.version import software_version
from breathmap.tools.job.calibration import calibration_names, read_calibration, target_on
from breathmap.tools.job.chain import (
    HEAD,
    HISTORY,
    Chain,
    read_chain,
    sha256_of,
    write_head,
    write_history,
)
from breathmap.tools.job.records import (
    WIRED,
    Accepted,
    AxesChanged,
    AxesKept,
    Checked,
    Created,
    DeviceTaken,
    Edited,
    Entry,
    Finished,
    Learned,
    Originals,
    Record,
    TableMade,
    TableSet,
    Writing,
)
from breathmap.tools.job.standing import standing

DESCRIPTION = "engine.toml"
START = "start"
FINAL = "final"
# And the number of the record that will name it: what `finish` wrote, until it is in place.
NEXT_FINAL = ".next-final-"
SHEET = "setup-sheet.md"
CHECKLIST = "checklist.md"
LOCK = ".lock"

R = TypeVar("R", bound=Record)


def head_of(chain: Chain) -> dict[str, Any]:
    """Return what the next record of a history says of itself, whatever its kind."""
    return {
        "number": len(chain.records) + 1,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "software": software_version(),
        "previous": chain.last_hash,
    }


def hash_file(path: Path) -> str:
    """Return the content hash of a file; UserError when it is gone."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise disk.DiskError(
            f"{path}: cannot be read: {disk.why(error)}; the job needs it"
        ) from None


def hash_files(folder: Path) -> dict[str, str]:
    """Return the content hash of each file of a folder by name."""
    return {p.name: hash_file(p) for p in sorted(folder.iterdir()) if p.is_file()}


def save_folder(folder: Path, files: dict[str, str]) -> None:
    """Write a folder, to stay, so that it is there whole or not at all. What stands there is
    replaced."""
    with disk.errors_about(folder):
        disk.save_folder(folder, {name: encoded(text) for name, text in files.items()})


def earlier_description(digest: str) -> str:
    """Return under what name a pass keeps a description that was edited since."""
    return f"engine-{digest[:8]}.toml"


def kept_description(folder: Path, digest: str) -> Path:
    """Return where a pass keeps the description of a content hash; UserError when nowhere."""
    places = (folder / DESCRIPTION, folder / earlier_description(digest))
    for path in places:
        if path.exists() and hash_file(path) == digest:
            return path
    raise UserError(f"{places[0]}, {places[1]}: neither is the description that was learned with")


def check_plain(folder: Path) -> None:
    """Refuse a job with links or devices in it: what it reads and writes stays within it."""
    folders = [os.fspath(folder)]
    while folders:
        # A folder that cannot be read, or has just gone, is left to whoever needs it.
        with contextlib.suppress(OSError), os.scandir(folders.pop()) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    folders.append(entry.path)
                elif not entry.is_file(follow_symlinks=False):
                    raise UserError(
                        f"{entry.path}: a job holds plain files and folders only; put the file "
                        "itself there in place of a link"
                    )


def is_job(path: Path) -> bool:
    """True when the path is a job folder."""
    return (path / HISTORY).is_file()


def is_job_rather_than_file(path: Path) -> bool:
    """True for a job folder, False for a file; UserError for what is neither."""
    if is_job(path) or path.is_file():
        return is_job(path)
    what = "is a folder, but no job" if path.is_dir() else "there is no such job or file"
    raise UserError(
        f"{path}: {what}: breathmap new {path} makes a job, breathmap check --example prints an "
        "engine description"
    )


class Job:
    """One job folder."""

    def __init__(self, folder: Path) -> None:
        if not is_job(folder):
            raise UserError(
                f"{folder} is no job folder (it has no {HISTORY}); make one with breathmap new"
            )
        check_plain(folder)
        self.folder = folder
        self._described: tuple[bytes, EngineDescription] | None = None
        self._tables: dict[tuple[object, ...], Calibration] = {}
        self._chain = read_chain(folder)

    @property
    def has_head(self) -> bool:
        """True when the history's last record is covered, too."""
        return self._chain.head is not None

    @property
    def records(self) -> list[Record]:
        """The history, oldest first."""
        return self._chain.records

    @contextlib.contextmanager
    def working(self) -> Iterator["Job"]:
        """Hold the job against other commands, and clear what an interruption left over."""
        with contextlib.ExitStack() as held:
            with disk.errors_about(self.folder / LOCK, "cannot be locked against other commands"):
                lock = held.enter_context((self.folder / LOCK).open("w"))
                is_ours = _locked(lock.fileno())
            if not is_ours:
                raise UserError(f"{self.folder}: another breathmap command is at work in this job")
            self._chain = read_chain(self.folder)
            if self._chain.was_interrupted:
                self._chain = write_head(self.folder, self._chain)
            self._clear()
            yield self

    def _clear(self) -> None:
        """Put in place or away what an interruption left."""
        with disk.errors_about(self.folder, "cannot be cleared up"):
            self.settle_final()
            for left in self.folder.rglob(f"{disk.OLD}*"):
                disk.settle(left.with_name(left.name.removeprefix(disk.OLD)))
            # Until version 0.2.0 files that were not whole had the name of the whole one in theirs.
            for pattern in (f"{disk.NEW}*", f".{HISTORY}.*", f".{HEAD}.*"):
                for left in self.folder.rglob(pattern):
                    if left.is_dir():
                        shutil.rmtree(left, ignore_errors=True)
                    else:
                        left.unlink(missing_ok=True)

    # -- what counts -----------------------------------------------------------------------------

    def all_of(self, kind: type[R]) -> list[R]:
        """Return the records of a kind, oldest first."""
        return [record for record in self.records if isinstance(record, kind)]

    def latest(self, kind: type[R]) -> R | None:
        """Return the latest record of a kind, None when there is none."""
        return next(reversed(self.all_of(kind)), None)

    @property
    def created(self) -> Created:
        """The record of the job's making."""
        return self.all_of(Created)[0]

    @property
    def table_set(self) -> TableSet:
        """The record that set the present table."""
        return self.all_of(TableSet)[-1]

    @property
    def table(self) -> int:
        """Number of the table that the job now goes on from."""
        return self.table_set.table

    @property
    def tables(self) -> list[int]:
        """Numbers of all tables, oldest first."""
        return [0, *(record.table for record in self.all_of(TableMade))]

    @property
    def next_table(self) -> int:
        """Number for the next table."""
        return max(self.tables) + 1

    def axes_of(self, number: int) -> AxesKept:
        """Return the axes of a table: those that the job began with, or went to before it."""
        made = {record.table: record for record in self.all_of(TableMade)}
        while (record := made.get(number)) is not None:
            if isinstance(record, AxesChanged):
                return record.axes
            number = record.from_table
        return self.created.axes

    def has_axes_of(self, one: int, other: int) -> bool:
        """True when two tables have the same axes."""
        first, second = self.axes_of(one), self.axes_of(other)
        return (first.speed_rpm, first.load) == (second.speed_rpm, second.load)

    @property
    def awaits_axes(self) -> bool:
        """True when the controller was last known to be on other axes than the present table's."""
        return not self.has_axes_of(standing(self.records).held, self.table)

    @property
    def pass_number(self) -> int:
        """Number of the open pass: the latest on the present table, which may be an earlier one
        after an undo; a new one where nothing has been learned on the table yet."""
        here = [r.pass_number for r in self.all_of(Learned) if r.table == self.table]
        return here[-1] if here else max(self.passes, default=0) + 1

    @property
    def passes(self) -> list[int]:
        """Numbers of the passes in which anything was learned, in order."""
        return sorted({record.pass_number for record in self.all_of(Learned)})

    @property
    def finished(self) -> Finished | None:
        """The record of `finish` when nothing has been changed since, else None."""
        return standing(self.records).finished

    @property
    def pending(self) -> Writing | None:
        """The write to the controller that was begun and never read back, if any."""
        return standing(self.records).pending

    @property
    def device(self) -> Device | None:
        """The device that the job belongs to, None before one was met."""
        taken = self.latest(DeviceTaken)
        found = self.created.device if taken is None else taken.device
        return None if found is None else Device(**found.model_dump())

    @property
    def created_hash(self) -> str:
        """Hash of the job's first record: what tells one job from another."""
        return sha256_of(self._chain.lines[0])

    @property
    def wired(self) -> bool:
        """True when the controller was read or written over the wire before."""
        return any(isinstance(r, WIRED) and r.by_wire for r in self.records)

    def table_folder(self, number: int) -> Path:
        """Return the folder of a table; 0 is the one that the job started from."""
        return self.folder / (START if number == 0 else f"tables/{number:03d}")

    def pass_folder(self, number: int) -> Path:
        """Return the folder of a pass."""
        return self.folder / "passes" / f"{number:03d}"

    def proposal_folder(self, number: int) -> Path:
        """Return the folder of a proposal."""
        return self.folder / "proposals" / f"{number:03d}"

    def check_folder(self, number: int) -> Path:
        """Return the folder of a check drive, counted from 1."""
        return self.folder / "checks" / f"{number:03d}"

    def pass_recordings(self, number: int) -> list[Entry]:
        """Return the recordings of a pass, in order."""
        return [
            entry
            for record in self.all_of(Learned)
            if record.pass_number == number
            for entry in record.recordings
        ]

    def final_folder(self, record: Finished) -> Path:
        """Return where the files of the latest `finish` are; it may have been cut off on its way to
        put them in place."""
        waiting = self.next_final(record.number)
        return waiting if waiting.is_dir() else self.folder / FINAL

    def next_final(self, number: int) -> Path:
        """Return where `finish` writes before its record, of that number, is in the history."""
        return self.folder / f"{NEXT_FINAL}{number:03d}"

    # -- reading ---------------------------------------------------------------------------------

    def description(self, number: int | None = None) -> EngineDescription:
        """Return the engine description as it is now, on the axes of a table (by default the
        present one), and check that it still fits the job. The file has the axes that the job began
        with; those that came later are on record."""
        path = self.folder / DESCRIPTION
        found = self._read_description(path)
        began = self.created.axes
        same_axes = (found.axes.speed_rpm, found.axes.load) == (began.speed_rpm, began.load)
        if [bank.name for bank in found.bank] != self.created.banks or not same_axes:
            raise UserError(
                f"{path}: its axes or bank names are not those that the job began with; "
                "put them back (other axes come by breathmap axes JOB --apply)"
            )
        kept = self.axes_of(self.table if number is None else number)
        axes = {"speed_rpm": list(kept.speed_rpm), "load": list(kept.load)}
        return found.model_copy(update={"axes": found.axes.model_copy(update=axes)})

    def _read_description(self, path: Path) -> EngineDescription:
        """Return what the file says; it is asked for many times in one command, and read over only
        where it has changed."""
        content = path.read_bytes() if path.is_file() else b""
        if self._described is None or self._described[0] != content:
            self._described = (content, read_description(path))
        return self._described[1]

    def calibration(self, number: int | None = None) -> Calibration:
        """Return the calibration of a table (by default the present one): everything but VE and
        displacement as at the start; on other axes, the target as it was read onto them."""
        number = self.table if number is None else number
        if number not in self.tables:
            there = ", ".join(str(n) for n in self.tables)
            raise UserError(f"{self.folder}: there is no table {number}; there are {there}")
        found = self._read_table(number)
        for given in self.all_of(Originals):
            target = self._target_given(given, found)
            found = replace(
                found,
                settings={**found.settings, **present_names(given.settings)},
                target_lambda=found.target_lambda if target is None else target,
            )
        return found

    def _read_table(self, number: int) -> Calibration:
        """Return what a table's files say. One command asks for a table many times: its files are
        looked at each time, and read over only where they are not those of before."""
        description, files = self.description(number), self._check_table(number)
        folder = self.table_folder(number)
        needed = calibration_names(folder, description)
        # What the history does not name cannot be known to be the same.
        if not files.keys() >= set(needed):
            return read_calibration(folder, description)
        key = (description.axes.model_dump_json(), *((name, files[name]) for name in needed))
        if key not in self._tables:
            self._tables[key] = read_calibration(folder, description)
        return self._tables[key]

    def _target_given(self, given: Originals, on: Calibration) -> tuple[float, ...] | None:
        """Return a target table that was given later, which is on the axes of the start."""
        if given.target_lambda is None:
            return None
        axes = self.created.axes
        before = Grid(tuple(axes.speed_rpm), tuple(axes.load))
        return target_on(given.target_lambda, before, on)

    def start(self) -> Calibration:
        """Return the calibration that the job started from."""
        return self.calibration(0)

    def _check_table(self, number: int) -> dict[str, str]:
        """Refuse a table whose files are not those that the history names; return their hashes by
        name."""
        kinds = Created | Accepted | Edited | AxesChanged
        made = (r for r in self.records if isinstance(r, kinds) and r.table == number)
        record = next(made, None)
        if record is None:
            raise UserError(f"{self.folder}: its history knows of no table {number}")
        folder = self.table_folder(number)
        for name, wanted in record.files.items():
            if hash_file(folder / name) != wanted:
                raise UserError(
                    f"{folder / name}: changed since the job saved it; put it back from a copy "
                    "(the history holds its hash)"
                )
        return record.files

    def running_description(self) -> EngineDescription:
        """Return the description to learn with: tables beside it, and the displacement that VE now
        stands on, since the gas flow follows VE x displacement."""
        description = self.description()
        factor = self.calibration().displacement_cm3 / self.start().displacement_cm3
        engine = description.engine
        return description.model_copy(
            update={
                "engine": engine.model_copy(
                    update={"displacement_cm3": engine.displacement_cm3 * factor}
                ),
                "bank": [b.model_copy(update={"table": f"{b.name}.csv"}) for b in description.bank],
            }
        )

    def running_text(self) -> str:
        """Return `running_description` as TOML."""
        return annotated_example(self.running_description(), ("Written by breathmap for a pass.",))

    # -- writing ---------------------------------------------------------------------------------

    def head(self) -> dict[str, Any]:
        """Return what the next record says of itself, whatever its kind."""
        return head_of(self._chain)

    def append(self, record: Record) -> None:
        """Add a record, made with `head`, to the history, all or nothing."""
        if self._chain.was_interrupted:
            self._chain = write_head(self.folder, self._chain)
        try:
            self._chain = write_history(self.folder, self._chain.followed_by(record))
        except BaseException:
            # It may stand there although nobody can say that it lasts: go on from what is there.
            self._chain = read_chain(self.folder)
            raise
        # The record counts now. A head that lags by one is brought up before the next one.
        with contextlib.suppress(UserError, OSError):
            self._chain = write_head(self.folder, self._chain)

    def settle_final(self) -> None:
        """Put what `finish` wrote in place, once it is on record; take it away where it is not."""
        record = self.latest(Finished)
        if record is not None and self.next_final(record.number).is_dir():
            disk.put_folder(self.next_final(record.number), self.folder / FINAL)
        for left in self.folder.glob(f"{NEXT_FINAL}*"):
            shutil.rmtree(left, ignore_errors=True)

    def closing_line(self) -> tuple[str, bool]:
        """Return the last line of every command of this job, and whether it is a caution."""
        finished, pending = self.finished, self.pending
        if pending is not None:
            return (
                f"{pending.command} began to write to the controller at {pending.port} and it was "
                "not read back: what it holds is unknown. Not ready for use. See with breathmap "
                f"read {self.folder} --port PORT, put everything back with breathmap finish "
                f"{self.folder} --port PORT.",
                True,
            )
        if finished is None and self.awaits_axes:
            return (
                f"table {self.table} is on other axes than the controller was last known to have. "
                f"breathmap store {self.folder} --port PORT writes both; where the controller "
                f"takes no axes over the wire, type them in first (breathmap enter {self.folder}), "
                "and do not run the engine in between. Not ready for use until breathmap "
                f"finish {self.folder} has put everything back.",
                True,
            )
        if finished is None:
            return (
                "the learning set-up may still be in the vehicle. Not ready for use until "
                f"breathmap finish {self.folder} has put everything back.",
                True,
            )
        if not finished.verified:
            return (
                "the controller has not been read: the learning set-up may still be in the "
                f"vehicle until every line of {self.folder / FINAL / CHECKLIST} is done.",
                True,
            )
        warned = self.latest(Checked)
        if warned is not None and warned.number > finished.number and warned.signs:
            return ("the last check drive showed signs of the learning set-up.", True)
        return (
            f"The set-up was put back and read back on {finished.day}: see "
            f"{self.folder / FINAL / 'proof.md'}.",
            False,
        )


def _locked(handle: int) -> bool:
    """Lock an open file until it closes (the system lets go of it when the program dies). False
    where somebody else holds it; OSError where nothing can be locked."""
    try:
        import fcntl
    except ImportError:  # Windows: a second command is the user's own care
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
