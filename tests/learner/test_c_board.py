"""The bare board's application, executed by an emulator: it learns what a host learns."""

from pathlib import Path

import numpy as np
import pytest
from bridge_cases import need

from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.snapshot import numbers_of
from breathmap.learner.core.stream import Learner
from breathmap.learner.core.table import Table
from breathmap.protocol.host.evidence import Snapshot, from_bytes
from breathmap.protocol.host.recording import read_recording
from breathmap.protocol.wire.evidence_parts import BankNumbers
from breathmap.tools.bench import c_board
from breathmap.tools.bench.c_board import RIDE, SLOTS, build, engine
from breathmap.tools.bench.c_board import run as run_board
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.make.engine import main as make_engine
from breathmap.tools.run.evidence_files import add_to_session
from breathmap.tools.run.learning import load
from breathmap.tools.run.session import Session

SAVE_EVERY_US = 60_000_000
NOTHING = b"\0"


@pytest.fixture(scope="module")
def college(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The teaching bench's engine description."""
    folder = tmp_path_factory.mktemp("college")
    parameters, controller = college_bench("continuous", "wideband")
    write_college(folder, parameters, controller, "wideband")
    return folder / "engine.toml"


@pytest.fixture(scope="module")
def ride() -> bytes:
    """Three minutes on the road over a bad cable."""
    bench = prepare(Order(minutes=3.0, faults="frames-lost"))
    return b"".join(frame for _, frame in frames_on_cable(bench))


def in_single(description_path: Path) -> Settings:
    """The engine as a board in single precision has it."""
    description, tables = load(description_path)
    settings = description.settings(tables)
    settings.banks = [
        BankSettings(b.name, Table(list(b.table.speed_rpm), list(b.table.load),
                                   list(b.table.cells), "f"), b.delay)
        for b in settings.banks
    ]  # fmt: skip
    return settings


def on_host(settings: Settings, ride: bytes) -> list[BankNumbers]:
    """What a host's learner in single precision holds that saves as often as the board."""
    learner = Learner(settings, "f")
    saved_us = None
    for sample in read_recording(ride).samples():
        learner.learn_one(sample)
        saved_us = sample.time_us if saved_us is None else saved_us
        if sample.time_us - saved_us >= SAVE_EVERY_US:
            saved_us = sample.time_us
            for bank in learner.banks:
                numbers_of(bank.evidence)
    return [numbers_of(bank.evidence) for bank in learner.banks]


def latest(folder: Path) -> tuple[Path, Snapshot]:
    """The slot with the latest snapshot, and that."""
    slots = [folder / name for name in SLOTS if (folder / name).exists()]
    found = [(path, from_bytes(path.read_bytes())) for path in slots]
    return max(found, key=lambda one: one[1].number)


@pytest.mark.parametrize("core", c_board.CORES)
def test_an_emulated_board_learns_what_a_host_learns(tmp_path, college, ride, core):
    """Bytes from a bridge in, evidence out: every sum and correction of the host's single-precision
    learner, bit for bit; the noise to 12 digits where the core has no unit for double precision and
    its library rounds powers otherwise. breathmap takes the file as evidence."""
    need("arm-none-eabi-gcc", "qemu-system-arm")
    (tmp_path / RIDE).write_bytes(ride)
    settings = in_single(college)
    name = load(college)[0].engine.name
    said = run_board(build(tmp_path, settings, core, name=name), core)
    assert said["samples"] == len(read_recording(ride).table)
    assert said["snapshot found"] == 0
    path, snapshot = latest(tmp_path)
    for board, host in zip(snapshot.numbers, on_host(settings, ride), strict=True):
        assert board.cells == host.cells
        assert board.border == host.border
        assert board.doubles[1:] == host.doubles[1:]
        assert board.doubles[0] == pytest.approx(host.doubles[0], rel=1e-12)
        assert core != "cortex-m7" or board.doubles[0] == host.doubles[0]

    session = Session(*load(college))
    add_to_session(session, path)
    assert session.samples == said["samples"]
    assert session.learner.banks[0].used_count > 3000


def test_an_engine_as_c(tmp_path, college, capsys):
    """make_engine writes the header of a description, and says in one line what is wrong."""
    assert make_engine([str(college), str(tmp_path / "engine.h")]) == 0
    assert (tmp_path / "engine.h").read_text("utf-8").count("engine_cells_") == 4
    assert make_engine([str(tmp_path / "none.toml"), str(tmp_path / "other.h")]) == 2
    assert "none.toml" in capsys.readouterr().err
    assert not (tmp_path / "other.h").exists()


def test_what_was_learned_outlives_a_power_cut(tmp_path, college, ride):
    """A board that starts again goes on from the latest whole snapshot; with the latest slot cut
    short or damaged, from the one before; with both, anew."""
    need("arm-none-eabi-gcc", "qemu-system-arm")
    (tmp_path / RIDE).write_bytes(ride)
    program = build(tmp_path, in_single(college), "cortex-m4")
    run_board(program, "cortex-m4")
    path, before = latest(tmp_path)

    (tmp_path / RIDE).write_bytes(NOTHING)
    assert run_board(program, "cortex-m4")["snapshot found"] == before.number
    path, again = latest(tmp_path)
    assert (again.number, again.origin) == (before.number + 1, before.origin)
    for left, right in zip(before.numbers, again.numbers, strict=True):
        assert (left.cells, left.border, left.doubles) == (right.cells, right.border, right.doubles)

    whole = path.read_bytes()
    path.write_bytes(whole[:-1000])
    assert run_board(program, "cortex-m4")["snapshot found"] == before.number
    for name in SLOTS:
        damaged = bytearray((tmp_path / name).read_bytes())
        damaged[5000] ^= 0x10
        (tmp_path / name).write_bytes(damaged)
    assert run_board(program, "cortex-m4")["snapshot found"] == 0


def test_evidence_of_another_table_is_not_taken_up(tmp_path, college, ride):
    """A snapshot over other cells is passed over: its fingerprint is another."""
    need("arm-none-eabi-gcc", "qemu-system-arm")
    (tmp_path / RIDE).write_bytes(ride[:30_000])
    settings = in_single(college)
    run_board(build(tmp_path, settings, "cortex-m4"), "cortex-m4")
    table = settings.banks[0].table
    table.cells[3] += 1.0
    assert run_board(build(tmp_path, settings, "cortex-m4"), "cortex-m4")["snapshot found"] == 0


def test_two_banks_of_16_by_16_below_32_kb(tmp_path):
    """On a 32-bit core the learner of 16 x 16 x 2 cells takes less than 32,768 bytes."""
    need("arm-none-eabi-gcc", "qemu-system-arm")
    (tmp_path / RIDE).write_bytes(NOTHING)
    said = run_board(build(tmp_path, engine(16, 2), "cortex-m4"), "cortex-m4")
    print(said)
    assert np.float64(said["learner bytes"] + said["application bytes"]) < 32_768


def test_without_a_compiler_it_says_so(monkeypatch, capsys):
    """The benchmark names the missing program in one line, exit code 2."""
    monkeypatch.setenv("PATH", "")
    assert c_board.main(["--minutes", "0.1"]) == 2
    assert "arm-none-eabi-gcc" in capsys.readouterr().err
