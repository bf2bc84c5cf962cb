"""Makes the checkout importable as `breathmap`, installed or not."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

if importlib.util.find_spec("breathmap") is None:
    package = ModuleType("breathmap")
    package.__path__ = [str(Path(__file__).resolve().parents[1])]
    sys.modules["breathmap"] = package

import pytest

import breathmap.tools  # noqa: F401  before numpy: it sets the number of threads


@pytest.fixture(scope="session")
def package_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the checkout stands under its installed name, for other interpreters."""
    folder = tmp_path_factory.mktemp("packages")
    (folder / "breathmap").symlink_to(Path(__file__).resolve().parents[1])
    return folder
