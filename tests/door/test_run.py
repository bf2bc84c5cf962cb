"""The public door: data frames and files to tables, with labels."""

import io
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from checkout import ROOT
from log_bench import ENGINE, HEADINGS, engine_folder, ride, text_of
from rich.console import Console

from breathmap.learner import api
from breathmap.tools.base.errors import UserError
from breathmap.tools.logs.export import columns_of

pandas = pytest.importorskip("pandas", reason="the extra `logs` is not installed")
polars = pytest.importorskip("polars", reason="the extra `logs` is not installed")
xarray = pytest.importorskip("xarray", reason="xarray is not installed")


@pytest.fixture
def engine(tmp_path: Path) -> Path:
    """The description of the engine that goes with the made-up ride."""
    return engine_folder(tmp_path) / "engine.toml"


def columns() -> dict[str, list[float]]:
    """Return the made-up ride by columns."""
    return dict(zip(HEADINGS, map(list, zip(*ride(), strict=True)), strict=True))


def structured() -> Any:
    """Return the made-up ride as a structured array."""
    return np.array([tuple(row) for row in ride()], dtype=[(name, "f8") for name in HEADINGS])


SHAPES: dict[str, Any] = {
    "pandas": lambda: pandas.DataFrame(columns()),
    "pandas-by-time": lambda: pandas.DataFrame(columns()).set_index("time"),
    "pandas-timedelta": lambda: pandas.DataFrame(
        {**columns(), "time": pandas.to_timedelta(columns()["time"], unit="s")}
    ),
    "polars": lambda: polars.DataFrame(columns()),
    "structured": structured,
}


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_teaches_the_same(shape: str, engine: Path) -> None:
    """A ride as data frame, array or file gives the same corrections, to the last bit or nearly."""
    log = engine.parent / "ride.csv"
    log.write_text(text_of(ride()))
    run = api.learn(SHAPES[shape](), engine)
    from_file = api.learn(api.read(log, engine), engine)
    assert run.samples == from_file.samples == len(ride())
    found, meant = run.solve()["one"], from_file.solve()["one"]
    assert np.allclose(found.correction, meant.correction, atol=1e-4)
    assert found.correction[found.visited].size > 4


def test_a_recording_is_read_as_it_is_exported(recording: Path, bench: Path) -> None:
    """`read` of a recording gives its samples, and learning them is what `learn_one` does."""
    samples = api.read(recording, bench)
    assert len(samples) == len(columns_of(recording.read_bytes())["time_s"])
    run = api.learn(samples, bench)
    one_by_one = api.Run(bench)
    for sample in api.read_recording(recording.read_bytes()).samples():
        one_by_one.learn_one(sample)
    for name, solution in run.solve().items():
        assert np.array_equal(solution.correction, one_by_one.solve()[name].correction)


def test_labels(engine: Path) -> None:
    """Cells come with their loads and speeds, in pandas and in xarray alike."""
    run = api.learn(SHAPES["pandas"](), engine)
    frame, dataset = run.to_frame(), run.to_xarray()
    assert list(frame.index.names) == ["bank", "load", "speed_rpm"]
    solution = run.solve()["one"]
    at = {"bank": "one", "load": 65.0, "speed_rpm": 3500.0}
    meant = 100.0 * solution.correction[1, 1]
    assert frame.loc[tuple(at.values()), "correction_pct"] == pytest.approx(meant)
    assert float(dataset.correction_pct.sel(at)) == pytest.approx(meant)
    table = frame.loc["one", "before_pct"].unstack()
    assert api.learn(SHAPES["polars"](), engine, tables=[table]).tables == run.tables
    with pytest.raises(UserError, match="labels are not the engine's axes"):
        api.learn(SHAPES["polars"](), engine, tables=[table.T * 2])


def test_rules_decide(engine: Path) -> None:
    """`propose` follows the rules that it is given, by name or as they are."""
    run = api.learn(SHAPES["pandas"](), engine)
    by_name = run.propose("cautious")["one"].cells_pct
    assert np.array_equal(by_name, run.propose(api.PRESETS["cautious"])["one"].cells_pct)
    with pytest.raises(UserError, match="rules 'wild': there are cautious, standard, bold"):
        run.propose("wild")


