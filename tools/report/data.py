"""What a report is made from, read from the folder that a run of learning left.

One small class, so that a plain output folder of `learn` or `replay` and a job folder end in the
same report. Nothing is learned again: the numbers are those that were written when it happened.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from breathmap.learner.words.csv_text import number_of
from breathmap.learner.words.description import LOAD_NAMES, LOAD_UNITS, LOAD_UNITS_SAID
from breathmap.tools.base.disk import DiskError, why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import CORNERS, read_text, rows_in
from breathmap.tools.base.uncertain import PLUS_MINUS
from breathmap.tools.report.traces import Trace
from breathmap.tools.run.diagnosis_text import cause_lines
from breathmap.tools.run.results import CAUSES, FILM, SUMMARY
from breathmap.tools.run.summary import BankSummary, Summary
from breathmap.tools.run.trace import TRACE

Array = NDArray[np.float64]

# Per cent, or samples; a table that holds more was not written by this program.
MOST_CELL = 1e9

# Stands where a decision would, before there is a proposal.
NOT_PROPOSED = "not proposed"


@dataclass(frozen=True)
class TableAxes:
    """What a written table's first row and column say."""

    load_axis: str
    speed_rpm: list[float]
    load: list[float]


@dataclass(frozen=True)
class BankReport:
    """One bank; arrays have shape (load_count, speed_count), everything in per cent but the
    coverage.

    after, decisions: None where nothing has been proposed yet. summary: its part of summary.json.
    trace: its part of trace.json, None when the folder has none. film: the fuel film, a row a load:
    load, share and time, each with its error, as text.
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
    film: list[list[str]] = field(default_factory=list)

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
    that was proved; None: unknown. alarms_before: those of a job's other passes, a line a kind.
    causes: what beside VE could explain what was seen, a line each."""

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
    alarms_before: list[str] = field(default_factory=list)
    causes: list[str] = field(default_factory=list)

    @property
    def axes(self) -> TableAxes:
        """Those of every table."""
        return TableAxes(self.load_axis, self.speed_rpm, self.load)

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
    traces = read_trace(folder)
    names = list(summary.banks)
    if not names:
        raise UserError(f"{folder / SUMMARY}: it names no bank; run learn or replay again")
    made = datetime.fromtimestamp((folder / SUMMARY).stat().st_mtime)
    axes, _ = read_cells(folder / f"{names[0]}-correction.csv")
    banks = [_bank(folder, name, axes, summary.banks[name], traces.get(name)) for name in names]
    return ReportData(
        folder=folder,
        engine=summary.engine,
        made=made.isoformat(" ", "minutes"),
        speed_rpm=axes.speed_rpm,
        load=axes.load,
        load_axis=axes.load_axis,
        banks=banks,
        summary=summary,
        passes=[pass_row(1, bank) for bank in banks],
        notes=read_notes(folder),
        causes=cause_lines(folder / CAUSES),
    )


def read_summary(folder: Path) -> Summary:
    """Return a folder's summary; UserError in one line when there is none."""
    found = _json(folder / SUMMARY, "give the output folder of learn or replay, or a job")
    try:
        return Summary.model_validate(found)
    except ValidationError:
        raise UserError(
            f"{folder / SUMMARY}: not a summary of this version; run learn or replay again"
        ) from None


def read_trace(folder: Path) -> dict[str, dict[str, Any]]:
    """Return a folder's traces by bank, none where it has no such file."""
    path = folder / TRACE
    if not path.exists():
        return {}
    try:
        found = Trace.model_validate(_json(path, ""))
    except ValidationError:
        raise UserError(
            f"{path}: not a trace of this version; run learn or replay again, or remove it"
        ) from None
    return {name: bank.model_dump(by_alias=True) for name, bank in found.banks.items()}


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
    rows = rows_in(path, read_text(path, "notes of the run"), ",")
    return [(row[0], row[-1]) for _, row in rows if len(row) >= 2][1:]


