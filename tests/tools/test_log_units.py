"""Logs in another unit, another order or twice: refused with the likely cause."""

import math
import re
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from command_line import Breathmap, refused
from hypothesis import given
from hypothesis import strategies as st
from log_bench import ENGINE, HEADINGS, engine_folder, ride, text_of

from breathmap.learner.words.clock import ClockReader, clock_s
from breathmap.learner.words.description import parse_description
from breathmap.learner.words.log import LogError, LogReader
from breathmap.learner.words.log_look import look_over
from breathmap.learner.words.log_rows import TableRows


def changed(heading: str, change: Callable[[float], float]) -> list[list[float]]:
    """Return the ride with one column in another unit."""
    rows, place = ride(), HEADINGS.index(heading)
    for row in rows:
        row[place] = change(row[place])
    return rows


def odd(rows: list[list[float]], engine: dict[str, Any] = ENGINE) -> list[str]:
    """Return what is odd in a log."""
    description = parse_description(engine)
    return look_over(LogReader(TableRows(HEADINGS, rows), description).samples(), description).odd


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with an engine description and its table."""
    return engine_folder(tmp_path)


def test_a_log_in_the_units_meant_is_not_odd() -> None:
    """A healthy ride raises no question."""
    assert odd(ride()) == []


@pytest.mark.parametrize(
    ("heading", "change", "said"),
    [
        ("lambda", lambda v: v * 14.7, 'bank[1].measured_lambda: .*air/fuel ratio: unit = "afr"'),
        ("target", lambda v: v * 14.7, 'target_lambda: .*air/fuel ratio: unit = "afr"'),
        ("lambda", lambda v: v / 14.7, 'looks like lambda already: unit = "lambda"'),
        ("lambda", lambda v: v * 100, "per cent: scale = 0.01"),
        ("lambda", lambda v: 0.1 if v > 0.9 else 0.8, "volts of a sensor that says rich or lean"),
        ("map", lambda v: v * 10, "mbar .hPa.: scale = 0.1"),
        ("map", lambda v: v * 1000, "Pa: scale = 0.001"),
        ("map", lambda v: v / 100, "bar: scale = 100"),
        ("map", lambda v: v / 6.895, "psi: scale = 6.895"),
        ("map", lambda v: v / 3.386, "inHg: scale = 3.386"),
        ("map", lambda v: v - 101.3, "gauge pressure: offset = 101.3"),
        ("map", lambda v: (v - 101.3) / 6.895, "psi against the outside: scale = 6.895, offset"),
        ("map", lambda v: (v - 101.3) / 3.386, "inHg against the outside: scale = 3.386, offset"),
        ("map", lambda v: (v - 101.3) / 100, "bar against the outside: scale = 100, offset"),
        ("coolant", lambda v: v * 1.8 + 32, "°F: scale = 0.5556, offset = -17.78"),
        ("coolant", lambda v: v + 273.15, "kelvin: offset = -273.15"),
        ("intake", lambda v: v + 273.15, "kelvin: offset = -273.15"),
        ("speed", lambda v: v / 1000, "thousands: scale = 1000"),
        ("speed", lambda v: v / 60, "revolutions a second: scale = 60"),
        ("throttle", lambda v: v / 100, "share of 1: scale = 100"),
        ("battery", lambda v: v * 1000, "mV: scale = 0.001"),
        ("time", lambda v: v * 1000, 'milliseconds: unit = "ms"'),
        ("time", lambda v: math.floor(v), "whole seconds is too coarse"),
        ("time", lambda v: 3.0, "stands still"),
    ],
)  # fmt: skip
def test_another_unit_is_told_with_its_cause(
    heading: str, change: Callable[[float], float], said: str
) -> None:
    """Values of one quantity in another unit are called odd, and nothing else is."""
    (line,) = odd(changed(heading, change))
    assert re.search(said.replace("[1]", r"\[1\]"), line), line


def test_seconds_read_as_milliseconds_are_told() -> None:
    """A clock in seconds that the description takes for milliseconds is told."""
    engine = deepcopy(ENGINE)
    engine["log"]["time"]["unit"] = "ms"
    assert 'looks like seconds: unit = "s"' in odd(ride(), engine)[0]


@pytest.mark.parametrize(
    ("trim", "said"),
    [
        (lambda k: 3.0 * math.sin(k), "trim in per cent: scale = 0.01, offset = 1"),
        (lambda k: 100 + 3.0 * math.sin(k), "per cent of the fuel: scale = 0.01"),
        (lambda k: 0.03 * math.sin(k), "trim about 0: offset = 1"),
        (lambda k: 1 + 0.03 * math.sin(k), ""),
    ],
)
def test_fuel_trims_are_factors(trim: Callable[[int], Any], said: str) -> None:
    """A trim in per cent, or about 0, is told; a factor is not."""
    engine = deepcopy(ENGINE)
    engine["log"]["bank"][0]["fuel_multiplier"] = {"column": "trim"}
    description = parse_description(engine)
    rows = [[*row, trim(k)] for k, row in enumerate(ride())]
    reader = LogReader(TableRows((*HEADINGS, "trim"), rows), description)
    found = look_over(reader.samples(), description).odd
    assert len(found) == bool(said)
    assert all(said in line for line in found)


def test_changed_values_only_are_told_and_held() -> None:
    """A log whose rows hold only what has changed is told; with hold_s its rows are whole."""
    rows: list[Any] = []
    for k, row in enumerate(ride()):
        rows.append([row[0], *(v if (k + n) % 8 == 0 else None for n, v in enumerate(row[1:]))])
    engine = deepcopy(ENGINE)
    assert "log of changed values only: hold_s = 1" in odd(rows, engine)[0]
    engine["log"]["hold_s"] = 1.0
    description = parse_description(engine)
    samples = [
        (s.speed_rpm, s.map_kpa, s.measured_lambda[0])
        for s in LogReader(TableRows(HEADINGS, rows), description).samples()
    ]
    assert odd(rows, engine) == []
    assert all(v == v for s in samples[8:] for v in s)


def test_a_held_value_is_forgotten_in_time() -> None:
    """What was not written for longer than hold_s is not measured."""
    engine = deepcopy(ENGINE)
    engine["log"]["hold_s"] = 1.0
    whole: list[Any] = [0.0, 3000, 50, 9, 80, 20, 14, 0.9, 0.9]
    rows = [whole, [0.9, 3000, *[None] * 7], [1.1, *[None] * 8]]
    reader = LogReader(TableRows(HEADINGS, rows), parse_description(engine))
    found = [(s.speed_rpm, s.map_kpa) for s in reader.samples()]
    assert found[1] == (3000, 50)
    assert found[2][0] == 3000
    assert math.isnan(found[2][1])


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("13:05:07.250", 47107.25),
        ("13:05:07,5", 47107.5),
        ("1:05:07 pm", 47107.0),
        ("12:00:01 a.m.", 1.0),
        ("2026-05-04T13:05:07.250Z", 47107.25),
        ("04.05.2026 13:05:07", 47107.0),
        ("5/4/2026 13:05", 47100.0),
        ("05:07.5", 307.5),
        ("105:07", 6307.0),
        ("17", math.nan),
        ("", math.nan),
    ],
)
def test_clock_times(text: str, seconds: float) -> None:
    """Times of day are read with and without a date, in the usual ways of writing them."""
    assert clock_s(text) == pytest.approx(seconds, nan_ok=True)


@given(st.lists(st.floats(0.001, 40000), min_size=2, max_size=20))
def test_midnight_is_passed(steps: list[float]) -> None:
    """A clock that passes midnight, more than once, gives times that go on."""
    clock, time_s, found, meant = ClockReader(), 0.0, [], []
    for step in steps:
        time_s += step
        of_day = time_s % 86400.0
        hours, rest = divmod(of_day, 3600.0)
        found.append(clock.seconds(f"{int(hours)}:{int(rest // 60):02d}:{rest % 60:09.6f}"))
        meant.append(time_s)
    assert found == pytest.approx(meant, abs=2e-6)


def test_clock_times_become_samples() -> None:
    """A log with dates and times of day gives samples at the right distances."""
    engine = deepcopy(ENGINE)
    engine["log"]["time"]["unit"] = "clock"
    rows = [
        [f"2026-05-04 23:59:{59 + 0.5 * k:06.3f}" if k < 2 else f"2026-05-05 00:00:0{k - 2}.000",
         *row[1:]] for k, row in enumerate(ride()[:4])
    ]  # fmt: skip
    reader = LogReader(TableRows(HEADINGS, rows), parse_description(engine))
    times = [sample.time_us for sample in reader.samples()]
    assert [t - times[0] for t in times] == [0, 500_000, 1_000_000, 2_000_000]


def test_rows_out_of_order_are_refused() -> None:
    """Time that goes back is refused with line and remedy."""
    rows = ride()
    rows[40], rows[41] = rows[41], rows[40]
    with pytest.raises(LogError, match=r"line 43: time goes back, from 2.05 to 2 s: sort the rows"):
        odd(rows)


def two_banks(right: dict[str, Any]) -> dict[str, Any]:
    """Return an engine of two banks whose log has one heading twice."""
    engine = deepcopy(ENGINE)
    engine["bank"] = [{"name": n, "table": f"{n}.csv"} for n in ("left", "right")]
    engine["log"]["bank"] = [{"measured_lambda": {"column": "lambda"}}, {"measured_lambda": right}]
    return engine


def test_two_columns_with_one_heading_are_told_apart() -> None:
    """A heading that stands twice is refused until `nth` says which, and then each bank reads its
    own."""
    headings = (*HEADINGS, "lambda")
    rows = [[*row, 1.1] for row in ride()[:1]]
    engine = two_banks({"column": "lambda"})
    with pytest.raises(LogError, match=r"2 columns 'lambda' \(columns 9 and 10\).*nth = 1"):
        LogReader(TableRows(headings, rows), parse_description(engine))
    engine["log"]["bank"][0]["measured_lambda"]["nth"] = 1
    engine["log"]["bank"][1]["measured_lambda"]["nth"] = 2
    reader = LogReader(TableRows(headings, rows), parse_description(engine))
    (found,) = [list(s.measured_lambda) for s in reader.samples()]
    assert found == [rows[0][8], 1.1]
    engine["log"]["bank"][1]["measured_lambda"]["nth"] = 3
    with pytest.raises(LogError, match="nth = 3"):
        LogReader(TableRows(headings, rows), parse_description(engine))


def test_replay_refuses_another_unit(bench: Path, breathmap: Breathmap) -> None:
    """`replay` of a log in another unit says which and writes nothing, unless it is told to."""
    (bench / "ride.csv").write_text(text_of(changed("lambda", lambda v: 14.7 * v)))
    out = bench / "out"
    order = ("replay", bench / "engine.toml", bench / "ride.csv", "--out", out)
    refused(breathmap(*order), 'unit = "afr"', "take_odd_values = true", "ride.csv")
    assert not out.exists()
    text = (bench / "engine.toml").read_text()
    assert "\ntake_odd_values = false\n" in text
    (bench / "engine.toml").write_text(text.replace("odd_values = false", "odd_values = true"))
    assert breathmap(*order).code == 0


def test_replay_refuses_one_ride_twice(bench: Path, breathmap: Breathmap) -> None:
    """The same ride in a second file, cut and under another clock, is refused; another is not."""
    (bench / "ride.csv").write_text(text_of(ride()))
    (bench / "again.csv").write_text(text_of(ride(1000.0)[200:]))
    (bench / "other.csv").write_text(text_of(ride(0.0, 0.3)))
    order = ("replay", bench / "engine.toml", bench / "ride.csv")
    refused(breathmap(*order, bench / "again.csv", "--out", bench / "a"), "the same ride as")
    assert breathmap(*order, bench / "other.csv", "--out", bench / "b").code == 0
