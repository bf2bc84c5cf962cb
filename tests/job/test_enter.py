"""Tables for controllers without our protocol: out as text and as a list, and read back."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration

from breathmap.tools.cli.main import run
from breathmap.tools.job.enter import Form, as_list, as_text, changes
from breathmap.tools.job.folder import Job
from breathmap.tools.job.named import Named, of_proposal, of_table

NEW = Named(
    "left, proposal 1", [1000.0, 2000.0, 4500.0], [20.0, 60.0, 100.0],
    np.array([[60.0, 70.4, 80.0], [65.2, 75.2, 85.2], [70.0, 80.0, 90.0]]),
    None, "proposal 1", "left", step_pct=0.4,
)  # fmt: skip
OLD = Named(
    "left, table 0", NEW.speed_rpm, NEW.load,
    np.array([[60.0, 70.0, 80.0], [65.2, 75.2, 84.4], [70.0, 80.0, 88.4]]),
    None, "table 0", "left", step_pct=0.4,
)  # fmt: skip


def test_the_text_is_what_a_controllers_own_table_shows() -> None:
    """Tabs between cells; either load first; decimal point or comma; with axes where asked."""
    assert as_text(NEW, Form()).splitlines() == [
        "60.0\t70.4\t80.0",
        "65.2\t75.2\t85.2",
        "70.0\t80.0\t90.0",
    ]
    lines = as_text(NEW, Form("high-first", "comma", axes=True)).splitlines()
    assert lines[0] == "\t1000\t2000\t4500"
    assert lines[1] == "100,0\t70,0\t80,0\t90,0"
    assert lines[-1] == "20,0\t60,0\t70,4\t80,0"


@pytest.mark.parametrize(("step", "said"), [(0.4, "70.4"), (1.0, "70"), (0.25, "70.40")])
def test_every_step_can_be_seen(step: float, said: str) -> None:
    """As many decimals as the controller's step has, and no more."""
    table = Named("", NEW.speed_rpm, NEW.load, NEW.cells, step_pct=step)
    assert said in as_text(table, Form()).split()


