"""Tables and descriptions as files: tolerant of spreadsheets, strict about content, atomic."""

import os
from pathlib import Path

import pytest

from breathmap.learner.words.description import parse_description
from breathmap.learner.words.description_text import EXAMPLE
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import (
    TARGET_LAMBDA,
    read_description,
    read_table,
    sheets_in,
    table_text,
    write_text,
)

SPEED = [1000.0, 2000.0, 3000.0]
LOAD = [30.0, 60.0]
CELLS = [50.5, 60.0, 70.0, 55.0, 65.0, 75.5]
GOOD = "load_kpa\\speed_rpm,1000,2000,3000\n30,50.5,60,70\n60,55,65,75.5\n"


def table(tmp_path: Path, text: str | bytes) -> Path:
    """Write a table file."""
    path = tmp_path / "table.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        GOOD.rstrip("\n"),
        GOOD + "\n\n",
        "\ufeff" + GOOD,
        GOOD.replace("\n", "\r\n"),
        GOOD.replace(",", ";"),
        GOOD.replace(",", "\t"),
        GOOD.replace(",", ";").replace(".", ","),
        GOOD.replace("\n", ",\n"),
        '"corner","1000","2000","3000"\n"30","50.5","60","70"\n"60","55","65","75.5"\n',
    ],
)
def test_table_is_read_from_any_spreadsheet(tmp_path: Path, text: str) -> None:
    """Separators, decimal comma, BOM, line ends, quotes and blank lines do not change a table."""
    assert read_table(table(tmp_path, text), SPEED, LOAD) == CELLS


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        (" \n\n", "empty"),
        (b"PK\x03\x04\0\0", "no text file"),
        (b"load,1000,2000,3000\n30,\xff,1,1\n", "line 2 is not UTF-8"),
        (GOOD.replace("50.5", "nan"), "line 2, column 2: 'nan' is not a number"),
        (GOOD.replace("50.5", "inf"), "'inf' is not a number"),
        (GOOD.replace("50.5", ""), "'' is not a number"),
        (GOOD.replace("50.5", "5_0"), "'5_0' is not a number"),
        (GOOD.replace("75.5", "-1"), "line 3, column 4: VE is -1"),
        (GOOD.replace("75.5", "0"), "VE is 0; it must be 0.01 to 1000 %"),
        (GOOD.replace("75.5", "75.5,80"), "line 3 has 4 cells, 3 are needed"),
        (GOOD.replace(",70\n", "\n"), "line 2 has 2 cells, 3 are needed"),
        (GOOD + "90,1,2,3\n", "3 loads x 3 speeds"),
        (GOOD.replace("60,55", "30,55"), "load breakpoints must ascend"),
        (GOOD.replace("2000,3000", "3000,2000"), "speed breakpoints must ascend"),
        (GOOD.replace("2000", "2100"), "speed breakpoint 2 is 2100, the engine description says"),
        ("only words\n", "0 loads x 0 speeds"),
        (",,,\n,,\n", "it holds no table"),
        (GOOD.replace("50.5", "1e-308"), "line 2, column 2: VE is 1e-308; .* 0.01 to 1000 %"),
        (GOOD.replace("50.5", "1e6"), "VE is 1e\\+06; it must be 0.01 to 1000 %"),
        (GOOD.replace("50.5", "1e400"), "'1e400' is not a number"),
        (GOOD.replace("50.5", "9" * 5000), "'99999999999999999999' is not a number"),
        (GOOD.replace("50.5", "x" * 140_000), "line 2 .*field limit"),
        (GOOD.replace("50.5", "\0"), "no text file"),
    ],
)
def test_bad_table_is_refused(tmp_path: Path, text: str | bytes, said: str) -> None:
    """A faulty table is refused with file, place and reason in one line."""
    with pytest.raises(UserError, match=said) as caught:
        read_table(table(tmp_path, text), SPEED, LOAD)

    assert "table.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("exchanged", [False, True])
