"""The newest snapshot of a run, part by part, encoded once for all who look at it.

Whoever runs posts from its own thread and waits for nobody; a viewer that is slow or away finds the
newest when it asks, and nothing is kept for it meanwhile.
"""

import json
import threading
import time
from collections.abc import Callable
from typing import Any

from breathmap.tools.base.texts import visible

# What there is to see: nothing yet; a run that goes on; its last picture; that and its outcome.
BEFORE, RUNNING, ENDED, OVER = "before", "running", "ended", "over"


class News:
    """Parts by name. version: grows whenever one changed. phase: one of the four. woken: called
    from the poster's thread when there is something new."""

    def __init__(self) -> None:
        self.version = 0
        self.phase = BEFORE
        self.woken: Callable[[], None] = lambda: None
        self._lock = threading.Lock()
        self._parts: dict[str, tuple[int, str]] = {}
        self._joined: dict[int, str] = {}
        self._posted_s = time.monotonic()

    def post(self, parts: dict[str, Any], phase: str = RUNNING) -> None:
        """Take what is true now; parts that are left out stay as they were. Values are plain lists,
        dicts, texts and finite numbers."""
        encoded = {name: encode(value) for name, value in parts.items()}
        with self._lock:
            self._posted_s = time.monotonic()
            present = {name: text for name, (_, text) in self._parts.items()}
            changed = {n: text for n, text in encoded.items() if present.get(n) != text}
            if not changed and phase == self.phase:
                return
            self.version += 1
            self.phase = phase
            self._joined.clear()
            for name, text in changed.items():
                self._parts[name] = (self.version, text)
        self.woken()

    def message(self, since: int) -> tuple[str, int]:
        """Return as JSON all parts that are newer than a version (-1: all), and the version that
        its reader then has. clock_ms: any clock that goes on; age_ms: since the run last posted."""
        with self._lock:
            if since not in self._joined:
                newer = ((n, text) for n, (at, text) in self._parts.items() if at > since)
                self._joined[since] = ",".join(f'"{name}":{text}' for name, text in newer)
            now = time.monotonic()
            text = (
                f'{{"phase":"{self.phase}","clock_ms":{1e3 * now:.0f},'
                f'"age_ms":{1e3 * (now - self._posted_s):.0f},"parts":{{{self._joined[since]}}}}}'
            )
            return text, self.version


def encode(value: Any) -> str:
    """Return a value as JSON of one line; what nobody can see in a text is shown as escapes."""
    return json.dumps(
        shown(value),
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
        check_circular=False,
    )


def shown(value: Any) -> Any:
    """Return a value with all its texts visible."""
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, dict):
        return {key: shown(one) for key, one in value.items()}
    return [shown(one) for one in value] if isinstance(value, list | tuple) else value
