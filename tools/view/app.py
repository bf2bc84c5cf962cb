"""The live view's screens (Textual): start, table, help, note, operator mode.

Reads what `breathmap.tools.view.state` holds and draws it a few times a second; learns nothing
itself. Plain text without frames, so that it works over a slow line, in 16 colours, with NO_COLOR
and in ASCII.
"""

import contextlib
import os
import threading
import time
from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.events import Resize
from textual.widgets import Static

from breathmap.learner.core.alarms import STOP_NOW
from breathmap.tools.view.causes import cause_line, cause_page
from breathmap.tools.view.layers import CLOSE_WIDTH, LAYERS, close_up, layer_of, title_of
from breathmap.tools.view.map import (
    FEW_COLOURS,
    LABEL_WIDTH,
    NARROWEST,
    NO_COLOUR,
    TRUE_COLOUR,
    Look,
    draw,
    in_thousands,
)
from breathmap.tools.view.model import Model, Moment, advised_cells
from breathmap.tools.view.operator import TONES, Tone, Tones, operator_page, state_style
from breathmap.tools.view.pages import NotePage, Pages, StartPage
from breathmap.tools.view.source import Notes, Source
from breathmap.tools.view.state import LEARNING, STOP, WAITING, Knowing, Watch, state_of
from breathmap.tools.view.thinking import Thinking
from breathmap.tools.view.words import HELP, LEADS, alarm_line, keys_line, start_text

DRAW_EVERY_S = 0.33
NOTE_SHOWN_S = 4.0


def look_of(colour_system: str | None) -> Look:
    """Return what the terminal can, from the environment and its colour system."""
    locale = next((os.environ[k] for k in ("LC_ALL", "LC_CTYPE", "LANG") if os.environ.get(k)), "")
    is_unicode = os.name == "nt" or "utf" in locale.lower()
    if os.environ.get("NO_COLOR") or colour_system is None:
        return Look(NO_COLOUR, is_unicode)
    if colour_system in ("standard", "windows"):
        return Look(FEW_COLOURS, is_unicode)
    return Look(TRUE_COLOUR, is_unicode)


def _padded(parts: list[Text], rows: int) -> list[Text]:
    """Return parts that together fill so many rows, so that two columns keep in step."""
    used = sum(part.plain.count("\n") + 1 for part in parts)
    return parts + [Text("", end="")] * (rows - used)


