"""The live view says what beside VE could explain what it sees, and nothing when nothing can."""

import threading
from collections.abc import Callable
from typing import Any

from textual.widgets import Static
from view_bench import begin, new_session, shown, until

from breathmap.learner.causes.catalogue import CAUSES
from breathmap.learner.causes.diagnose import LIKELY, SEEN, Diagnosis, Finding
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare
from breathmap.tools.view.app import View
from breathmap.tools.view.causes import LOOK_EVERY_S, NOT_YET, Causes, cause_line, cause_page

RunView = Callable[..., View]
STUCK = Finding(CAUSES["sensor-stuck"], SEEN, "left", text="its reading stood still for 9.0 s")
FACTOR = Finding(
    CAUSES["fuel-factor"],
    LIKELY,
    log_odds=9.0,
    explains=0.9,
    alike=("barometer",),
    text="one [factor]",
)


def test_one_line_when_something_is_likely_and_details_on_a_key(run_view: RunView) -> None:
    """One line appears when something is likely and goes with it, no map loses its last row, and
    d shows look-alikes and what to check."""

    async def steps(view: View, pilot: Any) -> None:
        await begin(view, pilot)
        line = view.screen_stack[0].query_one("#cause", Static)
        await until(lambda: view.knowing.causes.latest is not None)
        assert view.knowing.causes.latest is not None
        assert not view.knowing.causes.latest.likely
        assert line.display is False
        view.knowing.causes.latest = Diagnosis([FACTOR])
        view.refresh_all()
        await pilot.pause()
        view.refresh_all()
        assert line.display is True
        assert shown(view, "cause") == "not VE alone (d: more): one [factor]"
        assert len(shown(view, "map").splitlines()) == 14
        await pilot.press("d")
        page = str(view.screen.query_one("#page", Static).content)
        assert "the data cannot tell it from: barometer" in page
        assert "check: put a gauge on the fuel rail" in page
        await pilot.press("enter", "o")
        assert line.display is False

    run_view(steps)


def test_the_page_before_and_without_a_finding() -> None:
    """Before the first look the page says so; without a finding it says that nothing is likely."""
    assert cause_line(None) == cause_line(Diagnosis([])) == ""
    assert cause_page(None)[-1] == NOT_YET
    assert "nothing beside VE is likely" in cause_page(Diagnosis([]))[-1]


def test_the_line_names_what_makes_tables_unsafe() -> None:
    """Whatever is likelier, DO NOT STORE stands beside the cause that it is for."""
    line = cause_line(Diagnosis([FACTOR, STUCK]))
    assert line.startswith("DO NOT STORE")
    assert "stood still" in line or "stuck" in line
    assert "[factor]" not in line


def test_what_makes_tables_unsafe_is_said_first() -> None:
    """An unsafe cause is called out as such, and what does not fit is counted."""
    assert cause_line(Diagnosis([STUCK, FACTOR])).startswith("DO NOT STORE (d: more): left: lambda")
    assert cause_line(Diagnosis([STUCK, FACTOR])).endswith("(and 1 more)")
    page = cause_page(Diagnosis([STUCK] * 5))
    assert page[2].startswith("DO NOT STORE the tables: left: lambda reading stuck")
    assert page[-1].startswith("and 2 more")


def test_looking_works_on_copies_behind_the_lock() -> None:
    """A stuck sensor is found while the run goes on; the learner is left as it was, and the lock
    is free while causes are looked for."""
    session = new_session()
    lock = threading.Lock()
    causes = Causes(session, lock)
    order = Order(minutes=1.5, faults="sensor-stuck@right")
    for _, data in frames_on_cable(prepare(order)):
        session.feed(data)
    used = [bank.used_count for bank in session.learner.banks]
    found = causes.look()
    assert [(f.cause.name, f.bank) for f in found.likely] == [("sensor-stuck", "right")]
    assert [bank.used_count for bank in session.learner.banks] == used
    assert not lock.locked()
    assert causes.pause_s >= LOOK_EVERY_S
