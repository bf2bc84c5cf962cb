"""What appears on the terminal: lines, a status line, tables. Plain when nobody watches.

Colour and movement only on a terminal (NO_COLOR is respected); with as_json the summary alone goes
to stdout and everything else to stderr.
"""

import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from rich.box import MARKDOWN, SIMPLE_HEAD
from rich.console import Console
from rich.live import Live
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

PLAIN_EVERY_S = 10.0


class Screen:
    """Where the commands write. as_json: stdout belongs to the summary."""

    def __init__(self, as_json: bool = False, quiet: bool = False) -> None:
        self.as_json = as_json
        self.console = Console(stderr=as_json, highlight=False, quiet=quiet)

    def say(self, text: str = "") -> None:
        """Print a line as it is (no markup), unbroken when it goes to a file."""
        self.console.print(text, markup=False, soft_wrap=not self.console.is_terminal)

    def warn(self, text: str) -> None:
        """Print a line that must not be missed."""
        self.console.print(Text(f"Caution: {text}", style="bold yellow"))

    def show(self, table: Table) -> None:
        """Print a table; one that can be pasted when the output is plain."""
        table.box = SIMPLE_HEAD if self.console.is_terminal else MARKDOWN
        self.console.print(table)

    @contextmanager
    def status(self) -> Iterator["StatusLine"]:
        """A line that changes in place; on plain output a line now and then."""
        if not self.console.is_terminal:
            yield StatusLine(self, None)
            return
        with Live(console=self.console, refresh_per_second=5, transient=True) as live:
            yield StatusLine(self, live)

    @contextmanager
    def progress(
        self, what: str, taker: Callable[["ProgressBar"], None] | None = None
    ) -> Iterator["ProgressBar"]:
        """A bar for long work, gone when done; nothing on plain output. taker: is given it, too."""
        columns = (
            TextColumn("{task.description}"),
            BarColumn(bar_width=30),
            TextColumn("{task.percentage:3.0f} %"),
            TimeRemainingColumn(),
        )
        disable = not self.console.is_terminal
        with Progress(*columns, console=self.console, transient=True, disable=disable) as progress:
            bar = ProgressBar(progress, progress.add_task(escape(what), total=1.0))
            if taker is not None:
                taker(bar)
            yield bar

    def result(self, result: dict[str, Any]) -> bool:
        """Print a command's result as JSON to stdout when asked for; True when it was."""
        if self.as_json:
            json.dump(result, sys.stdout, indent=2, ensure_ascii=False)
            sys.stdout.write("\n")
        return self.as_json


class ProgressBar:
    """`update` takes the share done, 0 to 1."""

    def __init__(self, progress: Progress, task: Any) -> None:
        self._progress = progress
        self._task = task

    def update(self, share: float) -> None:
        """Show it."""
        self._progress.update(self._task, completed=share)


class StatusLine:
    """`update` takes the text to show."""

    def __init__(self, screen: Screen, live: Live | None) -> None:
        self._screen = screen
        self._live = live
        self._next = time.monotonic() + PLAIN_EVERY_S

    def update(self, text: str) -> None:
        """Show it; on plain output only every PLAIN_EVERY_S seconds."""
        if self._live is not None:
            self._live.update(Text(text))
        elif time.monotonic() >= self._next:
            self._next = time.monotonic() + PLAIN_EVERY_S
            self._screen.say(text.replace("\n", "; "))


def number(value: float | None, form: str = "{:.2f}") -> str:
    """Return a number as text, a dash for none."""
    return "-" if value is None else form.format(value)


def share_of(part: int, whole: int) -> str:
    """Return a share as per cent."""
    return f"{100.0 * part / whole:.1f} %" if whole else "-"
