"""Where the live view's bytes come from: a thread that reads and learns, from a port or from files.

The thread holds the lock while it learns a slice, never while it waits. What goes wrong in it is
kept in `error` and raised by whoever started it.
"""

import csv
import io
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from breathmap.protocol.host.link import NEED_DATA, LinkReader
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.samples import SampleAssembler
from breathmap.tools.base.csv_log import LogReader
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import write_text
from breathmap.tools.base.port import Stop, chunks
from breathmap.tools.run.session import Session
from breathmap.tools.view.state import Watch

SLICE_BYTES = 2048
NOTES = "notes.csv"
SPEEDS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1000.0)


class Source(threading.Thread):
    """A thread that feeds the session.

    paused: set by the screen. stop: asks to end. error: what ended it, if anything went wrong.
    ended: no more will come. silent_s: how long nothing has arrived. alarmed: called from the
    thread when a slice has raised an alarm.
    """

    speed: float | None = None

    def __init__(self, session: Session, watch: Watch, lock: threading.Lock, stop: Stop) -> None:
        super().__init__(daemon=True)
        self.session = session
        self.watch = watch
        self.lock = lock
        self.stop = stop
        self.paused = False
        self.ended = False
        self.error: BaseException | None = None
        self.silent_s = 0.0
        self.alarmed: Callable[[], None] = lambda: None

    def run(self) -> None:
        """Read until the end."""
        try:
            self.read()
        except BaseException as error:
            self.error = error
        self.ended = True

    def read(self) -> None:
        """What the thread does."""
        raise NotImplementedError

    def change_speed(self, step: int) -> None:
        """Go faster or slower; a live source cannot."""

    def _learned(self, action: Callable[[], None]) -> None:
        """Do something to the session under the lock, and call when it raised an alarm."""
        with self.lock:
            before = sum(self.watch.alarms.latched)
            action()
            after = sum(self.watch.alarms.latched)
        if after > before:
            self.alarmed()


class LiveSource(Source):
    """Reads a port; every byte learned goes into a recording first.

    While paused nothing is learned or recorded and the bytes are only looked at; afterwards a new
    recording begins, so that replaying gives exactly what was learned.
    """

    def __init__(
        self,
        session: Session,
        watch: Watch,
        lock: threading.Lock,
        stop: Stop,
        port: Any,
        recordings: Callable[[], Any],
        give_up: Callable[[int, int, float], None],
    ) -> None:
        super().__init__(session, watch, lock, stop)
        self._port = port
        self._recordings = recordings
        self._give_up = give_up
        self.recording = recordings()

    def read(self) -> None:
        """Read until the port closes or somebody asks to stop."""
        began = last = time.monotonic()
        arrived = 0
        aside: _Onlooker | None = None
        for data in chunks(self._port, self.stop):
            now = time.monotonic()
            if data:
                last = now
            self.silent_s = now - last
            if self.silent_s:
                self._learned(self._silence)
            if self.paused:
                aside = aside or self._set_aside()
                self._learned(lambda onlooker=aside, new=data: onlooker.feed(new))  # type: ignore[misc]
                continue
            if aside is not None:
                aside = None
                self.recording = self._recordings()
                with self.lock:
                    self.session.begin(self.session.source)
            arrived += len(data)
            self.recording.add(data)
            for at in range(0, len(data), SLICE_BYTES):
                part = data[at : at + SLICE_BYTES]
                self._learned(lambda new=part: self.session.feed(new))  # type: ignore[misc]
            if self.session.source_frames:
                if not self.recording.started:
                    self.recording.start()
            elif not self.session.samples:
                self._give_up(arrived, self.recording.held_bytes, now - began)
        if not self.stop.asked:
            if not self.session.samples:
                raise UserError(
                    f"{self.session.source}: the port closed after {arrived} bytes and no sample; "
                    "nothing was learned"
                )
            # Unplugged or over: somebody has to see it.
            self.silent_s = float("inf")
            self._learned(self._silence)

    def _set_aside(self) -> "_Onlooker":
        self.recording.close()
        return _Onlooker(self.watch)

    def _silence(self) -> None:
        if self.session.samples:
            self.watch.alarms.silence(self.silent_s)


