"""Alarms in every run: told while learning, counted in the summary, first in the report."""

import json
import re
from pathlib import Path

import pytest
from command_line import Breathmap
from view_bench import new_session

from breathmap.learner.core import alarms
from breathmap.simulator.service import Service
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.run import observer
from breathmap.tools.run.alarm_words import ALARM_WORDS, SEEN
from breathmap.tools.run.observer import AlarmLines, StatusText

# 13 % lean, by the square root of the pressure.
WEAK = "fuel-pressure-wrong=0.78"
KEYS = {
    "kind", "bank", "source", "time_s", "duration_s", "worst", "limit", "unit", "speed_rpm", "load",
}  # fmt: skip


@pytest.fixture(scope="module")
def weak_ride(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two minutes of road with too little fuel pressure, 25 samples a second."""
    path = tmp_path_factory.mktemp("weak") / "weak.bin"
    write_recording(prepare(Order(minutes=2.0, faults=WEAK)), path, Screen(quiet=True))
    return path


def test_a_plain_learn_tells_counts_and_reports_a_lean_engine(
    breathmap: Breathmap, bench: Path
) -> None:
    """`learn` without a view prints a line when a lean alarm begins and one when it is over, its
    summary counts all with their operating points, and the report begins with them."""
    out = bench.parent / "out"
    with Service(prepare(Order(minutes=2.0, faults=WEAK)).stream(), "tcp", None) as service:
        ended = breathmap("learn", bench, service.url, "--out", out, "--give-up", 0)
    assert ended.code == 0
    begun = [line for line in ended.out.splitlines() if line.startswith("ALARM at ")]
    assert begun
    assert "LEAN UNDER LOAD (" in begun[0]
    assert "close the throttle now" in begun[0]
    assert "over after " in ended.out
    assert re.search(r"Caution: \d+ lean alarms in 2 min of running: first at 0:\d\d of", ended.out)
    assert "\nAlso looked for, and none came: engine too hot" in ended.out

    found = json.loads((out / "summary.json").read_text("utf-8"))["alarms"]
    lean = [alarm for alarm in found["episodes"] if alarm["kind"] == "lean_under_load"]
    assert found["counts"]["lean_under_load"] == len(lean) > 1
    assert 0.0 < found["lean_watched_s"] < found["running_s"] < 121.0
    for alarm in lean:
        assert set(alarm) == KEYS
        assert alarm["bank"] in ("left", "right")
        assert alarm["worst"] > alarm["limit"]
        assert alarm["load"] >= 50.0
        assert 0.0 < alarm["time_s"] < 120.0

    breathmap("report", out)
    text = (out / "report.html").read_text("utf-8")
    assert f"{len(lean)} lean alarms in 2\u00a0min" in text.replace("2 min", "2\u00a0min")
    assert text.index("<h3>Alarms</h3>") < text.index("<h3>How good it is</h3>")


def test_a_replay_finds_the_alarms_of_the_recording(
    breathmap: Breathmap, bench: Path, weak_ride: Path
) -> None:
    """Replaying twice one after the other finds the same alarms in each, at the same times."""
    out = bench.parent / "out"
    ended = breathmap("replay", bench, weak_ride, weak_ride, "--out", out)
    assert "lean alarms in 4 min of running" in ended.out
    assert "ALARM at" not in ended.out
    found = json.loads((out / "summary.json").read_text("utf-8"))["alarms"]["episodes"]
    half = len(found) // 2
    assert half > 1
    assert found[:half] == found[half:]


def test_a_quiet_run_says_what_was_looked_for(breathmap: Breathmap, tmp_path: Path) -> None:
    """An idling engine raises nothing; summary, terminal and report say for how long an alarm could
    have come, and what else was looked for."""
    ride, bench, out = tmp_path / "idle.bin", tmp_path / "bench", tmp_path / "out"
    breathmap("simulate", "--drive", "idle", "--minutes", 1, "--out", ride, "--describe", bench)
    ended = breathmap("replay", bench / "engine.toml", ride, "--out", out)
    text = (
        "No lean alarm in 1 min of running; for 0 s of that the engine was loaded enough for one."
    )
    others = "Also looked for, and none came: engine too hot, sensor lost, frames being lost."
    assert text in ended.out
    assert others in ended.out
    reported = breathmap("report", out)
    assert reported.out.splitlines()[:3] == ["Alarms:", f"- {text}", f"- {others}"]


def test_without_samples_nothing_is_said_to_be_well(
    breathmap: Breathmap, bench: Path, recording: Path
) -> None:
    """Results from evidence alone say that alarms were not looked for."""
    first, second = bench.parent / "one", bench.parent / "two"
    breathmap("replay", bench, recording, "--out", first)
    ended = breathmap("replay", bench, first / "evidence.bin", "--out", second)
    assert "Alarms were not looked for" in ended.out


def test_a_switching_sensor_is_not_said_to_be_well(breathmap: Breathmap, tmp_path: Path) -> None:
    """With switching sensors the summary says that lean mixtures were not looked for."""
    ride, bench, out = tmp_path / "ride.bin", tmp_path / "bench", tmp_path / "out"
    words = ("--minutes", 1, "--sensor", "switching", "--out", ride, "--describe", bench)
    breathmap("simulate", *words)
    ended = breathmap("replay", bench / "engine.toml", ride, "--out", out)
    assert "Lean mixtures were not looked for" in ended.out
    counts = json.loads((out / "summary.json").read_text("utf-8"))["alarms"]["counts"]
    assert "lean_under_load" not in counts


def test_a_standing_engine_is_not_said_to_be_learned_from(monkeypatch: pytest.MonkeyPatch) -> None:
    """While a device sends frames but no sample, and while the engine stands, the status line says
    that the engine is not running, and never that it learns."""
    monkeypatch.setattr(observer, "STATUS_EVERY_S", 0.0)
    session = new_session()
    session.begin("bench")
    frames = prepare(Order(drive="standing")).stream()
    session.feed(next(iter(frames))[1])
    assert session.source_frames
    text = StatusText(session)
    for no_sample_s in (2.1, 300.0):
        said = text.text(0.1, no_sample_s)
        assert "engine not running" in said
        assert "learning" not in said

    ride = iter(prepare(Order(minutes=0.1)).stream())
    session.begin("bench")
    for _ in range(100):
        session.feed(next(ride)[1])
    assert text.text(0.1, 0.1).endswith("learning")
    session.learner.settings.limits.speed_min_rpm = 9000.0
    for _ in range(50):
        session.feed(next(ride)[1])
    assert "engine not running" in text.text(0.1, 0.1)


def test_lines_on_one_alarm_keep_their_distance(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cause that comes and goes is told once in a while; every appearance is counted."""
    now = 0.0
    monkeypatch.setattr("breathmap.tools.run.observer.time.monotonic", lambda: now)
    lines: list[str] = []
    session = new_session()
    alarm_lines = AlarmLines(session, lines.append)
    for k in range(300):
        session.alarms.begin_source(str(k))
        session.alarms.episodes.of(alarms.HOT, -1)
        now = 0.1 * k
        alarm_lines.tell()
    assert sum("ALARM" in line for line in lines) == 3
    assert sum("over" in line for line in lines) == 3
    assert session.alarms.episodes.counts[alarms.HOT] == 300


def test_every_alarm_that_samples_show_has_its_words() -> None:
    """Each alarm but that of the link is told in a summary, with the unit of what was seen."""
    assert set(SEEN) == set(ALARM_WORDS) - {"link_lost", "not_recording"}
