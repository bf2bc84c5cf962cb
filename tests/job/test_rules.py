"""The rule of a proposal as a person gives it: by name, in numbers, for high loads; and why."""

import csv
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from job_bench import coarse_ride, diagnosed_once

from breathmap.tools.cli.main import run
from breathmap.tools.job.folder import Job
from breathmap.tools.job.records import Proposed


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A job of the college's bench on few breakpoints that has learned a minute."""
    folder = tmp_path_factory.mktemp("rules")
    engine, ride = coarse_ride(folder, 1)
    job = folder / "job"
    assert run(["new", str(job), "--engine", str(engine)]) == 0
    assert run(["learn", str(job), str(ride)]) == 0
    with diagnosed_once():
        yield job


def proposed(job: Path, *words: str) -> tuple[Proposed, list[dict[str, str]]]:
    """Propose; return the record and the first bank's cells, a row a cell."""
    assert run(["propose", str(job), *words]) == 0
    record = Job(job).all_of(Proposed)[-1]
    path = job / "proposals" / f"{record.proposal:03d}" / "bank1-cells.csv"
    with path.open(encoding="utf-8", newline="") as file:
        return record, list(csv.DictReader(file))


def test_the_rule_is_given_by_name_or_in_numbers(job: Path) -> None:
    """A name and its numbers make the same table, bolder ones a leaner one; what was chosen is on
    record, and each proposal is proved by its own rule."""
    bold, bold_cells = proposed(job, "--rule", "bold")
    numbers, same_cells = proposed(job, "--lean", "3", "--risk", "16")
    careful, cells = proposed(job, "--rule", "cautious")

    assert bold.rules == numbers.rules
    assert bold_cells == same_cells
    assert careful.rules != bold.rules
    pairs = [
        (float(a["ve_after_pct"]), float(b["ve_after_pct"]))
        for a, b in zip(cells, bold_cells, strict=True)
    ]
    assert all(a >= b for a, b in pairs)
    assert any(a > b for a, b in pairs)
    assert run(["history", str(job), "--verify"]) == 0


def test_a_high_load_of_the_description_counts(job: Path) -> None:
    """A load that the engine's description names is on record with the rule, and from it on cells
    are leaned out less, below it the same."""
    usual, before = proposed(job)
    text = (job / "engine.toml").read_text("utf-8")
    (job / "engine.toml").write_text(text.replace("[caution]", "[caution]\nhigh_load = 50.0"))
    try:
        tight, after = proposed(job)
    finally:
        (job / "engine.toml").write_text(text)

    assert (usual.rules.max_change, tight.rules.max_change) == (0.15, 0.15)
    assert getattr(usual.rules, "high_load", 0) is None
    assert getattr(tight.rules, "high_load", 0) == 50.0
    changed = {
        float(a["load"]) for a, b in zip(before, after, strict=True)
        if float(a["ve_after_pct"]) < float(b["ve_after_pct"])
    }  # fmt: skip
    assert changed
    assert min(changed) >= 50.0


def test_a_cell_is_explained_and_nothing_is_proposed(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--cell` gives a cell's numbers and reason, in words and as JSON, and writes nothing."""
    before = (job / "history.jsonl").read_bytes()
    capsys.readouterr()
    assert run(["propose", str(job), "--cell", "4100,71"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "The cell at 4200 rpm, 75 kPa: bank1: " in said
    assert "samples' worth; found " in said
    assert run(["propose", str(job), "--cell", "4200,75", "--json"]) == 0
    explained = json.loads(capsys.readouterr().out)
    assert (explained["speed_rpm"], explained["load"]) == (4200.0, 75.0)
    assert explained["banks"]["bank1"]["standard_error"] > 0.0
    assert (job / "history.jsonl").read_bytes() == before


@pytest.mark.parametrize("place", ["", "4000", "4000,72,1", "9000,72", "4000,7", "nan,72", "a,b"])
def test_a_cell_that_is_none(job: Path, place: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What is no place within the axes is refused with those that are."""
    capsys.readouterr()
    assert run(["propose", str(job), "--cell", place]) == 2
    error = capsys.readouterr().err
    assert "a load from 20 to 105 kPa" in error
    assert error.count("\n") == 1
