"""What appears on the terminal: lines, a status line, tables. Plain when nobody watches.

Colour and movement only on a terminal (NO_COLOR is respected); with as_json the summary alone goes
to stdout and everything else to stderr. Everything that is printed goes through here, so that no
name or text from outside is obeyed as markup or by the terminal.
"""

import os
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
from rich.table import Table as RichTable
from rich.text import Text

from breathmap.tools.base import texts
from breathmap.tools.base.texts import json_text, visible

PLAIN_EVERY_S = 10.0


class Table(RichTable):
    """A table of texts, each shown as it is."""

    def __init__(self, title: str, **options: Any) -> None:
        super().__init__(title=plain(title, "table.title"), **options)

    def add_column(self, header: Any = "", *rest: Any, **options: Any) -> None:
        super().add_column(plain(header), *rest, **options)

    def add_row(self, *cells: Any, **options: Any) -> None:
        super().add_row(*(plain(cell) for cell in cells), **options)


def plain(text: str, style: str = "") -> Text:
    """Return a text without markup and without anything that a terminal would obey."""
    return Text(visible(text), style)


class _Lines(Console):
    """A console whose reader may go away: the work goes on, and nothing more is printed."""

    def on_broken_pipe(self) -> None:
        self.quiet = True
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, self.file.fileno())
        os.close(nowhere)


class Screen:
    """Where the commands write. as_json: stdout belongs to the summary."""

    def __init__(self, as_json: bool = False, quiet: bool = False) -> None:
        self.as_json = as_json
        self._console = _Lines(stderr=as_json, highlight=False, quiet=quiet, emoji=False)

    @property
    def is_terminal(self) -> bool:
        """True when somebody watches."""
        return self._console.is_terminal

    def say(self, text: str | Text = "", style: str = "") -> None:
        """Print a line as it is (no markup), unbroken when it goes to a file; a Text, made with
        `plain`, in its own styles."""
        line = plain(text, style) if isinstance(text, str) else text
        self._console.print(line, soft_wrap=not self.is_terminal)

    def say_lines(self, text: str) -> None:
        """Print a text of several lines, each as it is."""
        for line in text.rstrip("\n").split("\n"):
            self.say(line)

    def flush(self) -> None:
        """Let what was printed reach a reader that waits for it."""
        self._console.file.flush()

    def warn(self, text: str) -> None:
        """Print a line that must not be missed."""
        self.say(f"Caution: {text}", "bold yellow")

    def ring(self) -> None:
        """Ring the terminal's bell, where there is one."""
        if self.is_terminal:
            self._console.bell()

    def show(self, table: Table) -> None:
        """Print a table; one that can be pasted when the output is plain."""
        table.box = SIMPLE_HEAD if self.is_terminal else MARKDOWN
        self._console.print(table)

    @contextmanager
    def status(self) -> Iterator["StatusLine"]:
        """A line that changes in place; on plain output a line now and then."""
        if not self.is_terminal:
            yield StatusLine(self, None)
            return
        with Live(console=self._console, refresh_per_second=5, transient=True) as live:
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
        disable = not self.is_terminal
        with Progress(*columns, console=self._console, transient=True, disable=disable) as progress:
            bar = ProgressBar(progress, progress.add_task(escape(visible(what)), total=1.0))
            if taker is not None:
                taker(bar)
            yield bar

    def paste(self, text: str) -> None:
        """Print a table of numbers for another program as it is, tabs and all, to stdout. Raises
        ValueError for any other control character: a terminal would obey it."""
        if any(not (letter.isprintable() or letter in "\t\n") for letter in text):
            raise ValueError("text to paste holds control characters")
        self.flush()
        sys.stdout.write(text)

    def result(self, result: dict[str, Any]) -> bool:
        """Print a command's result as JSON to stdout when asked for; True when it was."""
        if self.as_json:
            texts.printed_result = True
            sys.stdout.write(json_text(result) + "\n")
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
            self._live.update(Text("\n").join(plain(line) for line in text.split("\n")))
        elif time.monotonic() >= self._next:
            self._next = time.monotonic() + PLAIN_EVERY_S
            self._screen.say(text.replace("\n", "; "))


def number(value: float | None, form: str = "{:.2f}") -> str:
    """Return a number as text, a dash for none."""
    return "-" if value is None else form.format(value)


def share_of(part: int, whole: int) -> str:
    """Return a share as per cent."""
    return f"{100.0 * part / whole:.1f} %" if whole else "-"