def read_cells(path: Path) -> tuple[TableAxes, list[list[str]]]:
    """Return (axes, cells as text) of a table that breathmap wrote; UserError for any other."""
    text = read_text(path, "table that breathmap wrote")
    rows = [row for _, row in rows_in(path, text, ",") if row]
    cells = [row[1:] for row in rows[1:]]
    load_axis = {corner: axis for axis, corner in CORNERS.items()}.get(rows[0][0] if rows else "")
    axes = [[number_of(cell) for cell in row] for row in (rows[0][1:], [r[0] for r in rows[1:]])]
    is_table = (
        load_axis is not None
        and all(len(axis) >= 2 and _ascends(axis) for axis in axes)
        and all(len(row) == len(axes[0]) for row in cells)
    )
    if load_axis is None or not is_table:
        raise UserError(f"{path}: not a table that breathmap wrote; run learn again")
    return TableAxes(load_axis, *axes), cells


def _ascends(axis: list[float]) -> bool:
    # Written so that NaN fails, too.
    return all(b > a for a, b in pairwise([-1.0, *axis, 1e6]))


def read_numbers(path: Path, axes: TableAxes) -> Array:
    """Return a table's cells; UserError when one is no number, or it has other axes."""
    own, cells = read_cells(path)
    if own != axes:
        raise UserError(f"{path}: it has other axes than the folder's other tables")
    numbers = np.array([[number_of(cell) for cell in row] for row in cells])
    if not (np.abs(numbers) < MOST_CELL).all():
        raise UserError(f"{path}: a cell is no number that breathmap writes; run learn again")
    return numbers


def read_decisions(path: Path, axes: TableAxes) -> list[list[str]]:
    """Return a table's words; UserError when it has other axes."""
    own, cells = read_cells(path)
    if own != axes:
        raise UserError(f"{path}: it has other axes than the folder's other tables")
    return cells


def _bank(
    folder: Path,
    name: str,
    axes: TableAxes,
    summary: BankSummary,
    trace: dict[str, Any] | None,
) -> BankReport:
    proposed, decided = folder / f"{name}-proposed.csv", folder / f"{name}-decision.csv"
    before = folder / f"{name}-before.csv"
    return BankReport(
        name=name,
        before=read_numbers(before, axes) if before.exists() else None,
        after=read_numbers(proposed, axes) if proposed.exists() else None,
        correction=read_numbers(folder / f"{name}-correction.csv", axes),
        standard_error=read_numbers(folder / f"{name}-standard-error.csv", axes),
        coverage=read_numbers(folder / f"{name}-coverage.csv", axes),
        decisions=read_decisions(decided, axes) if decided.exists() else None,
        summary=summary,
        trace=trace,
        film=read_film(folder, name),
    )


def read_film(folder: Path, bank: str) -> list[list[str]]:
    """Return a bank's fuel film over load as texts: load, share, time; none where it was not told,
    or the folder is of an earlier version."""
    path = folder / FILM
    if not path.exists():
        return []
    # A bank's name may hold commas.
    rows = [line.rsplit(",", 5) for line in read_text(path, "fuel film (CSV)").splitlines()]
    return [
        [row[1], f"{row[2]} {PLUS_MINUS} {row[3]}", f"{row[4]} {PLUS_MINUS} {row[5]}"]
        for row in rows
        if row[0] == bank and all(isfinite(number_of(n)) for n in row[1:])
    ]


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


def _json(path: Path, hint: str) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_number)
    except FileNotFoundError:
        more = f"; {hint}" if hint else ""
        raise UserError(f"{path}: no such file or directory{more}") from None
    except OSError as error:
        raise DiskError(f"{path}: cannot be read: {why(error)}") from None
    except (ValueError, RecursionError):
        raise UserError(f"{path}: damaged, not JSON; run learn or replay again") from None
    if not isinstance(found, dict):
        raise UserError(f"{path}: damaged, not an object; run learn or replay again")
    return found


def band(axis: Sequence[float], low: int, high: int, unit: str) -> str:
    """Return a span of an axis in words."""
    if low == high:
        return f"{axis[low]:g} {unit}"
    return f"{axis[low]:g} to {axis[high]:g} {unit}"
