"""The live view's part in a run: an observer that works in a thread of its own, and the notes.

What goes wrong in the thread is kept in `error` and raised by whoever started it.
"""

import csv
import io
import threading
import time
from datetime import datetime
from pathlib import Path

from breathmap.protocol.host.link import NEED_DATA, LinkReader
from breathmap.protocol.wire.samples import SampleAssembler
from breathmap.tools.base.files import write_bytes
from breathmap.tools.base.port import Stop
from breathmap.tools.run.observer import Work
from breathmap.tools.run.session import Session
from breathmap.tools.view.looking import Looking
from breathmap.tools.view.state import Watch

NOTES = "notes.csv"
SPEEDS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1000.0)


class Source(threading.Thread, Looking):
    """Does the work of a run in a thread, and looks on.

    paused: set by the screen. stop: asks to end. error: what ended it, if anything went wrong.
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
        threading.Thread.__init__(self, daemon=True)
        Looking.__init__(self, session, watch, lock, speed)
        self.stop = stop
        self.error: BaseException | None = None
        self._work = work
        self._onlooker: _Onlooker | None = None

    def run(self) -> None:
        """Work until the end."""
        self._due = time.monotonic()
        try:
            self._work(self)
        except BaseException as error:
            self.error = error
        self.ended = True
        self.moved_on()

    def change_speed(self, step: int) -> None:
        """Go faster (step 1) or slower (-1); a port cannot."""
        if self.speed is None:
            return
        speed = self.speed
        later = [s for s in SPEEDS if (s > speed if step > 0 else s < speed)]
        if later:
            self.speed = later[0] if step > 0 else later[-1]

    def learned(self) -> None:
        """Wait until the next slice is due."""
        self._onlooker = None
        super().learned()

    def aside(self, data: bytes) -> None:
        """Look at what arrives during a pause."""
        if self._onlooker is None:
            self._onlooker = _Onlooker(self.watch)
        with self.learning():
            self._onlooker.feed(data)


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
