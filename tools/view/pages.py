"""The live view's small screens: the start page, a page of text, a line to type."""

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.events import Key
from textual.screen import ModalScreen, Screen
from textual.widgets import Input, Static


class Pages(ModalScreen[None]):
    """A page of text that any key closes."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q", "app.leave", "quit")]

    def __init__(self, text: Text) -> None:
        super().__init__()
        self._text = text

    def compose(self) -> ComposeResult:
        yield Static(self._text, id="page")

    def on_key(self, event: Key) -> None:
        """Close, and let the key do nothing else."""
        event.stop()
        event.prevent_default()
        self.dismiss(None)


class StartPage(Screen[bool]):
    """What must be said before anything runs. Enter goes on; returns whether in operator mode."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go", "begin"),
        Binding("o", "operator", "operator mode"),
        Binding("q", "app.leave", "quit"),
    ]

    def __init__(self, text: Text) -> None:
        super().__init__()
        self._text = text

    def compose(self) -> ComposeResult:
        yield Static(self._text, id="page")

    def action_go(self) -> None:
        """Begin."""
        self.dismiss(False)

    def action_operator(self) -> None:
        """Begin in operator mode."""
        self.dismiss(True)


class NotePage(ModalScreen[str]):
    """One line to type; Escape leaves it."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave")]

    def compose(self) -> ComposeResult:
        yield Static("A note, kept with the time (Enter keeps it, Escape leaves):", id="ask")
        yield Input(max_length=200)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        self.dismiss(event.value)

    def action_leave(self) -> None:
        """Keep nothing."""
        self.dismiss("")
