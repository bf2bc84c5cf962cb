"""The recordings of a job's passes: how they come in, and what is learned from them.

Recordings are what counts: each is on disk before anything is made of it, the history names it by
its content, and one that an interrupted run left is taken in. Nothing that does not fit the job
stays among them, since a pass is learned as a whole, again and again.
"""

import contextlib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from breathmap.learner.words.description import parse_description
from breathmap.learner.words.description_text import mapping_text
from breathmap.tools.base import disk
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import (
    encoded,
    read_description,
    read_tables,
    write_bytes,
    write_text,
)
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.texts import is_utf8
from breathmap.tools.job.calibration import calibration_files
from breathmap.tools.job.chain import read_chain, sha256_of
from breathmap.tools.job.folder import (
    DESCRIPTION,
    Job,
    earlier_description,
    hash_file,
    save_folder,
)
from breathmap.tools.job.records import (
    CARRIED,
    AxesChanged,
    Dropped,
    Entry,
    Learned,
    OfRecording,
)
from breathmap.tools.logs.open import mapping_place, with_mapping
from breathmap.tools.run.evidence_files import without_earlier
from breathmap.tools.run.learning import relearn
from breathmap.tools.run.left_out import LeftOut, Span, kept
from breathmap.tools.run.recording_file import next_log, next_recording, recordings_in
from breathmap.tools.run.results import EVIDENCE, results_ready, solved
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import is_log_file

# Of a log's own name; systems take 255 bytes.
LONGEST_NAME = 60


class MisfitError(UserError):
    """A file that cannot be learned into the job: what is wrong with it, and where."""


def open_pass(job: Job) -> Path:
    """Return the folder of the open pass, its description and tables as they are now."""
    folder = job.pass_folder(job.pass_number)
    text = job.running_text()
    files = calibration_files(job.calibration(), job.description())
    if not folder.exists():
        save_folder(folder, {DESCRIPTION: text, **files})
        return folder
    present = folder / DESCRIPTION
    before = present.read_bytes() if present.exists() else text.encode()
    if before != text.encode():
        # The earlier recordings ran with the description as it was: keep it, too.
        write_bytes(folder / earlier_description(sha256_of(before)), before)
    renew(folder, {DESCRIPTION: text, **files})
    return folder


def renew(folder: Path, files: dict[str, str]) -> None:
    """Write those of a folder's files that are not as they should be."""
    for name, text in files.items():
        path = folder / name
        if not path.exists() or path.read_bytes() != encoded(text):
            write_text(path, text)


@contextlib.contextmanager
def all_or_nothing(job: Job) -> Iterator[None]:
    """Put the open pass's folder back as it was when what is done within does not come on record.

    Recordings that were there are never touched; only new ones go.
    """
    folder, count = job.pass_folder(job.pass_number), len(job.records)
    had_passes, had_folder = folder.parent.exists(), folder.exists()
    there = set(folder.iterdir()) if had_folder else set()
    texts = {path: path.read_bytes() for path in there if path.suffix == ".toml"}
    try:
        yield
    except BaseException:
        if len(read_chain(job.folder).records) > count:
            raise
        for path in set(folder.iterdir()) - there if folder.exists() else ():
            path.unlink()
        for path, content in texts.items():
            if path.read_bytes() != content:
                write_bytes(path, content)
        if folder.exists() and not had_folder:
            folder.rmdir()
        if folder.parent.exists() and not had_passes:
            folder.parent.rmdir()
        raise


def copy_in(job: Job, path: Path, folder: Path) -> Path:
    """Copy a recording made elsewhere into a folder of the job, under the next number, to stay; a
    log under its own name behind it, with its mapping beside it. Return its place. UserError with
    nothing left behind when it cannot be."""
    with disk.errors_about(path, "cannot be copied into the job"):
        is_log = is_log_file(path)
        place = next_log(folder, _plain_name(path)) if is_log else next_recording(folder)
        if is_log:
            log = with_mapping(path, job.description()).log
            assert log is not None, "it was learned"
            write_text(mapping_place(place), mapping_text(log, (f"Columns of {place.name}.",)))
        disk.copy_file(path, place)
    return place


def _plain_name(path: Path) -> str:
    """Return a file's name without what a history or another system would not take."""
    name = re.sub(r"[^\w .()+-]", "_", path.name, flags=re.ASCII if not is_utf8(path.name) else 0)
    return name[-LONGEST_NAME:]


