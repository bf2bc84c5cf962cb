"""The news: what changed and nothing else, the newest only, and texts that nobody obeys."""

import json
import math

import pytest

from breathmap.tools.page.news import OVER, RUNNING, News


def parts(text: str) -> dict[str, object]:
    """Return a message's parts."""
    found: dict[str, object] = json.loads(text)["parts"]
    return found


def test_only_what_changed_is_told_and_only_the_newest() -> None:
    """Who has seen a version gets the parts that changed since, each once, as they are now."""
    news = News()
    news.post({"head": ["1"], "maps": [1, 2, 3]})
    text, seen = news.message(-1)
    assert parts(text) == {"head": ["1"], "maps": [1, 2, 3]}
    for number in range(2, 9):
        news.post({"head": [str(number)], "maps": [1, 2, 3]})
    text, now = news.message(seen)
    assert parts(text) == {"head": ["8"]}
    assert parts(news.message(now)[0]) == {}
    assert parts(news.message(-1)[0]) == {"head": ["8"], "maps": [1, 2, 3]}


def test_nothing_new_wakes_nobody() -> None:
    """A snapshot like the one before is no news; a new phase is."""
    news, woken = News(), []
    news.woken = lambda: woken.append(news.version)
    news.post({"head": ["1"]})
    news.post({"head": ["1"]})
    assert woken == [1]
    news.post({"head": ["1"]}, OVER)
    assert woken == [1, 2]


def test_texts_from_files_are_visible_and_stay_in_their_line() -> None:
    """Control characters and changes of direction are shown as escapes; a line break ends no
    message."""
    news = News()
    news.post({"title": "a\nb\x1b[2J\u202ec", "rows": [{"name": "x\r\n\r\ndata: {}"}]}, RUNNING)
    text, _ = news.message(-1)
    assert text.count("\n") == text.count("\r") == 0
    assert parts(text)["title"] == "a\\nb\\x1b[2J\\u202ec"


def test_numbers_that_no_browser_reads_are_refused() -> None:
    """NaN and infinities are no JSON: a snapshot that holds one is a mistake, and nothing of it is
    told."""
    news = News()
    with pytest.raises(ValueError, match="JSON"):
        news.post({"good": 1, "bad": [math.nan]})
    assert parts(news.message(-1)[0]) == {}
