"""The history's file: one record a line, each with the hash of the line before.

What is in it is never written anew: a record is added behind the bytes that are there, and the file
replaced as a whole, so that a power cut leaves the old one or the new one. A small file beside it,
the head, names the last record, which no later line holds the hash of. It is written after the
history: a history one record ahead of its head was interrupted there, a head ahead of its history
has lost records. Jobs of version 0.1.0 have no head until their next record.
"""

import hashlib
import json
import re
from dataclasses import dataclass, field, replace
from pathlib import Path

from pydantic import ValidationError

from breathmap.tools.base.disk import errors_about
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import write_bytes
from breathmap.tools.job.records import RECORD, Created, Head, Record

HISTORY = "history.jsonl"
HEAD = "history.head"
FROM_A_COPY = f"take {HISTORY} and {HEAD} from a copy of the job"


@dataclass(frozen=True)
class Chain:
    """The records, oldest first, and the lines that they stand in.

    head: as it was on the disk; None when there is none.
    """

    records: list[Record] = field(default_factory=list)
    lines: list[bytes] = field(default_factory=list)
    head: Head | None = None

    @property
    def was_interrupted(self) -> bool:
        """True when the last record was written and the head not any more."""
        return self.head is not None and self.head.number < len(self.records)

    @property
    def last_hash(self) -> str:
        """Hash of the last line; empty before the first."""
        return sha256_of(self.lines[-1]) if self.lines else ""

    def followed_by(self, record: Record) -> "Chain":
        """Return the chain with one more record."""
        return Chain([*self.records, record], [*self.lines, line_of(record)], self.head)

    @property
    def content(self) -> bytes:
        """The file's bytes."""
        return b"".join(self.lines)


def sha256_of(data: bytes) -> str:
    """Return the content hash, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def line_of(record: Record) -> bytes:
    r"""Return a record as its line in the history. A byte that is no UTF-8 (in a reason, in a
    port's name) is kept as a person sees it: \xe9."""
    text = json.dumps(record.as_dict(), ensure_ascii=False, separators=(", ", ": "))
    readable = re.sub("[\ud800-\udfff]", lambda found: rf"\\x{ord(found[0]) & 0xFF:02x}", text)
    return (readable + "\n").encode()


def write_history(folder: Path, chain: Chain) -> Chain:
    """Write a job's history; it is the old or the new one, whatever happens. Its head follows."""
    write_bytes(folder / HISTORY, chain.content)
    return chain


def write_head(folder: Path, chain: Chain) -> Chain:
    """Write the head of a history that is on the disk; return the history with it."""
    head = Head(number=len(chain.records), sha256=chain.last_hash)
    write_bytes(folder / HEAD, (json.dumps(head.model_dump()) + "\n").encode())
    return replace(chain, head=head)


def read_chain(folder: Path) -> Chain:
    """Return a job's history; UserError names the first line that is no record, or does not follow
    from the line before, and tells when the end is missing or is not the one that the head names.
    """
    path = folder / HISTORY
    while True:
        head, lines = _read_head(folder), _read(path).splitlines(keepends=True)
        # Another command may add a record meanwhile.
        if _read_head(folder) == head:
            break
    records: list[Record] = []
    previous = ""
    for number, line in enumerate(lines, start=1):
        _check_follows(path, number, line, previous)
        records.append(_record_of(path, number, line))
        previous = sha256_of(line)
    if not records or not isinstance(records[0], Created):
        raise UserError(f"{path}: it does not begin with the job's creation; this is no whole job")
    if head is not None:
        _check_head(path, head, lines)
    return Chain(records, lines, head)


def _read(path: Path) -> bytes:
    with errors_about(path, "cannot be read"):
        return path.read_bytes()


def _read_head(folder: Path) -> Head | None:
    path = folder / HEAD
    if not path.exists():
        return None
    try:
        return Head.model_validate_json(_read(path))
    except ValidationError:
        raise UserError(f"{path}: edited or damaged; {FROM_A_COPY}") from None


def _check_head(path: Path, head: Head, lines: list[bytes]) -> None:
    ahead = len(lines) - head.number
    if ahead < 0:
        raise UserError(
            f"{path}: it ends with record {len(lines)}, but there were {head.number}: its end is "
            f"missing; {FROM_A_COPY}"
        )
    if sha256_of(lines[head.number - 1]) != head.sha256:
        raise UserError(
            f"{path}: line {head.number} is not the one that {HEAD} names: one of them was edited "
            f"or damaged; {FROM_A_COPY}"
        )
    if ahead > 1:
        raise UserError(
            f"{path}: {ahead} records follow the last that {HEAD} names; {FROM_A_COPY}, or remove "
            f"{HEAD} if version 0.1.0 wrote them"
        )


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