def fresh_session(job: Job) -> Session:
    """Return a session as the open pass runs it, from what would be written for it."""
    description = parse_description(tomllib.loads(job.running_text()))
    return Session(description, [list(cells) for cells in job.calibration().ve_pct])


def try_file(job: Job, path: Path, any_device: bool = False) -> Session:
    """Return a session that has learned one file alone; MisfitError when it does not fit."""
    session = fresh_session(job)
    session.expected = None if any_device else job.device
    with Stop() as stop:
        learn_new(session, path, Screen(quiet=True), stop)
    return session


def learn_new(session: Session, path: Path, screen: Screen, stop: Stop) -> None:
    """Learn a new file into a session; MisfitError says how far into it the trouble is."""
    before = session.samples
    session.questions_logs = True
    try:
        relearn(session, [path], screen, stop)
        session.check_device()
    except disk.DiskError:
        # Nothing is known of the file: it stays where it is.
        raise
    except UserError as error:
        count = session.samples - before
        where = f"; found after the first {count:,} samples in it" if count else ""
        raise MisfitError(f"{error}{where}") from None
    if stop.asked:
        raise UserError("stopped; nothing was changed")
    if session.samples == before:
        raise MisfitError(f"{path}: it holds no sample; nothing was learned")


def session_with(job: Job, path: Path, screen: Screen, any_device: bool = False) -> Session:
    """Return a session that has learned the open pass and a new file; nothing is written. Its
    device is the new file's.

    UserError when the file does not fit, or tells nothing new.
    """
    session = fresh_session(job)
    session.leave_out(left_out_of(job, job.pass_number))
    paths = without_earlier([*pass_paths(job, job.pass_number), path])
    if path not in paths:
        raise UserError(f"{path}: the pass holds a later state of this board's evidence already")
    at = paths.index(path)
    with Stop() as stop:
        session.questions_logs = False
        relearn(session, paths[:at], screen, stop)
        session.expected = None if any_device else job.device
        learn_new(session, path, screen, stop)
        device, session.expected, session.questions_logs = session.device, None, False
        relearn(session, paths[at + 1 :], screen, stop)
        session.device = device
        if stop.asked:
            raise UserError("stopped; nothing was changed")
    return session


def left_out_of(job: Job, number: int, before: int | None = None) -> dict[Path, list[Span]]:
    """Return what of a pass's recordings is set aside. before: as it was before that record."""
    folder = job.pass_folder(number)
    found: dict[Path, list[Span]] = {}
    for record in job.all_of(OfRecording):
        if record.pass_number != number or (before is not None and record.number >= before):
            continue
        path = folder / record.recording
        if isinstance(record, Dropped):
            found.setdefault(path, []).append((record.from_s, record.to_s))
        else:
            found.pop(path, None)
    return found


def pass_paths(job: Job, number: int) -> list[Path]:
    """Return the files that a pass is learned from, in order; earlier evidence among them."""
    return kept(recordings_in(job.pass_folder(number)), left_out_of(job, number))


def counted(job: Job, number: int) -> list[Entry]:
    """Return the recordings on record that a pass is learned from, in order."""
    folder, left_out = job.pass_folder(number), left_out_of(job, number)
    return [entry for entry in job.pass_recordings(number) if kept([folder / entry.name], left_out)]


def relearn_pass(
    job: Job,
    number: int,
    screen: Screen,
    left_out: LeftOut | None = None,
    witnessed: bool = False,
) -> Session:
    """Return a session that has learned a pass's recordings, in order, but for what is left out:
    by default what is set aside. witnessed: with all that a diagnosis needs."""
    session, paths = pass_session(job, number, left_out)
    if witnessed:
        session.witnessed()
    with Stop() as stop:
        relearn(session, paths, screen, stop)
        if stop.asked:
            raise UserError("stopped; nothing was changed")
    return session


def pass_session(
    job: Job, number: int, left_out: LeftOut | None = None
) -> tuple[Session, list[Path]]:
    """Return a session for a pass, before its first sample, and the files to learn into it."""
    folder = job.pass_folder(number)
    description = read_description(folder / DESCRIPTION)
    session = Session(description, read_tables(folder / DESCRIPTION, description))
    # What is on record was questioned when it came.
    session.questions_logs = False
    left_out = left_out_of(job, number) if left_out is None else left_out
    session.leave_out(left_out)
    return session, without_earlier(kept(recordings_in(folder), left_out))


