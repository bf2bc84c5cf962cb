"""What takes long while a run goes on, in threads of its own: solving, and looking for causes."""

import threading
import time

from breathmap.tools.view.looking import Looking
from breathmap.tools.view.state import Knowing

# How soon the end of the source is noticed by who looks for causes.
LOOK_FOR_END_S = 0.5
# How soon the first sample is noticed by who solves.
LOOK_FOR_FIRST_S = 0.5


class Thinking:
    """Keeps a `Knowing` fresh from `start` to `end`."""

    def __init__(self, looking: Looking, knowing: Knowing) -> None:
        self._looking = looking
        self._knowing = knowing
        self._over = threading.Event()

    def start(self) -> None:
        """Begin, beside the run."""
        for work in (self._solve, self._look_for_causes):
            threading.Thread(target=work, daemon=True).start()

    def end(self) -> None:
        """Begin nothing more."""
        self._over.set()

    def _solve(self) -> None:
        session = self._looking.session
        while not self._looking.ended and not self._over.is_set():
            if session.samples:
                self._knowing.look()
            self._over.wait(self._knowing.pause_s if session.samples else LOOK_FOR_FIRST_S)
        if session.samples and not self._over.is_set():
            self._knowing.look()  # what stays on the screen after the end is all that was learned

    def _look_for_causes(self) -> None:
        causes = self._knowing.causes
        looked_s = time.monotonic()
        has_ended = False
        while not has_ended and not self._over.wait(LOOK_FOR_END_S):
            has_ended = self._looking.ended
            if has_ended or time.monotonic() - looked_s >= causes.pause_s:
                if self._looking.session.samples:
                    causes.look()
                looked_s = time.monotonic()
