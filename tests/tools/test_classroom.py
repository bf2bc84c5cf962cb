"""Exercises for a class: what is hidden stays hidden, and marks say what was done."""

import json
import re
import shutil
from pathlib import Path

import pytest
from checkout import ROOT
from classroom_bench import WORD, answer, answer_tables, work_level_1, work_level_3, work_level_5
from hypothesis import given, settings
from hypothesis import strategies as st

from breathmap.protocol.wire.control_fields import ANSWER as ANSWER_FRAME
from breathmap.protocol.wire.control_fields import NOT_WRITABLE, REQUEST, SEND_AXES
from breathmap.protocol.wire.device import build_frame, pack_payload, unpack_payload
from breathmap.simulator.faults import FAULTS
from breathmap.tools.classroom.engine import prepare_exercise, rides_in
from breathmap.tools.classroom.exercise import (
    ANSWER,
    BENCH,
    LEVELS,
    draw,
    hidden_in,
    named_faults,
)
from breathmap.tools.classroom.marking import WEIGHTS, Mark, mark
from breathmap.tools.classroom.new import make_exercise
from breathmap.tools.classroom.sealed import SealError, seal, unseal
from breathmap.tools.cli.main import run
from breathmap.tools.job.folder import Job
from breathmap.tools.report.words import CAUTIONS

README = ROOT / "tools" / "classroom" / "README.md"


# A seal is slow by intention.
@settings(max_examples=5, deadline=None)
@given(st.dictionaries(st.text(max_size=8), st.integers() | st.text(max_size=20), max_size=4))
def test_a_seal_opens_with_its_word_alone(values: dict[str, object]) -> None:
    """What was sealed comes back with its word, with no other, and not after damage."""
    text = seal(values, WORD)
    assert unseal(text, WORD) == values
    with pytest.raises(SealError, match="another"):
        unseal(text, "wren")
    head, body = text.split("\n", 1)
    at = body[0]
    with pytest.raises(SealError):
        unseal(f"{head}\n{'A' if at != 'A' else 'B'}{body[1:]}", WORD)


@pytest.mark.parametrize(
    "text", ["", "hello\n", "breathmap sealed 1\n", "breathmap sealed 1\n***\n",
             "breathmap sealed 1\nQUJD\n"],
)  # fmt: skip
def test_what_is_no_seal_is_told(text: str) -> None:
    """Text that was never sealed is refused, whatever it is."""
    with pytest.raises(SealError):
        unseal(text, WORD)


def test_an_exercises_controller_takes_no_axes(tmp_path: Path) -> None:
    """Marks compare tables on the axes that all begin with, so there are no others."""
    make_exercise(tmp_path / "one", 1, 1, WORD)
    server = prepare_exercise(tmp_path / "one", "standing", 1.0, 1).bench.server
    asking = {"action": SEND_AXES, "table": 0, "bank": 0, "row": 0}
    server.feed(build_frame(REQUEST.number, 0, 0, pack_payload(REQUEST, asking)))
    ((number, payload),) = server.answers(0)
    assert number == ANSWER_FRAME.number
    assert unpack_payload(ANSWER_FRAME, payload)["outcome"] == NOT_WRITABLE


@pytest.mark.parametrize("level", LEVELS)
def test_an_exercise_hides_its_truth(tmp_path: Path, level: int) -> None:
    """A level has its count of faults, drawn by the seed and named on its sheet among others; no
    clear file names what is hidden, and the sheet's cautions come before its task."""
    folder = tmp_path / "one"
    hidden = make_exercise(folder, level, 7, WORD)
    assert hidden == draw(level, 7) == hidden_in(folder, ANSWER, WORD)
    assert len(hidden.faults) == LEVELS[level].faults
    for one in hidden.faults:
        assert one.name in named_faults()
        kind = FAULTS[one.name]
        assert (one.bank is not None) == kind.per_bank
        assert kind.low <= one.size <= kind.high
        assert all(one.name not in p.read_text() for p in folder.iterdir() if p.suffix != ".html")
    sheet = (folder / "worksheet.html").read_text()
    assert all(sheet.index(line[:40]) < sheet.index("What to do") for line in CAUTIONS)
    assert "@media print" in sheet
    assert "<script" not in sheet
    assert "7" not in re.sub("[^0-9]+", " ", (folder / "answers.toml").read_text()).split()


def test_many_exercises_can_be_ridden() -> None:
    """Whatever is drawn is an engine that can be built, with faults that do not stand in each
    other's way."""
    for level in LEVELS:
        for seed in range(12):
            hidden = draw(level, seed)
            assert hidden.controller().read_ve(0)
            assert [one.acting().name for one in hidden.faults] or not LEVELS[level].faults
            banks = [one.bank for one in hidden.faults if one.bank is not None]
            assert len(banks) == len(set(banks))


