"""Operator mode: one word and one colour that are read from afar, and tones that differ."""

from dataclasses import dataclass

from rich.style import Style
from rich.text import Text

from breathmap.tools.view.map import FEW_COLOURS, NO_COLOUR, Look
from breathmap.tools.view.state import LEARNING, STOP, WAITING

# Okabe and Ito's colours (Color Universal Design, 2008), told apart by colour-blind people too.
STATE_COLOURS = {LEARNING: "#0072b2", WAITING: "#e69f00", STOP: "#d55e00"}
STATE_INK = {LEARNING: "#ffffff", WAITING: "#000000", STOP: "#000000"}


@dataclass(frozen=True)
class Tone:
    """Bells: how many, how far apart, and their pitch where the terminal knows one."""

    bells: int
    gap_s: float
    pitch_hz: int


# A terminal's bell has one sound on most machines, so the rhythm tells them apart: one; two, slow;
# four, fast, and again every STOP_AGAIN_S. Some terminals swallow bells closer than a fifth of a
# second; the repetition is left even then. The pitch is heard on the Linux console.
TONES = {LEARNING: Tone(1, 0.0, 880), WAITING: Tone(2, 0.7, 440), STOP: Tone(4, 0.25, 1320)}
STOP_AGAIN_S = 2.0
STEADY_S = 2.0  # a state is told when it has lasted so long; STOP at once

LETTERS = {
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "I": ("#####", "  #  ", "  #  ", "  #  ", "#####"),
    "G": (" ####", "#    ", "#  ##", "#   #", " ####"),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
}


def state_style(look: Look, state: str) -> Style:
    """Return the colours of a state."""
    if look.colours == NO_COLOUR:
        return Style(reverse=True)
    if look.colours == FEW_COLOURS:
        sixteen = {LEARNING: ("#0000aa", "#ffffff"), WAITING: ("#ffff55", "#000000")}
        ground, ink = sixteen.get(state, ("#aa0000", "#ffffff"))
        return Style(color=ink, bgcolor=ground)
    return Style(color=STATE_INK[state], bgcolor=STATE_COLOURS[state])


def operator_page(word: str, line: str, width: int, height: int, look: Look) -> Text:
    """Return a page that is all one colour, the word in large letters, a line below."""
    rows = [" ".join(LETTERS[letter][k] for letter in word) for k in range(5)]
    if len(rows[0]) > width:
        rows = [word]
    filled = "█" if look.unicode and look.colours != NO_COLOUR else "#"
    lines = [row.replace("#", filled).center(width) for row in rows]
    words, below = look.plain(line).split(), ""
    lines.append("")
    for part in words:
        if len(below) + len(part) + 1 > max(width - 4, 20):
            lines.append(below.center(width))
            below = ""
        below = f"{below} {part}".strip()
    lines.append(below.center(width))
    above = max(height - len(lines), 0) // 2
    lines = [""] * above + lines
    lines += [""] * (height - 1 - len(lines)) + ["o: back to the table".center(width)]
    text = "\n".join(row.ljust(width) for row in lines[:height])
    style = state_style(look, word) + Style(bold=True)
    return Text(text, style, end="", no_wrap=True)


class Tones:
    """Which tone is due: in operator mode at every change of state that lasts; STOP always, at
    once, and again and again."""

    def __init__(self) -> None:
        self._state = self._sounded = ""
        self._since_s = 0.0
        self._stop_s = float("-inf")

    def due(self, state: str, now_s: float, is_operator: bool) -> Tone | None:
        """Return what is to be heard now, if anything."""
        if state != self._state:
            self._state, self._since_s = state, now_s
        if state == STOP:
            if now_s - self._stop_s < STOP_AGAIN_S:
                return None
            self._stop_s = now_s
            self._sounded = state
            return TONES[state]
        if state == self._sounded or now_s - self._since_s < STEADY_S:
            return None
        self._sounded = state
        return TONES[state] if is_operator else None
