"""A proposal for a controller that holds one common table and trims: its files, and in words.

The banks' own tables stand beside it and stay what the job goes on with: what the controller makes
of common table and trims is theirs to within its steps, and never leaner than the rule allows.
"""

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.trims import Trimmed
from breathmap.learner.words.description import EngineDescription
from breathmap.tools.base.files import table_text
from breathmap.tools.base.uncertain import error_text

COMMON = "trims-common.csv"
CELLS = "trims-cells.csv"
HEADINGS = (
    "bank,speed_rpm,load,common_pct,common_error_pct,trim_pct,trim_error_pct,product_pct,table_pct"
)


def trim_files(
    found: Trimmed, tables: Sequence[NDArray[np.float64]], description: EngineDescription
) -> dict[str, str]:
    """Return the texts by file name: the common table, a trim table a bank, and all with errors, a
    line a bank and cell. tables: the banks' own, VE in per cent."""
    files = {COMMON: table_text(description, found.common_pct.tolist(), "{:.10g}")}
    lines, axes = [HEADINGS], description.axes
    product = found.product_pct
    for number, bank in enumerate(description.bank):
        trims = found.trims_pct[number]
        files[f"{bank.name}-trim.csv"] = table_text(description, trims.tolist(), "{:.10g}")
        for j, load in enumerate(axes.load):
            for i, speed in enumerate(axes.speed_rpm):
                lines.append(
                    f"{bank.name},{speed:g},{load:g},{found.common_pct[j, i]:.10g},"
                    f"{found.common_error_pct[j, i]:.2f},{trims[j, i]:.10g},"
                    f"{found.trim_errors_pct[number, j, i]:.2f},{product[number, j, i]:.2f},"
                    f"{tables[number][j, i]:.10g}"
                )
    files[CELLS] = "\n".join(lines) + "\n"
    return files


def trim_lines(folder: Path) -> list[str]:
    """Return what a proposal says of trims, a line a bank; nothing where it has none."""
    path = folder / CELLS
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    lines = []
    for name in dict.fromkeys(row["bank"] for row in rows):
        own = [row for row in rows if row["bank"] == name]
        lines.append(f"{name}: {_about(own)}")
    return lines


def _about(rows: Sequence[dict[str, str]]) -> str:
    """Return one bank's trims in words: how large, how sure, how near the product comes."""
    trims, errors, product, table = (
        np.array([float(row[key]) for row in rows])
        for key in ("trim_pct", "trim_error_pct", "product_pct", "table_pct")
    )
    off = 100.0 * float(np.abs(product / table - 1.0).max())
    near = f"common table x trim is its own table to within {off:.1f} %"
    if trims.min() == trims.max():
        worst = error_text(float(errors.max()), "%", 1)
        return f"trim {trims[0]:+g} {worst} of the common table; {near}"
    span = f"trims {trims.min():+g} to {trims.max():+g} %"
    return f"{span}, {error_text(float(np.median(errors)), '%', 1)} (median); {near}"
