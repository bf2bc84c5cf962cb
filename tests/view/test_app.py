"""The live view, driven by Textual's pilot: every key, the states, the alarms."""

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rich.text import Text
from textual.widgets import Static
from view_bench import begin, shown, until

from breathmap.learner.core import alarms
from breathmap.tools.view.app import View, look_of
from breathmap.tools.view.layers import LAYERS
from breathmap.tools.view.map import FEW_COLOURS, NO_COLOUR, TRUE_COLOUR, Look

RunView = Callable[..., View]


async def alarmed(view: View) -> None:
    """Say that an alarm was raised as the learning thread does, from another thread."""
    await asyncio.to_thread(view.source.alarmed)


def test_start_page_says_who_looks_and_nothing_runs_before_enter(run_view: RunView) -> None:
    """The start page says that nobody riding looks at it, with every caution; Enter begins."""

    async def steps(view: View, pilot: Any) -> None:
        page = str(view.screen.query_one("#page", Static).content)
        assert "Nobody who rides or drives looks at this screen" in page
        for word in ("lean mixture", "carbon monoxide", "Hot exhausts", "licensed", "road law"):
            assert word in page
        assert len(page.splitlines()) < 24
        assert view.source.ident is None
        await pilot.press("enter")
        await until(lambda: view.live.session.samples > 0)

    run_view(steps)


def test_layers_banks_and_close_up_by_keys(run_view: RunView) -> None:
    """Keys change layer, bank and close-up; each layer names itself and holds its numbers."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        for number, name in enumerate(LAYERS, start=1):
            await pilot.press(str(number))
            text = shown(view, "map")
            assert text.splitlines()[0].startswith(f"left: {name}")
            assert len(text.splitlines()) == 14
            assert all(len(line) <= 80 for line in text.splitlines())
            # Everything but the ground never visited shows a number.
            assert sum(c.isdigit() for c in text) > 60
        await pilot.press("l")
        assert shown(view, "map").startswith("left: coverage")
        await pilot.press("b", "2")
        assert shown(view, "map").startswith("right: VE now")
        assert shown(view, "map").count("<") == 1
        await pilot.press("c")
        lines = shown(view, "map").splitlines()
        assert len(lines[1].split()) == 5
        assert "kPa" in lines[-2]
        assert "±" in lines[-1]

    run_view(steps)


def test_more_room_is_used(run_view: RunView) -> None:
    """At 120 x 40 both banks and a close-up stand side by side; a resize changes that."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        text = shown(view, "map")
        assert "left: VE proposed" in text
        assert "right: VE proposed" in text
        close = shown(view, "close").splitlines()
        assert close[0] == "left: close-up"
        assert close.index("right: close-up") == text.splitlines().index(
            next(line for line in text.splitlines() if line.startswith("right: VE proposed"))
        )
        await pilot.resize_terminal(80, 24)
        await until(lambda: "right:" not in shown(view, "map"))
        assert shown(view, "close") == ""
        await pilot.resize_terminal(50, 14)
        await until(lambda: len(shown(view, "map").splitlines()) < 10)
        assert shown(view, "map").count("<") == 1

    run_view(steps, size=(120, 40))


def test_verdict_spending_and_advice_are_answered(run_view: RunView) -> None:
    """While it runs, the view says whether it is learning, what became of the samples, and where
    to go with the minutes still needed."""

    async def steps(view: View, pilot: Any) -> None:
        assert shown(view, "verdict") == ""
        await pilot.press("enter")
        await until(lambda: "LEARNING" in shown(view, "verdict"))
        assert "to do: " in shown(view, "verdict")
        await until(lambda: "used" in shown(view, "spent"))
        await until(lambda: "rpm at" in shown(view, "advice"))
        assert "expected error ±" in shown(view, "advice")
        assert "goal 1 %" in shown(view, "advice")
        assert "to go" in shown(view, "advice")

    run_view(steps, speed=10.0)


def test_end_is_said_and_everything_stays(run_view: RunView) -> None:
    """When the source is over the view says so, shows what all samples together say, and waits
    for somebody to leave."""

    def used(view: View) -> int:
        return view.live.session.learner.banks[0].used_count

    def solved(view: View) -> int | None:
        latest = view.knowing.latest
        return None if latest is None else latest.solutions[0].used

    async def steps(view: View, pilot: Any) -> None:
        await pilot.press("enter")
        await until(lambda: view.source.ended)
        await until(lambda: solved(view) == used(view))
        await until(lambda: shown(view, "verdict").strip().startswith("ENDED"))
        assert view.is_running
        await pilot.press("q")

    assert run_view(steps).live.session.samples == 1000


