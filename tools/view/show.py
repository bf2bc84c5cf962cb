"""`--view`: runs a source behind the live view, and hands over what the screen left.

Everything is written by the caller once the view has closed, whatever closed it.
"""

import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop
from breathmap.tools.run.session import Session


def need_terminal() -> None:
    """Refuse where nobody could see or steer the view."""
    # The screen is drawn on stderr, so that stdout can go elsewhere (--json).
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise UserError("--view needs a terminal; leave it out, or start it in one")


def view_live(
    port: Any,
    session: Session,
    stop: Stop,
    folder: Path,
    recordings: Callable[[], Any],
    give_up: Callable[[int, int, float], None],
) -> None:
    """Learn from an open port in the view until it closes or the person quits.

    recordings: makes a recording file to add bytes to. give_up: called with bytes arrived, bytes
    held and seconds while nothing of ours has arrived; raises UserError when that is long enough.
    """
    from breathmap.tools.view.source import LiveSource
    from breathmap.tools.view.state import Watch

    lock, watch = threading.Lock(), Watch(session)
    source = LiveSource(session, watch, lock, stop, port, recordings, give_up)
    try:
        _show(source, watch, lock, folder)
    finally:
        source.recording.close()


def view_replay(
    sources: list[Path], session: Session, stop: Stop, folder: Path, speed: float
) -> Any:
    """Play sources in the view; return the notes, for the folder that is made afterwards."""
    from breathmap.tools.view.source import ReplaySource
    from breathmap.tools.view.state import Watch

    lock, watch = threading.Lock(), Watch(session)
    return _show(ReplaySource(session, watch, lock, stop, sources, speed), watch, lock, folder)


def _show(source: Any, watch: Any, lock: threading.Lock, folder: Path) -> Any:
    from breathmap.tools.view.app import View
    from breathmap.tools.view.source import Notes
    from breathmap.tools.view.state import Knowing

    source.session.watcher = watch.take
    notes = Notes(folder)
    view = View(source, watch, Knowing(source.session, watch, lock), notes, lock)
    view.run()
    # The thread ends with its present slice.
    was_ended = source.ended
    source.stop.asked = source.stop.asked or not was_ended
    if source.ident is not None:
        source.join()
    if source.error is not None:
        raise source.error
    notes.save()
    return notes
