"""The two ways to learn: live from a port, and from recordings or logs.

A live run writes the bytes as they arrive, so that nothing is lost whatever happens to the rest; a
recording is never overwritten. No folder is made before the first frame of ours has arrived.
"""

import os
import time
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from breathmap.learner.exact.solve import solve
from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.tools.base.csv_log import LogReader
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.base.port import Stop, chunks, open_port
from breathmap.tools.base.screen import Screen, share_of
from breathmap.tools.run.delay_report import (
    LIVE_SAMPLES,
    REPLAY_SAMPLES,
    RecentSamples,
    delay_lines,
    delay_summary,
    look_for_delay,
    worth_saying,
)
from breathmap.tools.run.evidence_files import (
    add_to_session,
    evidence_in,
    is_evidence,
    without_earlier,
)
from breathmap.tools.run.results import Outcome, make_folder, write_results
from breathmap.tools.run.session import Session
from breathmap.tools.view.show import need_terminal, view_live, view_replay

STATUS_EVERY_S = 0.5
ERROR_EVERY_S = 5.0
SYNC_EVERY_S = 2.0
SLICE_BYTES = 16384
CHECK_ROWS = 2000
# Bytes held before the first frame of ours; more than any device sends in vain by mistake.
HELD_BYTES_MOST = 8_000_000
OTHER_OUTPUT = "give another folder with --out"


def load(path: Path) -> tuple[EngineDescription, list[list[float]]]:
    """Return an engine description and its tables."""
    description = read_description(path)
    return description, read_tables(path, description)


