"""The view's sentences and drawings, without a screen."""

import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from rich.style import Style
from view_bench import new_session

from breathmap.learner.core import alarms
from breathmap.learner.decide.guide import Advice, Region
from breathmap.protocol.wire.fields import SENSOR_ABSENT, SENSOR_FAULT, SENSOR_READY, SENSOR_WARMING
from breathmap.tools.run.alarm_words import ALARM_WORDS
from breathmap.tools.view.map import (
    CIVIDIS,
    FEW_COLOURS,
    NO_COLOUR,
    SIXTEEN,
    TRUE_COLOUR,
    Layer,
    Look,
    draw,
    shown_span,
)
from breathmap.tools.view.source import Notes
from breathmap.tools.view.state import Watch, wanted_squares
from breathmap.tools.view.words import (
    advice_lines,
    again_text,
    alarm_line,
    alarm_text,
    ended_words,
    keys_line,
    spent_line,
    verdict_line,
)

SPEEDS = [1000.0, 2000.0, 3000.0, 4000.0]
LOADS = [20.0, 60.0, 100.0]
VALUES = np.array([[0.0, 5.0, 10.0, np.nan], [50.0, 60.0, 70.0, 80.0], [90.0, 95.0, 99.0, 100.0]])
LAYER = Layer("VE now", "%", VALUES, 0.0, 100.0)


def test_every_alarm_has_its_words() -> None:
    """Each alarm is told with what to do, and no sentence is left over."""
    assert set(ALARM_WORDS) == set(alarms.NAMES)


def test_worst_alarm_is_told_and_the_rest_counted() -> None:
    """Of several alarms the one of highest rank is told, with its bank, and the others counted."""
    watch = Watch(new_session())
    assert alarm_line(watch, ["left", "right"]) == ""
    for kind in (alarms.FRAMES_LOST, alarms.LEAN):
        watch.alarms.latched[kind] = True
    watch.alarms.bank[alarms.LEAN] = 0
    watch.alarms.value[alarms.LEAN] = 1.21

    line = alarm_line(watch, ["left", "right"])

    assert line.startswith("LEAN UNDER LOAD (left): lambda 1.21")
    assert line.endswith("(and 1 more)")


def test_a_cause_that_comes_back_is_counted_and_told() -> None:
    """A latched alarm keeps its time; that its cause came again is told beside it, and counted once
    for each time."""
    watch = Watch(new_session())
    hot = alarms.HOT

    def cause(is_there: bool, at_s: float) -> None:
        watch.time_s = at_s
        watch.alarms.active[hot] = is_there
        watch.alarms.latched[hot] = watch.alarms.latched[hot] or is_there
        watch.silence(0.0)

    for is_there, at_s in ((True, 5.0), (True, 6.0), (False, 7.0)):
        cause(is_there, at_s)
    assert (watch.came[hot], again_text(watch, hot)) == (1, "")
    for is_there, at_s in ((True, 65.0), (True, 66.0)):
        cause(is_there, at_s)
    assert (watch.came[hot], again_text(watch, hot)) == (2, "again at 1:05")
    assert ", at 0:05." in alarm_text(watch, ["left", "right"], hot)
    # Acknowledged while it goes on, it is raised again by the alarms, and that is news.
    watch.alarms.acknowledge()
    watch.silence(0.0)
    cause(True, 80.0)
    assert (watch.came[hot], again_text(watch, hot)) == (3, "")


def test_words_without_keys_name_none() -> None:
    """Who reads without the view's keys is told of none."""
    watch, description = Watch(new_session()), new_session().description
    nowhere = Advice(None, 0.02, 0.02, math.inf)
    words = [
        *verdict_line(watch, ["left", "right"], True, 0.0, has_keys=False),
        *ended_words(has_keys=False),
        *advice_lines(nowhere, description, 9, has_keys=False),
    ]
    assert "at the terminal" in words[1]
    assert not [line for line in words if "q writes" in line or "X takes" in line]


