"""Edits by a person: on record, undoable, evidence apart, and judged by the rule."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration
from numpy.typing import NDArray

from breathmap.protocol.host.calibration import Calibration
from breathmap.tools.cli.main import run
from breathmap.tools.job.edit import smoothed
from breathmap.tools.job.folder import Job
from breathmap.tools.job.records import Edited


def smooth_engine() -> Calibration:
    """An invented engine with as good as a plane for a table: little is left between cells."""
    calibration = made_up_calibration(1, 5, 4)
    rows = [60.0 + 0.4 * round(speed / 400.0 + load / 8.0) for load in calibration.load
            for speed in calibration.speed_rpm]  # fmt: skip
    return replace(calibration, ve_pct=(tuple(round(cell, 1) for cell in rows),))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job of an invented engine that is 5 % lean, learned, proposed and accepted."""
    folder = tmp_path_factory.mktemp("edit")
    path = engine_files(folder / "engine", smooth_engine())
    assert run(["new", str(folder / "job"), "--engine", str(path), "--yes"]) == 0
    for command in ("learn", "propose", "accept"):
        more = [str(folder / "engine/ride.bin")] if command == "learn" else []
        assert run([command, str(folder / "job"), *more]) == 0
    return folder / "job"


@pytest.fixture
def job(made: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    shutil.copytree(made, tmp_path / "job")
    return tmp_path / "job"


def cells_of(job: Path, number: int | None = None) -> NDArray[np.float64]:
    """A table's cells, loads by speeds."""
    found = Job(job).calibration(number)
    return np.array(found.ve_pct[0]).reshape(len(found.load), len(found.speed_rpm))


def inner(job: Path) -> tuple[str, int, int]:
    """The cell that was learned best: as the option takes it, row, column."""
    axes, name = Job(job).description().axes, Job(job).created.banks[0]
    rows = (job / f"proposals/001/{name}-coverage.csv").read_text().splitlines()[1:]
    coverage = np.array([[float(cell) for cell in row.split(",")[1:]] for row in rows])
    row, column = divmod(int(coverage.argmax()), coverage.shape[1])
    return f"{axes.speed_rpm[column]:g},{axes.load[row]:g}", row, column


SAYS = ("--says", "bench log 4, page 2")


def test_an_edit_is_a_table_of_its_own_and_undo_goes_back(job: Path, breathmap: Breathmap) -> None:
    """One cell richer: a new table, on record with who says so; evidence and earlier tables are
    as they were; history verifies; undo goes back."""
    place, row, column = inner(job)
    before = cells_of(job)
    evidence = {path: path.read_bytes() for path in (job / "passes").rglob("*") if path.is_file()}
    edited = breathmap("edit", job, "--cell", place, "--by", "3", *SAYS)
    assert edited.code == 0, edited.err
    after = cells_of(job)
    assert after[row, column] == pytest.approx(1.03 * before[row, column], abs=0.2)
    changed = np.abs(after - before) > 0.0
    assert changed.sum() == 1
    record = Job(job).latest(Edited)
    assert record is not None
    assert (record.says, record.from_table, record.table) == (SAYS[1], 1, 2)
    assert record.cells[0].before_pct == pytest.approx(before[row, column])
    assert evidence == {path: path.read_bytes() for path in evidence}
    assert "Not ready for use" in edited.out
    assert breathmap("history", job, "--verify").code == 0
    shown = breathmap("history", job).out
    assert SAYS[1] in " ".join(shown.replace("|", " ").split())
    assert breathmap("undo", job).code == 0
    assert (cells_of(job) == before).all()
    assert breathmap("undo", job, "2").code == 0
    assert (cells_of(job) == after).all()


def test_the_rule_says_when_an_edit_leans_out_too_far(job: Path, breathmap: Breathmap) -> None:
    """6 % leaner than what was learned is refused with the probability, and nothing is written;
    with --despite it is done, on record, and the report shows it as edited."""
    place, _, _ = inner(job)
    before = (job / "history.jsonl").read_bytes()
    refused(
        breathmap("edit", job, "--cell", place, "--by", "-6", *SAYS),
        "leaner than target by more than 2 % with a probability of 100 %",
        "--despite",
    )
    assert (job / "history.jsonl").read_bytes() == before
    assert not (job / "tables/002").exists()
    edited = breathmap("edit", job, "--cell", place, "--by", "-6", *SAYS, "--despite", "--json")
    assert edited.code == 0, edited.err
    record = json.loads(edited.out)["records"][-1]
    assert record["despite"] is True
    assert record["cells"][0]["risk"] > 0.9
    assert breathmap("report", job).code == 0
    page = (job / "report.html").read_text("utf-8")
    assert "against the rule" in page
    assert SAYS[1] in page
    assert breathmap("history", job, "--verify").code == 0


def test_a_small_leaner_edit_within_the_errors_is_taken(job: Path, breathmap: Breathmap) -> None:
    """Half a per cent leaner where it was learned well breaks no rule."""
    place, _, _ = inner(job)
    edited = breathmap("edit", job, "--cell", place, "--by", "-0.6", *SAYS)
    assert edited.code == 0, edited.err
    record = Job(job).latest(Edited)
    assert record is not None
    assert not record.despite
    assert record.cells[0].risk is not None
    assert record.cells[0].risk < 0.05


def test_a_region_is_held_and_a_spreadsheet_is_read_back(
    job: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """--hold brings a region back to the table before; a file brings the cells that differ."""
    axes = Job(job).description().axes
    region = f"{axes.speed_rpm[0]:g}-{axes.speed_rpm[1]:g},{axes.load[0]:g}-{axes.load[-1]:g}"
    accepted, start = cells_of(job), cells_of(job, 0)
    held = breathmap("edit", job, "--region", region, "--hold", *SAYS, "--despite")
    assert held.code == 0, held.err
    after = cells_of(job)
    assert (after[:, :2] == start[:, :2]).all()
    assert (after[:, 2:] == accepted[:, 2:]).all()

    name = Job(job).created.banks[0]
    text = (job / f"tables/002/{name}.csv").read_text()
    rows = [line.split(",") for line in text.splitlines()]
    rows[2][3] = f"{float(rows[2][3]) + 4.0:g}"
    # As a spreadsheet on another continent saves it.
    sheet = tmp_path / "edited.csv"
    sheet.write_text("\n".join(";".join(c.replace(".", ",") for c in row) for row in rows))
    edited = breathmap("edit", job, "--table", sheet, *SAYS)
    assert edited.code == 0, edited.err
    assert (np.abs(cells_of(job) - after) > 0.0).sum() == 1
    refused(breathmap("edit", job, "--table", sheet, *SAYS), "nothing changes by this edit")


def test_smoothing_follows_the_cells_around() -> None:
    """A spike on a plane, or at its corner, becomes the plane; other cells are never touched."""
    plane = np.add.outer(2.0 * np.arange(5), 3.0 * np.arange(6)) + 50.0
    for place in ((2, 3), (0, 0)):
        spiky, mask = plane.copy(), np.zeros(plane.shape, bool)
        spiky[place] += 20.0
        mask[place] = True
        assert smoothed(spiky, mask) == pytest.approx(plane)
        mask[:] = True
        assert (smoothed(spiky, mask) == spiky).all()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--cell", "2000,50", "--by", "1"], "--says TEXT"),
        (["--cell", "9,9", "--by", "1", *SAYS], "--cell 9,9"),
        (["--region", "up", "--by", "1", *SAYS], "give speeds and loads as"),
        (["--region", "1-2,1-2", "--by", "1", *SAYS], "no cell of the table lies in it"),
        (["--cell", "2000,50", *SAYS], "give one of --ve"),
        (["--by", "1", *SAYS], "give one of --cell"),
        (["--cell", "2000,50", "--ve", "500", *SAYS], "stores"),
        (["--cell", "2000,50", "--by", "1", "--bank", "none", *SAYS], "there is no bank none"),
        (["--cell", "2000,50", "--by", "0", *SAYS], "nothing changes"),
    ],
)
def test_what_cannot_be_edited_is_refused(
    job: Path, breathmap: Breathmap, options: list[str], said: str
) -> None:
    """One line, and nothing written."""
    before = (job / "history.jsonl").read_bytes()
    refused(breathmap("edit", job, *options), said)
    assert (job / "history.jsonl").read_bytes() == before