@pytest.mark.parametrize("load_falls", [False, True])
@pytest.mark.parametrize("speed_falls", [False, True])
def test_a_table_is_turned_upright(
    tmp_path: Path, known: bool, exchanged: bool, load_falls: bool, speed_falls: bool
) -> None:
    """A table with the loads across, or the highest load or speed first, is known and said, whether
    the axes are known beforehand or not; each cell stays with its speed and load."""
    speeds, loads = [1000.0, 2000.0, 3000.0], [30.0, 60.0]
    cells = {(n, p): n / 100 + p for n in speeds for p in loads}
    rows, columns = loads[:: -1 if load_falls else 1], speeds[:: -1 if speed_falls else 1]
    place = (lambda a, b: (a, b)) if exchanged else (lambda a, b: (b, a))
    if exchanged:
        rows, columns = columns, rows
    lines = [["x", *columns]] + [[a, *(cells[place(a, b)] for b in columns)] for a in rows]
    text = "\n".join(";".join(str(cell) for cell in line) for line in lines) + "\n"
    (sheet,) = sheets_in(tmp_path / "table.csv", text)

    sheet.turn_upright(speeds if known else None)

    assert (sheet.speed_rpm, sheet.load) == (speeds, loads)
    assert sheet.cells() == [cells[n, p] for p in loads for n in speeds]
    assert len(sheet.notes) == exchanged + load_falls + speed_falls


def test_missing_and_wrong_kinds_of_file(tmp_path: Path) -> None:
    """A missing file and a folder in a file's place are each named as such."""
    with pytest.raises(UserError, match="no such file"):
        read_description(tmp_path / "none.toml")
    with pytest.raises(UserError, match="is a folder"):
        read_description(tmp_path)


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    """A description that is no TOML is refused with the line at fault."""
    path = tmp_path / "engine.toml"
    path.write_text("[engine]\nname = \n")

    with pytest.raises(UserError, match=r"not valid TOML.*line 2"):
        read_description(path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x = " + "[" * 3000, "nested too deeply"),
        ("x = " + "{a=" * 3000, "nested too deeply"),
        ("x = " + "9" * 5000, "number .* digits"),
        ('[engine]\nname = "\0"', "no text file"),
        ('x = "\\ud800"', "not valid TOML"),
    ],
)
def test_toml_that_no_parser_takes_is_refused(tmp_path: Path, text: str, said: str) -> None:
    """TOML that is nested too deeply or holds numbers too long is refused in one line."""
    path = tmp_path / "engine.toml"
    path.write_text(text)

    with pytest.raises(UserError, match=f"engine.toml: .*{said}"):
        read_description(path)


@pytest.mark.parametrize("cell", ["14.7", "0", "1e-308", "0.29", "6.1", "nan"])
def test_target_table_holds_lambda(tmp_path: Path, cell: str) -> None:
    """A target table's cell that no lambda can be is refused with place and bounds."""
    path = table(tmp_path, "x,1000,2000,3000\n30,1,1,1\n60,1,CELL,1\n".replace("CELL", cell))

    with pytest.raises(UserError, match=r"line 3, column 3: .*(0.3 to 6|not a number)"):
        read_table(path, SPEED, LOAD, TARGET_LAMBDA)


def test_written_table_reads_back(tmp_path: Path) -> None:
    """What is written as a table is read as the same table."""
    description = parse_description(EXAMPLE)
    axes = description.axes
    rows = [[40.0 + 0.5 * (i + j) for i in range(8)] for j in range(8)]
    path = table(tmp_path, table_text(description, rows))

    assert read_table(path, axes.speed_rpm, axes.load) == [cell for row in rows for cell in row]


def test_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When writing fails half-way the old content stays and nothing else is left behind."""
    path = tmp_path / "kept.csv"
    write_text(path, "old\n")

    def fail(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(UserError, match="No space left"):
        write_text(path, "new\n")

    assert path.read_text() == "old\n"
    assert os.listdir(tmp_path) == ["kept.csv"]