def test_a_drawing_that_comes_too_late_is_none(run_view: RunView) -> None:
    """The timer may fire once more while the view closes and its parts are gone: nothing is drawn,
    nothing raised."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        await view.screen_stack[0].query_one("#banner").remove()
        view.refresh_all()
        await view.screen_stack[0].remove_children()
        view.refresh_all()

    run_view(steps).refresh_all()


def test_alarm_is_a_banner_until_acknowledged(run_view: RunView) -> None:
    """A raised alarm puts a full-width banner on top with what to do; `a` takes it away."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        banner = view.screen_stack[0].query_one("#banner", Static)
        assert not banner.display
        view.live.alarms.latched[alarms.LEAN] = True
        view.live.alarms.bank[alarms.LEAN] = 1
        view.live.alarms.value[alarms.LEAN] = 1.17
        await alarmed(view)
        await pilot.pause()
        assert banner.display
        text = shown(view, "banner")
        assert "STOP NOW: LEAN UNDER LOAD (right): lambda 1.17" in text
        assert "close the throttle now" in " ".join(text.split())
        assert all(len(line) == 80 for line in text.splitlines())
        assert view.banner_at is not None
        await pilot.press("a")
        assert not banner.display

    run_view(steps)


def test_operator_mode_is_one_word(run_view: RunView) -> None:
    """Operator mode fills the screen with one word; an alarm turns it into STOP."""

    async def steps(view: View, pilot: Any) -> None:
        await pilot.press("o")
        await until(lambda: view.live.session.samples > 100)
        await until(lambda: shown(view, "head").count("█") > 60)
        assert shown(view, "map") == ""
        learning = shown(view, "head")
        view.live.alarms.latched[alarms.HOT] = True
        view.live.alarms.value[alarms.HOT] = 118.0
        view.refresh_all()
        stop = shown(view, "head")
        assert stop != learning
        assert "ENGINE TOO HOT: 118" in stop
        await pilot.press("o")
        assert "rpm" in shown(view, "head")

    run_view(steps, speed=5.0)


def test_tones_differ() -> None:
    """STOP rings at once and differently from learning and not learning."""
    from breathmap.tools.view.operator import TONES, Tones
    from breathmap.tools.view.state import LEARNING, STOP, WAITING

    tones = Tones()
    assert tones.due(LEARNING, 0.0, True) is None
    assert tones.due(LEARNING, 2.1, True) == TONES[LEARNING]
    assert tones.due(LEARNING, 9.0, True) is None
    assert tones.due(WAITING, 9.1, True) is None
    assert tones.due(LEARNING, 9.5, True) is None
    assert tones.due(WAITING, 10.0, True) is None
    assert tones.due(WAITING, 12.1, True) == TONES[WAITING]
    assert tones.due(STOP, 12.2, False) == TONES[STOP]
    assert tones.due(STOP, 12.3, False) is None
    assert tones.due(STOP, 14.3, False) == TONES[STOP]
    assert tones.due(LEARNING, 20.0, False) is None
    assert tones.due(LEARNING, 30.0, False) is None
    # Told apart by rhythm alone, where a bell has one sound.
    assert [TONES[state].bells for state in (LEARNING, WAITING, STOP)] == [1, 2, 4]
    assert TONES[WAITING].gap_s > 2 * TONES[STOP].gap_s
    assert len({tone.pitch_hz for tone in TONES.values()}) == 3


