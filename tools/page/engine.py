"""The page of a simulated engine: what its instruments show. Truth and faults stay hidden."""

import time
from collections.abc import Iterator
from typing import Any

from breathmap.protocol.wire.sample import Sample
from breathmap.tools.page.news import ENDED
from breathmap.tools.page.show import TELL_EVERY_S, Page
from breathmap.tools.page.snapshot import hello
from breathmap.tools.run.alarm_words import clock
from breathmap.tools.view.state import LEARNING, WAITING

TITLE = "simulated engine (all data invented)"


class EnginePage:
    """Looks at the samples of a simulated engine as they go out.

    banks: their names. duration_s: of the drive, None while the engine stands still.
    """

    def __init__(self, page: Page, banks: tuple[str, ...], duration_s: float | None) -> None:
        self._page = page
        self._banks = banks
        self._duration_s = duration_s
        self._noted_s = float("-inf")
        self._head: list[str] = []
        self._has_reader = False
        page.post(lambda: {"hello": hello(TITLE, "simulate"), **self._parts()})

    def watched(self, samples: Iterator[Sample]) -> Iterator[Sample]:
        """Pass samples on, and note the newest; their thread makes the words of few of them."""
        for sample in samples:
            now = time.monotonic()
            if now - self._noted_s >= TELL_EVERY_S:
                self._noted_s, self._head = now, self._words(sample)
            yield sample

    def look(self, has_reader: bool) -> None:
        """Hand over what there is. has_reader: somebody reads the port, or has read it."""
        self._has_reader = has_reader
        self._page.post(self._parts)

    def over(self, bytes_sent: int) -> None:
        """The drive has ended."""
        self._page.post(self._parts, ENDED)
        self._page.over({"lines": [f"{bytes_sent:,} bytes were sent."]})

    def _words(self, sample: Sample) -> list[str]:
        lambdas = " ".join(
            f"{name} {'-' if value != value else f'{value:.2f}'}"
            for name, value in zip(self._banks, sample.measured_lambda, strict=False)
        )
        length = "" if self._duration_s is None else f" of {clock(self._duration_s)}"
        return [
            f"{clock(sample.time_us * 1e-6)}{length}",
            f"{sample.speed_rpm:.0f} rpm {sample.map_kpa:.0f} kPa",
            f"throttle {sample.throttle_pct:.0f} %",
            f"lambda {lambdas} (target {sample.target_lambda:.2f})",
            f"coolant {sample.coolant_c:.0f} °C",
        ]

    def _parts(self) -> dict[str, Any]:
        if self._duration_s is None:
            word, line = "STANDING", "switched on; its controller can be read and written"
        elif not self._has_reader:
            word, line = "READY", "the drive starts when a reader opens the port"
        else:
            word, line = "RUNNING", "the engine turns, and is read"
        state = LEARNING if word == "RUNNING" else WAITING
        return {
            "state": {"word": word, "verdict": [line, ""], "calm": [state, line]},
            "head": self._head,
        }