def test_a_lost_sensor_says_what_it_says_of_itself() -> None:
    """The banner of a lost sensor tells one that is not there from one that stays cold."""
    watch = Watch(new_session())
    watch.alarms.latched[alarms.SENSOR_LOST] = True
    watch.alarms.bank[alarms.SENSOR_LOST] = 1
    lines = set()
    for state in (SENSOR_ABSENT, SENSOR_WARMING, SENSOR_READY, SENSOR_FAULT):
        watch.alarms.value[alarms.SENSOR_LOST] = float(state)
        lines.add(alarm_line(watch, ["left", "right"]))
    assert len(lines) == 4
    assert all(line.startswith("SENSOR LOST (right): it ") for line in lines)


def test_silence_pause_and_nothing_yet_have_their_remedy() -> None:
    """Whatever keeps it from learning is said with what to do."""
    watch = Watch(new_session())
    for line, remedy in (
        verdict_line(watch, ["left", "right"], False, 7.0),
        verdict_line(watch, ["left", "right"], True, 0.0),
        verdict_line(watch, ["left", "right"], False, 0.0),
    ):
        assert not line.startswith("LEARNING")
        assert remedy.startswith("to do: ")


def test_advice_is_a_speed_band_and_a_load_band() -> None:
    """Advice names both bands with units, the expected error, the goal and the minutes."""
    description = new_session().description
    advice = Advice(Region(4, 5, 6, 7), 0.0213, 0.019, 7.3)

    where, how = advice_lines(advice, description, 1)

    assert where == "go next: 2200 to 2500 rpm at 57 to 64 kPa"
    assert how == "expected error ± 2.13 %, goal 1 %: about 7 minutes to go; 1 square left out"
    assert "goal reached" in advice_lines(Advice(None, 0.004, 0.004, 0.0), description, 0)[0]
    assert "no ground" in advice_lines(Advice(None, 0.02, 0.02, math.inf), description, 9)[0]


def test_goal_limits_the_ground() -> None:
    """Squares outside the goal's speeds and loads are not wanted."""
    session = new_session()
    assert wanted_squares(session).all()
    goal = session.description.goal.model_copy(
        update={"speed_rpm": [2200.0, 4000.0], "load": [50.0, 92.0]}
    )
    session.description = session.description.model_copy(update={"goal": goal})

    rows, columns = np.nonzero(wanted_squares(session))

    axes = session.description.axes
    assert [axes.speed_rpm[columns.min()], axes.speed_rpm[columns.max() + 1]] == [2200, 4000]
    assert [axes.load[rows.min()], axes.load[rows.max() + 1]] == [50, 92]


def test_map_holds_every_number_and_marks_the_point() -> None:
    """All cells that fit carry their number; the nearest to the operating point is marked once."""
    text = draw(LAYER, SPEEDS, LOADS, (2900.0, 65.0), 80, 6, Look()).plain
    lines = text.splitlines()

    assert [line.split()[0] for line in lines[1:]] == ["100", "60", "20"]
    assert lines[2].split()[1:] == ["50.00", "60.00", "70.00<", "80.00"]
    assert lines[3].split()[-1] == "."
    assert text.count("<") == 1


def test_map_uses_double_height_and_gives_nothing_no_sign() -> None:
    """With room for it each row is two lines high; a correction of zero has no sign."""
    values = np.array([[-0.004, 0.004, -0.3, 0.6]] * 3)
    layer = Layer("correction", "%", values, 0.0, 12.0, signed=True)
    lines = draw(layer, SPEEDS, LOADS, (math.nan, math.nan), 22, 7, Look()).plain.splitlines()

    assert len(lines) == 7
    assert [line.split() for line in lines[1::2]] == [[], [], []]
    assert lines[2].split() == ["100", "0", "0", "0", "+1"]
    assert len(draw(layer, SPEEDS, LOADS, (0.0, 0.0), 22, 6, Look()).plain.splitlines()) == 4