def test_bells_ring_in_their_rhythm(run_view: RunView, monkeypatch: pytest.MonkeyPatch) -> None:
    """An alarm that says stop rings four fast bells, and again; one to look at two slow ones."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        rung: list[float] = []
        monkeypatch.setattr(view, "bell", lambda: rung.append(time.monotonic()))
        view.live.alarms.latched[alarms.FRAMES_LOST] = True
        await alarmed(view)
        await until(lambda: len(rung) == 2)
        slow = rung[1] - rung[0]
        view.live.alarms.latched[alarms.HOT] = True
        await alarmed(view)
        await until(lambda: len(rung) >= 6)
        assert rung[3] - rung[2] < slow / 2
        await until(lambda: len(rung) >= 10)
        await pilot.press("a")

    run_view(steps)


def test_pause_learns_nothing_and_note_is_kept(run_view: RunView, tmp_path: Path) -> None:
    """Pausing stops the learning until the key is pressed again; a note is kept with its time."""

    async def steps(view: View, pilot: Any) -> None:
        await pilot.press("enter")
        await until(lambda: view.live.session.samples > 20)
        await pilot.press("space")
        await asyncio.sleep(0.2)
        held = view.live.session.samples
        await asyncio.sleep(0.3)
        assert view.live.session.samples == held
        assert "PAUSED" in shown(view, "verdict")
        await pilot.press("n")
        await pilot.press(*"plug, then", "enter")
        await pilot.press("n", "x", "escape")
        await pilot.press("space")
        await until(lambda: view.live.session.samples > held)

    run_view(steps, speed=5.0)
    lines = (tmp_path / "notes.csv").read_text().splitlines()
    assert lines[0] == "time,learned_s,note"
    assert [line.split(",", 2)[2] for line in lines[1:]] == ["paused", '"plug, then"', "went on"]


def test_help_on_the_start_page_begins_nothing(run_view: RunView) -> None:
    """A key that closes the help does nothing else: on the start page Enter does not yet begin."""

    async def steps(view: View, pilot: Any) -> None:
        await pilot.press("question_mark")
        assert "Keys" in str(view.screen.query_one("#page", Static).content)
        await pilot.press("enter")
        await pilot.pause()
        assert "Nobody who rides" in str(view.screen.query_one("#page", Static).content)
        assert view.source.ident is None
        await pilot.press("enter")
        await until(lambda: view.live.session.samples > 0)

    run_view(steps)


def test_help_names_every_key_and_any_key_closes_it(run_view: RunView) -> None:
    """One key shows the help; any key goes back to the table."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        await pilot.press("question_mark")
        page = str(view.screen.query_one("#page", Static).content)
        for word in ("next layer", "bank", "close-up", "operator", "acknowledge", "pause", "note"):
            assert word in page
        for bell in ("one = learning", "two slow = not learning", "four fast", "stop now"):
            assert bell in page
        assert len(page.splitlines()) <= 24
        assert all(len(line) <= 78 for line in page.splitlines())
        await pilot.press("z")
        assert view.screen is view.screen_stack[0]

    run_view(steps)


def test_advised_ground_can_be_refused(run_view: RunView) -> None:
    """Ground that cannot be reached is advised no more after x, and again after X."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        first = view.knowing.latest
        assert first is not None
        view.knowing.set_aside()
        second = view.knowing.look()
        assert second.aside == 1
        assert second.advice.region != first.advice.region
        view.knowing.bring_back()
        assert view.knowing.look().aside == 0

    run_view(steps)


@pytest.mark.parametrize("look", [Look(NO_COLOUR, False), Look(FEW_COLOURS, False)])
def test_ascii_is_enough(run_view: RunView, look: Look) -> None:
    """Without Unicode nothing but ASCII is drawn, in colours or without."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        for key in ("1", "3", "5", "c", "c", "o", "o"):
            await pilot.press(key)
            for part in ("head", "verdict", "map", "close", "spent", "advice", "keys", "banner"):
                assert shown(view, part).isascii()
        style = look.colours == NO_COLOUR
        text = view.screen_stack[0].query_one("#map", Static).content
        assert isinstance(text, Text)
        grounds = {span.style.bgcolor for span in text.spans if hasattr(span.style, "bgcolor")}
        assert (grounds == {None}) == style

    run_view(steps, look=look)


@pytest.mark.parametrize(
    ("system", "environment", "expected"),
    [
        ("truecolor", {"LANG": "en_GB.UTF-8"}, Look(TRUE_COLOUR, True)),
        ("standard", {"LANG": "C"}, Look(FEW_COLOURS, False)),
        ("truecolor", {"LANG": "C.UTF-8", "NO_COLOR": "1"}, Look(NO_COLOUR, True)),
        (None, {"LC_ALL": "POSIX", "LANG": "C.UTF-8"}, Look(NO_COLOUR, False)),
    ],
)
def test_terminal_is_taken_as_it_is(
    system: str | None,
    environment: dict[str, str],
    expected: Look,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Colours, NO_COLOR and the locale decide what is drawn."""
    for name in ("LC_ALL", "LC_CTYPE", "LANG", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)

    assert look_of(system) == expected
