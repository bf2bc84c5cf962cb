"""A short ride for the page's tests."""

from pathlib import Path

import pytest

from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording


@pytest.fixture(scope="session")
def ride(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty-four seconds of road riding, 25 samples a second."""
    path = tmp_path_factory.mktemp("page") / "ride.bin"
    write_recording(prepare(Order(minutes=0.4)), path, Screen(quiet=True))
    return path
