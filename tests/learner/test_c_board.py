"""The bare board's application, executed by an emulator: it learns what a host learns."""

import json
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
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
from breathmap.protocol.wire import evidence_codes as codes
from breathmap.protocol.wire.device import unpack_payload
from breathmap.protocol.wire.events import Event, FrameEvent
from breathmap.protocol.wire.evidence_fields import LEARNER_ROW
from breathmap.protocol.wire.evidence_parts import BankNumbers
from breathmap.tools.base.errors import UserError
from breathmap.tools.bench import c_board
from breathmap.tools.bench.c_board import RIDE, SLOTS, compile_core, emulator, engine
from breathmap.tools.bench.c_board import run as run_board
from breathmap.tools.cli.main import run
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.install.requests import (
    BoardLink,
    BoardStatus,
    board_status,
    clear_board,
    fetch_snapshot,
)
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
def build(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Build the example for a core whose engine-free part is compiled the first time only."""
    need("arm-none-eabi-gcc", "qemu-system-arm")

    @cache
    def objects(core: str) -> list[Path]:
        return compile_core(tmp_path_factory.mktemp(core), core)

    def built(
        folder: Path, settings: Settings, core: str = "cortex-m4", name: str = "bench"
    ) -> Path:
        return c_board.build(folder, settings, core, objects(core), name=name)

    return built


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


@pytest.fixture(scope="module")
def expected(college: Path, ride: bytes) -> list[BankNumbers]:
    """What a board holds after the whole ride."""
    return on_host(in_single(college), ride)


def latest(folder: Path) -> tuple[Path, Snapshot]:
    """The slot with the latest snapshot, and that."""
    slots = [folder / name for name in SLOTS if (folder / name).exists()]
    found = [(path, from_bytes(path.read_bytes())) for path in slots]
    return max(found, key=lambda one: one[1].number)


@pytest.mark.parametrize("core", c_board.CORES)
def test_an_emulated_board_learns_what_a_host_learns(
    tmp_path, college, ride, expected, build, core
):
    """Bytes from a bridge in, evidence out: every sum and correction of the host's single-precision
    learner, bit for bit; the noise to 12 digits where the core has no unit for double precision and
    its library rounds powers otherwise. breathmap takes the file as evidence."""
    (tmp_path / RIDE).write_bytes(ride)
    settings = in_single(college)
    name = load(college)[0].engine.name
    said = run_board(build(tmp_path, settings, core, name), core)
    assert said["samples"] == len(read_recording(ride).table)
    assert said["snapshot found"] == 0
    path, snapshot = latest(tmp_path)
    for board, host in zip(snapshot.numbers, expected, strict=True):
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


def test_what_was_learned_outlives_a_power_cut(tmp_path, college, ride, build):
    """A board that starts again goes on from the latest whole snapshot; with the latest slot cut
    short or damaged, from the one before; with both, anew."""
    (tmp_path / RIDE).write_bytes(ride)
    program = build(tmp_path, in_single(college))
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


def test_evidence_of_another_table_is_not_taken_up(tmp_path, college, ride, build):
    """A snapshot over other cells is passed over: its fingerprint is another."""
    (tmp_path / RIDE).write_bytes(ride[:30_000])
    settings = in_single(college)
    run_board(build(tmp_path, settings), "cortex-m4")
    table = settings.banks[0].table
    table.cells[3] += 1.0
    assert run_board(build(tmp_path, settings), "cortex-m4")["snapshot found"] == 0


@contextmanager
def staying_board(program: Path) -> Iterator[str]:
    """An emulated board that stays for its host; yields the address of its serial line."""
    stay = program.parent / "stay"
    stay.touch()
    with socket.create_server(("127.0.0.1", 0)) as line:
        number = line.fileno()
        words = emulator(program, "cortex-m4", "chardev:line")
        words += ["-chardev", f"socket,id=line,fd={number},server=on,wait=off"]
        process = subprocess.Popen(
            words, cwd=program.parent, pass_fds=[number], stdout=subprocess.DEVNULL
        )
        try:
            yield f"socket://127.0.0.1:{line.getsockname()[1]}"
            stay.unlink()
            assert process.wait(60) == 0
        finally:
            process.kill()
            process.wait(10)


@pytest.fixture(scope="module")
def short_ride(ride: bytes) -> bytes:
    """Half a minute of it: less than from one save to the next."""
    return ride[:40_000]


@pytest.fixture(scope="module")
def bare_board(
    tmp_path_factory: pytest.TempPathFactory,
    college: Path,
    short_ride: bytes,
    build: Callable[..., Path],
) -> Iterator[str]:
    """A board that has begun to learn half a minute; yields the address of its serial line."""
    folder = tmp_path_factory.mktemp("bare")
    (folder / RIDE).write_bytes(short_ride)
    program = build(folder, in_single(college), name=load(college)[0].engine.name)
    with staying_board(program) as port:
        yield port


def learned(port: str, short_ride: bytes) -> BoardStatus:
    """What a bare board says of itself once it has learned all of the ride."""
    count = len(read_recording(short_ride).table)
    with BoardLink(port) as link:
        while (found := board_status(link)).banks[0]["samples_seen"] < count:
            pass
    return found


def test_a_bare_board_is_fetched_like_any_other(tmp_path, college, short_ride, bare_board):
    """`board fetch` brings a bare board's evidence over its serial line, every sum and correction
    the host's in single precision, bit for bit; fetched again it is the same, and there once."""
    learned(bare_board, short_ride)
    out = tmp_path / "fetched"
    on_paper = on_host(in_single(college), short_ride)
    summaries = []
    for _ in range(2):
        assert run(["board", "fetch", str(college), bare_board, "--out", str(out)]) == 0
        (path,) = out.glob("board-*.bin")
        snapshot = from_bytes(path.read_bytes())
        for board, host in zip(snapshot.numbers, on_paper, strict=True):
            assert (board.cells, board.border) == (host.cells, host.border)
            assert board.doubles[1:] == host.doubles[1:]
            assert board.doubles[0] == pytest.approx(host.doubles[0], rel=1e-12)
        summaries.append(json.loads((out / "summary.json").read_text("utf-8"))["banks"])
    assert summaries[0] == summaries[1]
    assert snapshot.heads[0]["samples_used"] > 300


def test_a_bare_board_tells_what_it_is_and_did(college, short_ride, bare_board):
    """Its status has its axes, and of every bank each sample once: used, or refused and why."""
    found = learned(bare_board, short_ride)
    assert "bare board" in found.lines()[0]
    table = in_single(college).banks[0].table
    speeds = [one["speed_rpm"] for one in found.identity["speed_points"]]
    loads = [one["load"] for one in found.identity["load_points"]]
    assert (speeds, loads) == (list(table.speed_rpm), list(table.load))
    for values in found.banks:
        refused = sum(entry["refused"] for entry in values["refusals"])
        assert values["samples_seen"] == values["samples_used"] + refused


def test_a_bare_board_sends_its_table_and_refuses_what_is_not_there(college, bare_board):
    """Row by row it sends the table that it learns on; what it does not have is one line."""
    table = in_single(college).banks[1].table
    found: list[float] = []

    def row(event: Event) -> bool:
        if isinstance(event, FrameEvent) and event.type == LEARNER_ROW.number:
            found.extend(c["ve_pct"] for c in unpack_payload(LEARNER_ROW, event.payload)["cells"])
        return bool(found)

    with BoardLink(bare_board) as link:
        link.ask(codes.SEND_ROW, row, 1, 2)
        for action, bank, place, of in (
            (codes.SEND_ROW, 0, table.load_count, 0),
            (codes.SEND_PARTS, 2, 0, 1),
            (99, 0, 0, 0),
        ):
            with pytest.raises(UserError, match="no such action, bank, row or part"):
                link.ask(action, lambda event: False, bank, place, of)
        for action, of in ((codes.SEND_PARTS, 12_345), (codes.CLEAR, 12_345)):
            with pytest.raises(UserError, match="another snapshot or origin"):
                link.ask(action, lambda event: False, 0, 0, of)
    columns = table.speed_count
    assert found == pytest.approx(table.cells[2 * columns : 3 * columns], abs=0.005)


def test_noise_on_the_hosts_line_harms_nothing(bare_board):
    """Any bytes from the host, also far too many in a run, are counted; requests are answered."""
    with BoardLink(bare_board) as link:
        before = board_status(link).banks[0]["bad_received"]
        link._port.write(b"\0" + b"\x07" * 1000 + b"\0" + b"\x05\x48\xff\0")
        assert board_status(link).banks[0]["bad_received"] == before + 2


def test_a_cleared_bare_board_begins_anew(bare_board):
    """After `clear` its evidence has another origin and nothing in it; asked once more, it loses
    nothing."""
    with BoardLink(bare_board) as link:
        before = fetch_snapshot(link)
        clear_board(link, before.origin)
        clear_board(link, before.origin)
        after = fetch_snapshot(link)
    assert before.heads[0]["samples_used"] > 300
    assert after.origin not in (before.origin, 0)
    assert after.number > before.number
    for head, numbers in zip(after.heads, after.numbers, strict=True):
        assert head["samples_used"] == head["samples_seen"] == 0
        assert not any(numbers.cells)
        assert not any(numbers.border)
        assert not any(numbers.doubles[1:])


def test_two_banks_of_16_by_16_below_32_kb(tmp_path, build):
    """On a 32-bit core the learner of 16 x 16 x 2 cells takes less than 32,768 bytes."""
    (tmp_path / RIDE).write_bytes(NOTHING)
    said = run_board(build(tmp_path, engine(16, 2)), "cortex-m4")
    print(said)
    assert np.float64(said["learner bytes"] + said["application bytes"]) < 32_768


def test_without_a_compiler_it_says_so(monkeypatch, capsys):
    """The benchmark names the missing program in one line, exit code 2."""
    monkeypatch.setenv("PATH", "")
    assert c_board.main(["--minutes", "0.1"]) == 2
    assert "arm-none-eabi-gcc" in capsys.readouterr().err
