"""Logs that are no text: Excel, Parquet and Arrow files (read by polars), and ASAM MDF 4.

The readers come with the extra `logs`; without it a line says how to get them.
"""

import re
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

from breathmap.learner.words.log_rows import Rows, TableRows
from breathmap.tools.base.errors import UserError
from breathmap.tools.logs.mdf import mdf_table

EXCEL = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
# How a file begins that is no text, whatever it is called.
BEGINNINGS = {
    b"PAR1": ".parquet",
    b"ARROW1": ".arrow",
    b"MDF     ": ".mf4",
    b"UnFinMF ": ".mf4",
    b"PK\x03\x04": ".xlsx",
    b"\xd0\xcf\x11\xe0": ".xls",
}
BEGINNING_BYTES = max(len(beginning) for beginning in BEGINNINGS)
KINDS = {".parquet": "a Parquet file", ".arrow": "an Arrow file", ".mf4": "an MDF file"}


def kind_of(path: Path) -> str:
    """Return what kind of table a file begins as, as a suffix; "" where it may be a text."""
    with path.open("rb") as file:
        head = file.read(BEGINNING_BYTES)
    found = (kind for beginning, kind in BEGINNINGS.items() if head.startswith(beginning))
    return next(found, "")


def table_rows(path: Path, kind: str) -> Rows:
    """Return the rows of a file that is no text; UserError where it cannot be read."""
    read = {".parquet": _parquet, ".arrow": _arrow, ".mf4": _mdf}.get(kind, _excel)
    what = KINDS.get(kind, "an Excel file")
    try:
        return read(path)
    except (UserError, MemoryError):
        raise
    except ImportError:
        raise missing_extra(f"{path}: {what}") from None
    except Exception as error:
        # What the readers raise on a damaged file is of many kinds.
        line = re.sub(r"'?<[^<>]*>'?", "it", " ".join(str(error).split()))[:160]
        raise UserError(
            f"{path}: cannot be read as {what}, it is damaged or cut short: copy or export it anew "
            f"from where it came from ({line or type(error).__name__})"
        ) from None


def missing_extra(what: str) -> UserError:
    """Return what to say where the extra `logs` is not installed."""
    return UserError(
        f"{what} needs the extra that reads and writes other programs' logs: "
        'python -m pip install "breathmap[logs]", in breathmap\'s own environment'
    )


def _polars() -> Any:
    return import_module("polars")


def _parquet(path: Path) -> Rows:
    return frame_rows(_polars().read_parquet(path))


def _arrow(path: Path) -> Rows:
    return frame_rows(_polars().read_ipc(path))


def frame_rows(frame: Any) -> Rows:
    """Return the rows of a polars data frame; times as text, lengths of time in seconds."""
    pl = _polars()
    columns: list[Callable[[], Any]] = []
    for name, dtype in frame.schema.items():
        if dtype.is_temporal() and dtype != pl.Duration:
            columns.append(pl.col(name).cast(pl.String))
        elif dtype == pl.Duration:
            columns.append(pl.col(name).dt.total_nanoseconds() / 1e9)
        elif dtype == pl.Boolean:
            columns.append(pl.col(name).cast(pl.Int8))
        elif dtype.is_nested():
            raise UserError(f"column {name!r} holds lists: a log has one value per row and column")
        else:
            columns.append(pl.col(name))
    return TableRows(frame.columns, frame.select(columns).rows())


def _excel(path: Path) -> Rows:
    """Return the rows of the first sheet that holds any; all as text, since the row of headings
    may stand anywhere."""
    sheets = _polars().read_excel(
        path, sheet_id=0, engine="calamine", has_header=False, infer_schema_length=0,
        drop_empty_rows=False, raise_if_empty=False,
    )  # fmt: skip
    frames = sheets.values() if isinstance(sheets, dict) else [sheets]
    for frame in frames:
        rows = frame.rows()
        if len(rows) > 1:
            head = ["" if cell is None else str(cell) for cell in rows[0]]
            # A text cell may hold a decimal comma: nothing else uses it here.
            return TableRows(head, rows[1:], separator="\t")
    raise UserError(f"{path}: no sheet of it holds a table")


def _mdf(path: Path) -> Rows:
    table = mdf_table(path)
    return TableRows(table.names, table.rows(), table.units)
