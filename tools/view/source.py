"""The live view's part in a run: an observer that works in a thread of its own, and the notes.

The run's loops are those of `breathmap.tools.run.sources`. Here its slices are learned under the
lock that the screen reads behind, paced where a recording is played, and looked at while paused.
What goes wrong in the thread is kept in `error` and raised by whoever started it.
"""

import csv
import io
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from breathmap.protocol.host.link import NEED_DATA, LinkReader
from breathmap.protocol.wire.samples import SampleAssembler
from breathmap.tools.base.files import write_bytes
from breathmap.tools.base.port import Stop
from breathmap.tools.run.observer import BEHIND, PORT, Notice, Observer, Work
from breathmap.tools.run.session import Session
from breathmap.tools.view.state import Watch

# Bytes learned between two looks of the screen: live as many as are welcome, played a frame or two.
LIVE_SLICE_BYTES = 2048
PLAYED_SLICE_BYTES = 128
NOTES = "notes.csv"
SPEEDS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1000.0)
# The pace: shorter waits are not worth a call, later than this is too slow for the speed asked.
AHEAD_S = 0.005
BEHIND_S = 0.5
WAIT_MAXIMUM_S = 1.0
YIELD_S = 0.0005


class Source(threading.Thread, Observer):
    """Does the work of a run in a thread, and observes it.

    speed: a multiple of real time at which files are played, None for a port. paused: set by the
    screen. stop: asks to end. error: what ended it, if anything went wrong. ended: no more will
    come. silent_s, no_sample_s: how long nothing has arrived, and how long no sample. port_state:
    what is the matter with the port, "" when it is there. is_behind: what is looked at was recorded
    some time ago. alarmed: called from the thread when an
    alarm was raised.
    """

    def __init__(
        self,
        session: Session,
        watch: Watch,
        lock: threading.Lock,
        stop: Stop,
        work: Work,
        speed: float | None = None,
    ) -> None:
        super().__init__(daemon=True)
        self.session = session
        self.watch = watch
        self.lock = lock
        self.stop = stop
        self.speed = speed
        self.slice_bytes = LIVE_SLICE_BYTES if speed is None else PLAYED_SLICE_BYTES
        self.paused = False
        self.ended = False
        self.error: BaseException | None = None
        self.silent_s = 0.0
        self.no_sample_s = 0.0
        self.port_state = ""
        self.is_behind = False
        self._is_recording_failing = False
        self.alarmed: Callable[[], None] = lambda: None
        self._work = work
        self._onlooker: _Onlooker | None = None
        self._played_s = 0.0
        self._due = 0.0
        session.watcher = watch.take

    def run(self) -> None:
        """Work until the end."""
        self._due = time.monotonic()
        try:
            self._work(self)
        except BaseException as error:
            self.error = error
        self.ended = True

    def change_speed(self, step: int) -> None:
        """Go faster (step 1) or slower (-1); a port cannot."""
        if self.speed is None:
            return
        speed = self.speed
        later = [s for s in SPEEDS if (s > speed if step > 0 else s < speed)]
        if later:
            self.speed = later[0] if step > 0 else later[-1]

    @contextmanager
    def learning(self) -> Iterator[None]:
        """Hold the lock, and call when an alarm was raised meanwhile."""
        with self.lock:
            before = sum(self.watch.alarms.latched)
            yield
            after = sum(self.watch.alarms.latched)
        if after > before:
            self.alarmed()

    def learned(self) -> None:
        """Wait until the next slice is due."""
        self._onlooker = None
        if self.speed is None:
            return
        now = time.monotonic()
        if self._due < now - BEHIND_S:
            self._due = now  # paused, or too slow for that speed: as fast as it goes
        self._due += (self.watch.time_s - self._played_s) / self.speed
        self._played_s = self.watch.time_s
        ahead_s = self._due - now
        if ahead_s > AHEAD_S:
            time.sleep(min(ahead_s, WAIT_MAXIMUM_S))
        elif ahead_s < 0.0:
            time.sleep(YIELD_S)  # and let the screen have its turn

    def waited(self, silent_s: float, no_sample_s: float) -> None:
        """Note the silence; a device that was there and is not is an alarm."""
        self.silent_s = silent_s
        self.no_sample_s = no_sample_s
        if silent_s or self._is_recording_failing:
            self._call_silence()

    def aside(self, data: bytes) -> None:
        """Look at what arrives during a pause."""
        if self._onlooker is None:
            self._onlooker = _Onlooker(self.watch)
        with self.learning():
            self._onlooker.feed(data)

    def told(self, notice: Notice) -> None:
        """A port that went, another device in its place, a full disk: alarms at once."""
        if notice.about == BEHIND:
            self.is_behind = bool(notice.state)
            return
        if notice.about == PORT:
            self.port_state = notice.state
        else:
            self._is_recording_failing = bool(notice.state)
        with self.learning():
            self.watch.recording(self._is_recording_failing)
            if notice.about == PORT and notice.is_alarm:
                self.watch.silence(float("inf"))

    def closed(self) -> None:
        """Unplugged or over: somebody has to see it."""
        self.silent_s = float("inf")
        self._call_silence()

    def _call_silence(self) -> None:
        with self.learning():
            self.watch.recording(self._is_recording_failing)
            if self.session.samples:
                self.watch.silence(float("inf") if self.port_state else self.silent_s)


class _Onlooker:
    """Looks at the samples in bytes without learning them."""

    def __init__(self, watch: Watch) -> None:
        self._watch = watch
        watch.alarms.restart()  # these samples' clock is not the session's
        self._reader = LinkReader()
        self._assembler = SampleAssembler(reuse=True)

    def feed(self, data: bytes) -> None:
        """Look at what they hold."""
        self._reader.feed(data)
        while (event := self._reader.next_event()) is not NEED_DATA:
            sample = self._assembler.take(event)
            if sample is not None:
                self._watch.look(sample)


class Notes:
    """Lines of text with their time, in notes.csv of the folder once that exists."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lines: list[tuple[str, float, str]] = []
        self._earlier: bytes | None = None

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
            self._earlier = path.read_bytes() if path.exists() else b""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        if not self._earlier:
            writer.writerow(["time", "learned_s", "note"])
        writer.writerows((stamp, f"{at:.1f}", line) for stamp, at, line in self.lines)
        # As they are: they are kept even where they are damaged.
        write_bytes(path, self._earlier + text.getvalue().encode())
