"""Programs that tests start, and waiting for what they do."""

import sys
import time
from collections.abc import Callable

import pytest

from breathmap.tools.install.files import find_program

# The command as a process of its own; what follows are its arguments.
BREATHMAP = [sys.executable, "-m", "breathmap.tools.cli.main"]


def program(name: str) -> str:
    """Return a program's path, or skip with the reason."""
    found = find_program(name)
    if found is None:
        pytest.skip(f"no {name} here")
    return found


def wait_for(condition: Callable[[], object], seconds: float = 60.0, pause_s: float = 0.02) -> None:
    """Wait until a condition holds; fail when it does not come to. The time is for a machine that
    does much else, and nothing that is promised."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it did not happen in time"
        time.sleep(pause_s)
