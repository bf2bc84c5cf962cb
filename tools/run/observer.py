"""Who looks on while a run reads and learns: the terminal, the live view, or nobody.

A run calls its observer and never asks it for bytes: there is one loop for ports and one for files
(`breathmap.tools.run.sources`), whoever looks on.
"""

import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from breathmap.learner.core.episodes import Episode
from breathmap.learner.exact.solve import solve
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import ProgressBar, Screen, StatusLine, share_of
from breathmap.tools.base.uncertain import error_text
from breathmap.tools.run.alarm_words import begun_line, over_line
from breathmap.tools.run.session import Session

STATUS_EVERY_S = 0.5
# The screen's time between two lines on one alarm.
QUIET_S = 10.0
NOT_RUNNING = "engine_not_running"
ERROR_EVERY_S = 5.0
SILENT_S = 2.0


PORT, RECORDING, BEHIND = "port", "recording", "behind"
CATCHING_UP = "catching up with what was recorded meanwhile: alarms and figures are late"


@dataclass(frozen=True)
class Notice:
    """Something happened to the port or its recording, and what to tell.

    about: PORT, RECORDING or BEHIND (the learner is). line: to be printed once, "" for nothing.
    state: what is the matter since, "" when all is well again. is_alarm: somebody has to look.
    """

    about: str
    line: str
    state: str = ""
    is_alarm: bool = False


class Observer:
    """Looks on and does nothing.

    paused: a port's bytes are looked at but neither learned nor recorded; a file waits.
    slice_bytes: how many bytes are learned at a time.
    """

    paused = False
    slice_bytes = 65536

    def reading(self, path: Path) -> AbstractContextManager[object]:
        """Around the reading of one file."""
        return nullcontext()

    def learning(self) -> AbstractContextManager[object]:
        """Around everything that changes the session, a slice at a time."""
        return nullcontext()

    def learned(self) -> None:
        """After a slice; may wait."""

    def moved(self, share: float) -> None:
        """So much of the file has been read, 0 to 1."""

    def waited(self, silent_s: float, no_sample_s: float) -> None:
        """After each look at a port: how long nothing has arrived, and how long no sample has; now
        and then while a file waits."""

    def aside(self, data: bytes) -> None:
        """Bytes that arrived during a pause."""

    def noticed(self, notice: Notice) -> None:
        """Something happened to the port or its recording."""

    def closed(self) -> None:
        """The port is gone for good, without being asked."""


Work = Callable[[Observer], None]
# Runs the work with an observer of its own: (session, stop, folder of the results, work).
Show = Callable[[Session, Stop, Path, Work], None]


def on_terminal(screen: Screen) -> Show:
    """Show a run as lines on a terminal: a status line for a port, a bar for each file."""

    def show(session: Session, stop: Stop, folder: Path, work: Work) -> None:
        with screen.status() as status:
            alarms = AlarmLines(session, screen.say)
            work(TerminalObserver(screen, StatusText(session), status, alarms))
            alarms.tell()

    return show


class TerminalObserver(Observer):
    """A status line and a line an alarm while a port is read, a bar while a file is."""

    def __init__(
        self,
        screen: Screen,
        text: "StatusText | None" = None,
        status: StatusLine | None = None,
        alarms: "AlarmLines | None" = None,
    ) -> None:
        self._screen = screen
        self._text = text
        self._status = status
        self._alarms = alarms
        self._bar: ProgressBar | None = None

    def reading(self, path: Path) -> AbstractContextManager[object]:
        return self._screen.progress(f"reading {path.name}", self._take_bar)

    def _take_bar(self, bar: ProgressBar) -> None:
        self._bar = bar

    def moved(self, share: float) -> None:
        if self._bar is not None:
            self._bar.update(share)

    def waited(self, silent_s: float, no_sample_s: float) -> None:
        if self._status is not None and self._text is not None:
            self._status.update(self._text.text(silent_s, no_sample_s))

    def noticed(self, notice: Notice) -> None:
        if notice.is_alarm:
            self._screen.ring()
            self._screen.warn(notice.line)
        elif notice.line:
            self._screen.say(notice.line)
        if self._text is not None:
            self._text.states[notice.about] = notice.state

    def learned(self) -> None:
        if self._alarms is not None:
            self._alarms.tell()