def test_a_fault_that_is_named_is_put_right(tmp_path: Path) -> None:
    """A fault named in the answers acts no more, also by the name that diagnose gives it; one that
    is not there changes nothing, nor does the other bank."""
    folder = tmp_path / "one"
    hidden = make_exercise(folder, 5, 1, WORD)
    assert [str(one) for one in hidden.faults] == ["misfire (left)", "dead-time-wrong"]

    def left() -> list[str]:
        return [one.name for one in prepare_exercise(folder, "road", 1.0, 1).bench.faults]

    assert left() == ["misfire", "dead-time-wrong"]
    answer(folder, '[[fault]]\nname = "misfire"\nbank = "right"\n')
    answer(folder, '[[fault]]\nname = "exhaust-leak"\nbank = "left"\n')
    assert left() == ["misfire", "dead-time-wrong"]
    answer(folder, '[[fault]]\nname = "Dead-Time"\n[[fault]]\nname = "misfire"\nbank = "left"\n')
    assert left() == []
    result = mark(folder, WORD)
    assert (len(result.found), result.missed, len(result.false)) == (2, [], 2)
    assert result.parts["faults"] == 0.0


@pytest.fixture(scope="module")
def level_1(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first worked exercise."""
    folder = tmp_path_factory.mktemp("class") / "anna"
    work_level_1(folder)
    return folder


def row_of(result: Mark, seed: int) -> list[str]:
    """A worked exercise's line in the teacher's page."""
    parts = [f"{result.parts[name]:.0f}" if name in result.parts else "-" for name in WEIGHTS]
    errors = [f"{result.start_pct:.1f} %", f"{result.error_pct:.1f} %"]
    head = [f"{result.level}, {seed}", f"{result.points:.0f}"]
    return [*head, *parts, *errors, str(len(result.false))]


def check_row(result: Mark, seed: int) -> None:
    """Hold a mark to the teacher's page."""
    rows = [line.strip("| ").split(" | ") for line in README.read_text().splitlines()]
    row = row_of(result, seed)
    documented = next((r for r in rows if r[0] == row[0]), None)
    assert documented is not None, f"{README} lacks | {' | '.join(row)} |"
    for got, said in zip(row[1:], documented[1:], strict=True):
        if got != said:
            near = 0.3 if "%" in got else 2.0
            assert float(got.strip(" %")) == pytest.approx(float(said.strip(" %")), abs=near), row


def test_the_first_worked_exercise(level_1: Path) -> None:
    """Tables learned from brake and road, well within the goal: the marks are those told."""
    result = mark(level_1, WORD)
    check_row(result, 1)
    assert result.error_pct < LEVELS[1].goal_pct < result.start_pct
    assert [step.minutes for step in result.curve] == [0.0, pytest.approx(19.3, abs=0.2)]
    assert result.curve[0].error_pct == result.start_pct
    assert result.put_back is None
    assert result.fuel_g > 100.0
    assert len(rides_in(level_1)) == 1


def test_the_second_worked_exercise(tmp_path: Path) -> None:
    """The stuck sensor is named by diagnose, put right, and the tables end near the truth with the
    set-up put back: the marks are those told."""
    named = work_level_3(tmp_path / "ben")
    assert ("sensor-stuck", "right") in named
    result = mark(tmp_path / "ben", WORD)
    check_row(result, 4)
    assert (result.found, result.false, result.put_back) == (["sensor-stuck (right)"], [], True)
    assert result.error_pct < 0.5 * result.start_pct
    # What the job says of itself agrees.
    assert not Job(tmp_path / "ben" / "job").closing_line()[1]
    answer_job = (tmp_path / "ben" / "answers.toml").read_text().replace('job = ""', 'job = "job"')
    (tmp_path / "ben" / "answers.toml").write_text(answer_job)
    assert mark(tmp_path / "ben", WORD).error_pct == result.error_pct


def test_the_third_worked_exercise(tmp_path: Path) -> None:
    """One fault found, a look-alike named for the other, the set-up left in: each costs what is
    told."""
    named = work_level_5(tmp_path / "cleo")
    assert ("misfire", "left") in named
    result = mark(tmp_path / "cleo", WORD)
    check_row(result, 1)
    assert result.found == ["misfire (left)"]
    assert result.missed == ["dead-time-wrong"]
    assert result.false == ["map-offset"]
    assert result.put_back is False
    assert result.parts["faults"] == result.parts["set-up"] == 0.0


def test_a_class_of_twenty_in_one_command(
    level_1: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Twenty are marked in one command, on screen, as JSON and as one page without any script; a
    folder that cannot be read is told and keeps nobody else's marks back."""
    folders = [tmp_path / f"pupil-{number}" for number in range(20)]
    for folder in folders:
        shutil.copytree(level_1, folder, ignore=shutil.ignore_patterns("*.bin", "trace.json"))
    answer(folders[3], '\nnonsense = "["\n')
    page = tmp_path / "class.html"
    order = ["exercise", "mark", *map(str, folders), "--word", WORD]
    assert run([*order, "--out", str(page), "--json"]) == 2
    said = capsys.readouterr()
    found = json.loads(said.out)
    assert len(found["marks"]) == 19
    assert [one["folder"] for one in found["failed"]] == [str(folders[3])]
    assert "not marked: " in said.err
    text = page.read_text()
    assert text.count("<svg") == 19
    assert "<script" not in text
    assert "pupil-3: extra" not in text
    assert "Could not be marked" in text
    assert run(["exercise", "mark", *map(str, folders[:2]), "--word", WORD]) == 0
    assert "pupil-1" in capsys.readouterr().out


def test_who_did_nothing_has_put_nothing_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder handed in as it was made gets no point, though its set-up is as it was found."""
    folder = tmp_path / "idle"
    assert run(["exercise", "new", str(folder), "--level", "2", "--seed", "1", "--word", WORD]) == 0
    capsys.readouterr()
    assert run(["exercise", "mark", str(folder), "--word", WORD, "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["marks"]
    assert found["points"] == 0
    assert found["put_back"] is False


def test_an_exercise_is_ridden_into_a_log_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By its suffix, as every simulated drive is; the ride is written down."""
    folder, log = tmp_path / "logged", tmp_path / "ride.csv"
    assert run(["exercise", "new", str(folder), "--level", "1", "--seed", "1", "--word", WORD]) == 0
    order = ["--drive", "road", "--minutes", "0.2", "--out", str(log)]
    assert run(["simulate", "--exercise", str(folder), *order]) == 0
    assert log.read_text("utf-8").startswith("time")
    assert (folder / "rides.jsonl").read_text("utf-8").count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["exercise", "new", "HERE", "--level", "1", "--word", "x"], "not empty"),
        (["exercise", "new", "NEW", "--level", "1", "--word", " "], "is empty"),
        (["exercise", "new", "NEW", "--level", "6", "--word", "x"], "level"),
        (["exercise", "new", "NEW", "--level", "1"], "--word"),
        (["exercise", "mark", "HERE", "--word", "wren"], "the word is another"),
        (["exercise", "mark", "NOWHERE", "--word", "x"], "is no exercise"),
        (["simulate", "--exercise", "NOWHERE"], "is no exercise"),
        (["simulate", "--exercise", "HERE", "--faults", "misfire"], "leave out"),
        (["simulate", "--exercise", "HERE", "--drive", "moon", "--out", "NEW"], "no drive 'moon'"),
    ],
)
def test_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    """What is wrong is said in one line with exit code 2, and nothing is made."""
    make_exercise(tmp_path / "here", 1, 1, WORD)
    before = {path: path.read_bytes() for path in (tmp_path / "here").iterdir()}
    stands = {name: str(tmp_path / name.lower()) for name in ("HERE", "NEW", "NOWHERE")}
    assert run([stands.get(one, one) for one in arguments]) == 2
    error = capsys.readouterr().err.strip().splitlines()
    assert len(error) == 1
    assert says in error[0]
    assert {p: p.read_bytes() for p in (tmp_path / "here").iterdir()} == before
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ('pupil = "again"\n', "answers.toml"),
        ('[[fault]]\nname = "gremlins"\n', "there is no fault 'gremlins'"),
        ('[[fault]]\nname = "misfire"\n', "bank must be left or right"),
        ('colour = "red"\n', "colour"),
    ],
)
def test_answers_that_are_none(tmp_path: Path, what: str, says: str) -> None:
    """What a pupil has filled in wrongly is told with the file and the line or key."""
    folder = tmp_path / "one"
    make_exercise(folder, 3, 1, WORD)
    answer(folder, what)
    with pytest.raises(Exception, match=says):
        mark(folder, WORD)


def test_tables_and_rides_that_are_none(tmp_path: Path) -> None:
    """Tables that are missing, too few, or a job that is none are told; so is a damaged log of
    rides or controller."""
    folder = tmp_path / "one"
    make_exercise(folder, 1, 1, WORD)
    clear = (folder / "answers.toml").read_text()
    for tables, says in (('["a.csv"]', "must name 2 files"), ('["a.csv", "b.csv"]', "a.csv")):
        answer_tables(folder, tables)
        with pytest.raises(Exception, match=says):
            mark(folder, WORD)
        (folder / "answers.toml").write_text(clear)
    (folder / "answers.toml").write_text(clear.replace('job = ""', 'job = "none"'))
    with pytest.raises(Exception, match="is no job"):
        mark(folder, WORD)
    (folder / "answers.toml").write_text(clear)
    (folder / "rides.jsonl").write_text('{"minutes": 1}\n')
    with pytest.raises(Exception, match=r"rides.jsonl, line 1"):
        mark(folder, WORD)
    (folder / BENCH).write_text("hello\n")
    with pytest.raises(Exception, match="cannot be opened"):
        prepare_exercise(folder, "road", 1.0, 1)