def test_only_what_changes_is_to_be_typed_in_from_the_top() -> None:
    """Row by row from the controller's first row, left to right, old and new."""
    low = changes(NEW, OLD, Form())
    assert [(one["row"], one["column"]) for one in low] == [(1, 2), (2, 3), (3, 3)]
    high = changes(NEW, OLD, Form(loads="high-first"))
    assert [(one["row"], one["column"], one["load"]) for one in high] == [
        (1, 3, 100.0),
        (2, 3, 60.0),
        (3, 2, 20.0),
    ]
    text = as_list(NEW, OLD, Form("high-first", "comma"))
    assert "3 of 9 cells change; row 1 is the highest load" in text
    assert "[ ] column  3, 4500 rpm: 88,4 -> 90,0" in text


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job of an invented engine on two banks, 5 % off, with a proposal that is not accepted."""
    folder = tmp_path_factory.mktemp("enter")
    path = engine_files(folder / "engine", made_up_calibration(2, 5, 4))
    assert run(["new", str(folder / "job"), "--engine", str(path), "--yes"]) == 0
    assert run(["learn", str(folder / "job"), str(folder / "engine/ride.bin")]) == 0
    assert run(["propose", str(folder / "job")]) == 0
    return folder / "job"


@pytest.fixture
def job(made: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    shutil.copytree(made, tmp_path / "job")
    return tmp_path / "job"


def exported(job: Path, folder: Path) -> list[Path]:
    """What a controller would export of the proposal: transposed, highest load first, comma."""
    folder.mkdir(exist_ok=True)
    paths = []
    for table in of_proposal(Job(job)):
        rows = [[*(f"{p:g}" for p in reversed(table.load))]]
        rows = [["", *rows[0]]]
        for column, speed in enumerate(table.speed_rpm):
            cells = [f"{c:.1f}".replace(".", ",") for c in table.cells[::-1, column]]
            rows.append([f"{speed:g}", *cells])
        paths.append(folder / f"{table.bank}.csv")
        paths[-1].write_text("\n".join(";".join(row) for row in rows) + "\n")
    return paths


def test_what_was_pasted_is_found_in_the_controller(
    job: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """However the controller exports it, the verdict is that it holds the proposal; nothing says
    that the vehicle is ready."""
    paths = exported(job, tmp_path / "out")
    compared = breathmap("compare", job, *paths)
    assert compared.code == 0, compared.err
    assert compared.out.count("the controller holds what was proposed (proposal 1)") == 2
    assert "Only VE tables were compared" in compared.out
    assert "Not ready for use" in compared.out
    assert "is ready" not in compared.out
    assert breathmap("accept", job).code == 0
    assert breathmap("compare", job, *paths).out.count("the controller holds table 1,") == 2


def test_a_proposal_that_nobody_entered_is_not_held(
    job: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """The controller holds the job's present table to the digit, and a proposal waits: what `enter`
    shows is not in it, and that is said, with exit code 1."""
    paths = []
    for number, table in enumerate(of_table(Job(job), 0), start=1):
        paths.append(tmp_path / f"old-{number}.csv")
        shutil.copy(job / "start" / f"{table.bank}.csv", paths[-1])
    compared = breathmap("compare", job, *paths)
    assert compared.code == 1
    said = " ".join((compared.out + compared.err).split())
    assert said.count("does not hold what was proposed (proposal 1)") == 2
    assert said.count("it still holds table 0, from before the proposal") == 2
    assert breathmap("compare", f"{job}:0", *paths).code == 0


def test_cells_that_were_not_typed_in_are_listed(
    job: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """One cell as it was before: exit code 1, and the cell with both values."""
    paths = exported(job, tmp_path / "out")
    proposed, before = of_proposal(Job(job))[0], of_table(Job(job), 0)[0]
    places = np.argwhere(np.abs(proposed.cells - before.cells) > 0.5)
    row, column = (int(n) for n in places[0])
    lines = paths[0].read_text().splitlines()
    cells = lines[1 + column].split(";")
    cells[len(proposed.load) - row] = f"{before.cells[row, column]:.1f}".replace(".", ",")
    lines[1 + column] = ";".join(cells)
    paths[0].write_text("\n".join(lines) + "\n")

    compared = breathmap("compare", job, *paths, "--json")
    assert compared.code == 1
    found = json.loads(compared.out)
    assert not found["held"]
    (wrong,) = found["tables"][0]["differing"]
    assert (wrong["speed_rpm"], wrong["load"]) == (proposed.speed_rpm[column], proposed.load[row])
    assert wrong["wanted_pct"] == pytest.approx(float(proposed.cells[row, column]))
    assert found["tables"][1]["differing"] == []
    assert "does not hold" in breathmap("compare", job, *paths).out
    other = of_proposal(Job(job))[1].bank
    assert breathmap("compare", job, paths[1], "--bank", other).code == 0
    refused(breathmap("compare", job, paths[0]), "more banks than the other; name one with --bank")


def test_enter_shows_and_writes_the_latest_proposal(
    job: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """The text is the proposal's, cell by cell; the files hold both forms; JSON has the changes."""
    table = of_proposal(Job(job))[0]
    entered = breathmap("enter", job, "--bank", table.bank)
    assert entered.code == 0, entered.err
    assert as_text(table, Form()) in entered.out
    data = json.loads(breathmap("enter", job, "--json").out)["tables"]
    assert [one["table"] for one in data] == ["proposal 1", "proposal 1"]
    assert all(one["old_pct"] != one["new_pct"] for one in data[0]["changes"])
    assert breathmap("enter", job, "--out", tmp_path / "two").code == 0
    assert (tmp_path / "two" / f"{table.bank}.txt").read_text() == as_text(table, Form())
    listed = breathmap("enter", job, "--changed").out
    assert f"breathmap compare {job}" in listed
    refused(breathmap("enter", job, "--bank", "none"), "there is no bank none")
    refused(breathmap("enter", job, "--out", tmp_path / "two"), "not empty")


def test_before_a_proposal_there_is_nothing_to_enter(
    made: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A job that has proposed nothing says so."""
    engine = made.parent / "engine/engine.toml"
    assert breathmap("new", tmp_path / "new", "--engine", engine, "--yes").code == 0
    refused_at = breathmap("enter", tmp_path / "new")
    assert refused_at.code == 2
    assert "nothing was proposed yet" in refused_at.err


def test_proposals_passes_and_folders_are_compared_by_name(
    job: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """Two proposals, what a pass found with its errors, an output folder; unknown names are
    refused."""
    assert breathmap("propose", job, "--rule", "cautious").code == 0
    two = breathmap("compare", f"{job}:proposal-1", f"{job}:proposal-2")
    assert two.code == 0, two.err
    assert "proposal 1 -> " in two.out
    found = json.loads(breathmap("compare", f"{job}:0", f"{job}:pass-1", "--json").out)
    change = np.array(found["comparisons"][0]["change_of_fuel_pct"])
    errors = np.array(found["comparisons"][0]["standard_error_pct"])
    assert np.median(change) == pytest.approx(5.0, abs=1.0)
    assert errors.shape == change.shape
    assert (errors > 0.0).all()
    bench = tmp_path / "bench"
    shutil.copytree(job / "start", bench)
    shutil.copy(job / "engine.toml", bench)
    for table in of_proposal(Job(job)):
        shutil.copy(job / f"proposals/002/{table.bank}.csv", bench / f"{table.bank}-proposed.csv")
    same = json.loads(breathmap("compare", f"{job}:proposal", bench, "--json").out)
    assert np.abs(same["comparisons"][0]["change_of_fuel_pct"]).max() == 0.0
    refused(breathmap("compare", f"{job}:0", tmp_path), "is no job, no output folder")
    for name in ("proposal-9", "pass-9", "nothing"):
        assert breathmap("compare", f"{job}:0", f"{job}:{name}").code == 2