class _Onlooker:
    """Looks at the samples in bytes without learning them."""

    def __init__(self, watch: Watch) -> None:
        self._watch = watch
        self._reader = LinkReader()
        self._assembler = SampleAssembler(reuse=True)

    def feed(self, data: bytes) -> None:
        """Look at what they hold."""
        self._reader.feed(data)
        while (event := self._reader.next_event()) is not NEED_DATA:
            sample = self._assembler.take(event)
            if sample is not None:
                self._watch.look(sample)


class ReplaySource(Source):
    """Plays recordings and logs at a multiple of real time; slices are samples or bytes."""

    def __init__(
        self,
        session: Session,
        watch: Watch,
        lock: threading.Lock,
        stop: Stop,
        sources: list[Path],
        speed: float,
    ) -> None:
        super().__init__(session, watch, lock, stop)
        self._sources = sources
        self.speed = speed
        self.done: list[str] = []

    def change_speed(self, step: int) -> None:
        """Go faster (step 1) or slower (-1)."""
        assert self.speed is not None
        later = [s for s in SPEEDS if (s > self.speed if step > 0 else s < self.speed)]
        if later:
            self.speed = later[0] if step > 0 else later[-1]

    def read(self) -> None:
        """Play every source to its end."""
        for source in self._sources:
            self.session.begin(str(source))
            with source.open("rb") as file:
                # Every frame ends with a zero byte, and no text holds one.
                is_recording = b"\0" in file.read(4096)
            before = self.session.samples
            self._play(self._slices(source) if is_recording else self._rows(source))
            if self.session.samples == before and not self.stop.asked:
                raise UserError(f"{source}: it holds no sample; nothing was learned from it")
            self.done.append(str(source))
            if self.stop.asked:
                return

    def _slices(self, source: Path) -> Iterator[Callable[[], None]]:
        with source.open("rb") as file:
            # One frame or two at a time, so that slow playing is smooth.
            while data := file.read(128):
                yield lambda new=data: self.session.feed(new)  # type: ignore[misc]

    def _rows(self, source: Path) -> Iterator[Callable[[], None]]:
        for sample in LogReader(source, self.session.description).samples():
            yield lambda new=sample: self._learn(new)  # type: ignore[misc]

    def _learn(self, sample: Sample) -> None:
        self.session.learn(sample)

    def _play(self, parts: Iterator[Callable[[], None]]) -> None:
        """Do the parts, none before its time."""
        played_s = self.watch.time_s
        due = time.monotonic()
        for part in parts:
            while self.paused and not self.stop.asked:
                time.sleep(0.05)
                due = time.monotonic()
            if self.stop.asked:
                return
            self._learned(part)
            assert self.speed is not None
            due += (self.watch.time_s - played_s) / self.speed
            played_s = self.watch.time_s
            ahead_s = due - time.monotonic()
            if ahead_s > 0.005:
                time.sleep(min(ahead_s, 1.0))
            elif ahead_s < -0.5:
                due = time.monotonic()  # too slow for that speed: as fast as it goes
                time.sleep(0.0005)  # and let the screen have its turn


class Notes:
    """Lines of text with their time, in notes.csv of the folder once that exists."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lines: list[tuple[str, float, str]] = []
        self._earlier: str | None = None

    def add(self, text: str, learned_s: float) -> None:
        """Keep a line; control characters become spaces."""
        clean = " ".join("".join(c if c.isprintable() else " " for c in text).split())
        if clean:
            stamp = datetime.now().astimezone().isoformat(" ", "seconds")
            self.lines.append((stamp, learned_s, clean))
            self.save()

    def save(self) -> None:
        """Write them, if there are any and the folder is there; earlier runs' lines stay."""
        if not self.lines or not self.folder.is_dir():
            return
        path = self.folder / NOTES
        if self._earlier is None:
            self._earlier = path.read_text(encoding="utf-8") if path.exists() else ""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        if not self._earlier:
            writer.writerow(["time", "learned_s", "note"])
        writer.writerows((stamp, f"{at:.1f}", line) for stamp, at, line in self.lines)
        write_text(path, self._earlier + text.getvalue())