class AlarmLines:
    """Tells of each alarm when it begins and when it is over, of one kind and bank once in
    QUIET_S; the summary counts all."""

    def __init__(self, session: Session, say: Callable[[str], None]) -> None:
        self._episodes = session.alarms.episodes
        self._names = [bank.name for bank in session.description.bank]
        self._unit = session.description.axes.load_unit_said
        self._say = say
        self._seen = len(self._episodes.kept)
        self._begun: list[Episode] = []
        self._at_s: dict[tuple[int, int], float] = {}

    def tell(self) -> None:
        """Say what is new since the last call."""
        # More than are kept: those that go on.
        new = self._episodes.kept[self._seen :] or self._episodes.going
        self._seen = len(self._episodes.kept)
        now_s = time.monotonic()
        for episode in new:
            cause = (episode.kind, episode.bank)
            if episode not in self._begun and now_s - self._at_s.get(cause, -QUIET_S) >= QUIET_S:
                self._at_s[cause] = now_s
                self._begun.append(episode)
                self._say(begun_line(episode, self._names, self._unit))
        for episode in [one for one in self._begun if one.over]:
            self._begun.remove(episode)
            self._say(over_line(episode, self._names, self._unit))


class StatusText:
    """The status line's text: samples, used, typical error, the latest refusal and its remedy."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._next_s = 0.0
        self._next_error_s = time.monotonic() + 1.0
        self._error = ""
        self._text = "waiting for the first sample"
        # What is the matter with port and recording, "" where nothing is.
        self.states: dict[str, str] = {}

    def text(self, silent_s: float, no_sample_s: float) -> str:
        """Return the text; made anew every STATUS_EVERY_S."""
        now = time.monotonic()
        session = self._session
        if not (session.source_frames or session.samples):
            return self._troubles() or self._text
        if now < self._next_s:
            return self._text
        self._next_s = now + STATUS_EVERY_S
        if session.samples and now >= self._next_error_s:
            self._next_error_s = now + ERROR_EVERY_S
            self._error = _typical_error(session)
        banks = session.learner.banks
        used = ", ".join(f"{b.name} {share_of(b.used_count, b.seen_count)}" for b in banks)
        self._text = f"{session.samples:,} samples; used: {used}{self._error}\n"
        self._text += self._state(silent_s, no_sample_s)
        return self._text

    def _troubles(self) -> str:
        return "; ".join(state for state in self.states.values() if state)

    def _state(self, silent_s: float, no_sample_s: float) -> str:
        if troubles := self._troubles():
            return troubles
        if silent_s > SILENT_S:
            return f"no data for {silent_s:.0f} s; is the device still running?"
        if no_sample_s > SILENT_S:
            return no_sample_text(no_sample_s)
        if self._session.latest is None:
            return "learning"
        bank, reason = self._session.latest
        meaning, remedy = EXPLANATIONS[reason]
        if reason == NOT_RUNNING:
            return f"engine not running: it {meaning.removeprefix('the engine ')}\nto do: {remedy}"
        return f"refused now ({bank}): {meaning}\nto do: {remedy}"


def no_sample_text(no_sample_s: float) -> str:
    """Return what it means that a device sends, but no sample."""
    return f"engine not running: the device has sent no sample for {no_sample_s:.0f} s"


def _typical_error(session: Session) -> str:
    errors = []
    for bank in session.learner.banks:
        solution = solve(bank.evidence, cells_pct=bank.table.cells)
        if solution.visited.any():
            errors.append(float(np.median(solution.standard_error[solution.visited])))
    return f"; visited cells {error_text(100.0 * max(errors), '%', 1)}" if errors else ""
