"""`--page`: shows a run in browsers, as its observer, beside the terminal or the live view.

The run's own thread makes a snapshot at most ten times a second and hands it over; it waits for no
viewer, and ends as it would without any.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.page.address import Address
from breathmap.tools.page.news import ENDED, OVER, RUNNING, News
from breathmap.tools.page.outcome import outcome_part
from breathmap.tools.page.server import Server
from breathmap.tools.page.snapshot import hello_of, known_of, landed_of, maps_of, words_of
from breathmap.tools.run.observer import Observer, TerminalObserver, Work, on_terminal
from breathmap.tools.run.results import Outcome
from breathmap.tools.run.session import Session
from breathmap.tools.view.looking import Looking
from breathmap.tools.view.model import Model
from breathmap.tools.view.show import InView
from breathmap.tools.view.state import Knowing, Snapshot, Watch
from breathmap.tools.view.thinking import Thinking

TELL_EVERY_S = 0.1
LANDED_EVERY_S = 1.0


class Page:
    """One run's page, from before it begins until its outcome is told; a context manager."""

    def __init__(self, address: Address, screen: Screen) -> None:
        self.news = News()
        self.server = Server(address, self.news)
        self._screen = screen
        self._is_broken = False

    def __enter__(self) -> "Page":
        self.server.start()
        address = self.server.address
        what = " to whoever has this link" if address.key else " on this machine"
        self._screen.say(f"The page is shown{what}, to be looked at only:")
        self._screen.say(address.link)
        self._screen.flush()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.news.phase != OVER:
            self.over({"lines": ["It ended without a result: see the terminal."]})
        self.server.end()

    def post(self, make: Callable[[], dict[str, Any]], phase: str = RUNNING) -> None:
        """Hand over what `make` gives. A mistake in it is told once, and never ends a run."""
        if self._is_broken:
            return
        try:
            self.news.post(make(), phase)
        except Exception as error:
            self._is_broken = True
            self._screen.warn(f"the page shows nothing new any more: {error!r}; the run goes on")

    def outcome(self, outcome: Outcome, where: object) -> None:
        """Tell what came of it. where: the folder of the results."""
        self.over(outcome_part(outcome, str(where)))

    def over(self, outcome: dict[str, Any]) -> None:
        """Tell that it is over, and with which rows, warnings and lines."""
        at = datetime.now().astimezone().strftime("%H:%M")
        empty: dict[str, Any] = {"rows": [], "warnings": [], "lines": []}
        self.post(lambda: {"outcome": {"at": at} | empty | outcome}, OVER)


class Teller:
    """Makes the snapshots of a run that learns; `tell` is called from the run's own thread."""

    def __init__(self, page: Page, looking: Looking, knowing: Knowing) -> None:
        self._page = page
        self._looking = looking
        self._knowing = knowing
        self._model = Model(looking, looking.watch, knowing, has_keys=False)
        self._posted_s = self._landed_s = float("-inf")
        self._urgent: tuple[object, ...] = ()
        self._mapped: Snapshot | None = None
        self._is_begun = False
        looking.moved_on = self.tell

    def tell(self) -> None:
        """Hand over a snapshot when one is due: now and then, and at once what cannot wait."""
        now = time.monotonic()
        urgent = (self._looking.ended, list(self._looking.watch.came))
        if now - self._posted_s < TELL_EVERY_S and urgent == self._urgent:
            return
        self._posted_s, self._urgent = now, urgent
        self._page.post(lambda: self._parts(now), ENDED if self._looking.ended else RUNNING)

    def last(self) -> None:
        """Hand over all that was learned."""
        if self._looking.session.samples:
            self._knowing.look()
        self._posted_s = self._landed_s = float("-inf")
        self.tell()

    def _parts(self, now: float) -> dict[str, Any]:
        parts = known_of(self._model)
        if not self._is_begun:
            parts["hello"] = hello_of(self._model)
        with self._looking.lock:
            parts |= words_of(self._model)
            if now - self._landed_s >= LANDED_EVERY_S:
                self._landed_s = now
                parts["landed"] = landed_of(self._model)
        latest = self._knowing.latest
        if not self._is_begun or latest is not self._mapped:
            self._mapped = latest
            parts["maps"] = maps_of(self._model)
        self._is_begun = True
        return parts


class Both(Observer):
    """One observer before another."""

    def __init__(self, first: Observer, second: Observer) -> None:
        self._all = (first, second)
        self.slice_bytes = min(one.slice_bytes for one in self._all)

    @contextmanager
    def reading(self, path: Path) -> Iterator[None]:
        """Around the reading of one file, for both."""
        with ExitStack() as stack:
            for one in self._all:
                stack.enter_context(one.reading(path))
            yield

    @contextmanager
    def learning(self) -> Iterator[None]:
        """Around what changes the session, for both."""
        with ExitStack() as stack:
            for one in self._all:
                stack.enter_context(one.learning())
            yield

    def learned(self) -> None:
        for one in self._all:
            one.learned()

    def moved(self, share: float) -> None:
        for one in self._all:
            one.moved(share)

    def waited(self, silent_s: float, no_sample_s: float) -> None:
        for one in self._all:
            one.waited(silent_s, no_sample_s)

    def noticed(self, notice: Any) -> None:
        for one in self._all:
            one.noticed(notice)

    def closed(self) -> None:
        for one in self._all:
            one.closed()


class OnPage:
    """Shows one run on a page, and in lines on the terminal or in the live view. speed: a multiple
    of real time for files, None for a port. view: the live view, where it is wanted, too."""

    def __init__(
        self, page: Page, screen: Screen, speed: float | None = None, view: InView | None = None
    ) -> None:
        self._page = page
        self._screen = screen
        self._speed = speed
        self._view = view

    def __call__(self, session: Session, stop: Stop, folder: Path, work: Work) -> None:
        """Do the work, shown."""
        if self._view is None:
            self._alone(session, stop, folder, work)
            return
        tellers: list[Teller] = []
        self._view.begin_with(
            lambda looking, knowing: tellers.append(Teller(self._page, looking, knowing)),
            f"Also shown at {self._page.server.address.link}",
        )
        self._view(session, stop, folder, work)
        for teller in tellers:
            teller.last()

    def _alone(self, session: Session, stop: Stop, folder: Path, work: Work) -> None:
        lock, watch = threading.Lock(), Watch(session)
        looking = Looking(session, watch, lock, self._speed)
        knowing = Knowing(session, watch, lock)
        teller, thinking = Teller(self._page, looking, knowing), Thinking(looking, knowing)
        thinking.start()
        teller.tell()
        try:
            if self._speed is None:
                show = on_terminal(self._screen)
                show(session, stop, folder, lambda seen: work(Both(seen, looking)))
            else:
                # Of files the terminal has a bar each, and shows no two moving things at once.
                work(Both(TerminalObserver(self._screen), looking))
        finally:
            looking.ended = True
            thinking.end()
        teller.last()
