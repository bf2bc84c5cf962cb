"""The application under the real MicroPython, its host's end on a pseudo-terminal."""

import json

import numpy as np
import pytest
from board_bench import (
    board_folder,
    running_board,
    small_description,
    tables_of,
    write_bench,
    write_ride,
)

from breathmap.protocol.host.evidence import from_bytes
from breathmap.protocol.wire import evidence_codes as codes
from breathmap.protocol.wire.device import unpack_payload
from breathmap.protocol.wire.events import FrameEvent
from breathmap.protocol.wire.evidence_fields import LEARNER_ROW
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.board.slots import NAMES
from breathmap.tools.cli.main import run
from breathmap.tools.install.requests import (
    BoardLink,
    board_status,
    clear_board,
    fetch_snapshot,
)
from breathmap.tools.run.evidence_files import evidence_of, fitting
from breathmap.tools.run.learning import replay

MINUTES = 2.0


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A description of eight by eight cells, its tables, and two simulated minutes of road with too
    little fuel pressure."""
    folder = tmp_path_factory.mktemp("bench")
    description = small_description(8)
    tables = tables_of(description, 45.0)  # what so lean an engine needs can be stored
    path = write_bench(folder, description, tables)
    ride = folder / "ride.bin"
    write_ride(ride, MINUTES, faults="fuel-pressure-wrong=0.78")
    return description, tables, path, ride


@pytest.fixture(scope="module")
def board(bench, tmp_path_factory):
    """A running board that has learned the whole ride; yields the path of its port."""
    description, tables, _, ride = bench
    folder = board_folder(tmp_path_factory.mktemp("board") / "flash", description, tables, 8)
    with running_board(folder, ride) as (process, port):
        yield port, folder
        assert process.stderr is not None
        assert process.poll() is None, process.stderr.read()


@pytest.fixture(scope="module")
def learned(board):
    """What the board says once it has seen every sample."""
    port, _ = board
    with BoardLink(port) as link:
        while True:
            found = board_status(link)
            if found.banks[0]["samples_seen"] >= 60 * MINUTES * 25 - 1:
                return found


def test_status_says_what_the_board_did(learned):
    """A board tells its axes, and of every bank how many samples it used and why it refused."""
    assert learned.identity["speed_count"] == learned.identity["load_count"] == 8
    for values in learned.banks:
        refused = sum(entry["refused"] for entry in values["refusals"])
        assert values["samples_seen"] == values["samples_used"] + refused
        assert values["samples_used"] > 1000
    assert "refused most" in "\n".join(learned.lines())


def table_of(link, bank, rows):
    """Return the table that a bank of the board learns on, row by row, VE in per cent."""
    table = []
    for number in range(rows):
        cells: list[float] = []

        def row(event, number=number, cells=cells):
            if isinstance(event, FrameEvent) and event.type == LEARNER_ROW.number:
                values = unpack_payload(LEARNER_ROW, event.payload)
                if (values["bank"], values["row"]) == (bank, number):
                    cells.extend(cell["ve_pct"] for cell in values["cells"])
            return bool(cells)

        link.ask(codes.SEND_ROW, row, bank, number)
        table.append(cells)
    return table


def test_the_board_shows_the_table_it_learns_on(bench, board, learned):
    """Row by row a board sends the table that was installed on it."""
    _, tables, _, _ = bench
    with BoardLink(board[0]) as link:
        rows = table_of(link, 1, 8)
    assert [cell for row in rows for cell in row] == tables[1]


def test_board_and_host_learn_the_same_to_the_last_bit(bench, board, learned, tmp_path):
    """In double precision the evidence fetched from a board equals that of a replay on the host."""
    description, tables, path, ride = bench
    with BoardLink(board[0]) as link:
        snapshot = fetch_snapshot(link)
    fitting("the board", snapshot, description.settings(tables), description.engine.name)
    outcome = replay(path, [ride], tmp_path / "replayed", Screen(quiet=True))
    for result, numbers, head in zip(
        outcome.results, snapshot.numbers, snapshot.heads, strict=True
    ):
        ours, theirs = result.bank.evidence, evidence_of(numbers, head)
        assert head["samples_used"] == result.bank.used_count
        assert list(ours.cells) == list(theirs.cells)
        assert list(ours.border) == list(theirs.border)
        assert list(ours.term_x) == list(theirs.term_x)
        assert ours.noise == theirs.noise


def test_a_board_counts_the_lean_alarms_that_a_host_counts(bench, board, learned, tmp_path):
    """Beside its evidence a board keeps how many lean alarms there were, and the worst, as a replay
    on the host finds them."""
    _, _, path, ride = bench
    with BoardLink(board[0]) as link:
        fetch_snapshot(link)  # which it saves before
    alarms = replay(path, [ride], tmp_path / "replayed", Screen(quiet=True)).summary.alarms
    assert alarms is not None
    lean = [one for one in alarms.episodes if one.kind == "lean_under_load"]
    assert len(lean) > 1
    worst = max(lean, key=lambda one: one.worst - (one.limit or 0.0))
    assert (board[1] / "alarms.txt").read_text("utf-8") == (
        f"lean alarms since the start: {len(lean)}; worst: lambda {worst.worst:.2f}, limit "
        f"{worst.limit:.2f} ({worst.bank}), {worst.speed_rpm or 0:.0f} rpm, "
        f"load {worst.load or 0:.0f}\n"
    )


def test_fetching_again_adds_nothing(bench, board, learned, tmp_path, capsys):
    """However often a board's evidence is fetched into a folder, it is there once."""
    _, _, path, _ = bench
    out = tmp_path / "learned"
    summaries = []
    for _ in range(3):
        assert run(["board", "fetch", str(path), board[0], "--out", str(out)]) == 0
        summaries.append(json.loads((out / "summary.json").read_text("utf-8")))
    assert len(list(out.glob("board-*.bin"))) == 1
    first, *others = [summary["banks"] for summary in summaries]
    assert all(other == first for other in others)
    assert first["left"]["used"] == learned.banks[0]["samples_used"]
    assert (out / "left-proposed.csv").exists()


