"""The command line: every bad input one line and code 2; every result where it should be."""

import csv
import json
import os
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from command_line import Breathmap, refused

from breathmap.protocol.host.link import FrameEvent, LinkReader
from breathmap.protocol.host.recording import read_recording
from breathmap.protocol.wire.fields import IDENTITY
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.version import version_line
from breathmap.tools.cli.main import whole
from breathmap.tools.cli.outline import outline
from breathmap.tools.demo.simulating import DRIVES, Order, parse_drive, prepare, write_recording
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.make.commands import OPTIONS, PLACE, options_text, walk
from breathmap.tools.make.commands import text as table_text
from breathmap.tools.run.results import CAUSES, EVIDENCE, FILM, SUMMARY
from breathmap.tools.run.trace import TRACE

KINDS = ("before", "proposed", "correction", "standard-error", "coverage", "decision")


def edit(path: Path, old: str, new: str) -> None:
    """Replace text that must be there, in the file."""
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("engine.toml", "[engine]", "[engine]\ncolour = 3", "engine.colour: unknown key"),
        ("engine.toml", "[1000, 1300", "[1300, 1000", "axes.speed_rpm: the axis must ascend"),
        ("engine.toml", "[20, 26", "[26", "have 11 x 16"),
        ("engine.toml", "cylinders = 2", "cylinders = nan", "engine.cylinders"),
        ("engine.toml", 'table = "right.csv"', 'table = "none.csv"', "none.csv: no such file"),
        ("left.csv", "\n20,", "\n20,nan ", "is not a number"),
        ("left.csv", "\n20,", "\n20,-", "it must be 0.01 to 1000"),
        ("left.csv", "\n20,", "\n20,50,", "line 2 has 17 cells, 16 are needed"),
        ("left.csv", "\n26,", "\n126,", "load breakpoints must ascend"),
        ("right.csv", ",1300,", ",1350,", "speed breakpoint 2 is 1350"),
    ],
)
def test_faulty_files_are_refused(
    breathmap: Breathmap, bench: Path, file: str, old: str, new: str, said: str
) -> None:
    """A faulty description or table ends check, learn and replay alike, before anything is made."""
    path = bench.parent / file
    edit(path, old, new)
    out = bench.parent / "out"

    refused(breathmap("check", bench), said)
    refused(breathmap("learn", bench, "/dev/none", "--out", out), said)
    refused(breathmap("replay", bench, bench, "--out", out), said)
    assert not out.exists()


@pytest.mark.parametrize("content", [b"", b"\x7fELF\0\0\x01", bytes(range(256))])
@pytest.mark.parametrize("file", ["engine.toml", "left.csv"])
def test_empty_and_binary_files_are_refused(
    breathmap: Breathmap, bench: Path, file: str, content: bytes
) -> None:
    """An empty or binary file in the place of a description or table is named as that."""
    (bench.parent / file).write_bytes(content)

    refused(breathmap("check", bench), file)


def test_usage_mistakes_are_one_line(breathmap: Breathmap) -> None:
    """Unknown options, missing arguments and impossible numbers are one line, too."""
    refused(breathmap("learn", "--colour"), "--colour", "breathmap learn --help")
    refused(breathmap("learn"), "ENGINE.toml")
    refused(breathmap("lern"), "lern")
    refused(breathmap("check"), "--example")
    refused(breathmap("simulate", "--minutes", "x"), "--minutes")
    refused(breathmap("simulate", "--drive", "moon"), "'moon'", "road")
    refused(breathmap("simulate", "--faults", "moon"), "'moon'", "exhaust-leak")
    refused(breathmap("simulate", "--faults", "exhaust-leak=7"), "0 to 0.9")
    refused(breathmap("simulate", "--faults", "exhaust-leak@middle"), "left or right")
    refused(breathmap("simulate", "--faults", "map-offset@left"), "belongs to no bank")
    refused(breathmap("simulate", "--speed-up", "0"), "--speed-up")
    refused(breathmap("simulate", "--rate", "0"), "--rate")
    refused(breathmap("simulate", "--truth", "flat"), "flat")
    refused(breathmap("simulate", "--port", "usb"), "usb")
    refused(breathmap("simulate", "--tables", "a.csv"), "--tables needs 2 files")


@pytest.mark.parametrize("command", ["", "demo", "learn", "replay", "check", "simulate"])
def test_help_gives_examples_and_exit_codes(breathmap: Breathmap, command: str) -> None:
    """Every command's help names the exit codes and shows how it is used."""
    ended = breathmap(*command.split(), "--help")

    assert ended.code == 0
    assert "Exit codes: 0 done; 2" in ended.out
    assert f"breathmap {command}".strip() in ended.out


