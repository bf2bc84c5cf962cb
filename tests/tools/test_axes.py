"""`breathmap axes`: from files to advice, to a folder for a new job; and its bench."""

import json
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command_line import Breathmap, refused
from job_bench import coarse_ride
from rich.console import Console

from breathmap.learner.axes.advice import NOT_WORTH_IT, WORTH_IT
from breathmap.learner.axes.grid import Grid
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.truth import on_grid, random_truth
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.bench.axes import Made, Score, best_left, summarise


@pytest.fixture(scope="module")
def advised(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The college's twin on few breakpoints, a minute of brake, and what was said of that."""
    from typer.testing import CliRunner

    from breathmap.tools.cli.main import app

    folder = tmp_path_factory.mktemp("axes")
    engine, ride = coarse_ride(folder, 4)
    asked = CliRunner().invoke(
        app, ["axes", str(engine), str(ride), "--json", "--to", str(folder / "new")]
    )
    assert asked.exit_code == 0, asked.output
    return folder, json.loads(asked.stdout)


def test_advice_has_every_number_with_its_error(advised: tuple[Path, dict[str, Any]]) -> None:
    """What is left, the worst, and every gain stand with standard errors and a verdict."""
    advice = advised[1]
    for choice in (advice["present"], advice["best"], *advice["one_more"], *advice["curve"]):
        for key in ("rms", "gain", "worst"):
            assert choice[key]["standard_error_pct"] >= 0.0
        assert choice["verdict"] in ("worth it", "not worth it", "cannot tell yet")
    assert {cost["axis"] for cost in advice["by_axis"]} == {"speed", "load"}
    assert len(advice["best"]["speed_rpm"]) == len(advice["present"]["speed_rpm"]) == 5
    assert advice["present"]["gain"]["pct"] == 0.0
    assert 0.0 < advice["known_pct"] < 5.0


def test_the_new_folder_is_an_engine_on_the_advised_axes(
    advised: tuple[Path, dict[str, Any]],
) -> None:
    """Its description and tables can be read, and say what to do by hand."""
    folder, advice = advised
    path = folder / "new" / "engine.toml"
    description = read_description(path)
    assert description.axes.speed_rpm == advice["best"]["speed_rpm"]
    tables = read_tables(path, description)
    assert all(30.0 < cell <= 102.0 for cells in tables for cell in cells)
    assert json.loads((path.parent / "axes.json").read_text()) == advice
    to_do = (path.parent / "to-do.md").read_text()
    assert "do not run the engine" in to_do
    assert "ready" not in to_do


def test_what_cannot_be_advised_is_refused(breathmap: Breathmap, bench: Path) -> None:
    """No recordings, a folder that is there, evidence of a board or a job with files: one line."""
    refused(breathmap("axes", bench), "give recordings of this engine")
    refused(breathmap("axes", bench, bench, "--to", bench.parent), "exists; give a new folder")
    refused(breathmap("axes", bench, bench.parent / "none.bin"), "no such file")


def test_the_bench_knows_what_axes_themselves_leave() -> None:
    """Of a truth that is bilinear on them its own axes leave nothing, others something, and those
    with one more breakpoint never more."""
    rng = np.random.default_rng(1)
    at = rng.uniform(1500.0, 6000.0, 2000), rng.uniform(30.0, 95.0, 2000)
    truth = on_grid(random_truth(3), TWIN_AXES)
    own = Grid(TWIN_AXES.speed_rpm, TWIN_AXES.load_kpa)
    coarse = Grid(own.speed_rpm[::2], own.load)
    more = Grid(tuple(sorted({*coarse.speed_rpm, own.speed_rpm[3]})), own.load)
    left = [best_left(truth, 0, grid, *at) for grid in (own, more, coarse)]
    assert left[0] < 1e-6
    assert left[0] < left[1] < left[2]


def test_the_bench_counts_banks_that_got_worse_by_each_table() -> None:
    """Worse, and worse by more than the stated error, are told of what is stored, of those worth it
    and of the axes themselves."""
    present = Made([0.20, 0.20], [0.20, 0.20], [0.20, 0.20])
    better = Made([0.11, 0.21], [0.10, 0.10], [0.06, 0.10])
    worse = Made([0.40, 0.11], [0.10, 0.10], [0.10, 0.24])
    scores = [
        Score(10.0, present, better, None, 0.1, 0.02, 0.1, WORTH_IT),
        Score(10.0, present, worse, None, 0.3, 0.02, 0.1, NOT_WORTH_IT),
    ]
    console = Console(width=100, record=True, file=StringIO())
    summarise(scores, console)
    rows = [line.replace("│", "").split() for line in console.export_text().splitlines()]
    shown = {" ".join(row[1:3]): row[3:] for row in rows if row and row[0] == "10"}
    assert shown["as stored"] == ["0.200", "0.160", "0.80", "2.00", "2", "of", "4", "1"]
    assert shown["worth it"] == ["0.200", "0.160", "0.80", "1.05", "1", "of", "2", "0"]
    assert shown["best 0.200"] == ["0.100", "0.50", "1.20", "1", "of", "4", "1"]
    assert shown["1 of"] == ["2", "2.00", "1", "0"]
