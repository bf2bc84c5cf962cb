"""Jobs made from files and pastes, the set-up sheet for a person, passes from recordings, and
comparing tables."""

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride, standing

from breathmap.protocol.host.calibration import Calibration, differences
from breathmap.simulator.control_server import ControlServer
from breathmap.tools.base.control import ControllerLink
from breathmap.tools.demo.simulating import Order, prepare
from breathmap.tools.job.calibration import CALIBRATION, calibration_files
from breathmap.tools.job.folder import Job, hash_files, save_folder
from breathmap.tools.job.new import Origin, described
from breathmap.tools.job.records import Accepted

EXCHANGED = ("right.csv", "left.csv")

PASTE = """load\t1000\t2000\t4500
20\t60\t70,5\t80
55\t65\t75\t85
100\t70\t80\t90

load\t1000\t2000\t4500
20\t61\t71\t81
55\t66\t76\t86
100\t71\t81\t91
"""


def test_a_paste_makes_a_job(
    breathmap: Breathmap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A spreadsheet paste on standard input, one table a bank with an empty line between, makes a
    job with the axes of the paste."""
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(PASTE.encode())))
    job = tmp_path / "job"
    made = breathmap(
        "new", job, "--table", "-", "--displacement", "689", "--bank", "left", "--bank", "right"
    )

    assert made.code == 0, made.err
    calibration = Job(job).start()
    assert calibration.speed_rpm == (1000.0, 2000.0, 4500.0)
    assert calibration.load == (20.0, 55.0, 100.0)
    assert calibration.ve_pct[0] == (60.0, 70.5, 80.0, 65.0, 75.0, 85.0, 70.0, 80.0, 90.0)
    assert calibration.ve_pct[1][8] == 91.0
    assert breathmap("check", job / "engine.toml").code == 0


def exchanged(job: Path, named: Callable[[dict[str, str]], dict[str, str]]) -> None:
    """Put the start with its banks' tables exchanged on record as table 1. named: the files that
    the record names, of those that are there."""
    opened = Job(job)
    start = opened.start()
    other = replace(start, ve_pct=start.ve_pct[::-1])
    folder = opened.table_folder(1)
    save_folder(folder, calibration_files(other, opened.description()))
    opened.append(
        Accepted(
            **opened.head(), table=1, from_table=0, proposal=1, proposal_files={},
            displacement_cm3=start.displacement_cm3, files=named(hash_files(folder)),
        )
    )  # fmt: skip


@pytest.fixture
def pasted(breathmap: Breathmap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A job of two banks made from a paste."""
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(PASTE.encode())))
    words = ("--table", "-", "--displacement", "689", "--bank", "left", "--bank", "right")
    assert breathmap("new", tmp_path / "job", *words).code == 0
    return tmp_path / "job"


def test_tables_of_the_same_files_under_other_names_are_two(pasted: Path) -> None:
    """Whatever the order in which a record names its files, each bank gets its own table."""
    exchanged(pasted, lambda files: {name: files[name] for name in (CALIBRATION, *EXCHANGED)})

    opened = Job(pasted)
    assert opened.calibration(0).ve_pct[0] != opened.calibration(0).ve_pct[1]
    assert opened.calibration(1).ve_pct == opened.calibration(0).ve_pct[::-1]


def test_a_file_that_no_record_names_is_read_each_time(pasted: Path) -> None:
    """What the history names no hash of may have changed since it was read: it is read again."""
    exchanged(pasted, lambda files: {CALIBRATION: files[CALIBRATION]})

    opened = Job(pasted)
    before = opened.calibration(1).ve_pct
    left, right = (opened.table_folder(1) / name for name in reversed(EXCHANGED))
    left.write_bytes(right.read_bytes())
    assert opened.calibration(1).ve_pct == (before[1], before[1])


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], ("say where the starting tables come from",)),
        (["--table", "nowhere.csv", "--displacement", "689"], ("nowhere.csv", "no such file")),
        (["--engine", "nowhere.toml"], ("nowhere.toml", "no such file")),
        (["--port", "COM5", "--engine", "engine.toml"], ("--port reads everything",)),
        (["--port", "socket://127.0.0.1:9"], ("nothing listens there",)),
    ],
)
def test_what_new_refuses(
    breathmap: Breathmap, tmp_path: Path, arguments: list[str], said: tuple[str, ...]
) -> None:
    """What does not make a job is refused in one line, and nothing is left on the disk."""
    refused(breathmap("new", tmp_path / "job", *arguments), *said)
    assert not list(tmp_path.iterdir())


