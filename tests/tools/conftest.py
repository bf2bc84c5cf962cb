"""What the tests of tools share: a short recording."""

from pathlib import Path

import pytest

from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two minutes of road riding, 25 samples a second."""
    path = tmp_path_factory.mktemp("recording") / "ride.bin"
    write_recording(prepare(Order(minutes=2.0)), path, Screen(quiet=True))
    return path