def take_in(job: Job, screen: Screen) -> None:
    """Add to the history what an interrupted `learn` recorded; put aside what does not fit."""
    carry_in(job, screen)
    for path in new_recordings(job):
        _name_anew(path, screen)
    new = [path for path in new_recordings(job) if _fits(job, path, screen)]
    if new:
        job.append(Learned(**job.head(), recovered=True, **learned_in(job, new)))
        names = ", ".join(path.name for path in new)
        screen.say(f"Taken in from an interrupted run: {names}.")


def carry_in(job: Job, screen: Screen) -> None:
    """Begin the pass on new axes with what the recordings before it say there, once."""
    made = next((r for r in job.all_of(AxesChanged) if r.table == job.table), None)
    if made is None or any(record.table == job.table for record in job.all_of(Learned)):
        return
    folder = open_pass(job)
    place = folder / CARRIED
    if not place.exists() or hash_file(place) != made.files[EVIDENCE]:
        with disk.errors_about(place):
            disk.copy_file(job.table_folder(job.table) / EVIDENCE, place)
    session = fresh_session(job)
    with Stop() as stop:
        relearn(session, [place], Screen(quiet=True), stop)
    outcome = solved(session, [CARRIED], proposing=False)
    with results_ready(folder, session, outcome) as put:
        job.append(Learned(**job.head(), **learned_in(job, [place])))
        put()
    screen.say(
        f"Pass {job.pass_number} begins with what pass {made.pass_number} says on the new axes."
    )


def _name_anew(path: Path, screen: Screen) -> None:
    """Give a recording that somebody put there under a name that is no UTF-8 the next number: the
    history could not name it."""
    if is_utf8(path.name):
        return
    place = next_recording(path.parent)
    with disk.errors_about(path, "cannot be given another name"):
        disk.move(path, place)
    screen.say(f"{path} is named {place.name} now: its name was no UTF-8.")


def _fits(job: Job, path: Path, screen: Screen) -> bool:
    try:
        try_file(job, path)
    except MisfitError as error:
        aside = next_recording(path.parent, "refused")
        with disk.errors_about(path, "cannot be put aside"):
            disk.move(path, aside)
        screen.warn(f"{error}. It is kept as {aside}.")
        return False
    return True


def new_recordings(job: Job) -> list[Path]:
    """Return the recordings in the open pass's folder that the history does not name yet."""
    number = job.pass_number
    known = {entry.name for entry in job.pass_recordings(number)}
    return [path for path in recordings_in(job.pass_folder(number)) if path.name not in known]


def entry_of(path: Path) -> Entry:
    """Return what the history says of a recording."""
    if not is_utf8(path.name):
        raise UserError(f"{path}: its name is no UTF-8; give it another")
    found = Entry(name=path.name, sha256=hash_file(path), size_bytes=path.stat().st_size)
    if mapping_place(path).exists():
        found = found.model_copy(update={"mapping": hash_file(mapping_place(path))})
    return found


def learned_in(job: Job, recordings: list[Path]) -> dict[str, Any]:
    """Return what a record says of recordings that have come into the open pass."""
    number = job.pass_number
    folder = job.pass_folder(number)
    return {
        "pass_number": number,
        "table": job.table,
        "recordings": [entry_of(path) for path in recordings],
        "description": hash_file(folder / DESCRIPTION),
        "tables": {
            f"{bank.name}.csv": hash_file(folder / f"{bank.name}.csv")
            for bank in job.description().bank
        },
    }


def check_recordings(job: Job, number: int) -> None:
    """Refuse recordings that are not those that the history names."""
    for entry in job.pass_recordings(number):
        path = job.pass_folder(number) / entry.name
        if hash_file(path) != entry.sha256:
            raise UserError(
                f"{path}: changed since it was recorded; take it from a copy of the job"
            )
        _check_mapping(path, entry)


def _check_mapping(path: Path, entry: Entry) -> None:
    place = mapping_place(path)
    if entry.mapping is not None and (not place.exists() or hash_file(place) != entry.mapping):
        raise UserError(
            f"{place}: changed since {path.name} was learned with it; take it from a copy of the "
            "job, or drop the log and learn it again"
        )
