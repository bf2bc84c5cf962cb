"""Where samples come from: a port, a recording, a log, a board's evidence. Into a session, all.

One loop reads ports and one reads files, whoever looks on. How long a port may be silent or send
noise, when the recording begins, and what a pause means are decided here and nowhere else.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.words.log import LogError, LogReader
from breathmap.learner.words.log_look import Look
from breathmap.tools.base.disk import DiskError, why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import IDLE_S, Stop
from breathmap.tools.logs.columns import parts, samples_at_once
from breathmap.tools.logs.formats import kind_of
from breathmap.tools.logs.open import log_rows, look_at, open_log, with_mapping
from breathmap.tools.run.evidence_files import add_to_session, is_evidence
from breathmap.tools.run.observer import BEHIND, CATCHING_UP, Notice, Observer
from breathmap.tools.run.recorder import Again, Recorder
from breathmap.tools.run.recording_file import RecordingFile
from breathmap.tools.run.session import Session
from breathmap.tools.run.summary import PortSummary

# Rows of a log between two looks at its progress.
PROGRESS_ROWS = 2000
# About what a row of a log takes in a recording.
ROW_BYTES = 46
BLOCK_BYTES = 1 << 20
# Of files that hold samples; no port is called so.
SUFFIXES = (".bin", ".csv", ".txt", ".tsv", ".xlsx", ".parquet", ".arrow", ".feather", ".mf4")
PAUSE_S = 0.05
# A learner that has not been up to date for longer shows what is past.
BEHIND_S = 1.5

Say = Callable[[str], None]


class PortSource:
    """A port; every byte that is learned goes through a recording.

    folder: for the recordings. wait_s: how long the port may be silent, or send nothing of ours, at
    the start. again: how it is opened again when it went, None where its end is the end. A pause
    ends a recording and going on begins another, and so does a new connection, so that replaying
    them gives exactly what was learned. It closes the port.
    """

    def __init__(
        self,
        port: Any,
        url: str,
        folder: Path,
        wait_s: float,
        baud: int,
        again: Again | None = None,
    ) -> None:
        self._recorder = Recorder(port, url, folder, again)
        self._url = url
        self._wait_s = wait_s
        self._baud = baud
        self._section: RecordingFile | None = None
        self._is_begun = True  # the session knows that this recording's bytes come now

    @property
    def arrived(self) -> int:
        """Bytes that have arrived."""
        return self._recorder.arrived

    @property
    def story(self) -> PortSummary:
        """What happened to the port."""
        return self._recorder.story

    @property
    def has_given_up(self) -> bool:
        """True when the port was away for longer than is waited for."""
        return self._recorder.has_given_up

    def start(self) -> None:
        """Begin to record, whatever is done before it is learned."""
        if self._recorder.ident is None:
            self._recorder.start()

    def end(self) -> None:
        """Close recording and port."""
        if self._recorder.ident is not None:
            self._recorder.end()

    def read(self, session: Session, stop: Stop, observer: Observer) -> None:
        """Learn until the port is gone for good or somebody asks to stop, and then what has been
        recorded by then.

        UserError when it gives nothing of ours in time, or ends without a sample.
        """
        before = session.samples
        self._recorder.is_paused = lambda: observer.paused
        self.start()
        with observer.learning():
            session.begin(self._url)
        try:
            self._follow(session, stop, observer)
        finally:
            self.end()
        if self._recorder.error is not None:
            raise self._recorder.error
        if session.samples == before:
            raise UserError(self._why_no_sample(stop.asked))
        if not stop.asked:
            observer.closed()

    def _follow(self, session: Session, stop: Stop, observer: Observer) -> None:
        recorder = self._recorder
        began = sampled = caught_up = time.monotonic()
        samples = session.samples
        is_behind = False
        while True:
            if stop.asked:
                recorder.end()
            # Before the look: what is not there now never comes.
            is_over = recorder.over
            recorder.news.clear()
            has_moved = self._step(session, observer)
            now = time.monotonic()
            if session.samples != samples or observer.paused:
                samples, sampled = session.samples, now
            if not has_moved:
                caught_up = now
            if is_behind != (now - caught_up > BEHIND_S):
                is_behind = not is_behind
                observer.noticed(Notice(BEHIND, "", CATCHING_UP if is_behind else ""))
            while recorder.notices:
                observer.noticed(recorder.notices.popleft())
            # While recorded bytes wait to be learned nobody is silent, however long they took.
            silent_s = 0.0 if has_moved else max(now - recorder.came_s, 0.0)
            observer.waited(silent_s, now - sampled)
            self._check_patience(now - max(began, recorder.connected_s))
            if has_moved:
                continue
            if is_over:
                return
            recorder.news.wait(IDLE_S)

    def _step(self, session: Session, observer: Observer) -> bool:
        """Learn a slice of what was recorded; False when there is none."""
        recorder = self._recorder
        if self._section is None:
            if not recorder.sections:
                self._look_aside(observer)
                return False
            self._section = recorder.sections.popleft()
        was_over = self._section.over
        data = self._section.take(observer.slice_bytes)
        if not data and was_over:
            self._section, self._is_begun = None, False
            return True
        if not data:
            return False
        with observer.learning():
            if not self._is_begun:
                session.begin(self._url)
            self._is_begun = True
            session.feed(data)
        observer.learned()
        return True

    def _look_aside(self, observer: Observer) -> None:
        """Show what arrives during a pause; nothing of it is learned."""
        aside = self._recorder.aside
        while aside and observer.paused:
            observer.aside(aside.popleft())
        if not observer.paused:
            aside.clear()

    def _check_patience(self, waited_s: float) -> None:
        recorder = self._recorder
        if recorder.spoken or recorder.error or recorder.lost_since is not None:
            return
        if recorder.noise or (waited_s > self._wait_s and not recorder.over):
            raise UserError(self._why_nothing())

    def _why_nothing(self) -> str:
        if not self.arrived:
            return (
                f"{self._url}: nothing has arrived in {self._wait_s:g} s: check that the device "
                "has power, its wiring (TX to RX, ground) and the port's name"
            )
        return (
            f"{self._url}: {self.arrived} bytes arrived but no frame of ours: check the baud rate "
            f"(now {self._baud}) and the wiring"
        )

    def _why_no_sample(self, stopped: bool) -> str:
        if stopped or self._recorder.spoken:
            return f"{self._url}: no sample has arrived; nothing was learned"
        none = f"after {self.arrived} bytes, none of them a frame of ours"
        what = none if self.arrived else "at once"
        return f"{self._url}: the port closed {what}; nothing was learned"


def read_files(
    paths: Iterable[Path],
    session: Session,
    stop: Stop,
    observer: Observer,
    say: Say = lambda line: None,
) -> None:
    """Learn from recordings and logs and add boards' evidence, in order, until asked to stop.

    say: takes a line about what was left out of a file. UserError where a file is none of these.
    """
    for path in paths:
        if stop.asked:
            return
        size = size_of(path)
        with observer.learning():
            session.begin(str(path))
        with observer.reading(path):
            if is_evidence(path):
                with observer.learning():
                    add_to_session(session, path)
            elif not is_log_file(path):
                _read_recording(path, size, session, stop, observer, say)
            else:
                _read_log(path, session, stop, observer, say)


def size_of(path: Path) -> int:
    """Return a file's size in bytes; UserError when there is nothing to read."""
    try:
        with path.open("rb") as file:
            is_blank = not any(data.strip() for data in _blocks(file))
            size = os.fstat(file.fileno()).st_size
    except FileNotFoundError:
        raise UserError(f"{path}: no such file; give a recording or a CSV log") from None
    except OSError as error:
        raise DiskError(f"{path}: cannot be read: {why(error)}") from None
    if is_blank:
        raise UserError(f"{path}: the file is empty; give a recording or a CSV log")
    return size