def test_spending_and_keys_fit_the_width(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reasons that do not fit are told together, and the shares still add up; keys that do not
    fit are left out whole, help and quit last."""
    watch = Watch(new_session())
    counts = Counter(used=50, pressure_moving=20, throttle_moving=15, fuel_cut=10, history_short=5)
    monkeypatch.setattr(watch, "spent", lambda: counts)

    assert spent_line(watch, 200).endswith("fuel cut 10 %, history short 5 %")
    assert (
        spent_line(watch, 79)
        == "last minute: used 50 %, pressure moving 20 %, throttle moving 15 %, other 15 %"
    )
    assert spent_line(watch, 60) == "last minute: used 50 %, pressure moving 20 %, other 30 %"
    for width in (20, 40, 60, 79, 120):
        line = keys_line(width, 2, True)
        assert len(line) <= width
        assert line.startswith("q:quit ?:help")
    assert "b:bank" not in keys_line(200, 1, False)


def test_map_follows_the_point_where_there_is_no_room() -> None:
    """In too little room the part around the operating point is shown."""
    text = draw(LAYER, SPEEDS, LOADS, (3900.0, 95.0), 15, 3, Look()).plain

    assert "4.0" in text
    assert "1.0" not in text
    assert text.splitlines()[1].split()[0] == "100"
    assert all(len(line) <= 15 for line in text.splitlines())
    assert list(shown_span(10, 4, 9)) == [6, 7, 8, 9]
    assert list(shown_span(3, 9, 0)) == [0, 1, 2]


@pytest.mark.parametrize("colours", [TRUE_COLOUR, FEW_COLOURS, NO_COLOUR])
def test_shading_grows_with_the_value(colours: str) -> None:
    """From the lowest to the highest value the shade climbs through the map, in any terminal."""
    text = draw(LAYER, SPEEDS, LOADS, (math.nan, math.nan), 80, 6, Look(colours))
    backgrounds = [
        span.style.bgcolor.name
        for span in text.spans
        if isinstance(span.style, Style) and span.style.bgcolor is not None
    ]

    if colours == NO_COLOUR:
        assert backgrounds == []
        top, _, bottom = text.plain.splitlines()[1:]
        assert "@" in top
        assert "@" not in bottom
        return
    scale = CIVIDIS if colours == TRUE_COLOUR else SIXTEEN
    assert {scale[0], scale[-1]} <= set(backgrounds) <= set(scale)
    assert backgrounds.index(scale[-1]) < backgrounds.index(scale[0])  # high loads on top


def test_colours_are_the_published_ones() -> None:
    """The shades are cividis's, as matplotlib's published table has them."""
    colormaps = pytest.importorskip("matplotlib").colormaps
    published = [
        "#{:02x}{:02x}{:02x}".format(*(round(255 * v) for v in colormaps["cividis"](x)[:3]))
        for x in np.linspace(0.0, 1.0, len(CIVIDIS))
    ]
    assert list(CIVIDIS) == published


def test_notes_hold_no_control_characters_and_stay(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """A note is one clean line; empty ones are none; notes of an earlier run are kept."""
    first = Notes(tmp_path)
    first.add("tab\there\x1b[2J", 1.0)
    first.add(" \n ", 2.0)
    second = Notes(tmp_path)
    second.add("again", 3.0)

    rows = (tmp_path / "notes.csv").read_text().splitlines()
    assert [row.split(",")[2] for row in rows] == ["note", "tab here [2J", "again"]


def test_notes_stay_behind_damaged_ones(tmp_path: Path) -> None:
    """A note is kept, and so is what stands in the file already, readable or not."""
    path = tmp_path / "notes.csv"
    path.write_bytes(b"time,learned_s,note\nx,1.0,\xff\xfe\n")

    Notes(tmp_path).add("plugs", 3.0)

    assert path.read_bytes().startswith(b"time,learned_s,note\nx,1.0,\xff\xfe\n")
    assert b",3.0,plugs\n" in path.read_bytes()


def test_what_is_late_is_not_called_learning() -> None:
    """While recorded bytes are caught up with, the verdict says that what is shown is late, and
    does not say that it is learning."""
    verdict, remedy = verdict_line(Watch(new_session()), ["left"], False, 0.0, is_behind=True)
    assert "figures are late" in verdict
    assert "LEARNING" not in verdict
    assert "gauges" in remedy
