"""The history's file: one record a line, each with the hash of the line before.

What is in it is never written anew: a record is added behind the bytes that are there, and the file
replaced as a whole, so that a power cut leaves the old one or the new one.
"""

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from breathmap.tools.base.errors import UserError
from breathmap.tools.job.records import RECORD, Created, Record


@dataclass(frozen=True)
class Chain:
    """The records, oldest first, and the lines that they stand in."""

    records: list[Record] = field(default_factory=list)
    lines: list[bytes] = field(default_factory=list)

    @property
    def last_hash(self) -> str:
        """Hash of the last line; empty before the first."""
        return sha256_of(self.lines[-1]) if self.lines else ""

    def followed_by(self, record: Record) -> "Chain":
        """Return the chain with one more record."""
        return Chain([*self.records, record], [*self.lines, line_of(record)])

    @property
    def content(self) -> bytes:
        """The file's bytes."""
        return b"".join(self.lines)


def sha256_of(data: bytes) -> str:
    """Return the content hash, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def line_of(record: Record) -> bytes:
    """Return a record as its line in the history."""
    text = json.dumps(record.as_dict(), ensure_ascii=False, separators=(", ", ": "))
    return (text + "\n").encode()


def read_chain(path: Path) -> Chain:
    """Return a history; UserError names the first line that is no record, or does not follow from
    the line before."""
    try:
        lines = path.read_bytes().splitlines(keepends=True)
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from None
    records: list[Record] = []
    previous = ""
    for number, line in enumerate(lines, start=1):
        _check_follows(path, number, line, previous)
        records.append(_record_of(path, number, line))
        previous = sha256_of(line)
    if not records or not isinstance(records[0], Created):
        raise UserError(f"{path}: it does not begin with the job's creation; this is no whole job")
    return Chain(records, lines)


def _check_follows(path: Path, number: int, line: bytes, previous: str) -> None:
    try:
        value = json.loads(line)
        follows = value["previous"] == previous and value["number"] == number
    except (ValueError, KeyError, TypeError, RecursionError):
        follows = False
    if not follows:
        raise UserError(
            f"{path}: line {number} does not follow from the line before: the file was edited "
            "or damaged; take it from a copy of the job"
        )


def _record_of(path: Path, number: int, line: bytes) -> Record:
    try:
        return RECORD.validate_json(line)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        if first["type"] == "union_tag_invalid":
            what = str(first["ctx"]["tag"])[:40]
            problem = f"a record of the kind {what!r} is not known here; is it of a later version?"
        else:
            place = ".".join(str(part) for part in first["loc"])
            problem = f"{place}: {first['msg']}; take the file from a copy of the job"
        raise UserError(f"{path}: line {number}: {problem}") from None
