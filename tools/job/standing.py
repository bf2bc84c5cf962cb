"""What the history alone says of the vehicle: finished, or in a state that nobody knows.

Every write to a controller begins with a record of its own, and only a read-back ends that state.
So a dropped cable, a refusal or a killed program can never leave "ready" behind.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from breathmap.tools.job.records import (
    CARRIED,
    ORIGINAL,
    Finished,
    Learned,
    Prepared,
    ReadBack,
    Record,
    SetUp,
    Stored,
    TableMoved,
    TableSet,
    Unchanged,
    Writing,
)


@dataclass(frozen=True)
class Standing:
    """finished: the record of `finish`, when nothing has been changed since. pending: the write
    that was begun and never read back. held: the last table that the controller was known to hold,
    or to be driven with."""

    finished: Finished | None = None
    pending: Writing | None = None
    held: int = 0


def standing(records: Sequence[Record]) -> Standing:
    """Return how the vehicle stands after these records, oldest first."""
    finished: Finished | None = None
    pending: Writing | None = None
    held = present = 0
    for record in records:
        if isinstance(record, TableSet):
            present = record.table
        held = _held(record, held, present)
        if isinstance(record, Writing):
            pending = record
        elif _reads_back(record):
            pending = None
        if isinstance(record, Finished):
            finished = record
        elif finished is not None and _ends(finished, record):
            finished = None
    return Standing(None if pending else finished, pending, held)


def _held(record: Record, before: int, present: int) -> int:
    """Return which table the controller is known to hold after a record. present: the job's."""
    if isinstance(record, Prepared | Finished):
        return present if record.by_wire else before
    if isinstance(record, ReadBack):
        return before if record.table is None else record.table
    if isinstance(record, Stored):
        return record.table
    if isinstance(record, Learned) and any(entry.name != CARRIED for entry in record.recordings):
        return record.table
    return before


def _reads_back(record: Record) -> bool:
    """True for a record that stands for a controller read whole."""
    if isinstance(record, Prepared | Finished):
        return record.by_wire
    return isinstance(record, Stored | ReadBack | Unchanged)


def _ends(finished: Finished, record: Record) -> bool:
    """True when a record means that the vehicle is no longer as `finish` left it."""
    if isinstance(record, Prepared | TableMoved):
        return True
    if isinstance(record, ReadBack):
        return record.set_up != ORIGINAL or record.table != finished.table
    found: SetUp | None = record.set_up if isinstance(record, Stored) else None
    return found is not None and found != ORIGINAL