def test_version_names_software_and_protocol(breathmap: Breathmap) -> None:
    """The two version numbers are told apart."""
    version = breathmap("--version").out
    assert "protocol version 1" in version
    assert "C core" in version or "Python core" in version


def test_missing_port_makes_nothing(breathmap: Breathmap, bench: Path) -> None:
    """A port that does not exist is one line, and no folder is made."""
    out = bench.parent / "out"

    refused(
        breathmap("learn", bench, "/dev/ttyNONE7", "--out", out), "/dev/ttyNONE7", "ports found"
    )
    refused(breathmap("learn", bench, "nonsense://x", "--out", out), "nonsense://x")
    refused(breathmap("learn", bench, "socket://127.0.0.1:9", "--out", out), "nothing listens")
    assert not out.exists()


def test_check_prints_what_it_understood(breathmap: Breathmap, bench: Path) -> None:
    """check names the engine, axes and banks; with --json it says the same as data."""
    ended = breathmap("check", bench)
    data = json.loads(breathmap("check", bench, "--json").out)

    assert ended.code == 0
    assert "16 breakpoints, 1000 to 7500 rpm" in ended.out
    assert "Nothing wrong was found" in ended.out
    assert data["cylinders"] == 2
    near, far = data["banks"]
    assert near["delay_s"][0] > near["delay_s"][2]
    assert far["delay_s"][0] > near["delay_s"][0]


def test_check_warns(breathmap: Breathmap, bench: Path) -> None:
    """check warns of cells that the controller cannot hold, or cannot have held."""
    edit(bench, "max_pct = 102", "max_pct = 60")
    edit(bench, "step_pct = 0.4", "step_pct = 0.3")

    out = " ".join(breathmap("check", bench).out.split())

    assert "cells are above what the controller stores (60 %)" in out
    assert "cells are no whole step of 0.3 %" in out


def test_example_checks_out(breathmap: Breathmap, tmp_path: Path) -> None:
    """The printed example is a valid description that only lacks its tables."""
    path = tmp_path / "engine.toml"
    path.write_text(breathmap("check", "--example").out)

    refused(breathmap("check", path), "left.csv: no such file")


def test_replay_writes_everything(breathmap: Breathmap, bench: Path, recording: Path) -> None:
    """replay writes six tables a bank, on the description's axes, and a consistent summary."""
    out = bench.parent / "out"

    ended = breathmap("replay", bench, recording, "--out", out, "--json")

    assert ended.code == 0
    summary = json.loads(ended.out)
    assert summary == json.loads((out / SUMMARY).read_text())
    names = {f"{bank}-{kind}.csv" for bank in ("left", "right") for kind in KINDS}
    assert {p.name for p in out.iterdir()} == names | {SUMMARY, TRACE, EVIDENCE, CAUSES, FILM}
    assert summary["samples"] == 3000
    assert summary["protocol_version"] == 1
    assert summary["link"]["lost"] == 0
    for bank in summary["banks"].values():
        assert bank["used"] + sum(bank["refused"].values()) == bank["samples"] == 3000
        assert bank["used"] > 2000
        assert 0.5 < bank["noise_pct"] < 2.0
        assert 0.05 < bank["delay"]["least_s"] < bank["delay"]["mean_s"] < 0.6
        assert sum(bank["cells"].values()) == 16 * 12
        assert set(bank["terms"]) >= {"charge_lead"}


def test_evidence_alone_gives_the_same_tables(
    breathmap: Breathmap, bench: Path, recording: Path
) -> None:
    """The evidence file of a run, replayed by itself, gives that run's corrections and tables."""
    first, second = bench.parent / "first", bench.parent / "second"
    assert breathmap("replay", bench, recording, "--out", first).code == 0

    assert breathmap("replay", bench, first / EVIDENCE, "--out", second).code == 0

    for name in (f"{bank}-{kind}.csv" for bank in ("left", "right") for kind in KINDS):
        assert (first / name).read_text() == (second / name).read_text(), name


