"""What a report is made from, read from the folder that a run of learning left.

One small class, so that a plain output folder of `learn` or `replay` and a job folder end in the
same report. Nothing is learned again: the numbers are those that were written when it happened.
"""

import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from breathmap.learner.words.description import LOAD_NAMES, LOAD_UNITS, LOAD_UNITS_SAID
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import CORNERS
from breathmap.tools.run.results import SUMMARY
from breathmap.tools.run.summary import BankSummary, Summary
from breathmap.tools.run.trace import TRACE

Array = NDArray[np.float64]

# Stands where a decision would, before there is a proposal.
NOT_PROPOSED = "not proposed"


@dataclass(frozen=True)
class BankReport:
    """One bank; arrays have shape (load_count, speed_count), everything in per cent but the
    coverage.

    after, decisions: None where nothing has been proposed yet. summary: its part of summary.json.
    trace: its part of trace.json, None when the folder has none.
    """

    name: str
    before: Array | None
    after: Array | None
    correction: Array
    standard_error: Array
    coverage: Array
    decisions: list[list[str]] | None
    summary: BankSummary
    trace: dict[str, Any] | None

    @property
    def visited(self) -> NDArray[np.bool_]:
        """Cells that samples have touched."""
        return np.asarray(self.coverage > 0.0)


@dataclass(frozen=True)
class PassRow:
    """One bank's line of the convergence over passes; error and correction in per cent."""

    number: int
    bank: str
    samples: int
    used: int
    correction_rms_pct: float
    standard_error_pct: float


@dataclass(frozen=True)
class ReportData:
    """Everything that a report says. load_axis: "map_kpa" or "throttle_pct". notes: lines that
    people wrote. setup: lines about the set-up and its restoration. ready: it was put back and
    that was proved; None: unknown."""

    folder: Path
    engine: str
    made: str
    speed_rpm: list[float]
    load: list[float]
    load_axis: str
    banks: list[BankReport]
    summary: Summary
    passes: list[PassRow] = field(default_factory=list)
    notes: list[tuple[str, str]] = field(default_factory=list)
    setup: list[str] = field(default_factory=list)
    ready: bool | None = None

    @property
    def load_unit(self) -> str:
        """The load axis's unit."""
        return LOAD_UNITS_SAID[self.load_axis]

    @property
    def load_label(self) -> str:
        """The load axis's title."""
        return f"{LOAD_NAMES[self.load_axis]}, {LOAD_UNITS[self.load_axis]}"


def read_folder(folder: Path) -> ReportData:
    """Return what an output folder holds; UserError in one line when it is none."""
    summary = read_summary(folder)
    trace = _json(folder / TRACE, "") if (folder / TRACE).exists() else {"banks": {}}
    try:
        names = list(summary.banks)
        made = datetime.fromtimestamp((folder / SUMMARY).stat().st_mtime)
        axes, _ = read_cells(folder / f"{names[0]}-correction.csv")
        banks = [
            _bank(folder, name, summary.banks[name], trace["banks"].get(name)) for name in names
        ]
        return ReportData(
            folder=folder,
            engine=summary.engine,
            made=made.isoformat(" ", "minutes"),
            speed_rpm=axes[1],
            load=axes[2],
            load_axis=axes[0],
            banks=banks,
            summary=summary,
            passes=[pass_row(1, bank) for bank in banks],
            notes=read_notes(folder),
        )
    except (KeyError, TypeError, IndexError, AttributeError):
        raise UserError(
            f"{folder / SUMMARY}: not a summary of this version; run learn or replay again"
        ) from None


def read_summary(folder: Path) -> Summary:
    """Return a folder's summary; UserError in one line when there is none."""
    found = _json(folder / SUMMARY, "give the output folder of learn or replay, or a job")
    try:
        return Summary.model_validate(found)
    except ValidationError:
        raise UserError(
            f"{folder / SUMMARY}: not a summary of this version; run learn or replay again"
        ) from None


def pass_row(number: int, bank: BankReport) -> PassRow:
    """Return a bank's line for the convergence over passes."""
    return PassRow(
        number,
        bank.name,
        bank.summary.samples,
        bank.summary.used,
        weighted_rms(bank.correction, bank.coverage),
        weighted_rms(bank.standard_error, bank.coverage),
    )


def weighted_rms(values: Array, coverage: Array) -> float:
    """Return the rms over visited cells, each as heavy as its coverage up to 50 samples."""
    weight = np.minimum(coverage, 50.0)
    total = float(weight.sum())
    return float(np.sqrt((weight * values**2).sum() / total)) if total > 0.0 else float("nan")


def read_notes(folder: Path) -> list[tuple[str, str]]:
    """Return (time, text) of the notes that were taken during the run."""
    path = folder / "notes.csv"
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    return [(row[0], row[-1]) for row in rows if len(row) >= 2]


def read_cells(path: Path) -> tuple[tuple[str, list[float], list[float]], list[list[str]]]:
    """Return ((load axis, speeds, loads), cells as text) of a table that breathmap wrote."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        corners = {corner: axis for axis, corner in CORNERS.items()}
        axes = (
            corners[rows[0][0]],
            [float(cell) for cell in rows[0][1:]],
            [float(row[0]) for row in rows[1:]],
        )
        cells = [row[1:] for row in rows[1:]]
        if not cells or any(len(row) != len(axes[1]) for row in cells):
            raise ValueError
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from None
    except (ValueError, KeyError, IndexError):
        raise UserError(f"{path}: not a table that breathmap wrote; run learn again") from None
    return axes, cells


def read_numbers(path: Path) -> Array:
    """Return a table's cells; UserError when one is no number."""
    _, cells = read_cells(path)
    try:
        return np.array(cells, dtype=np.float64)
    except ValueError:
        raise UserError(f"{path}: a cell is no number; run learn again") from None


def _bank(
    folder: Path, name: str, summary: BankSummary, trace: dict[str, Any] | None
) -> BankReport:
    proposed, decided = folder / f"{name}-proposed.csv", folder / f"{name}-decision.csv"
    before = folder / f"{name}-before.csv"
    return BankReport(
        name=name,
        before=read_numbers(before) if before.exists() else None,
        after=read_numbers(proposed) if proposed.exists() else None,
        correction=read_numbers(folder / f"{name}-correction.csv"),
        standard_error=read_numbers(folder / f"{name}-standard-error.csv"),
        coverage=read_numbers(folder / f"{name}-coverage.csv"),
        decisions=read_cells(decided)[1] if decided.exists() else None,
        summary=summary,
        trace=trace,
    )


def _json(path: Path, hint: str) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        more = f"; {hint}" if hint else ""
        raise UserError(f"{path}: {(error.strerror or 'cannot be read').lower()}{more}") from None
    except ValueError:
        raise UserError(f"{path}: damaged, not JSON; run learn or replay again") from None
    if not isinstance(found, dict):
        raise UserError(f"{path}: damaged, not an object; run learn or replay again")
    return found


def band(axis: Sequence[float], low: int, high: int, unit: str) -> str:
    """Return a span of an axis in words."""
    if low == high:
        return f"{axis[low]:g} {unit}"
    return f"{axis[low]:g} to {axis[high]:g} {unit}"