class View(App[None]):
    """The live view. Returns when the source has ended or the person quits."""

    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen { background: black; color: #d8d8d8; overflow: hidden; layers: base; }
    Static { width: 100%; height: auto; }
    #page { padding: 0 1; }
    #ask { dock: bottom; margin-bottom: 1; background: #333333; color: white; }
    Input { dock: bottom; border: none; height: 1; padding: 0; background: #333333; color: white; }
    Input:focus { border: none; }
    NotePage { background: black 0%; }
    #maps { height: 1fr; }
    #map { width: 1fr; height: 100%; }
    #close { width: auto; height: 100%; }
    #head, #spent, #cause, #advice, #keys, #map, #close { text-wrap: nowrap; text-overflow: clip; }
    #banner, #cause { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("l", "next_layer", "layer"),
        *(Binding(str(k + 1), f"layer({k})", show=False) for k in range(len(LAYERS))),
        Binding("b", "next_bank", "bank"),
        Binding("c", "close_up", "close-up"),
        Binding("d", "causes", "what else", show=False),
        Binding("o", "operator", "operator"),
        Binding("a", "acknowledge", "acknowledge"),
        Binding("space", "pause", "pause"),
        Binding("n", "note", "note"),
        Binding("x", "set_aside", "cannot go there"),
        Binding("X", "bring_back", show=False),
        Binding("plus,equals_sign", "speed(1)", show=False),
        Binding("minus", "speed(-1)", show=False),
        Binding("question_mark,h,f1", "help", "help"),
        Binding("q,ctrl+c,ctrl+q", "leave", "quit", priority=False),
    ]

    def __init__(
        self,
        source: Source,
        watch: Watch,
        knowing: Knowing,
        notes: Notes,
        lock: threading.Lock,
        look: Look | None = None,
        first_line: str = "",
    ) -> None:
        super().__init__()
        self.source = source
        self.live = watch
        self.knowing = knowing
        self.notes = notes
        self.lock = lock
        self.look = look or look_of(self.console.color_system)
        self.layer = 2
        self.bank = 0
        self.close_up = False
        self.operator = False
        self.banner_at: float | None = None  # since when the banner is seen (monotonic)
        self._parts = 0
        self._tones = Tones()
        self._shown: dict[str, Text] = {}
        self._thinking = Thinking(source, knowing)
        self.model = Model(source, watch, knowing)
        self._names = self.model.names
        self._note_shown = ""
        self._first_line = first_line

    # -- screens ---------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        yield Static(id="banner")
        yield Static(id="head")
        yield Static(id="verdict")
        with Horizontal(id="maps"):
            yield Static(id="map")
            yield Static(id="close")
        yield Static(id="spent")
        yield Static(id="cause")
        yield Static(id="advice")
        yield Static(id="keys")

    def on_mount(self) -> None:
        """Show the start page; begin when it is left."""
        lines = [*start_text(), "", "Enter: begin    o: begin in operator mode    q: quit"]
        lines += ["", self._first_line] if self._first_line else []
        page = Text("\n".join(self.look.plain(line) for line in lines))
        page.stylize("bold", 0, len("\n".join(lines[:2])))
        self.push_screen(StartPage(page), self._begin)
        self.set_interval(DRAW_EVERY_S, self._leave_when_asked)

    def _leave_when_asked(self) -> None:
        """Leave the first page, too, when somebody asked for it elsewhere."""
        if self.source.ident is None and self.source.stop.asked:
            self.action_leave()

    def _begin(self, in_operator_mode: bool | None) -> None:
        self.operator = bool(in_operator_mode)
        self._parts = len(self.screen_stack[0].query(Static))
        self.source.alarmed = self._call_alarm
        self.source.start()
        self._thinking.start()
        self.set_interval(DRAW_EVERY_S, self.refresh_all)
        self.refresh_all()

    def on_resize(self, event: Resize) -> None:
        """Use the room there is, once the parts have found theirs."""
        if self.source.ident is not None:
            self.call_after_refresh(self.refresh_all)

    # -- drawing ---------------------------------------------------------------------------------

    def _call_alarm(self) -> None:
        """From the learner's thread: it outlives the screen, and never waits for it."""
        with contextlib.suppress(RuntimeError):  # there is no screen any more
            self.call_later(self._alarm)

    def _alarm(self) -> None:
        """A new alarm: banner and bells at once, not at the next drawing."""
        if self._is_closing:
            return
        self._draw_banner()
        state = state_of(self.live)
        if state == STOP:
            self._ring(STOP)
        else:
            self._sound(TONES[WAITING])

    @property
    def _is_closing(self) -> bool:
        """True once parts of the view are gone: they go one after the other."""
        return not self.screen_stack or len(self.screen_stack[0].query(Static)) < self._parts

    def refresh_all(self) -> None:
        """Draw everything anew; leave when somebody asked for it elsewhere, or on an error."""
        if self.source.error is not None or self.source.stop.asked:
            self.action_leave()
            return
        if self._is_closing:
            return
        with self.lock:
            now = self.model.moment(self.size.width - 1)
        self._draw_banner()
        if self.operator:
            self._draw_operator(*now.operator)
        else:
            self._draw_all(now)
        self._ring(now.state)

    def _draw_all(self, now: Moment) -> None:
        """Everything between banner and keys, for who sits and reads."""
        self._draw_head()
        self._put("verdict", self._verdict(now.verdict))
        self._draw_maps()
        self._put("spent", self._line(now.spent))
        self._draw_cause()
        self._draw_advice()
        keys = keys_line(self.size.width - 1, len(self._names), self.source.speed is not None)
        self._put("keys", self._line(keys, "dim"))

    def _put(self, name: str, text: Text) -> None:
        if self._shown.get(name) == text:
            return
        self._shown[name] = text
        self.screen_stack[0].query_one(f"#{name}", Static).update(text)

    def _line(self, text: str, style: str = "", lines: int = 1) -> Text:
        shown = Text(self.look.plain(text), style, overflow="ellipsis", end="")
        if self.look.unicode is False:
            shown.overflow = "crop"
        shown.no_wrap = lines == 1
        return shown

    def _draw_banner(self) -> None:
        banner = self.screen_stack[0].query_one("#banner", Static)
        text = alarm_line(self.live, self._names)
        banner.display = bool(text)
        if not text:
            self.banner_at = None
            return
        worst = self.live.alarms.worst()
        kind = STOP if worst < STOP_NOW else WAITING
        style = state_style(self.look, kind) + Style(bold=True)
        width = self.size.width
        text = self.look.plain(f" {LEADS[kind]}: {text}  a: seen ")
        folded = Text(text, style, end="")
        rows = folded.wrap(self.console, width)
        for row in rows:
            row.pad_right(max(width - row.cell_len, 0))
            row.stylize(style)
        banner.update(Text("\n", end="").join(rows))
        if self.banner_at is None:
            self.call_after_refresh(self._banner_drawn)

    def _banner_drawn(self) -> None:
        if self.banner_at is None and self.live.alarms.worst() >= 0:
            self.banner_at = time.monotonic()

    def _verdict(self, words: tuple[str, str]) -> Text:
        # STOP stands in the banner; the verdict tells whether samples are used.
        kind = LEARNING if words[0].startswith(LEARNING) else WAITING
        first = Text(self.look.plain(f" {words[0]} "), state_style(self.look, kind), end="")
        return Text("\n", end="", overflow="fold").join([first, self._line(f" {words[1]}")])

    def _draw_head(self) -> None:
        parts = self.model.head()
        if self._note_shown:
            parts.insert(1, self._note_shown)
        self._put("head", self._line("  ".join(parts)))

    def _draw_maps(self) -> None:
        axes = self.live.session.description.axes
        snapshot = self.knowing.latest
        target = advised_cells(snapshot)
        area = self.screen_stack[0].query_one("#maps")
        width, height = area.size.width, area.size.height
        count = len(self._names)
        is_wide = width >= LABEL_WIDTH + NARROWEST * len(axes.speed_rpm) + CLOSE_WIDTH + 2
        map_width = width - CLOSE_WIDTH - 2 if is_wide else width
        all_fit = height // count >= len(axes.load) + 2
        rows = height // count if all_fit else height
        point = (self.live.speed_rpm, self.live.load)
        thousands = in_thousands(axes.speed_rpm, map_width)
        load_unit = axes.load_unit
        maps, beside = [], []
        for bank in range(count) if all_fit else [self.bank]:
            layer = layer_of(LAYERS[self.layer], self.live, snapshot, bank)
            name = self._names[bank] if count > 1 else ""
            close = close_up(layer, self.live, snapshot, bank, rows - 1, self.look, target)
            if is_wide:
                title = self.look.plain(f"{name}: close-up" if name else "close-up")
                beside += _padded([Text(title, "bold", end=""), close], rows)
            is_close = self.close_up and not is_wide
            part = [title_of(layer, name, load_unit, thousands and not is_close, self.look)]
            part.append(
                close
                if is_close
                else draw(
                    layer, axes.speed_rpm, axes.load, point, map_width, rows - 1, self.look, target
                )
            )
            maps += _padded(part, rows) if is_wide else part
        self._put("map", Text("\n", end="").join(maps))
        self._put("close", Text("\n", end="").join(beside))

    def _draw_cause(self) -> None:
        text = cause_line(self.knowing.causes.latest)
        self.screen_stack[0].query_one("#cause", Static).display = bool(text)
        self._put("cause", self._line(text, "bold"))

    def _draw_advice(self) -> None:
        lines = self.model.advice(self.knowing.latest)
        shown = [self._line(line, "bold" if k == 0 else "") for k, line in enumerate(lines)]
        self._put("advice", Text("\n", end="").join(shown))

    def _draw_operator(self, word: str, line: str) -> None:
        banner = self.screen_stack[0].query_one("#banner", Static)
        width, height = self.size
        room = height - (banner.size.height if banner.display else 0)
        self._put("head", operator_page(word, line, width, room, self.look))
        for name in ("verdict", "map", "close", "spent", "cause", "advice", "keys"):
            self._put(name, Text(""))
        self.screen_stack[0].query_one("#cause", Static).display = False

    def _ring(self, state: str) -> None:
        """Let the terminal sound what must be heard."""
        tone = self._tones.due(state, time.monotonic(), self.operator)
        if tone is not None:
            self._sound(tone)

    def _sound(self, tone: Tone) -> None:
        if os.environ.get("TERM") == "linux" and self._driver is not None:
            self._driver.write(f"\x1b[10;{tone.pitch_hz}]\x1b[11;120]")
        self.bell()
        for k in range(1, tone.bells):
            self.set_timer(k * tone.gap_s, self.bell)

    # -- keys ------------------------------------------------------------------------------------

    def action_next_layer(self) -> None:
        """Show the next layer."""
        self.action_layer((self.layer + 1) % len(LAYERS))

    def action_layer(self, number: int) -> None:
        """Show a layer."""
        self.layer = number
        self.refresh_all()

    def action_next_bank(self) -> None:
        """Show the next bank."""
        self.bank = (self.bank + 1) % len(self._names)
        self.refresh_all()

    def action_close_up(self) -> None:
        """Close-up on and off."""
        self.close_up = not self.close_up
        self.refresh_all()

    def action_operator(self) -> None:
        """Operator mode on and off."""
        self.operator = not self.operator
        self.refresh_all()

    def action_acknowledge(self) -> None:
        """The alarms have been seen."""
        with self.lock:
            self.live.alarms.acknowledge()
        self.refresh_all()

    def action_pause(self) -> None:
        """Stop learning, or go on."""
        self.source.paused = not self.source.paused
        self.notes.add("paused" if self.source.paused else "went on", self.live.time_s)
        self.refresh_all()

    def action_note(self) -> None:
        """Ask for a line of text."""
        at = self.live.time_s

        def keep(text: str | None) -> None:
            if text and text.strip():
                self.notes.add(text, at)
                self._note_shown = "note kept"
                self.refresh_all()
                self.set_timer(NOTE_SHOWN_S, self._note_seen)

        self.push_screen(NotePage(), keep)

    def _note_seen(self) -> None:
        self._note_shown = ""

    def action_set_aside(self) -> None:
        """The advised ground cannot be reached."""
        self.knowing.set_aside()
        threading.Thread(target=self.knowing.look, daemon=True).start()

    def action_bring_back(self) -> None:
        """Everything may be advised again."""
        self.knowing.bring_back()

    def action_speed(self, step: int) -> None:
        """Replay faster or slower."""
        self.source.change_speed(step)
        self.refresh_all()

    def action_causes(self) -> None:
        """Say what beside VE could explain what was seen."""
        lines = cause_page(self.knowing.causes.latest)
        self.push_screen(Pages(Text(self.look.plain("\n".join(lines)))))

    def action_help(self) -> None:
        """Say what the keys do."""
        lines = ["Keys", ""] + [f"{key:>10}  {text}" for key, text in HELP]
        lines += [
            "",
            f"In the table {'<'} marks the nearest cell to the operating point; underlined",
            "cells are the ground advised next. The expected error is what running can",
            "lower; the table's own coarseness comes on top. Any key goes back.",
        ]
        self.push_screen(Pages(Text(self.look.plain("\n".join(lines)))))

    def action_leave(self) -> None:
        """End; whoever started the view writes what was learned."""
        self._thinking.end()
        self.exit()