def test_result_tables_agree(breathmap: Breathmap, bench: Path, recording: Path) -> None:
    """A visited cell is the old one times one plus its correction, or richer where that is not safe
    yet; the others follow their neighbours, or are left."""
    out = bench.parent / "out"
    breathmap("replay", bench, recording, "--out", out)

    rows = {
        kind: list(csv.reader((out / f"left-{kind}.csv").read_text().splitlines()))
        for kind in KINDS
    }
    old = list(csv.reader((bench.parent / "left.csv").read_text().splitlines()))
    words = set()
    for j in range(1, 13):
        for i in range(1, 17):
            word = rows["decision"][j][i]
            words.add(word)
            new, was = float(rows["proposed"][j][i]), float(old[j][i])
            change = float(rows["correction"][j][i]) / 100.0
            if word == "changed":
                assert abs(new - was * (1.0 + change)) <= 0.25 + 1e-3 * was
            elif word in ("held", "untouched"):
                assert new == was
            elif word == "part":
                assert was * (1.0 + change) < new < was
            else:
                assert word == "neighbours"
                assert float(rows["coverage"][j][i]) == 0.0
                assert was * (1.0 + min(change, 0.15)) - 0.4 <= new
    assert all(table[0] == old[0] for table in rows.values())
    assert {"changed", "held"} < words


def test_results_are_not_overwritten(breathmap: Breathmap, bench: Path, recording: Path) -> None:
    """A folder that holds something is refused, and --replace writes over results only."""
    out = bench.parent / "out"
    out.mkdir()
    (out / "recording-001.bin").write_bytes(recording.read_bytes())

    refused(breathmap("replay", bench, recording, "--out", out), "not empty", "--replace")
    assert [p.name for p in out.iterdir()] == ["recording-001.bin"]
    again = breathmap("replay", bench, out / "recording-001.bin", "--out", out, "--replace")

    assert again.code == 0
    assert (out / "recording-001.bin").read_bytes() == recording.read_bytes()


def test_two_halves_are_the_whole(breathmap: Breathmap, bench: Path, recording: Path) -> None:
    """A recording cut in two and replayed as two files gives all but the samples at the cut."""
    data = recording.read_bytes()
    cut = len(data) // 2
    cut = data.index(b"\0", cut) + 5  # inside a frame, however short
    parts = [bench.parent / "a.bin", bench.parent / "b.bin"]
    parts[0].write_bytes(data[:cut])
    parts[1].write_bytes(data[cut:])

    ended = breathmap("replay", bench, *parts, "--out", bench.parent / "out", "--json")

    summary = json.loads(ended.out)
    whole = LinkReader()
    whole.feed(data)
    while whole.next_event() is not None:
        pass
    # The frame at the cut may be of a kind that learning does not know.
    halves = summary["link"]["frames"] + summary["link"]["unknown_type"]
    assert halves == whole.counters.frames + whole.counters.unknown_type - 1
    assert summary["samples"] >= 2999
    assert summary["sources"] == [str(p) for p in parts]
    assert "cut off inside a frame" in ended.err


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b" \n ", "the file is empty"),
        (b"\0" * 1000, "no frame of ours in its 1000 bytes"),
        (bytes(range(256)) * 20, "no frame of ours in its 5120 bytes"),
        (b"Time,rpm\n1,2\n", "this is no recording"),
    ],
)
def test_no_recording_is_refused(
    breathmap: Breathmap, bench: Path, content: bytes, said: str
) -> None:
    """A file that is no recording, and no log that was described, is one line, nothing written."""
    source = bench.parent / "source"
    source.write_bytes(content)
    out = bench.parent / "out"

    refused(breathmap("replay", bench, source, "--out", out), said)
    refused(breathmap("replay", bench, bench.parent / "none", "--out", out), "no such file")
    assert not out.exists()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[1000, 1300, ", "[1000, 1350, ", "breakpoint 2 is 1300 in the device and 1350"),
        ("7500]", "7500, 8000]", "device has 16 breakpoints where the engine description has 17"),
    ],
)
def test_recording_of_another_engine_is_refused(
    breathmap: Breathmap, bench: Path, recording: Path, old: str, new: str, said: str
) -> None:
    """A recording whose device has other axes than the description is refused with the place."""
    edit(bench, old, new)
    for name in ("left.csv", "right.csv"):
        table = bench.parent / name
        if "8000" in new:
            lines = table.read_text().splitlines()
            lines = [lines[0] + ",8000", *(line + ",70" for line in lines[1:])]
            table.write_text("\n".join(lines))
        else:
            edit(table, "1300", "1350")

    refused(breathmap("replay", bench, recording, "--out", bench.parent / "out"), said)


def test_recording_with_other_banks_is_refused(
    breathmap: Breathmap, bench: Path, recording: Path
) -> None:
    """A recording with more banks than the description is refused."""
    text = bench.read_text()
    cut = text.rindex("# The cylinders served by one lambda sensor.")
    end = text.index("# Thresholds of the gates")
    bench.write_text(text[:cut] + text[end:])

    refused(
        breathmap("replay", bench, recording, "--out", bench.parent / "out"),
        "the device has 2 banks, the engine description 1",
    )


