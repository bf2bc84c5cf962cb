"""How a command line ended, and what a refusal looks like."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass
class Ended:
    """Exit code and what was printed."""

    code: int
    out: str
    err: str


Breathmap = Callable[..., Ended]


def refused(ended: Ended, *said: str) -> None:
    """Assert exit code 2 and exactly one line on stderr that holds all of `said`."""
    assert ended.code == 2
    assert ended.err.endswith("\n")
    assert ended.err.count("\n") == 1
    for text in said:
        assert text in ended.err
