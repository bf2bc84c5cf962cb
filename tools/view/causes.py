"""What beside VE could explain it, for the live view: looked for now and then, and put into words.

Works on copies that are made in milliseconds behind the learner's lock, in a thread of its own, so
that neither recording nor drawing waits for it.
"""

import threading
import time
from copy import deepcopy

from breathmap.learner.causes.diagnose import Diagnosis, diagnose
from breathmap.tools.run.diagnosis_text import detail_lines, summary_line, title_line
from breathmap.tools.run.session import Session

LOOK_EVERY_S = 20.0
# Looking may take this share of one core.
LOOK_SHARE = 0.05
# On a page; the others are counted.
MOST_SHOWN = 3
NOT_YET = "nothing has been looked for yet; it takes a minute of used samples"


class Causes:
    """Looks for causes in a session that runs. latest: None before the first look. pause_s: until
    the next."""

    def __init__(self, session: Session, lock: threading.Lock) -> None:
        self._session = session.witnessed()
        self._lock = lock
        self.latest: Diagnosis | None = None
        self.pause_s = LOOK_EVERY_S

    def look(self) -> Diagnosis:
        """Look at what there is now, and keep what was found."""
        began = time.thread_time()
        with self._lock:
            learner, witness = deepcopy((self._session.learner, self._session.witness))
        assert witness is not None
        self.latest = diagnose(learner, witness)
        self.pause_s = max(LOOK_EVERY_S, (time.thread_time() - began) / LOOK_SHARE)
        return self.latest


def cause_line(found: Diagnosis | None, has_keys: bool = True) -> str:
    """Return one line when something is likely, else "". has_keys: the reader sits at the keys."""
    if found is None or not found.likely:
        return ""
    # What makes the tables unsafe is named, wherever it stands.
    first = (found.unsafe or found.likely)[0]
    more = len(found.likely) - 1
    start = "DO NOT STORE" if found.unsafe else "not VE alone"
    key = " (d: more)" if has_keys else ""
    return f"{start}{key}: {title_line(first)}" + (f" (and {more} more)" if more else "")


def cause_page(found: Diagnosis | None) -> list[str]:
    """Return the page behind it: what is likely, its look-alikes, and what to check."""
    lines = ["What else could explain it", ""]
    if found is None:
        return [*lines, NOT_YET]
    if not found.likely:
        return [*lines, summary_line(found)]
    for one in found.likely[:MOST_SHOWN]:
        start = "DO NOT STORE the tables: " if one.is_unsafe else ""
        lines += [start + title_line(one), *(f"- {line}" for line in detail_lines(one)), ""]
    more = len(found.likely) - MOST_SHOWN
    return lines + ([f"and {more} more: see breathmap diagnose"] if more > 0 else [])
