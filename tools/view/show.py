"""`--view`: shows a run in the live view, as its observer.

Everything is written by the run once the view has closed, whatever closed it.
"""

import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop
from breathmap.tools.run.observer import Observer, Work
from breathmap.tools.run.session import Session

if TYPE_CHECKING:
    from breathmap.tools.view.looking import Looking
    from breathmap.tools.view.source import Notes
    from breathmap.tools.view.state import Knowing


class InView:
    """Shows one run in the view. speed: a multiple of real time for files, None for a port.

    Raises UserError where nobody could see or steer it.
    """

    def __init__(self, speed: float | None = None) -> None:
        # The screen is drawn on stderr, so that stdout can go elsewhere (--json).
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise UserError("--view needs a terminal; leave it out, or start it in one")
        self._speed = speed
        self._notes: Notes | None = None
        self._begin: Callable[[Looking, Knowing], None] = lambda looking, knowing: None
        self._first_line = ""

    def begin_with(self, begin: "Callable[[Looking, Knowing], None]", first_line: str) -> None:
        """Let another show the same run: `begin` is called before it begins, and the start page
        says the line."""
        self._begin, self._first_line = begin, first_line

    def __call__(self, session: Session, stop: Stop, folder: Path, work: Work) -> None:
        """Do the work behind the view until it ends or the person quits."""
        # Here, because drawing takes a second to load.
        from breathmap.tools.view.app import View
        from breathmap.tools.view.source import Notes, Source
        from breathmap.tools.view.state import Knowing, Watch

        lock, watch = threading.Lock(), Watch(session)
        source = Source(session, watch, lock, stop, work, self._speed)
        self._notes = Notes(folder)
        knowing = Knowing(session, watch, lock)
        self._begin(source, knowing)
        View(source, watch, knowing, self._notes, lock, first_line=self._first_line).run()
        # The thread ends with its present slice.
        stop.asked = stop.asked or not source.ended
        if source.ident is not None:
            source.join()
        else:
            # Left on its first page: what has been recorded by then is learned all the same.
            work(Observer())
        if source.error is not None:
            raise source.error
        self.save_notes()

    def save_notes(self) -> None:
        """Write the notes, once the folder of the results is there."""
        if self._notes is not None:
            self._notes.save()