def test_new_never_overwrites(breathmap: Breathmap, tmp_path: Path) -> None:
    """A folder that holds anything is refused; an empty one is taken."""
    engine = engine_files(tmp_path / "engine")
    job = tmp_path / "job"
    job.mkdir()
    assert breathmap("new", job, "--engine", engine).code == 0
    refused(breathmap("new", job, "--engine", engine), "not empty")
    refused(breathmap("new", engine, "--engine", engine), "is a file")
    refused(breathmap("propose", tmp_path / "engine"), "is no job folder", "breathmap new")
    refused(breathmap("new", tmp_path / "b", "--engine", engine, "--setting", "warp=on"), "warp")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--setting", "closed_loop=nan"], "a setting is 0 to 600"),
        (["--setting", "spark_retard_deg=1e308"], "a setting is 0 to 600"),
        (["--displacement", "nan"], "displacement_cm3: should be a finite number"),
        (["--displacement", "0", "--yes"], "displacement_cm3: should be greater than or equal to"),
        (["--displacement", "0.689"], "if these are litres, give 689"),
        (["--cylinders", "0"], "cylinders: should be greater than or equal to 1"),
    ],
)
def test_new_refuses_numbers_that_cannot_be(
    breathmap: Breathmap, bench: Path, arguments: list[str], said: str
) -> None:
    """An option's number that cannot be meant is refused, and no job is made."""
    words = ["--table", bench.parent / "left.csv", "--displacement", "689", *arguments]
    refused(breathmap("new", bench.parent / "job", *words), said)
    assert not (bench.parent / "job").exists()


@pytest.mark.parametrize(
    ("sensor", "lines"),
    [
        (
            "wideband",
            ("0.890 flat (13.0 : 1)", "acceleration enrichment | on | off", "closed loop | on",
             "power enrichment | ______ (write it down first) | off",
             "idle speed control | __", "idle heat protection | __"),
        ),
        (
            "switching",
            ("1.000 flat (14.6 : 1)", "closed loop | on | on", "spark retard against its table | "
             "2° | 6°", "long-term adaptation | ______ (write it down first) | off"),
        ),
    ],
)  # fmt: skip
def test_the_sheet_for_a_person(
    breathmap: Breathmap, tmp_path: Path, sensor: str, lines: tuple[str, ...]
) -> None:
    """Without a controller the sheet has each original value that is known, room for each that is
    not, the learning value in lambda and AFR, and boxes for setting and putting back."""
    folder = tmp_path / "tables"
    folder.mkdir()
    (folder / "one.csv").write_text(PASTE.split("\n\n")[0])
    (folder / "target.csv").write_text("load;1000;2000;4500\n20;1;1;1\n55;1;1;1\n100;.9;.9;.88\n")
    job = tmp_path / "job"
    made = breathmap(
        "new", job, "--table", folder / "one.csv", "--displacement", 689, "--sensor", sensor,
        "--target", folder / "target.csv", "--stoichiometric-afr", "14.6",
        "--setting", "acceleration_enrichment=on", "--setting", "closed_loop=on",
        "--setting", "spark_retard_deg=2",
    )  # fmt: skip
    assert made.code == 0, made.err
    prepared = breathmap("prepare", job)

    assert prepared.code == 0, prepared.err
    sheet = (job / "setup-sheet.md").read_text()
    for line in lines:
        assert line in sheet
    assert "0.880 to 1.000" in sheet
    assert "[x]" not in sheet
    assert "may still be in the vehicle" in " ".join(prepared.out.split())