def names_no_file(source: str) -> bool:
    """True when what was given for a port or a file is the name of a file that is not there."""
    path = Path(source)
    if "://" in source or path.exists() or path.is_relative_to("/dev"):
        return False
    return path.suffix.lower() in SUFFIXES


def is_log_file(path: Path) -> bool:
    """True when a file that is no board's evidence is read as a log."""
    return bool(kind_of(path)) or not holds_zero(path)


def holds_zero(path: Path) -> bool:
    """True when a file may be a recording: every frame ends with a zero byte, and no text holds
    one. A device may say much at its start before the first frame, so all of the file counts."""
    with path.open("rb") as file:
        return any(b"\0" in data for data in _blocks(file))


def _blocks(file: BinaryIO) -> Iterator[bytes]:
    return iter(lambda: file.read(BLOCK_BYTES), b"")


def _read_recording(
    path: Path, size: int, session: Session, stop: Stop, observer: Observer, say: Say
) -> None:
    done = 0
    with path.open("rb") as file:
        while _may_go_on(stop, observer) and (data := file.read(observer.slice_bytes)):
            with observer.learning():
                session.feed(data)
            done += len(data)
            observer.moved(done / max(size, 1))
            observer.learned()
    if stop.asked:
        return
    if not session.source_frames:
        raise UserError(f"{path}: no frame of ours in its {size} bytes; is it a recording?")
    if session.pending_bytes:
        say(f"{path}: cut off inside a frame; {session.pending_bytes} bytes left over.")


