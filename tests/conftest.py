"""What all tests share: the checkout as `breathmap`, installed or not; bench; command line."""

import importlib.util
import shutil
import sys
from pathlib import Path
from types import ModuleType

if importlib.util.find_spec("breathmap") is None:
    package = ModuleType("breathmap")
    package.__path__ = [str(Path(__file__).resolve().parents[1])]
    sys.modules["breathmap"] = package

import pytest
from command_line import Breathmap, Ended

# `breathmap.tools` comes before numpy: it sets the number of threads.
from breathmap.tools.cli.main import run
from breathmap.tools.demo.teaching_bench import college_bench, write_college


@pytest.fixture(scope="session")
def package_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the checkout stands under its installed name, for other interpreters."""
    folder = tmp_path_factory.mktemp("packages")
    (folder / "breathmap").symlink_to(Path(__file__).resolve().parents[1])
    return folder


@pytest.fixture
def board_program() -> str:
    """The path of the real MicroPython."""
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if found is None:
        pytest.skip("no micropython here")
    return found


@pytest.fixture
def breathmap(capsys: pytest.CaptureFixture[str]) -> Breathmap:
    """Run `breathmap` in this process, as a person would."""

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