@pytest.mark.parametrize(
    ("banks", "speeds", "loads", "axis"),
    [(1, 5, 4, "map_kpa"), (3, 9, 7, "throttle_pct"), (8, 6, 6, "throttle_pct")],
)
def test_passes_on_any_engine(
    breathmap: Breathmap, tmp_path: Path, banks: int, speeds: int, loads: int, axis: str
) -> None:
    """One to eight banks, either load axis, axes that are not uniform: each bank's own error is
    found from recordings, and cells that were run become right."""
    calibration = made_up_calibration(banks, speeds, loads, axis)
    smooth = Calibration(
        axis, calibration.speed_rpm, calibration.load,
        tuple(tuple(60.0 + 0.5 * (3 * (k % speeds) // 2) for k in range(speeds * loads))
              for _ in range(banks)),
        1998.5, calibration.target_lambda, calibration.settings,
    )  # fmt: skip
    engine = engine_files(tmp_path / "engine", smooth)
    errors = [0.02 * (bank + 1) * (-1) ** bank for bank in range(banks)]
    ride = tmp_path / "ride.bin"
    ride.write_bytes(made_up_ride(smooth, errors, 40))
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", engine).code == 0
    assert breathmap("learn", job, ride).code == 0
    refused(breathmap("learn", job, ride), "already in pass 1")
    proposed = breathmap("propose", job, "--max-change", "20")
    assert proposed.code == 0, proposed.err
    assert breathmap("accept", job).code == 0

    opened = Job(job)
    for bank, error in enumerate(errors):
        folder = job / "proposals" / "001"
        name = opened.description().bank[bank].name
        words = [
            row.split(",")[1:] for row in (folder / f"{name}-decision.csv").read_text().split()[1:]
        ]
        changed = np.array(words).ravel() == "changed"
        old, new = np.array(smooth.ve_pct[bank]), np.array(opened.calibration(1).ve_pct[bank])
        assert changed.sum() >= 5
        assert np.median((new / old - 1.0)[changed]) == pytest.approx(error, abs=0.008)
        untouched = np.isin(np.array(words).ravel(), ["untouched", "held"])
        assert (new == old)[untouched].all()


def test_undo_goes_back_to_any_table(breathmap: Breathmap, tmp_path: Path) -> None:
    """Undo without a number goes to the table before, with one to any; nothing is lost, and the
    pass that was learned on a table is open again there."""
    engine = engine_files(tmp_path / "engine")
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", engine).code == 0
    refused(breathmap("undo", job), "nothing to undo")
    refused(breathmap("accept", job), "no proposal yet")
    refused(breathmap("propose", job), "pass 1 holds no recording")
    assert breathmap("learn", job, tmp_path / "engine" / "ride.bin").code == 0
    assert breathmap("propose", job).code == 0
    assert breathmap("accept", job).code == 0
    assert (Job(job).table, Job(job).pass_number) == (1, 2)
    assert breathmap("undo", job).code == 0
    assert (Job(job).table, Job(job).pass_number) == (0, 1)
    assert breathmap("undo", job, 1).code == 0
    assert Job(job).table == 1
    refused(breathmap("undo", job, 7), "there is no table 7; there are 0, 1")
    refused(breathmap("accept", job), "since proposal 1 the table has changed")
    shown = breathmap("history", job)
    assert "back to table 0 (was 1)" in " ".join(shown.out.replace("|", " ").split())


def test_compare_shows_numbers_and_a_picture(breathmap: Breathmap, tmp_path: Path) -> None:
    """Two tables are shown as changes in per cent and as shades, within 80 columns at 32 speeds."""
    calibration = made_up_calibration(1, 32, 32)
    description = described(Origin(displacement_cm3=1998.5), calibration)
    text = calibration_files(calibration, description)["bank1.csv"]
    (tmp_path / "a.csv").write_text(text)
    first, *rest = text.splitlines()
    load, cell, *cells = rest[3].split(",")
    rest[3] = ",".join([load, f"{float(cell) * 1.11:g}", *cells])
    (tmp_path / "b.csv").write_text("\n".join([first, *rest]))
    shown = breathmap("compare", tmp_path / "a.csv", tmp_path / "b.csv")

    assert shown.code == 0, shown.err
    assert max(map(len, shown.out.splitlines())) <= 80
    assert "1024 cells, 1023 the same; from +0.0 to +11.0 %" in shown.out
    assert shown.out.count("+11.0") == 2
    assert shown.out.count("+█") == 1
    same = breathmap("compare", tmp_path / "a.csv", tmp_path / "a.csv")
    assert "1024 cells, 1024 the same" in same.out
    (tmp_path / "c.csv").write_text(PASTE.split("\n\n")[0])
    refused(breathmap("compare", tmp_path / "a.csv", tmp_path / "c.csv"), "other axes")
    refused(breathmap("compare", tmp_path / "a.csv", tmp_path / "no.csv"), "no such file")


def test_the_simulated_controller_remembers(tmp_path: Path) -> None:
    """With a memory folder the simulated controller holds after the next start what was applied,
    on the axes that were applied."""
    memory = tmp_path / "memory"
    order = Order(drive="standing", setup="normal", memory=memory)
    first = prepare(order)
    wanted = replace(
        first.server.calibration,
        speed_rpm=(1100.0, *first.server.calibration.speed_rpm[1:]),
        displacement_cm3=701.25,
        settings={**first.server.calibration.settings, "closed_loop": 0.0},
    )
    with standing(first.server) as url, ControllerLink(url) as link:
        link.write(wanted, link.read())
    second = prepare(replace(order, setup="learning"))

    assert second.controller.displacement_cm3 == 701.25
    assert second.controller.axes.speed_rpm[0] == 1100.0
    assert not second.controller.settings.closed_loop
    assert second.controller.settings.acceleration_enrichment
    assert differences(second.server.calibration, wanted)[1] == []


def test_a_controller_with_a_cell_of_nothing_makes_no_job(
    breathmap: Breathmap, tmp_path: Path
) -> None:
    """A controller whose table holds a cell of 0 is refused before a job is made of it, because no
    later command could read that job."""
    calibration = Calibration(
        load_axis="map_kpa",
        speed_rpm=(1000.0, 2000.0, 3000.0),
        load=(30.0, 60.0),
        ve_pct=((50.0, 60.0, 70.0, 55.0, 65.0, 0.0),),
        displacement_cm3=689.0,
    )
    with standing(ControlServer(calibration)) as url:
        refused(breathmap("new", tmp_path / "job", "--port", url), "bank1: a cell holds VE 0 %")
    assert not list(tmp_path.iterdir())


def test_new_says_when_cells_are_above_the_storage(breathmap: Breathmap, tmp_path: Path) -> None:
    """Tables that hold more than one byte of 0.4 % can are taken with a caution."""
    for name, cell in (("fits", "102"), ("above", "104")):
        table = tmp_path / f"{name}.csv"
        table.write_text(f"load,1000,3000\n30,80,90\n100,95,{cell}\n")
        made = breathmap("new", tmp_path / name, "--table", table, "--displacement", "689")
        assert made.code == 0, made.err
        assert ("above the 102 % that are stored at most" in made.out + made.err) == (
            name == "above"
        )