def test_nothing_learned_allows_no_leaning_out(tmp_path: Path, breathmap: Breathmap) -> None:
    """In a job without a pass 5 % leaner is refused, and richer is taken."""
    path = engine_files(tmp_path / "engine", made_up_calibration(1, 5, 4))
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", path, "--yes").code == 0
    refused(breathmap("edit", job, "--cell", "2000,50", "--by", "-5", *SAYS), "nothing was learned")
    assert breathmap("edit", job, "--cell", "2000,50", "--by", "5", *SAYS).code == 0
    refused(breathmap("edit", job, "--cell", "2000,50", "--by", "-50", *SAYS), "leaner by 47")


@pytest.mark.parametrize("region", ["1..2-3000,20-90", "1.2.3-3000,20-90", "1-2", "²-3,4-5", ""])
def test_a_region_that_is_none_is_one_line(job: Path, breathmap: Breathmap, region: str) -> None:
    """Whatever was typed."""
    refused(breathmap("edit", job, "--region", region, "--by", "1", *SAYS), "--region")


def test_many_small_edits_are_judged_as_one(tmp_path: Path, breathmap: Breathmap) -> None:
    """Where nothing was learned, a cell that may be leaned out by 2 % once may not be by 2 % five
    times; richer and back again is no leaning."""
    path, job = engine_files(tmp_path / "engine", smooth_engine()), tmp_path / "job"
    assert breathmap("new", job, "--engine", path, "--yes").code == 0
    axes = Job(job).description().axes
    words = ("edit", job, "--cell", f"{axes.speed_rpm[2]:g},{axes.load[1]:g}", *SAYS)
    assert breathmap(*words, "--by", "3").code == 0
    assert breathmap(*words, "--hold").code == 0
    codes = [breathmap(*words, "--by", "-1.2").code for _ in range(5)]
    assert codes[0] == 0
    assert codes[-1] == 2
    refused(breathmap(*words, "--by", "-1.2"), "nothing was learned there", "--despite")
