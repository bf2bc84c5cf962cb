"""What the tests of tools share: the bench, a short recording, a way to run a command."""

from pathlib import Path

import pytest
from command_line import Breathmap, Ended

from tools.cli import run
from tools.college import college_bench, write_college
from tools.screen import Screen
from tools.simulating import Order, prepare, write_recording


@pytest.fixture
def breathmap(capsys: pytest.CaptureFixture[str]) -> Breathmap:
    """Run `breathmap` in this process."""

    def call(*arguments: object) -> Ended:
        capsys.readouterr()
        code = run([str(a) for a in arguments])
        caught = capsys.readouterr()
        return Ended(code, caught.out, caught.err)

    return call


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A fresh folder with the bench's description and tables; returns the description."""
    return write_college(tmp_path / "bench", *college_bench())


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two minutes of road riding, 25 samples a second."""
    path = tmp_path_factory.mktemp("recording") / "ride.bin"
    write_recording(prepare(Order(minutes=2.0)), path, Screen(quiet=True))
    return path
