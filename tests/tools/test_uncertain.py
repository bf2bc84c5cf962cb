"""How a number with its standard error is spelled."""

import pytest
from checkout import ROOT

from breathmap.tools.base.uncertain import error_text, signed_text, value_text

TOOLS = ROOT / "tools"


def test_value_error_and_unit() -> None:
    """A value, its error and their unit read as one, with equally many decimals."""
    assert value_text(4.0234, 0.125, "%", 1) == "4.0 ± 0.1 %"
    assert signed_text(4.0234, 0.125, "%", 1) == "+4.0 ± 0.1 %"
    assert error_text(0.125, "ms", 2) == "± 0.12 ms"
    assert error_text(1.0, "%") == "± 1 %"
    assert error_text(0.5) == "± 0.5"


@pytest.mark.parametrize("error", [float("inf"), float("nan")])
def test_an_error_that_nothing_bounds_is_unknown(error: float) -> None:
    """No figure stands for an error that is not a finite number."""
    assert error_text(error, "s", 2) == "± unknown"
    assert value_text(1.5, error, "s", 2) == "1.50 ± unknown"


def test_the_sign_is_spelled_once() -> None:
    """No other module or template of the tools writes the sign before a number."""
    files = [path for path in TOOLS.rglob("*") if path.suffix in (".py", ".html")]
    spelled = {path.name for path in files if "± " in path.read_text(encoding="utf-8")}

    assert spelled == {"uncertain.py"}
