"""Files that other programs write: pandas, polars, openpyxl and asammdf; and ours read by them."""

import datetime
import gc
import json
import shutil
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command_line import Breathmap, refused
from log_bench import ENGINE, HEADINGS, engine_folder, ride

from breathmap.learner.words.description import parse_description
from breathmap.tools.logs import formats
from breathmap.tools.logs.export import columns_of
from breathmap.tools.logs.open import log_rows, look_at, open_log

pandas = pytest.importorskip("pandas", reason="the extra `logs` is not installed")
polars = pytest.importorskip("polars", reason="the extra `logs` is not installed")
asammdf = pytest.importorskip("asammdf", reason="the extra `logs` is not installed")
openpyxl = pytest.importorskip("openpyxl", reason="openpyxl is not installed")


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with the engine that goes with the made-up ride."""
    return engine_folder(tmp_path)


def frame() -> dict[str, list[float]]:
    """Return the made-up ride by columns."""
    return dict(zip(HEADINGS, map(list, zip(*ride(), strict=True)), strict=True))


def openpyxl_file(path: Path) -> None:
    """Write the ride as a sheet with a title above it and a row of units."""
    book = openpyxl.Workbook()
    book.create_sheet("notes", 0)
    sheet = book.worksheets[1]
    sheet.append(["A made-up ride"])
    sheet.append([])
    sheet.append(HEADINGS)
    sheet.append(["s", "rpm", "kPa", "%", "degC", "degC", "V"])
    for row in ride():
        sheet.append(row)
    book.save(path)


WRITERS: dict[str, Any] = {
    "pandas.xlsx": lambda path: pandas.DataFrame(frame()).to_excel(path, index=False),
    "openpyxl.xlsx": openpyxl_file,
    "pandas.parquet": lambda path: pandas.DataFrame(frame()).to_parquet(path),
    "polars.parquet": lambda path: polars.DataFrame(frame()).write_parquet(path),
    "pandas.feather": lambda path: pandas.DataFrame(frame()).to_feather(path),
    "polars.arrow": lambda path: polars.DataFrame(frame()).write_ipc(path),
    "pandas.csv": lambda path: pandas.DataFrame(frame()).to_csv(path),
    "pandas-german.csv": lambda path: pandas.DataFrame(frame()).to_csv(
        path, sep=";", decimal=",", encoding="utf-8-sig"
    ),
    "polars.csv": lambda path: polars.DataFrame(frame()).write_csv(path, separator="\t"),
}


@pytest.mark.parametrize("name", WRITERS)
def test_other_writers_files_give_the_same_samples(
    name: str, bench: Path, breathmap: Breathmap
) -> None:
    """A ride is the same ride in every kind of file, and `check` and `replay` read it."""
    path = bench / name
    WRITERS[name](path)
    description = parse_description(ENGINE)
    found = [
        [1e-6 * s.time_us, s.speed_rpm, s.map_kpa, s.throttle_pct, s.coolant_c, s.intake_c,
         s.battery_v, s.target_lambda, s.measured_lambda[0]]
        for s in open_log(path, description).samples()
    ]  # fmt: skip
    assert np.allclose(found, ride(), atol=1e-6)
    assert breathmap("check", bench / "engine.toml", path).code == 0
    out = bench / "out"
    assert breathmap("replay", bench / "engine.toml", path, "--out", out).code == 0
    assert json.loads((out / "summary.json").read_text())["samples"] == len(ride())


@pytest.mark.parametrize("suffix", [".xlsx", ".parquet", ".csv"])
def test_dates_in_a_table_are_a_clock(bench: Path, suffix: str) -> None:
    """A column of dates and times, as spreadsheets and data frames keep them, is a clock."""
    data: dict[str, Any] = frame()
    start = datetime.datetime(2026, 5, 1, 23, 59, 50)
    data["time"] = [start + datetime.timedelta(seconds=0.05 * k) for k in range(len(ride()))]
    path = bench / f"dates{suffix}"
    writers = {".xlsx": "to_excel", ".parquet": "to_parquet", ".csv": "to_csv"}
    getattr(pandas.DataFrame(data), writers[suffix])(path, index=False)
    engine = {**ENGINE, "log": {**ENGINE["log"], "time": {"column": "time", "unit": "clock"}}}
    look = look_at(path, log_rows(path), parse_description(engine))
    assert look.duration_s == pytest.approx(0.05 * (len(ride()) - 1), abs=0.002)
    assert look.odd == []


def mdf_file(path: Path) -> None:
    """Write the ride as asammdf does: each quantity at its own rate, by its own clock."""
    rows = np.array(ride())
    groups = {("speed", "map"): 1, ("throttle", "target", "lambda"): 2, ("coolant", "intake"): 20}
    units = {"speed": "rpm", "map": "kPa", "coolant": "°C", "intake": "°C", "lambda": "lambda"}
    with asammdf.MDF(version="4.10") as mdf:
        for names, every in groups.items():
            part = rows[every - 1 :: every]
            mdf.append(
                [
                    asammdf.Signal(
                        part[:, HEADINGS.index(name)], part[:, 0] + 0.003 * every, name=name,
                        unit=units.get(name, ""),
                    )
                    for name in names
                ]
            )  # fmt: skip
        mdf.save(path)


def test_channel_groups_are_put_on_one_clock(bench: Path, breathmap: Breathmap) -> None:
    """Groups of 20, 10 and 1 Hz in an MDF file become rows, each by its own clock."""
    path = bench / "ride.mf4"
    mdf_file(path)
    log = {k: v for k, v in ENGINE["log"].items() if k != "battery_v"}
    engine = {**ENGINE, "log": {**log, "time": {"column": "time_s"}}}
    found = [
        (1e-6 * s.time_us, s.speed_rpm, s.measured_lambda[0], s.coolant_c)
        for s in open_log(path, parse_description(engine)).samples()
    ]
    rows = np.array(ride())
    times, speeds, lambdas, coolant = np.array(found).T
    assert len(found) == len(rows)
    assert np.allclose(speeds, rows[:, 1])
    known = np.isfinite(lambdas)
    assert known.mean() > 0.98
    meant = np.interp(times[known], rows[1::2, 0] + 0.006, rows[1::2, 8])
    assert np.allclose(lambdas[known], meant, atol=1e-6)
    assert np.isfinite(coolant).mean() > 0.9
    (bench / "engine.toml").unlink()
    engine_folder(bench, {k: v for k, v in ENGINE.items() if k != "log"})
    said = ("--column", "target_lambda=target")
    ended = breathmap("check", bench / "engine.toml", path, *said)
    assert ended.code == 0, ended.err
    assert "measured_lambda: “lambda”, lambda (sure)" in " ".join(ended.out.split())


def test_nothing_is_made_up_where_a_channel_was_silent(tmp_path: Path) -> None:
    """A gap in one channel's own clock stays a gap on the common one."""
    time_s = np.arange(0.0, 60.0, 0.1)
    talks = (time_s < 20.0) | (time_s > 30.0)
    with asammdf.MDF(version="4.10") as mdf:
        mdf.append(asammdf.Signal(np.full(600, 3000.0), time_s, name="speed"))
        mdf.append(asammdf.Signal(np.ones(talks.sum()), time_s[talks] + 0.01, name="lambda"))
        mdf.save(tmp_path / "gap.mf4")
    rows = [row for _, row in log_rows(tmp_path / "gap.mf4").rows(1)]
    silent = [float(row[0]) for row in rows if row[2] == ""]
    assert min(t for t in silent if t > 1.0) == pytest.approx(20.0)
    assert max(silent) == pytest.approx(30.0, abs=0.11)
    assert len(silent) == pytest.approx(100, abs=3)


