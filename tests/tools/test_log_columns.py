"""Logs read a column at a time give what they give a row at a time, or are left to the rows."""

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap
from numpy.typing import NDArray

from breathmap.learner.words.description import EngineDescription, parse_description
from breathmap.learner.words.log import LogReader
from breathmap.protocol.host.bulk import samples_table
from breathmap.tools.base.files import read_description
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.logs import columns
from breathmap.tools.logs.columns import samples_at_once

HEADING = "t,rpm,MAP,tps,clt,iat,bat,tgt,l1,l2,trim,cut,note"
FIELDS = ("speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v")


@pytest.fixture(scope="module")
def description(tmp_path_factory: pytest.TempPathFactory) -> EngineDescription:
    """The college's engine with a log whose lambda is AFR, with a scale, a trim and a flag."""
    folder = tmp_path_factory.mktemp("bench")
    write_college(folder, *college_bench("continuous", "wideband"), "wideband")
    engine = read_description(folder / "engine.toml").model_dump(exclude_none=True)
    engine["engine"]["fuel"] = "petrol"
    log: dict[str, object] = {
        name: {"column": c} for name, c in zip(FIELDS, HEADING.split(",")[1:], strict=False)
    }
    bank: list[dict[str, object]] = [
        {"measured_lambda": {"column": f"l{n}", "unit": "afr"}} for n in (1, 2)
    ]
    trim: dict[str, object] = {"column": "trim", "scale": 0.01, "offset": 1.0}
    bank[1]["fuel_multiplier"] = trim
    log["time"] = {"column": "t", "unit": "ms"}
    log["target_lambda"] = {"constant": 0.9}
    return parse_description(
        {**engine, "log": {**log, "fuel_cut": {"column": "cut"}, "bank": bank}}
    )


def text_of(rows: int = 300, units: bool = True) -> str:
    """Return a log of random numbers with many digits, cells left empty and some not finite."""
    rng = np.random.default_rng(2)
    lines = ["made by nobody", HEADING, *(["ms,rpm,kPa"] if units else [])]
    for k in range(rows):
        cells = [f"{v:.{d}g}" for v, d in zip(rng.uniform(1, 99, 11), rng.integers(1, 19, 11),
                                              strict=True)]  # fmt: skip
        cells[k % 11] = ("", "nan", "1e400", "-0.0", "7.")[k % 5]
        cells[-1] = ("0", "1", "", "2.5")[k % 4]
        lines.append(f"{40.5 * k},{','.join(cells)},")
    return "\n".join(lines) + "\n"


def by_rows(text: str, description: EngineDescription) -> NDArray[np.void]:
    """Return the samples as the exact reader gives them."""
    return samples_table(LogReader(text, description).samples(), 2)


def at_once(text: str, description: EngineDescription) -> NDArray[np.void] | None:
    """Return the samples read a column at a time, None where it is left to the rows."""
    return samples_at_once(LogReader(text, description), description)


@pytest.fixture(autouse=True)
def _short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "LEAST_ROWS", 1)


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("units", [True, False])
def test_columns_are_the_rows(description: EngineDescription, ends: str, units: bool) -> None:
    """Every value is the same, bit for bit, and so is the number of rows without a time."""
    text = text_of(units=units).replace("\n", ends)
    reader = LogReader(text, description)
    found = samples_at_once(reader, description)
    assert found is not None
    assert reader.skipped_rows == (1 if units else 0)
    assert found.tobytes() == by_rows(text, description).tobytes()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("\n405.0,", "\n405.0 ?,"),
        ("\n405.0,", "\n40.0,"),
        ("\n405.0,", "\n\n405.0,"),
        ("\n405.0,", '\n"405.0",'),
        ("\n405.0,", "\n405.0,1e7"),
        ("\n405.0,", "\n405.0,on,"),
        ("\n405.0,", "\n\x0c405.0,"),
        ("\n405.0,", "\n,"),
        ("\n405.0,", "\n1_000,"),
    ],
)
def test_any_doubt_is_left_to_the_rows(description: EngineDescription, old: str, new: str) -> None:
    """A text, a clock that goes back, quotes, empty lines, numbers that cannot be meant: the exact
    reader takes or refuses those, in its words."""
    text = text_of()
    assert old in text
    assert at_once(text.replace(old, new, 1), description) is None


def test_a_short_row_is_as_empty_cells(description: EngineDescription) -> None:
    """A row that ends early is the same both ways."""
    lines = text_of().splitlines()
    lines[50] = ",".join(lines[50].split(",")[:4])
    text = "\n".join(lines)
    found = at_once(text, description)
    assert found is None or found.tobytes() == by_rows(text, description).tobytes()


def test_a_log_is_learned_alike_both_ways(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                          breathmap: Breathmap) -> None:  # fmt: skip
    """`replay` of a log writes the same files whether it was read by columns or by rows."""
    bench = tmp_path / "bench"
    ride = tmp_path / "a.csv"
    ended = breathmap("simulate", "--minutes", 0.5, "--describe", bench, "--out", ride)
    assert ended.code == 0, ended.err
    shown = breathmap("check", bench / "engine.toml", ride, "--json")

    with (bench / "engine.toml").open("a") as file:
        file.write(json.loads(shown.out)["text"])
    written = []
    for least in (1, 10**9):
        monkeypatch.setattr(columns, "LEAST_ROWS", least)
        out = tmp_path / str(least)
        ended = breathmap("replay", bench / "engine.toml", ride, "--out", out)
        assert ended.code == 0, ended.err
        written.append({p.name: p.read_bytes() for p in out.iterdir() if p.suffix != ".bin"})
    assert written[0] == written[1]