def test_clipped_cells_are_told(breathmap: Breathmap, bench: Path, recording: Path) -> None:
    """Where the controller cannot store what a cell needs, the lean error is told and counted."""
    edit(bench, "max_pct = 102", "max_pct = 80")

    ended = breathmap("replay", bench, recording, "--out", bench.parent / "out")
    summary = json.loads((bench.parent / "out" / SUMMARY).read_text())

    assert "Caution:" in ended.out
    assert any("lean" in line for line in summary["warnings"])
    assert summary["banks"]["left"]["cells"]["saturated"] > 0
    proposed = (bench.parent / "out" / "left-proposed.csv").read_text().splitlines()[1:]
    assert max(float(v) for row in proposed for v in row.split(",")[1:] if float(v) != 7500) <= 105


def test_log_and_recording_teach_the_same(
    breathmap: Breathmap, bench: Path, recording: Path
) -> None:
    """The same ride as a CSV log and as a recording gives the same table within a step."""
    lines = ["t,n,p,th,cl,ia,bat,target,l,r"]
    for s in read_recording(recording.read_bytes()).samples():
        lines.append(
            f"{s.time_us / 1e6},{s.speed_rpm},{s.map_kpa},{s.throttle_pct},{s.coolant_c},"
            f"{s.intake_c},{s.battery_v},{s.target_lambda},"
            f"{s.measured_lambda[0]},{s.measured_lambda[1]}"
        )
    source = bench.parent / "ride.csv"
    source.write_text("\n".join(lines))
    names = ["speed_rpm n", "map_kpa p", "throttle_pct th", "coolant_c cl", "intake_c ia"]
    names += ["battery_v bat", "target_lambda target"]
    part = '\n[log]\ntime = { column = "t" }\n'
    part += "".join('{} = {{ column = "{}" }}\n'.format(*name.split()) for name in names)
    part += "".join(f'[[log.bank]]\nmeasured_lambda = {{ column = "{c}" }}\n' for c in "lr")
    bench.write_text(bench.read_text() + part)

    first = breathmap("replay", bench, source, "--out", bench.parent / "log")
    breathmap("replay", bench, recording, "--out", bench.parent / "rec")

    assert first.code == 0
    one, two = (
        (bench.parent / name / "left-correction.csv").read_text().splitlines()[1:]
        for name in ("log", "rec")
    )
    for a, b in zip(one, two, strict=True):
        for x, y in zip(a.split(","), b.split(","), strict=True):
            assert float(x) == pytest.approx(float(y), abs=0.3)


def test_simulate_writes_a_repeatable_recording(breathmap: Breathmap, tmp_path: Path) -> None:
    """The same seed writes the same recording; it is never overwritten; faults change it."""
    words = ("simulate", "--minutes", "0.2", "--out")
    assert breathmap(*words, tmp_path / "a.bin").code == 0
    assert breathmap(*words, tmp_path / "b.bin").code == 0
    assert breathmap(*words, tmp_path / "c.bin", "--faults", "sensor-biased=0.1@right").code == 0

    assert (tmp_path / "a.bin").read_bytes() == (tmp_path / "b.bin").read_bytes()
    assert (tmp_path / "a.bin").read_bytes() != (tmp_path / "c.bin").read_bytes()
    refused(breathmap(*words, tmp_path / "a.bin"), "never overwritten")


def test_simulate_names_drives_and_faults(breathmap: Breathmap) -> None:
    """--list names every drive and fault; every drive without a package can be made."""
    out = breathmap("simulate", "--list").out

    assert "european" in out
    assert "exhaust-leak" in out
    for name in DRIVES:
        assert name in out
        if not name.startswith("wltc"):
            assert parse_drive(name, 1.0, 1).duration_s > 0
    assert parse_drive("idle,brake", 1.0, 1).duration_s == 60.0 + 440.0


def test_second_pass_starts_from_given_tables(tmp_path: Path) -> None:
    """--tables stores tables in the simulated controller, so that a second pass can be made."""
    _, controller = college_bench("grid")
    other = tuple(tmp_path / f"{name}.csv" for name in ("left", "right"))
    write_college(tmp_path, *college_bench("grid"))
    edit(other[0], "\n20,", "\n20,99.6,")
    edit(other[0], ",99.6," + other[0].read_text().split(",99.6,")[1].split(",")[0], ",99.6")

    bench = prepare(Order(tables=other))

    assert bench.controller.read_ve(0)[0] == pytest.approx(99.6)
    assert bench.controller.read_ve(0)[1:] == controller.read_ve(0)[1:]
    assert bench.controller.read_ve(1) == controller.read_ve(1)