def test_a_job_takes_a_boards_evidence_once(bench, board, learned, tmp_path, capsys):
    """Fetched into a job's open pass once or three times, a board's evidence makes the same
    proposal, and the job's history can learn it again byte for byte."""
    _, _, path, _ = bench
    proposals = []
    for times in (1, 3):
        job = tmp_path / f"job{times}"
        assert run(["new", str(job), "--engine", str(path)]) == 0
        for _ in range(times):
            assert run(["board", "fetch", str(job), board[0]]) == 0
        assert run(["propose", str(job)]) == 0, capsys.readouterr().err
        (folder,) = (job / "proposals").iterdir()
        proposals.append({f.name: f.read_bytes() for f in folder.glob("*.csv")})
        assert run(["history", str(job), "--verify"]) == 0, capsys.readouterr().err
    assert proposals[0]
    assert proposals[0] == proposals[1]


def test_status_is_a_command(board, learned, capsys):
    """`breathmap board status` prints what the board says of itself."""
    assert run(["board", "status", board[0]]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "learning board" in text
    assert "bank 2:" in text


def test_another_engines_evidence_is_refused(bench, board, learned, tmp_path, capsys):
    """Evidence of another engine, other axes, another table or other terms is one clear line."""
    description, tables, _, _ = bench
    cases = {
        "another engine": (small_description(8, name="other bench"), tables),
        "learned on 8 loads x 8 speeds": (small_description(7), None),
        "another table or other axes": (description, tables_of(description, 62.0)),
        "global terms": (small_description(8, charge_lead=True), tables),
    }
    for words, (other, cells) in cases.items():
        folder = tmp_path / words.replace(" ", "-")
        path = write_bench(folder, other, cells or tables_of(other))
        assert run(["board", "fetch", str(path), board[0], "--out", str(folder / "out")]) == 2
        line = capsys.readouterr().err.strip()
        assert words in line
        assert "\n" not in line
        assert not (folder / "out").exists()


def test_a_cleared_board_begins_anew(bench, tmp_path):
    """After `clear` a board's evidence has another origin and nothing in it; asked once more, or
    for another origin, it loses nothing."""
    description, tables, _, _ = bench
    folder = board_folder(tmp_path / "flash", description, tables)
    short = tmp_path / "short.bin"
    count = write_ride(short, 0.4)
    with running_board(folder, short) as (_, port), BoardLink(port) as link:
        while board_status(link).banks[0]["samples_seen"] < count:
            pass
        before = fetch_snapshot(link)
        clear_board(link, before.origin)
        clear_board(link, before.origin)
        after = fetch_snapshot(link)
    assert before.heads[0]["samples_used"] > 300
    assert after.origin != before.origin
    assert after.number > before.number
    assert after.heads[0]["samples_used"] == 0
    assert not np.any(np.array(after.numbers[0].cells))


def test_clearing_that_is_not_kept_is_told_each_time(bench, tmp_path):
    """Where the memory fails after the evidence is gone, asking again is no success either."""
    description, tables, _, _ = bench
    folder = board_folder(tmp_path / "flash", description, tables)
    short = tmp_path / "short.bin"
    write_ride(short, 0.05)
    with running_board(folder, short) as (_, port), BoardLink(port) as link:
        before = fetch_snapshot(link)
        for slot in NAMES:
            (folder / slot).unlink(missing_ok=True)
            (folder / slot).mkdir()
        for _ in range(2):
            with pytest.raises(UserError, match="could not be written to memory"):
                clear_board(link, before.origin)


def test_evidence_outlives_a_power_cut(bench, tmp_path):
    """A board that is killed and started again goes on from its last snapshot, under the same
    origin."""
    description, tables, _, _ = bench
    folder = board_folder(tmp_path / "flash", description, tables)
    short = tmp_path / "short.bin"
    count = write_ride(short, 0.4)
    snapshots = []
    for _ in range(2):
        with running_board(folder, short) as (process, port), BoardLink(port) as link:
            while board_status(link).banks[0]["samples_seen"] < count:
                pass
            snapshots.append(fetch_snapshot(link))
            process.kill()
    one, two = snapshots
    assert two.origin == one.origin
    assert two.heads[0]["samples_used"] == 2 * one.heads[0]["samples_used"]
    assert from_bytes((folder / "evidence-0.bin").read_bytes()).origin == one.origin
