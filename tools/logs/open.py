"""Opens the file of a log of an engine; its rows become samples in
`breathmap.learner.words.log`."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.words.description import (
    DescriptionError,
    EngineDescription,
    parse_description,
)
from breathmap.learner.words.log import LogError, LogReader
from breathmap.learner.words.log_look import Look, look_over
from breathmap.learner.words.log_rows import Rows, TextRows
from breathmap.tools.base.disk import errors_about
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_toml
from breathmap.tools.logs.formats import kind_of, table_rows


def open_log(path: Path, description: EngineDescription, rows: Rows | None = None) -> LogReader:
    """Return the reader of a log; UserError when the file cannot be read or a column is missing.

    rows: the file's, where they were read before.
    """
    description = with_mapping(path, description)
    if description.log is None:
        raise UserError(
            f"{path}: this is no recording; to read it as a log, name its columns in the "
            f"engine description's [log] part: breathmap check ENGINE.toml {path} proposes it"
        )
    try:
        return LogReader(rows or log_rows(path), description)
    except LogError as error:
        raise UserError(f"{path}: {error}") from None


def look_at(
    path: Path,
    rows: Rows,
    description: EngineDescription,
    samples: NDArray[np.void] | None = None,
) -> Look:
    """Return what a log holds as the description understands it; UserError when it cannot be.

    samples: of all its rows, where they were read at once before.
    """
    try:
        if samples is not None:
            return look_over(samples, with_mapping(path, description))
        reader = open_log(path, description, rows)
        return look_over(reader.samples(), with_mapping(path, description))
    except LogError as error:
        raise UserError(f"{path}: {error}") from None


def mapping_place(path: Path) -> Path:
    """Return where a log's own mapping is, if it has one: beside it."""
    return path.with_name(path.name + ".toml")


def with_mapping(path: Path, description: EngineDescription) -> EngineDescription:
    """Return the description with a log's own mapping in place of its [log] part, where there is
    one; UserError where that is none."""
    place = mapping_place(path)
    if not place.is_file():
        return description
    found = read_toml(place, "mapping of a log (TOML)")
    values = description.model_dump(exclude_none=True)
    try:
        return parse_description({**values, "log": found.get("log")})
    except DescriptionError as error:
        raise UserError(f"{place}: {error}") from None


def log_rows(path: Path) -> Rows:
    """Return the rows of a log's file; UserError when it cannot be read."""
    with errors_about(path, "cannot be read"):
        kind = kind_of(path)
    return table_rows(path, kind) if kind else TextRows(_text_of(path))


def _text_of(path: Path) -> str:
    with errors_about(path, "cannot be read"):
        data = path.read_bytes()
    if b"\0" in data:
        raise UserError(f"{path}: neither a recording of ours nor a CSV log")
    # A log's headings may be in any old encoding; its numbers are ASCII in all of them.
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")
