"""What all tests share: the checkout as `breathmap`, installed or not; bench; recording;
command line."""

import gc
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from checkout import ROOT

if importlib.util.find_spec("breathmap") is None:
    package = ModuleType("breathmap")
    package.__path__ = [str(ROOT)]
    sys.modules["breathmap"] = package

import pytest
from command_line import Breathmap, Ended
from longest import place

# `breathmap.tools` comes before numpy: it sets the number of threads.
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli.main import run
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.demo.teaching_bench import college_bench, write_college


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let the longest files begin; `tools/start.py` tells xdist to keep this order."""
    items.sort(key=lambda item: place(item.path))


def pytest_collection_finish() -> None:
    """Leave thousands of tests and what they import out of every look for garbage."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def package_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the checkout stands under its installed name, for other interpreters."""
    folder = tmp_path_factory.mktemp("packages")
    (folder / "breathmap").symlink_to(ROOT)
    return folder


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two simulated minutes of road riding, 25 samples a second."""
    path = tmp_path_factory.mktemp("recording") / "ride.bin"
    write_recording(prepare(Order(minutes=2.0)), path, Screen(quiet=True))
    return path


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
