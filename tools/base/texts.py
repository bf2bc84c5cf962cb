"""Texts from outside (names, files, devices) made safe to print: nothing in them is obeyed.

A terminal obeys control characters, and a reader is misled by characters that turn the direction of
writing. Both are shown as escapes instead, and so are bytes of file names that are no UTF-8.
"""

import json
import re
from typing import Any

# Controls, line and paragraph separators, changes of direction, halves of surrogate pairs.
OBEYED = (
    "\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufeff"
)
_OBEYED = re.compile(f"[{OBEYED}]")
_NAMED = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}
MOST_CHARACTERS = 1000

# Whether the present command has printed its result as JSON: an error after it adds no second one.
printed_result = False


def visible(text: str) -> str:
    r"""Return a text in one line, with everything that a terminal would obey as \x1b or \u202e.

    A byte of a file name that is no UTF-8 (which Python holds as half a surrogate pair) is shown as
    that byte: \xe9.
    """
    return _OBEYED.sub(_escape, text)


def is_utf8(text: str) -> bool:
    """True for a text without bytes that are no UTF-8."""
    return not re.search("[\ud800-\udfff]", text)


def _escape(found: re.Match[str]) -> str:
    character = found.group()
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        code -= 0xDC00
    if character in _NAMED:
        return _NAMED[character]
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def one_line(text: str) -> str:
    """Return a visible text, its middle left out where it is longer than anyone reads."""
    text = visible(text)
    if len(text) <= MOST_CHARACTERS:
        return text
    half = MOST_CHARACTERS // 2
    return f"{text[:half]} ... {text[-half:]}"


def json_text(value: Any) -> str:
    """Return a value as indented JSON that a terminal can show: the same value when read again."""
    text = json.dumps(value, indent=2, ensure_ascii=False)
    # json has escaped what is below a space, and its own line breaks are wanted.
    return re.sub(f"(?!\n)[{OBEYED}]", lambda found: f"\\u{ord(found.group()):04x}", text)


def counted(number: int, noun: str) -> str:
    """Return a number with its noun: 1 bank, 2 banks."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"