class RecordingFile:
    """Writes arriving bytes to folder/recording-NNN.bin, which must not exist.

    Bytes are held until `start`, so that a port which never speaks leaves nothing behind.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._held = bytearray()
        self._file: BinaryIO | None = None
        self._synced = 0.0
        self.path = folder

    @property
    def started(self) -> bool:
        """True when the file is there."""
        return self._file is not None

    @property
    def held_bytes(self) -> int:
        """Bytes that wait for `start`."""
        return len(self._held)

    def add(self, data: bytes) -> None:
        """Take bytes as they arrived."""
        if self._file is None:
            self._held += data
            return
        try:
            self._file.write(data)
            self._file.flush()
            if time.monotonic() - self._synced > SYNC_EVERY_S:
                os.fsync(self._file.fileno())
                self._synced = time.monotonic()
        except OSError as error:
            raise UserError(f"{self.path}: cannot be written: {error.strerror}") from None

    def start(self) -> None:
        """Make folder and file, and write what was held."""
        make_folder(self._folder, may_exist=True, hint="")
        number = len(recordings_in(self._folder)) + 1
        while self._file is None:
            self.path = self._folder / f"recording-{number:03d}.bin"
            try:
                self._file = self.path.open("xb")
            except FileExistsError:
                number += 1
            except OSError as error:
                raise UserError(f"{self.path}: cannot be written: {error.strerror}") from None
        held, self._held = bytes(self._held), bytearray()
        self.add(held)

    def close(self) -> None:
        """Close the file, everything on disk; once more does nothing."""
        if self._file is not None and not self._file.closed:
            os.fsync(self._file.fileno())
            self._file.close()


def recordings_in(folder: Path) -> list[Path]:
    """Return a folder's recordings in the order they were made, then boards' evidence."""
    return sorted(folder.glob("recording-*.bin")) + evidence_in(folder)


def learn_live(
    path: Path,
    url: str,
    out: Path,
    screen: Screen,
    baud: int = 115200,
    add: bool = False,
    wait_s: float = 10.0,
    find_delay: bool = False,
    view: bool = False,
) -> Outcome:
    """Learn from a port until it closes or Ctrl-C; write the outcome into `out` and return it.

    add: `out` may hold earlier recordings of the same engine; they are learned first and kept.
    wait_s: how long a port may be silent, or send nothing of ours, at the start.
    find_delay: at the end look for the delay in the last ten minutes or so, and propose it.
    view: show the live view meanwhile.
    """
    if view:
        need_terminal()
    description, tables = load(path)
    session = Session(description, tables)
    if find_delay:
        session.recent = RecentSamples(LIVE_SAMPLES, len(description.bank))
    _check_output(out, add)
    port = open_port(url, baud)
    recording = RecordingFile(out)
    try:
        with Stop() as stop:
            if add:
                for earlier in without_earlier(recordings_in(out)):
                    replay_one(earlier, session, screen, stop)
            session.begin(url)
            screen.say(f"Learning from {url}. Ctrl-C ends, and writes what was learned.")
            if view:
                _follow_in_view(port, session, out, stop, wait_s, baud)
            else:
                _follow(port, session, recording, screen, stop, wait_s, baud)
            if stop.asked:
                screen.say("Stopped as asked.")
            else:
                screen.say("The port has closed: the device has gone, or its drive is over.")
            if not session.samples:
                raise UserError(f"{url}: no sample has arrived; nothing was learned")
            recording.close()
            sources = [p.name for p in recordings_in(out)]
            # What was learned is safe before anything else is tried.
            outcome = write_results(out, session, sources, stop.asked)
        # Beyond Stop's reach: here Ctrl-C ends the search at once.
        extra = _delay_part(session, screen, only_if_worth=True)
        return write_results(out, session, sources, outcome.stopped, extra) if extra else outcome
    finally:
        recording.close()
        port.close()


def _check_output(out: Path, add: bool) -> None:
    if out.is_file():
        raise UserError(f"{out} is a file; {OTHER_OUTPUT}")
    if not add and out.is_dir() and any(out.iterdir()):
        raise UserError(
            f"{out} exists and is not empty; {OTHER_OUTPUT}, or --add to go on with what is there"
        )


def _follow(
    port: Any,
    session: Session,
    recording: RecordingFile,
    screen: Screen,
    stop: Stop,
    wait_s: float,
    baud: int,
) -> None:
    """Learn from the port until its end."""
    began = time.monotonic()
    arrived = 0
    with screen.status() as status:
        line = StatusText(session)
        for data in chunks(port, stop):
            arrived += len(data)
            recording.add(data)
            session.feed(data)
            if session.source_frames:
                if not recording.started:
                    recording.start()
                status.update(line.text(silent=not data))
            elif time.monotonic() - began > wait_s or recording.held_bytes > HELD_BYTES_MOST:
                raise UserError(_why_nothing(session, arrived, wait_s, baud))
        if not session.source_frames and not stop.asked:
            what = f"after {arrived} bytes, none of them a frame of ours" if arrived else "at once"
            raise UserError(f"{session.source}: the port closed {what}; nothing was learned")


def _follow_in_view(
    port: Any, session: Session, out: Path, stop: Stop, wait_s: float, baud: int
) -> None:
    """Learn from the port in the live view until its end."""

    def give_up(arrived: int, held: int, waited_s: float) -> None:
        if waited_s > wait_s or held > HELD_BYTES_MOST:
            raise UserError(_why_nothing(session, arrived, wait_s, baud))

    view_live(port, session, stop, out, lambda: RecordingFile(out), give_up)


def _why_nothing(session: Session, arrived: int, wait_s: float, baud: int) -> str:
    if not arrived:
        return (
            f"{session.source}: nothing has arrived in {wait_s:g} s: check that the device has "
            "power, its wiring (TX to RX, ground) and the port's name"
        )
    return (
        f"{session.source}: {arrived} bytes arrived but no frame of ours: check the baud rate "
        f"(now {baud}) and the wiring"
    )


class StatusText:
    """The status line's text: samples, used, typical error, the latest refusal and its remedy."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._next_s = 0.0
        self._next_error_s = time.monotonic() + 1.0
        self._error = ""
        self._text = "waiting for the first sample"
        self._quiet_since = time.monotonic()

    def text(self, silent: bool) -> str:
        """Return the text; made anew every STATUS_EVERY_S. silent: nothing arrived just now."""
        now = time.monotonic()
        if not silent:
            self._quiet_since = now
        if now < self._next_s:
            return self._text
        self._next_s = now + STATUS_EVERY_S
        session = self._session
        if session.samples and now >= self._next_error_s:
            self._next_error_s = now + ERROR_EVERY_S
            self._error = _typical_error(session)
        banks = session.learner.banks
        used = ", ".join(f"{b.name} {share_of(b.used_count, b.seen_count)}" for b in banks)
        text = f"{session.samples:,} samples; used: {used}{self._error}"
        if now - self._quiet_since > 2.0:
            text += f"\nno data for {now - self._quiet_since:.0f} s; is the device still running?"
        elif session.latest is not None:
            bank, reason = session.latest
            meaning, remedy = EXPLANATIONS[reason]
            text += f"\nrefused now ({bank}): {meaning}\nto do: {remedy}"
        else:
            text += "\nlearning"
        self._text = text
        return text


def _typical_error(session: Session) -> str:
    errors = []
    for bank in session.learner.banks:
        solution = solve(bank.evidence, cells_pct=bank.table.cells)
        if solution.visited.any():
            errors.append(float(np.median(solution.standard_error[solution.visited])))
    return f"; visited cells ± {100.0 * max(errors):.1f} %" if errors else ""


