"""What the tests of tools share: the bench, a short recording, a way to run a command."""

from pathlib import Path

import pytest
from command_line import Breathmap, Ended

from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.main import run
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.demo.teaching_bench import college_bench, write_college


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
