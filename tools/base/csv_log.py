"""Opens the file of a CSV log of an engine; its rows become samples in
`breathmap.learner.words.log`."""

from pathlib import Path

from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.log import LogError, LogReader
from breathmap.tools.base.disk import told
from breathmap.tools.base.errors import UserError


def open_log(path: Path, description: EngineDescription) -> LogReader:
    """Return the reader of a log; UserError when the file cannot be read or a column is missing."""
    if description.log is None:
        raise UserError(
            f"{path}: this is no recording; to read a CSV log, name its columns in the "
            "engine description's [log] part (see breathmap check --example)"
        )
    try:
        return LogReader(_text_of(path), description)
    except LogError as error:
        raise UserError(f"{path}: {error}") from None


def _text_of(path: Path) -> str:
    with told(path, "cannot be read"):
        data = path.read_bytes()
    if b"\0" in data:
        raise UserError(f"{path}: neither a recording of ours nor a CSV log")
    # A log's headings may be in any old encoding; its numbers are ASCII in all of them.
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")