@pytest.mark.parametrize("kind", ["csv", "parquet", "mf4"])
def test_an_exported_recording_is_read_again(
    kind: str, recording: Path, bench: Path, breathmap: Breathmap
) -> None:
    """What `export` writes is read as a log without a word, and holds the recording's samples."""
    ride_file = bench / "ride.bin"
    shutil.copy(recording, ride_file)
    ended = breathmap("export", ride_file, "--to", kind, "--json")
    assert ended.code == 0, ended.err
    log = Path(json.loads(ended.out)["log"])
    columns = columns_of(recording.read_bytes())
    assert json.loads(ended.out)["rows"] == len(columns["time_s"])
    refused(breathmap("export", ride_file, "--to", kind), "exists; nothing is written over")
    banks = [{"name": n, "table": f"{n}.csv"} for n in ("left", "right")]
    engine_folder(bench, {**{k: v for k, v in ENGINE.items() if k != "log"}, "bank": banks})
    ended = breathmap("check", bench / "engine.toml", log, "--json")
    assert ended.code == 0, ended.err
    result = json.loads(ended.out)
    assert {c["sure"] for c in result["columns"].values()} <= {"sure", "likely"}
    assert result["quantities"]["bank[2].measured_lambda"]["middle"] == pytest.approx(
        np.nanmedian(columns["measured_lambda_2"]), rel=1e-4
    )


def test_asammdf_reads_our_export_with_units_and_comments(
    recording: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """An exported MDF file opens in asammdf, with units, comments and values."""
    out = tmp_path / "ride.mf4"
    assert breathmap("export", recording, "--to", "mf4", "--out", out).code == 0
    with asammdf.MDF(out) as mdf:
        signal = mdf.get("map_kpa")
        assert (signal.unit, signal.comment) == ("kPa", "manifold absolute pressure")
        assert np.allclose(
            signal.samples, columns_of(recording.read_bytes())["map_kpa"], equal_nan=True
        )
        assert mdf.get("measured_lambda_2").comment == "the sensor's reading"


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".mf4"])
def test_the_simulator_writes_them_directly(
    suffix: str, tmp_path: Path, breathmap: Breathmap
) -> None:
    """`simulate --out` writes a log where the name says so, and nothing beside it."""
    out = tmp_path / f"ride{suffix}"
    ended = breathmap("simulate", "--minutes", "0.2", "--out", out, "--json")
    assert ended.code == 0, ended.err
    assert json.loads(ended.out)["rows"] > 200
    assert [path.name for path in tmp_path.iterdir()] == [out.name]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"PAR1" + b"x" * 200, "cannot be read as a Parquet file"),
        (b"ARROW1" + b"\0" * 200, "cannot be read as an Arrow file"),
        (b"MDF     4.10    " + b"\0" * 200, "cannot be read as an MDF file"),
        (b"PK\x03\x04" + b"\0" * 200, "cannot be read as an Excel file"),
    ],
)
def test_damaged_files_are_told_in_one_line(
    content: bytes, said: str, bench: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that begins as a table and is none is refused in one line; no half-built reader of it
    complains on the terminal when it is thrown away."""
    complaints: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", complaints.append)
    (bench / "bad.bin").write_bytes(content)
    refused(breathmap("replay", bench / "engine.toml", bench / "bad.bin"), said)
    gc.collect()
    assert not complaints


def test_a_missing_extra_is_told(
    bench: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the extra a line says how to get it."""
    path = bench / "ride.parquet"
    polars.DataFrame(frame()).write_parquet(path)

    def absent(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(formats, "import_module", absent)
    refused(breathmap("check", bench / "engine.toml", path), "ride.parquet: a Parquet file needs",
            'pip install "breathmap[logs]"')  # fmt: skip