def test_simulated_device_says_who_it_is(tmp_path: Path) -> None:
    """A recording begins with the identity of the bench, axes included."""
    path = tmp_path / "a.bin"
    write_recording(prepare(Order(minutes=0.1)), path, Screen(quiet=True))
    reader = LinkReader()
    reader.feed(path.read_bytes())
    first = reader.next_event()

    assert isinstance(first, FrameEvent)
    assert first.type == IDENTITY.number


def loaded_by(arguments, **environment):
    """Run a command line as the console command does; return what it printed, and what it loaded
    of packages and of our modules."""
    code = f"import sys; sys.argv[1:] = {arguments}; import atexit; "
    code += "atexit.register(lambda: print(*sorted(sys.modules))); "
    code += "from breathmap.tools.cli.start import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60,
        env={**os.environ, **environment},
    )  # fmt: skip
    *lines, loaded = done.stdout.splitlines()
    return "\n".join(lines), set(loaded.split())


HEAVY = {"numpy", "scipy", "serial", "textual", "bokeh"}


def test_the_version_is_told_without_the_program():
    """The console command says its version without loading numpy, typer or any command."""
    line, loaded = loaded_by(["--version"])
    assert line == version_line()
    assert not (HEAVY | {"pydantic", "typer", "rich", "breathmap.tools.cli.main"}) & loaded


@pytest.mark.parametrize(("arguments", "environment", "wanted"), [
    (["--help"], {}, "Usage: breathmap"),
    ([], {}, "What to do first:"),
    ([], {"_BREATHMAP_COMPLETE": "complete_zsh", "_TYPER_COMPLETE_ARGS": "breathmap rep"},
     "replay"),
    ([], {"_BREATHMAP_COMPLETE": "complete_zsh", "_TYPER_COMPLETE_ARGS": "breathmap learn --"},
     "--give-up"),
    ([], {"_BREATHMAP_COMPLETE": "complete_zsh",
          "_TYPER_COMPLETE_ARGS": "breathmap board fetch x --b"}, "--baud"),
], ids=["help", "bare", "complete", "options", "options below"])  # fmt: skip
def test_help_and_shell_load_no_command(arguments, environment, wanted):
    """Help, the bare program and the shell's completion of commands and options load the tables of
    them and none of the commands."""
    text, loaded = loaded_by(arguments, **environment)
    assert wanted in text
    ours = {name for name in loaded if name.startswith("breathmap.")}
    files = ("start", "main", "commands", "listed", "listed_options", "outline")
    shelf = {f"breathmap.tools.cli.{name}" for name in files}
    rooms = {"breathmap.tools", "breathmap.tools.cli"}
    assert {name for name in ours if not name.startswith("breathmap.tools.base")} <= shelf | rooms
    assert not HEAVY & loaded


def test_the_table_of_commands_is_fresh():
    """What help shows of the commands is what they say themselves."""
    assert PLACE.read_text("utf-8") == table_text()
    assert OPTIONS.read_text("utf-8") == options_text()


def offered(command: Any, words: list[str], incomplete: str) -> list[tuple[str, str]]:
    """What a command completes after these words: names and their help."""
    with command.make_context(command.name, [*words], resilient_parsing=True) as context:
        found = command.shell_complete(context, incomplete)
        if incomplete[:1] != "-":
            offers = (one.shell_complete(context, incomplete) for one in command.params)
            found = [item for items in offers for item in items]
    return [(item.value, item.help or "") for item in found]


def test_the_shell_offers_what_the_commands_have():
    """From the outline of a command the shell completes the options, and the values, that the
    command itself has; an option that was given already is not offered again."""
    commands = whole().commands
    outlines = {name: outline(name, partial(commands.__getitem__, name)) for name in commands}
    listed = dict(walk(outlines))
    for path, command in walk(commands):
        if hasattr(command, "commands"):
            assert offered(listed[path], [], "") == offered(command, [], "")
            continue
        for words in ([], ["--json"]):
            options = offered(command, words, "--")
            assert len(options) >= 1
            assert offered(listed[path], words, "--") == options
        assert offered(listed[path], [], "r") == offered(command, [], "r")


@pytest.mark.parametrize("command", ["learn monday ride.bin", "axes monday --apply"])
def test_what_is_neither_job_nor_engine_is_named(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breathmap: Breathmap
) -> None:
    """A job's name spelled wrong is what the line is about, not what comes behind it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ride.bin").write_bytes(b"\0")
    refused(breathmap(*command.split()), "monday: there is no such job or file", "breathmap new")
    (tmp_path / "monday").mkdir()
    refused(breathmap(*command.split()), "monday: is a folder, but no job", "breathmap new")
