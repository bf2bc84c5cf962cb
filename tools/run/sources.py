"""Where samples come from: a port, a recording, a log, a board's evidence. Into a session, all.

One loop reads ports and one reads files, whoever looks on. How long a port may be silent or send
noise, when the recording begins, and what a pause means are decided here and nowhere else.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

from breathmap.learner.words.log import LogError
from breathmap.tools.base.csv_log import open_log
from breathmap.tools.base.disk import why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop, chunks
from breathmap.tools.run.evidence_files import add_to_session, is_evidence
from breathmap.tools.run.observer import Observer
from breathmap.tools.run.recording_file import RecordingFile
from breathmap.tools.run.session import Session

# Rows of a log between two looks at its progress.
PROGRESS_ROWS = 2000
# Bytes held before the first frame of ours; more than any device sends in vain by mistake.
HELD_BYTES_MAXIMUM = 8_000_000
BLOCK_BYTES = 1 << 20
PAUSE_S = 0.05

Say = Callable[[str], None]


class PortSource:
    """A port; every byte that is learned goes into a recording first.

    folder: for the recordings. wait_s: how long the port may be silent, or send nothing of ours, at
    the start. A pause ends a recording and going on begins another, so that replaying them gives
    exactly what was learned. The port is the caller's to close.
    """

    def __init__(self, port: Any, url: str, folder: Path, wait_s: float, baud: int) -> None:
        self._port = port
        self._url = url
        self._folder = folder
        self._wait_s = wait_s
        self._baud = baud
        self._recording = RecordingFile(folder)
        self._arrived = 0
        self._spoken = False  # a frame of ours has come from this port

    def read(self, session: Session, stop: Stop, observer: Observer) -> None:
        """Learn until the port closes or somebody asks to stop.

        UserError when it gives nothing of ours in time, or ends without a sample.
        """
        before = session.samples
        with observer.learning():
            session.begin(self._url)
        try:
            self._follow(session, stop, observer)
        finally:
            self._recording.close()
        if session.samples == before:
            raise UserError(self._why_no_sample(stop.asked))
        if not stop.asked:
            observer.closed()

    def _follow(self, session: Session, stop: Stop, observer: Observer) -> None:
        began = last = sampled = time.monotonic()
        was_paused = False
        samples = session.samples
        for data in chunks(self._port, stop):
            now = time.monotonic()
            if data:
                last = now
            if session.samples != samples or observer.paused:
                samples, sampled = session.samples, now
            observer.waited(now - last, now - sampled)
            if observer.paused:
                if not was_paused:
                    self._recording.close()
                was_paused = True
                observer.aside(data)
                continue
            if was_paused:
                was_paused = False
                self._recording = RecordingFile(self._folder)
                with observer.learning():
                    session.begin(self._url)
            self._take(data, session, observer)
            self._check_patience(now - began)

    def _take(self, data: bytes, session: Session, observer: Observer) -> None:
        self._arrived += len(data)
        self._recording.add(data)
        for at in range(0, len(data), observer.slice_bytes):
            with observer.learning():
                session.feed(data[at : at + observer.slice_bytes])
            observer.learned()
        if session.source_frames and not self._recording.started:
            self._spoken = True
            self._recording.start()

    def _check_patience(self, waited_s: float) -> None:
        if self._recording.held_bytes > HELD_BYTES_MAXIMUM or (
            not self._spoken and waited_s > self._wait_s
        ):
            raise UserError(self._why_nothing())

    def _why_nothing(self) -> str:
        if not self._arrived:
            return (
                f"{self._url}: nothing has arrived in {self._wait_s:g} s: check that the device "
                "has power, its wiring (TX to RX, ground) and the port's name"
            )
        return (
            f"{self._url}: {self._arrived} bytes arrived but no frame of ours: check the baud rate "
            f"(now {self._baud}) and the wiring"
        )

    def _why_no_sample(self, stopped: bool) -> str:
        if stopped or self._spoken:
            return f"{self._url}: no sample has arrived; nothing was learned"
        none = f"after {self._arrived} bytes, none of them a frame of ours"
        what = none if self._arrived else "at once"
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
            elif holds_zero(path):
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
        raise UserError(f"{path}: cannot be read: {why(error)}") from None
    if is_blank:
        raise UserError(f"{path}: the file is empty; give a recording or a CSV log")
    return size


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
    reader = open_log(path, session.description)
    try:
        for count, sample in enumerate(_while_allowed(reader.samples(), stop, observer)):
            with observer.learning():
                session.learn(sample)
            if count % PROGRESS_ROWS == 0:
                observer.moved(reader.fraction)
            observer.learned()
    except LogError as error:
        raise UserError(f"{path}: {error}") from None
    if session.samples == before and not stop.asked:
        raise UserError(f"{path}: below its header no row holds a time; nothing was learned")
    if reader.skipped_rows:
        say(f"{path}: {reader.skipped_rows} rows without a time were left out.")


def _may_go_on(stop: Stop, observer: Observer) -> bool:
    """Wait while paused; False when asked to stop."""
    while observer.paused and not stop.asked:
        time.sleep(PAUSE_S)
    return not stop.asked


def _while_allowed(samples: Iterator[Any], stop: Stop, observer: Observer) -> Iterator[Any]:
    for sample in samples:
        if not _may_go_on(stop, observer):
            return
        yield sample