def test_what_cannot_be_meant_is_refused(engine: Path) -> None:
    """Another unit, a missing column and no frame at all raise one line, and change nothing."""
    run = api.learn(SHAPES["pandas"](), engine)
    wrong = SHAPES["pandas"]().assign(map=lambda f: 10.0 * f["map"])
    with pytest.raises(UserError, match="looks like mbar"):
        run.learn_many(wrong)
    with pytest.raises(UserError, match="the data frame: the log has no column 'lambda'"):
        run.learn_many(SHAPES["polars"]().drop("lambda"))
    with pytest.raises(UserError, match="give a pandas or polars data frame"):
        run.learn_many([1, 2, 3])
    assert run.samples == len(ride())


def test_columns_by_name_without_a_mapping(tmp_path: Path) -> None:
    """Without a [log] part headings tell, or the caller does; what is doubtful is refused."""
    without = engine_folder(tmp_path, {k: v for k, v in ENGINE.items() if k != "log"})
    names = {"speed": "Drehzahl", "target": "x", "coolant": "coolant_c", "intake": "IAT (°C)"}
    frame = pandas.DataFrame(columns()).rename(columns=names)
    with pytest.raises(UserError, match="no column is known to be the commanded mixture"):
        api.learn(frame, without / "engine.toml")
    run = api.learn(frame, without / "engine.toml", columns={"target_lambda": "x"})
    assert run.used["one"] > 100


def test_it_shows_itself(engine: Path) -> None:
    """A run says what it is in a line, in a rich table, and as a map in a notebook."""
    run = api.learn(SHAPES["pandas"](), engine)
    assert re.fullmatch(r"<Run of invented: 600 samples; one used \d+>", repr(run))
    page = run._repr_html_()
    assert page.count("<tr>") == 4
    assert "script" not in page
    console = Console(width=80, file=io.StringIO())
    with console.capture() as printed:
        console.print(run)
    assert re.search(r"one +│? *\d", printed.get())


def test_report_and_folder(engine: Path) -> None:
    """`report` writes one HTML file, and `save` what `replay` writes, never over anything."""
    run = api.learn(SHAPES["pandas"](), engine)
    assert run.report(engine.parent / "r.html").read_text("utf-8").startswith("<!DOCTYPE html>")
    out = run.save(engine.parent / "out")
    assert (out / "summary.json").is_file()
    assert json.loads((out / "causes.json").read_text("utf-8"))["findings"]
    assert "What else could explain it" in (engine.parent / "r.html").read_text("utf-8")
    with pytest.raises(UserError, match="not empty"):
        run.save(out)


def test_learning_leaves_the_array_as_it_is(recording: Path, bench: Path) -> None:
    """Times become the run's own in a copy; the same array may be learned again elsewhere."""
    samples = api.read(recording, bench)
    before = samples.copy()
    first, again = api.Run(bench).learn_many(samples), api.Run(bench).learn_many(samples)
    assert (samples == before).all()
    assert first.used == again.used
    with pytest.raises(UserError, match="no sample"):
        first.learn_many(samples[:0])
    assert first.samples == again.samples == len(samples)


def test_a_ride_is_learned_once(recording: Path, bench: Path) -> None:
    """The same ride again, whole or in part, as a frame or an array, is refused in one line that
    names the source which had it, and the run is left as it was; another part of it is taken."""
    samples = api.read(recording, bench)
    half = len(samples) // 2
    run = api.learn(samples[:half], bench)
    used = run.used
    for same in (samples[:half], samples[half - 1000 : half], samples):
        with pytest.raises(UserError, match="the same ride as source 1 of this run") as caught:
            run.learn_many(same)
        assert "\n" not in str(caught.value)
    frame = pandas.DataFrame(columns_of(recording.read_bytes()))[:half]
    with pytest.raises(UserError, match="the same ride as source 1"):
        run.learn_many(frame)
    assert run.used == used
    assert run.learn_many(samples[half:]).samples == len(samples)


def test_the_page_from_a_data_frame_runs(tmp_path: Path, package_folder: Path) -> None:
    """`learner/from-a-data-frame.md` runs as it stands; its middle part has at most 20 lines."""
    text = (ROOT / "learner" / "from-a-data-frame.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    assert len(blocks[1].splitlines()) <= 20
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(blocks)],
        cwd=tmp_path, env={"PYTHONPATH": str(package_folder), "PATH": ""},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "learned" / "left-proposed.csv").is_file()