def _read_log(path: Path, session: Session, stop: Stop, observer: Observer, say: Say) -> None:
    before = session.samples
    rows = log_rows(path)
    reader = open_log(path, session.description, rows)
    try:
        samples = samples_at_once(reader, with_mapping(path, session.description))
    except LogError as error:
        raise UserError(f"{path}: {error}") from None
    look = look_at(path, rows, session.description, samples)
    if session.questions_logs:
        _question(path, look, session)
    session.logs[str(path)] = look
    if samples is not None:
        _learn_at_once(samples, session, stop, observer)
    else:
        reader = open_log(path, session.description, rows)
        _learn_by_rows(path, reader, session, stop, observer)
    if session.samples == before and not stop.asked:
        raise UserError(f"{path}: below its header no row holds a time; nothing was learned")
    if reader.skipped_rows:
        say(f"{path}: {reader.skipped_rows} rows without a time were left out.")


def _learn_at_once(
    samples: NDArray[np.void], session: Session, stop: Stop, observer: Observer
) -> None:
    done = 0
    for part in parts(samples, max(1, observer.slice_bytes // ROW_BYTES)):
        if not _may_go_on(stop, observer):
            return
        with observer.learning():
            session.learn_many(part)
        done += len(part)
        observer.moved(done / len(samples))
        observer.learned()


def _learn_by_rows(
    path: Path, reader: LogReader, session: Session, stop: Stop, observer: Observer
) -> None:
    try:
        for count, sample in enumerate(_while_allowed(reader.samples(), stop, observer)):
            with observer.learning():
                session.learn(sample)
            if count % PROGRESS_ROWS == 0:
                observer.moved(reader.fraction)
            observer.learned()
    except LogError as error:
        raise UserError(f"{path}: {error}") from None


def _question(path: Path, look: Look, session: Session) -> None:
    """Refuse a log of values in another unit, or of a ride that was learned already."""
    log = session.description.log
    if look.odd and log is not None and not log.take_odd_values:
        more = f" (and {len(look.odd) - 1} more)" if len(look.odd) > 1 else ""
        raise UserError(
            f"{path}: {look.odd[0]}{more}; correct the [log] part of the engine description, or "
            "take the values as they are with take_odd_values = true in it"
        )
    for other, earlier in session.logs.items():
        if look.is_same_ride(earlier):
            raise UserError(
                f"{path}: it holds the same ride as {other}; learning it twice would count the "
                "same evidence twice"
            )


def _may_go_on(stop: Stop, observer: Observer) -> bool:
    """Wait while paused; False when asked to stop."""
    while observer.paused and not stop.asked:
        time.sleep(PAUSE_S)
        observer.waited(0.0, 0.0)
    return not stop.asked


def _while_allowed(samples: Iterator[Any], stop: Stop, observer: Observer) -> Iterator[Any]:
    for sample in samples:
        if not _may_go_on(stop, observer):
            return
        yield sample
