"""The one spelling of a number that is known only so well: value ± standard error, unit.

On screen, in the report and in files. How many decimals a quantity deserves is its owner's choice.
"""

import math

PLUS_MINUS = "±"
UNKNOWN = "unknown"


def error_text(error: float, unit: str = "", decimals: int | None = None) -> str:
    """Return "± 0.13 %". decimals: None for a round figure as it is. An error that is no finite
    number is "± unknown", without unit."""
    if not math.isfinite(error):
        return f"{PLUS_MINUS} {UNKNOWN}"
    return f"{PLUS_MINUS} {_number(error, decimals)}{_after(unit)}"


def value_text(value: float, error: float, unit: str = "", decimals: int | None = None) -> str:
    """Return "4.02 ± 0.13 %"."""
    return f"{_number(value, decimals)} {error_text(error, unit, decimals)}"


def signed_text(value: float, error: float, unit: str = "", decimals: int = 1) -> str:
    """Return "+4.0 ± 0.1 %": a change, with its sign."""
    return f"{value:+.{decimals}f} {error_text(error, unit, decimals)}"


def _number(value: float, decimals: int | None) -> str:
    return f"{value:g}" if decimals is None else f"{value:.{decimals}f}"


def _after(unit: str) -> str:
    return f" {unit}" if unit else ""
