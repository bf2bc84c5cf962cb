"""`breathmap axes`: from files to advice, and to a folder that a new job can begin on."""

import json
from pathlib import Path
from typing import Any

import pytest
from command_line import Breathmap, refused
from job_bench import coarse_ride

from breathmap.tools.base.files import read_description, read_tables


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
    told = advised[1]
    for choice in (told["present"], told["best"], *told["one_more"], *told["curve"]):
        for key in ("rms", "gain", "worst"):
            assert choice[key]["standard_error_pct"] >= 0.0
        assert choice["verdict"] in ("worth it", "not worth it", "cannot tell yet")
    assert {cost["axis"] for cost in told["by_axis"]} == {"speed", "load"}
    assert len(told["best"]["speed_rpm"]) == len(told["present"]["speed_rpm"]) == 5
    assert told["present"]["gain"]["pct"] == 0.0
    assert 0.0 < told["known_pct"] < 5.0


def test_the_new_folder_is_an_engine_on_the_advised_axes(
    advised: tuple[Path, dict[str, Any]],
) -> None:
    """Its description and tables can be read, and say what to do by hand."""
    folder, told = advised
    path = folder / "new" / "engine.toml"
    description = read_description(path)
    assert description.axes.speed_rpm == told["best"]["speed_rpm"]
    tables = read_tables(path, description)
    assert all(30.0 < cell <= 102.0 for cells in tables for cell in cells)
    assert json.loads((path.parent / "axes.json").read_text()) == told
    to_do = (path.parent / "to-do.md").read_text()
    assert "do not run the engine" in to_do
    assert "ready" not in to_do


def test_what_cannot_be_advised_is_refused(breathmap: Breathmap, bench: Path) -> None:
    """No recordings, a folder that is there, evidence of a board or a job with files: one line."""
    refused(breathmap("axes", bench), "give recordings of this engine")
    refused(breathmap("axes", bench, bench, "--to", bench.parent), "exists; give a new folder")
    refused(breathmap("axes", bench, bench.parent / "none.bin"), "no such file")
