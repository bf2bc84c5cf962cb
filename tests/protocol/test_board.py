"""The board-safe half under the real MicroPython, in a small heap."""

import subprocess
from pathlib import Path

import pytest
from processes import program
from wire_cases import FRAME_VECTORS, ROOM, STREAM_VECTORS

HEAP = "96k"


@pytest.fixture(scope="module")
def board_report(package_folder):
    """What the board script printed, by name."""
    script = Path(__file__).with_name("board_vectors.py")
    command = [
        program("micropython"),
        "-X",
        f"heapsize={HEAP}",
        script,
        package_folder,
        ROOM / "vectors.json",
    ]
    run = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert run.returncode == 0, run.stdout + run.stderr
    print(run.stdout)
    return {name: int(value) for name, value in map(str.split, run.stdout.splitlines())}


def test_a_board_agrees_on_every_vector(board_report):
    """MicroPython packs, builds and reads every vector as CPython does."""
    assert board_report["frames"] == len(FRAME_VECTORS)
    assert board_report["streams"] == len(STREAM_VECTORS)


def test_a_board_has_room_left(board_report):
    """All that a board needs leaves more than half of a 96 KiB heap for the rest."""
    # Measured on a 64-bit build, where every object is twice as large as on a microcontroller.
    assert board_report["import_bytes"] < 48_000


def test_a_board_can_run_for_hours(board_report):
    """Two thousand frames read and sent leave nothing behind in the heap."""
    assert board_report["loop_growth_bytes"] <= 256
