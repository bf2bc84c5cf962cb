"""Tables with a slip in them, or cut short: questioned by `check` and `new`, and no other."""

import json
import math
from pathlib import Path

import pytest
from command_line import Breathmap, refused
from hypothesis import given
from hypothesis import strategies as st

from breathmap.learner.words.far_cells import far_cells
from breathmap.tools.demo.teaching_bench import college_bench

SPEED = [1000.0, 1500.0, 2500.0, 4000.0, 6000.0]
LOAD = [20.0, 35.0, 60.0, 100.0]


@given(
    base=st.floats(20.0, 90.0),
    by_speed=st.floats(-0.5, 0.5),
    by_load=st.floats(-1.5, 1.5),
    at=st.integers(0, 19),
    times=st.sampled_from([0.09, 0.2, 0.5, 2.2, 10.0, 100.0]),
)
def test_one_wrong_cell_is_found_alone(
    base: float, by_speed: float, by_load: float, at: int, times: float
) -> None:
    """In a smooth table, however steep, the one cell that is far off is found, and no other."""
    cells = [
        base * math.exp(by_speed * n / 6000.0 + by_load * p / 100.0) for p in LOAD for n in SPEED
    ]
    assert far_cells(SPEED, LOAD, cells) == []
    slope = math.exp(abs(by_load) * 0.4 + abs(by_speed) * 0.34)
    if not 1.6 * slope < max(times, 1.0 / times):
        return

    cells[at] *= times
    (found,) = far_cells(SPEED, LOAD, cells)

    assert (found.speed_rpm, found.load) == (SPEED[at % 5], LOAD[at // 5])
    assert found.value == cells[at]


def test_the_college_s_tables_are_not_questioned() -> None:
    """The invented bench's starting tables, wrong by 8 %, hold no such cell."""
    parameters, controller = college_bench()
    axes = controller.axes
    for bank in range(parameters.banks):
        assert far_cells(axes.speed_rpm, axes.load_kpa, controller.read_ve(bank)) == []


@pytest.fixture
def cut(bench: Path) -> Path:
    """The bench with one table cut within its last number: 7 of 77.5."""
    path = bench.parent / "left.csv"
    text = path.read_text().rstrip()
    path.write_text(text[: text.rindex(",") + 2])
    return bench


def test_check_questions_a_table_cut_short(breathmap: Breathmap, cut: Path) -> None:
    """`check` names the cell, what it holds and what is near it, and the missing line end."""
    ended = breathmap("check", cut)
    warned = json.loads(breathmap("check", cut, "--json").out)["warnings"]

    assert ended.code == 0
    for line in warned:
        assert line in ended.out
    warned = [line for line in warned if "whole step" not in line]
    assert len(warned) == 2
    assert "left: the cell at 7500 rpm, 105 kPa holds VE " in warned[0]
    assert "what is near it" in warned[0]
    assert "left.csv: it does not end with a line end" in warned[1]


@pytest.mark.parametrize("as_json", [False, True])
def test_new_asks_for_a_word(breathmap: Breathmap, cut: Path, as_json: bool) -> None:
    """`new` makes no job of such a table until told to take it as it is."""
    job = cut.parent / "job"
    words = ["new", job, "--engine", cut, *(["--json"] if as_json else [])]

    refused(breathmap(*words), "left: the cell at 7500 rpm, 105 kPa holds VE ", "--yes")
    assert not job.exists()

    taken = breathmap(*words, "--yes")
    assert taken.code == 0
    assert "7500 rpm, 105 kPa" in taken.out + taken.err
    assert job.is_dir()


def test_new_asks_about_tables_alone(breathmap: Breathmap, cut: Path) -> None:
    """So it does for tables that come without a description."""
    job, tables = cut.parent / "job", [cut.parent / f"{name}.csv" for name in ("left", "right")]
    words = ["new", job, "--table", tables[0], "--table", tables[1], "--displacement", 689]

    refused(breathmap(*words), "left: the cell at 7500 rpm, 105 kPa", "--yes")
    assert breathmap(*words, "--yes").code == 0


def test_a_missing_line_end_alone_is_only_told(breathmap: Breathmap, bench: Path) -> None:
    """A table that only lacks its last line end is taken, with a caution."""
    path = bench.parent / "left.csv"
    path.write_text(path.read_text().rstrip())

    ended = breathmap("new", bench.parent / "job", "--engine", bench)

    assert ended.code == 0
    assert "left.csv: it does not end with a line end" in ended.out
