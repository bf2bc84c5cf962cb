"""What the report's tests share: an output folder that a replay wrote."""

import shutil
from pathlib import Path

import pytest

from breathmap.tools.cli.main import run
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.report.write import write_report


@pytest.fixture(scope="session")
def replayed(recording: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output folder of a replay of two minutes on the road, with a note."""
    folder = tmp_path_factory.mktemp("report")
    engine = write_college(folder / "bench", *college_bench())
    out = folder / "out"
    assert run(["replay", str(engine), str(recording), "--out", str(out)]) == 0
    (out / "notes.csv").write_text("time,learned_s,note\n2025-01-01 12:00,3.0,<b>plugs</b>\n")
    return out


@pytest.fixture
def output(replayed: Path, tmp_path: Path) -> Path:
    """A copy of that folder, to be spoiled."""
    return Path(shutil.copytree(replayed, tmp_path / "out"))


@pytest.fixture(scope="session")
def written(replayed: Path) -> Path:
    """The report of that folder, written once for all who only look at it."""
    path, _ = write_report(replayed, replayed.parent / "looked-at.html")
    return path
