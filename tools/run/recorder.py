"""Reads a port into recordings, whatever the learner does meanwhile, and opens it again when it
went.

A thread of its own: what arrives is on disk while earlier recordings are still being learned. Each
connection has a recording of its own, so that nobody sees continuity where there was none. What
comes back must say that it is the same device before any of it counts.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Device
from breathmap.tools.base.disk import why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop, chunks
from breathmap.tools.run.alarm_words import span
from breathmap.tools.run.introduction import Introduction, misfit_of
from breathmap.tools.run.observer import PORT, RECORDING, Notice
from breathmap.tools.run.recording_file import RecordingFile
from breathmap.tools.run.summary import PortSummary

# Bytes held before the first frame of ours; more than any device sends in vain by mistake.
HELD_BYTES_MAXIMUM = 8_000_000
# Bytes that arrive during a pause and nobody has looked at yet.
ASIDE_MAXIMUM = 1000
NOTICES_MAXIMUM = 1000
# Between two tries to open a port again.
FIRST_PAUSE_S = 0.2
MOST_PAUSE_S = 2.0
GROWTH = 1.5
# A port that is back and says nothing of ours is opened anew: `identity` comes every 5 s.
SPEAKS_WITHIN_S = 8.0
# A network does not tell that the other end lost its power; no device of ours is silent so long.
NETWORK = "socket://"
NETWORK_SILENT_S = 10.0
WAIT_S = 0.05
# Held while the disk takes nothing and the learner is behind.
MEMORY_MAXIMUM = 64_000_000
UNKNOWN = "unknown"
# After the end a port that is just being opened is not waited for.
LEAVE_S = 0.5


@dataclass(frozen=True)
class Again:
    """How a port that went is opened again.

    reopen: opens it; UserError, in words that follow "waiting for it: ", while it cannot be.
    give_up_s: after so long it counts as over, None never. expected: who alone may send, None any
    device that fits the description.
    """

    reopen: Callable[[], Any]
    description: EngineDescription
    give_up_s: float | None = None
    expected: Device | None = None


class OtherDeviceError(UserError):
    """What came back is not what went."""


class Recorder(threading.Thread):
    """Reads the port until it is over: asked to end, or the port gone for good.

    sections: recordings that the learner has not begun, in order. aside: what arrived during a
    pause. is_paused: what arrives is not recorded. arrived: bytes so far, counted once they are
    recorded as far as the disk takes them. spoken: a frame of ours has come. noise: much has come
    before the first. lost_since: when the port went (monotonic), None while it is there. came_s,
    connected_s: when something last came and when it was opened. error: what ended it, if anything
    went wrong. news: set when there is something to look at.
    """

    def __init__(self, port: Any, url: str, folder: Path, again: Again | None = None) -> None:
        super().__init__(daemon=True)
        self.sections: deque[RecordingFile] = deque()
        self.notices: deque[Notice] = deque(maxlen=NOTICES_MAXIMUM)
        self.aside: deque[bytes] = deque(maxlen=ASIDE_MAXIMUM)
        self.is_paused: Callable[[], bool] = lambda: False
        self.arrived = 0
        self.spoken = self.noise = self.over = False
        self.lost_since: float | None = None
        self.came_s = self.connected_s = time.monotonic()
        self.error: BaseException | None = None
        self.news = threading.Event()
        self._halt = Stop()
        self._port = port
        self._url = url
        self._folder = folder
        self._again = again
        self._section: RecordingFile | None = None
        self._introduction = Introduction(url)
        self._known: Device | None = None
        self._is_accepted = True
        self._pause_s = FIRST_PAUSE_S
        self._ended_s = float("inf")
        self._story = PortSummary(times_lost=0, lost_s=0.0)
        # What was last told: that it is lost, why it is not there, who was refused, that it is
        # back, why the disk takes nothing and since when.
        self._lost = self._state = self._refused = self._back = ""
        self._trouble = self._trouble_at = ""

    def run(self) -> None:
        """Read, and open again, until it is over."""
        try:
            self._listen()
            while self._may_go_on() and self._again is not None:
                self._note_loss()
                self._sleep(self._pause_s)
                if self._may_go_on() and self._open(self._again):
                    self._listen()
        except BaseException as error:
            self.error = error
        finally:
            self._end_section()
            self._port.close()
            self._ended_s = time.monotonic()
            self.over = True
            self.news.set()

    def end(self) -> None:
        """Close recording and port; what was recorded can still be learned."""
        self._halt.asked = True
        until = time.monotonic() + LEAVE_S
        while self.is_alive() and (self.lost_since is None or time.monotonic() < until):
            self.join(WAIT_S)
        self._ended_s = time.monotonic()
        self.over = True

    @property
    def story(self) -> PortSummary:
        """What happened to the port until now, or until its end."""
        if self.lost_since is None:
            return self._story
        return self._lost_for(min(self._ended_s, time.monotonic()) - self.lost_since)

    @property
    def has_given_up(self) -> bool:
        """True when the port has been away for longer than is waited for."""
        if self._again is None or self._again.give_up_s is None or self.lost_since is None:
            return False
        return time.monotonic() - self.lost_since >= self._again.give_up_s

    def _may_go_on(self) -> bool:
        return not (self._halt.asked or self.has_given_up or (self.noise and not self.spoken))

    # -- one connection --------------------------------------------------------------------------

    def _listen(self) -> None:
        """Record one connection to its end."""
        self._introduction = Introduction(self._url)
        self.connected_s = self.came_s = time.monotonic()
        self.noise = False
        try:
            for data in chunks(self._port, self._halt):
                try:
                    self._take(data)
                finally:
                    self.arrived += len(data)
                if self.noise or self._is_dead(time.monotonic()):
                    break
                self._wait_for_learner()
        except OtherDeviceError as error:
            self._refuse(str(error))
        self._end_section()
        self._port.close()

    def _take(self, data: bytes) -> None:
        if data:
            self.came_s = time.monotonic()
        if self.is_paused():
            self._look(data)
            return
        section = self._section
        if section is None:
            if not data:
                return
            self._section = section = RecordingFile(self._folder)
            self._introduction = Introduction(self._url)
        section.add(data)
        self._introduce(data)
        if not section.started and self._is_accepted and self._introduction.frames:
            self._start(section)
        self.noise = not section.started and section.held_bytes > HELD_BYTES_MAXIMUM
        self._watch_disk(section)
        self.news.set()

    def _start(self, section: RecordingFile) -> None:
        is_first, self.spoken = not self.spoken, True
        section.start()
        if is_first and section.trouble and not section.size_bytes:
            # Before anybody has driven for it.
            self._section = None
            raise UserError(f"{self._folder}: no recording can be written: {why(section.trouble)}")
        self.sections.append(section)
        if not is_first:
            where = "" if section.trouble else f"Recording goes on in {section.path.name}."
            self._tell(PORT, f"{self._back}{where}".strip())
            self._back = ""

    def _look(self, data: bytes) -> None:
        """A pause: nothing is recorded, and who sends is looked at all the same."""
        if self._section is not None:
            self._end_section()
            self._introduction = Introduction(self._url)
        self._introduce(data)
        if data:
            self.aside.append(data)
            self.news.set()

    def _end_section(self) -> None:
        section, self._section = self._section, None
        if section is None:
            return
        section.close()
        if section.started:
            self._watch_disk(section)
        elif not self._is_accepted and self._introduction.frames:
            self._keep_unknown(section)
        self.news.set()

    def _wait_for_learner(self) -> None:
        """Leave the bytes in the port while a full disk and a slow learner fill the memory."""
        while not self._halt.asked and self._waiting_bytes() > MEMORY_MAXIMUM:
            time.sleep(WAIT_S)

    def _waiting_bytes(self) -> int:
        return sum(section.held_bytes for section in list(self.sections))

    def _is_dead(self, now: float) -> bool:
        if self._is_accepted:
            is_silent = now - self.came_s > NETWORK_SILENT_S
            return is_silent and self.spoken and self._url.startswith(NETWORK)
        if now - self.connected_s > SPEAKS_WITHIN_S:
            what = (
                "does not say who it is" if self._introduction.frames else "sends nothing of ours"
            )
            self._tell_state(f"what is there {what}")
            return True
        return self.has_given_up

    # -- who sends -------------------------------------------------------------------------------

    def _introduce(self, data: bytes) -> None:
        introduction = self._introduction
        if self._is_accepted and introduction.is_complete:
            return
        try:
            introduction.feed(data)
        except UserError as error:
            if self._is_accepted:
                raise
            raise OtherDeviceError(str(error)) from None
        if not self._is_accepted and introduction.frames:
            self._judge(introduction)
        device = introduction.device
        # A serial that was told once is not forgotten.
        if self._is_accepted and device and (device.serial or not (self._known or device).serial):
            self._known = device

    def _judge(self, introduction: Introduction) -> None:
        """Accept what came back once it has said that it is what went; OtherDeviceError."""
        again = self._again
        assert again is not None
        identity = introduction.identity
        misfit = None if identity is None else misfit_of(identity, again.description)
        if misfit is not None:
            raise OtherDeviceError(f"{self._url}: another device has come: {misfit[0]}")
        wanted = [device for device in (self._known, again.expected) if device is not None]
        device = introduction.device
        if wanted and device is None:
            return
        if any(one.serial for one in wanted) and not introduction.is_complete:
            return
        for one in wanted:
            other = "" if device is None else device.is_other_than(one)
            if other:
                raise OtherDeviceError(f"{self._url}: another device has come: {other}")
        self._accept()

    def _accept(self) -> None:
        assert self.lost_since is not None
        lost_s = time.monotonic() - self.lost_since
        self._story, self.lost_since = self._lost_for(lost_s), None
        self._is_accepted = True
        self._back = f"The port is back after {span(lost_s)}. "
        self._tell(PORT, "")

    def _lost_for(self, seconds: float) -> PortSummary:
        lost_s = round(self._story.lost_s + seconds, 1)
        return self._story.model_copy(update={"lost_s": lost_s})

    def _refuse(self, said: str) -> None:
        """Forget what another device has sent, and say so once."""
        self._section = None
        if said != self._refused:
            self._refused = said
            self._add(refused=self._story.refused + 1)
            line = f"{said}. Nothing of it is learned; waiting for the right one."
            self._tell(PORT, line, f"{self._lost}: another device is there", is_alarm=True)

    def _keep_unknown(self, section: RecordingFile) -> None:
        """What came before its device said who it is counts for nothing, and is kept."""
        try:
            name = section.put_aside(UNKNOWN).name
        except OSError as error:
            self._tell(PORT, f"{self._folder}: cannot be written: {error.strerror}", self._state)
            return
        self._add(unknown=[*self._story.unknown, name])
        line = f"Gone again before it said who it is: what it sent is kept as {name}, not learned."
        self._tell(PORT, line, self._state)

    # -- when it went ----------------------------------------------------------------------------

    def _note_loss(self) -> None:
        if not self._is_accepted:
            self._pause_s = min(self._pause_s * GROWTH, MOST_PAUSE_S)
            return
        self._is_accepted = False
        self._pause_s = FIRST_PAUSE_S
        self._refused = self._back = ""
        self.lost_since = time.monotonic()
        at = _time_of_day()
        self._lost = f"port lost at {at}, waiting for it"
        self._add(times_lost=self._story.times_lost + 1)
        line = (
            f"The port was lost at {at}: waiting for it. Ctrl-C ends, and writes what was learned."
        )
        self._tell(PORT, line, self._lost, is_alarm=True)

    def _open(self, again: Again) -> bool:
        try:
            self._port = again.reopen()
        except UserError as error:
            self._tell_state(str(error))
            return False
        return True

    def _sleep(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while self._may_go_on() and (left := until - time.monotonic()) > 0.0:
            time.sleep(min(left, WAIT_S))

    # -- what is told ----------------------------------------------------------------------------

    def _watch_disk(self, section: RecordingFile) -> None:
        trouble = section.trouble
        said = "" if trouble is None else trouble.strerror or str(trouble)
        if section.started and said != self._trouble:
            self._tell_trouble(said)
        if not section.ended_early:
            return
        self._add(
            unrecorded_from=self._story.unrecorded_from or self._trouble_at,
            unrecorded_why=self._story.unrecorded_why or said,
            unrecorded_bytes=self._story.unrecorded_bytes + section.held_bytes,
        )
        if section is self._section:
            # What comes when there is room again is a recording of its own.
            self._section = None
            section.close()

    def _tell_trouble(self, trouble: str) -> None:
        if not self._trouble:
            self._trouble_at = _time_of_day()
            state = f"NOT RECORDING since {self._trouble_at}: {trouble}"
            line = f"{state}. Make room on the disk; learning goes on, and what comes is held."
            self._tell(RECORDING, line, state, is_alarm=True)
        elif not trouble:
            self._tell(RECORDING, "The disk takes what comes again.")
        self._trouble = trouble

    def _add(self, **changed: object) -> None:
        self._story = self._story.model_copy(update=changed)

    def _tell_state(self, reason: str) -> None:
        if f"{self._lost}: {reason}" != self._state:
            self._tell(PORT, "", f"{self._lost}: {reason}")

    def _tell(self, about: str, line: str, state: str = "", is_alarm: bool = False) -> None:
        if about == PORT:
            self._state = state
        self.notices.append(Notice(about, line, state, is_alarm))
        self.news.set()


def _time_of_day() -> str:
    return datetime.now().strftime("%H:%M:%S")
