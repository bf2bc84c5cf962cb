"""Samples of any shape as those of the learner: recordings, logs, data frames, structured arrays.

A data frame's columns are known by the engine description's [log] part, by a mapping that is given,
or by their headings, as a log's are; what is not sure is refused, since nobody can be asked.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.log import LogError, LogReader
from breathmap.learner.words.log_look import look_over
from breathmap.learner.words.log_rows import Rows, TableRows
from breathmap.protocol.host.bulk import sample_dtype, samples_table
from breathmap.protocol.host.recording import read_recording
from breathmap.tools.base.disk import errors_about
from breathmap.tools.base.errors import UserError
from breathmap.tools.logs.formats import frame_rows
from breathmap.tools.logs.open import log_rows, with_mapping
from breathmap.tools.logs.propose import described_with, propose_mapping
from breathmap.tools.run.sources import is_log_file, size_of

Samples = npt.NDArray[np.void]
LISTS = ("measured_lambda", "fuel_multiplier", "sensor_state")
FRAME = Path("the data frame")


def read_samples(path: Path, description: EngineDescription) -> Samples:
    """Return the samples of a recording or log of any kind, shape (n,), of `sample_dtype`.

    UserError where the file is none, or a log cannot be understood or meant.
    """
    size_of(path)
    if is_log_file(path):
        return samples_of(log_rows(path), with_mapping(path, description), {}, path)
    with errors_about(path, "cannot be read"):
        table = read_recording(path.read_bytes()).table
    if not len(table):
        raise UserError(f"{path}: it holds no sample; is it a recording?")
    return table


def samples_in(
    data: Any, description: EngineDescription, columns: Mapping[str, str] | None
) -> Samples:
    """Return the samples of a pandas or polars data frame or a structured array; see `learn`."""
    names = getattr(getattr(data, "dtype", None), "names", None)
    if names is not None and set(sample_dtype(1).names or ()) <= set(names):
        return _as_sampled(data)
    return samples_of(_rows(data), description, columns or {}, FRAME)


def _as_sampled(data: Samples) -> Samples:
    """Return a copy of samples as exactly `sample_dtype` has them: learning changes their times."""
    dtype = sample_dtype(data["measured_lambda"].shape[1])
    found = np.empty(len(data), dtype=dtype)
    for name in dtype.names or ():
        found[name] = data[name]
    return found


def samples_of(
    rows: Rows, description: EngineDescription, columns: Mapping[str, str], path: Path
) -> Samples:
    """Return the samples of a log's rows. columns: headings by key, as `--column` takes them; where
    there are none the description's [log] part holds. path: what to call it."""
    if description.log is None or columns:
        description = _guessed(rows, description, columns, path)
    try:
        look = look_over(LogReader(rows, description).samples(), description)
        if look.odd and description.log is not None and not description.log.take_odd_values:
            raise UserError(f"{path}: {look.odd[0]}")
        return samples_table(LogReader(rows, description).samples(), len(description.bank))
    except LogError as error:
        raise UserError(f"{path}: {error}") from None


def _guessed(
    rows: Rows, description: EngineDescription, columns: Mapping[str, str], path: Path
) -> EngineDescription:
    names = [bank.name for bank in description.bank]
    mapping = propose_mapping(path, rows, names, description.axes.load_axis, columns)
    if mapping.doubts:
        key, why = next(iter(mapping.doubts.items()))
        raise UserError(f"{path}: {key} is doubtful: {why}; name its column (columns=...)")
    if mapping.holds_afr and description.engine.afr is None:
        raise UserError(f"{path}: it holds AFR: name the fuel in the engine description")
    return described_with(description, mapping)


def _rows(data: Any) -> Rows:
    """Return the rows of a data frame or structured array."""
    names = getattr(getattr(data, "dtype", None), "names", None)
    if names is not None:
        return TableRows(names, data.tolist())
    if hasattr(data, "iter_rows"):
        return frame_rows(data)
    if not (hasattr(data, "columns") and hasattr(data, "itertuples")):
        raise UserError(
            f"{type(data).__name__}: give a pandas or polars data frame, or a structured array"
        )
    # A clock is often the index.
    index = data.index
    frame = data if index.name is None and index.dtype.kind == "i" else _with_index(data)
    columns = [_pandas_column(frame.iloc[:, place]) for place in range(frame.shape[1])]
    return TableRows([str(name) for name in frame.columns], list(zip(*columns, strict=True)))


def _with_index(data: Any) -> Any:
    return data.rename_axis(index=data.index.name or "time").reset_index()


def _pandas_column(column: Any) -> list[Any]:
    kind = column.dtype.kind
    if kind == "m":
        return list(column.dt.total_seconds())
    if kind == "M" or hasattr(column.dtype, "tz"):
        return list(column.astype(str))
    if kind == "b":
        return list(column.astype(int))
    return list(column)