def replay(
    path: Path,
    sources: list[Path],
    out: Path,
    screen: Screen,
    replace: bool = False,
    find_delay: bool = False,
    view_speed: float | None = None,
) -> Outcome:
    """Learn from recordings and CSV logs, in order; write the outcome into `out` and return it.

    replace: results of an earlier replay in `out` are written over; recordings never are.
    find_delay: look for the delay as well, say what was found, and change nothing.
    view_speed: play in the live view at this multiple of real time.
    """
    if view_speed is not None:
        need_terminal()
    description, tables = load(path)
    session = Session(description, tables)
    if find_delay:
        session.recent = RecentSamples(REPLAY_SAMPLES, len(description.bank))
    if out.is_file() or (not replace and out.is_dir() and any(out.iterdir())):
        raise UserError(f"{out} exists and is not empty; {OTHER_OUTPUT}, or --replace its results")
    notes = None
    with Stop() as stop:
        played = []
        for source in without_earlier(sources):
            if view_speed is not None and not is_evidence(source):
                _head_of(source)
                played.append(source)
                continue
            replay_one(source, session, screen, stop)
            if stop.asked:
                break
        if view_speed is not None:
            notes = view_replay(played, session, stop, out, view_speed)
        if stop.asked:
            screen.say("Stopped as asked; what was learned until then is written.")
        if not session.samples:
            raise UserError(f"{sources[0]}: it holds no sample; nothing was learned")
        make_folder(out, replace, OTHER_OUTPUT)
        if notes is not None:
            notes.save()
        extra = _delay_part(session, screen, only_if_worth=False)
        return write_results(out, session, [str(source) for source in sources], stop.asked, extra)


def _delay_part(session: Session, screen: Screen, only_if_worth: bool) -> dict[str, Any]:
    """Look for the delay where samples were kept for it; tell, and return the summary's part."""
    if session.recent is None:
        return {}
    screen.say("Looking for the delay in the last samples; Ctrl-C skips it.")
    found = look_for_delay(session.recent, session.settings)
    if only_if_worth and not worth_saying(found):
        screen.say("It agrees with the engine description.")
    else:
        for line in delay_lines(found, session.settings):
            screen.say(line)
    return {"delay_found": delay_summary(found)}


def _head_of(source: Path) -> tuple[bytes, int]:
    """Return a source's first bytes and its size; UserError when there is nothing to read."""
    try:
        with source.open("rb") as file:
            head = file.read(4096)
            size = os.fstat(file.fileno()).st_size
    except FileNotFoundError:
        raise UserError(f"{source}: no such file; give a recording or a CSV log") from None
    except OSError as error:
        raise UserError(f"{source}: cannot be read: {error.strerror}") from None
    if not head.strip():
        raise UserError(f"{source}: the file is empty; give a recording or a CSV log")
    return head, size


def replay_one(source: Path, session: Session, screen: Screen, stop: Stop) -> None:
    """Learn from one recording or log, or add a board's evidence."""
    head, size = _head_of(source)
    session.begin(str(source))
    if is_evidence(source):
        add_to_session(session, source)
        return
    # Every frame ends with a zero byte, and no text holds one.
    if b"\0" in head:
        _replay_recording(source, size, session, screen, stop)
    else:
        _replay_log(source, session, screen, stop)


def _replay_recording(
    source: Path, size: int, session: Session, screen: Screen, stop: Stop
) -> None:
    done = 0
    with source.open("rb") as file, screen.progress(f"reading {source.name}") as bar:
        while not stop.asked and (data := file.read(SLICE_BYTES)):
            session.feed(data)
            done += len(data)
            bar.update(done / max(size, 1))
    if not session.source_frames and not stop.asked:
        raise UserError(f"{source}: no frame of ours in its {size} bytes; is it a recording?")
    if session.pending_bytes and not stop.asked:
        screen.say(f"{source}: cut off inside a frame; {session.pending_bytes} bytes left over.")


def _replay_log(source: Path, session: Session, screen: Screen, stop: Stop) -> None:
    reader = LogReader(source, session.description)
    before = session.samples
    with screen.progress(f"reading {source.name}") as bar:
        for count, sample in enumerate(reader.samples()):
            session.learn(sample)
            if count % CHECK_ROWS == 0:
                bar.update(reader.fraction)
                if stop.asked:
                    return
    if session.samples == before:
        raise UserError(f"{source}: below its header no row holds a time; nothing was learned")
    if reader.skipped_rows:
        screen.say(f"{source}: {reader.skipped_rows} rows without a time were left out.")
