"""What one run tells whoever shows it: an observer that notes silence, port, pace and alarms.

The run's loops are those of `breathmap.tools.run.sources`. Here its slices are learned under the
lock that those who show it read behind, and paced where a recording is played. The terminal's live
view and the page look at the same one.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from breathmap.tools.run.observer import BEHIND, PORT, Notice, Observer
from breathmap.tools.run.session import Session
from breathmap.tools.view.state import Watch

# Bytes learned between two looks of the screen: live as many as are welcome, played a frame or two.
LIVE_SLICE_BYTES = 2048
PLAYED_SLICE_BYTES = 128
# The pace: shorter waits are not worth a call, later than this is too slow for the speed asked.
AHEAD_S = 0.005
BEHIND_S = 0.5
WAIT_MAXIMUM_S = 1.0
YIELD_S = 0.0005


class Looking(Observer):
    """Notes what becomes of a run.

    speed: a multiple of real time at which files are played, None for a port. ended: no more will
    come. silent_s, no_sample_s: how long nothing has arrived, and how long no sample. port_state:
    what is the matter with the port, "" when it is there. is_behind: what is looked at was recorded
    some time ago. alarmed: called from the learner's thread when an alarm was raised. moved_on:
    called from there, without the lock, whenever there may be something new to show.
    """

    def __init__(
        self, session: Session, watch: Watch, lock: threading.Lock, speed: float | None = None
    ) -> None:
        self.session = session
        self.watch = watch
        self.lock = lock
        self.speed = speed
        self.slice_bytes = LIVE_SLICE_BYTES if speed is None else PLAYED_SLICE_BYTES
        self.paused = False
        self.ended = False
        self.silent_s = 0.0
        self.no_sample_s = 0.0
        self.port_state = ""
        self.is_behind = False
        self.alarmed: Callable[[], None] = lambda: None
        self.moved_on: Callable[[], None] = lambda: None
        self._is_recording_failing = False
        self._played_s = 0.0
        self._due = time.monotonic()
        session.watcher = watch.take

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
        self.moved_on()
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
        self.moved_on()

    def noticed(self, notice: Notice) -> None:
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
