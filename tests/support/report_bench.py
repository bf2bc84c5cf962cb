"""Made-up results for the report's tests."""

from pathlib import Path
from typing import Any

import numpy as np

from breathmap.tools.report.data import BankReport, ReportData, pass_row
from breathmap.tools.run.summary import BankSummary, Summary

SPEEDS = [1000.0, 2000.0, 3000.0, 4000.0, 5000.0]
LOADS = [20.0, 45.0, 70.0, 100.0]


def made_up_bank(name: str, **changes: Any) -> BankReport:
    """Return an invented bank: right half visited, one corner badly known."""
    coverage = np.zeros((4, 5))
    coverage[:, 2:] = 40.0
    error = np.where(coverage > 0, 0.3, 8.0)
    error[3, 4] = 2.5
    values: dict[str, Any] = {
        "name": name,
        "before": np.full((4, 5), 80.0),
        "after": np.full((4, 5), 84.0),
        "correction": np.where(coverage > 0, 5.0, 0.0),
        "standard_error": error,
        "coverage": coverage,
        "decisions": [["untouched"] * 2 + ["changed"] * 3] * 4,
        "summary": BankSummary.model_validate(
            {
                "samples": 1000,
                "used": 600,
                "refused": {"throttle_moving": 350, "history_short": 50},
                "noise_pct": 1.1,
                "autocorrelation_widening": 1.5,
                "median_standard_error_pct": 0.3,
                "delay": {"mean_s": 0.21, "least_s": 0.1, "most_s": 0.5},
                "cells": {"changed": 12, "untouched": 8},
            }
        ),
        "trace": None,
    }
    return BankReport(**(values | changes))


def made_up_data(*banks: BankReport, **changes: Any) -> ReportData:
    """Return an invented report's data."""
    own = list(banks) or [made_up_bank("left")]
    values: dict[str, Any] = {
        "folder": Path("somewhere"),
        "engine": "invented engine",
        "made": "2025-01-01 12:00",
        "speed_rpm": SPEEDS,
        "load": LOADS,
        "load_axis": "map_kpa",
        "banks": own,
        "summary": Summary.model_validate(
            {
                "software_version": "0.2.0",
                "protocol_version": 1,
                "engine": "invented engine",
                "banks": {},
                "samples": 1000,
                "device": "bench",
                "sources": ["ride.bin"],
                "link": {"frames": 1000, "lost": 0},
                "warnings": [],
            }
        ),
        "passes": [pass_row(1, bank) for bank in own],
    }
    return ReportData(**(values | changes))
