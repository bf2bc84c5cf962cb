"""What the tests of a job share: a way to run a command, as a person would."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tools"))

from command_line import Breathmap, Ended

from breathmap.tools.cli.main import run


@pytest.fixture
def breathmap(capsys: pytest.CaptureFixture[str]) -> Breathmap:
    """Run `breathmap` in this process."""

    def call(*arguments: object) -> Ended:
        capsys.readouterr()
        code = run([str(a) for a in arguments])
        caught = capsys.readouterr()
        return Ended(code, caught.out, caught.err)

    return call
