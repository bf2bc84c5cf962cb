"""Evidence in files: kept beside recordings, compared with the engine, added exactly once.

A board's evidence only grows, so that of one origin the latest snapshot holds all that earlier ones
held: it alone is learned, however many are there. Different origins add.
"""

from copy import deepcopy
from pathlib import Path
from typing import Any
from zlib import crc32

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import Settings
from breathmap.learner.core.snapshot import fingerprint, numbers_of, restore
from breathmap.learner.exact.possible import check_possible
from breathmap.protocol.host.evidence import (
    MOST_BYTES,
    EvidenceError,
    Snapshot,
    from_bytes,
    to_bytes,
)
from breathmap.protocol.wire.evidence_codes import EVIDENCE_TYPE
from breathmap.protocol.wire.evidence_parts import BankNumbers
from breathmap.protocol.wire.framing import cobs_decode
from breathmap.protocol.wire.scaling import text_from_bytes, text_to_bytes
from breathmap.tools.base.disk import errors_about
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import write_bytes
from breathmap.tools.run.session import Session

HEAD_BYTES = 256
# Sweeps over the running estimate after adding, as `Evidence.merge` makes them.
SWEEPS = 30


def snapshot_of(session: Session) -> Snapshot:
    """Return all that a session's banks have learned, as it would travel; the session is unchanged.

    Its origin is made from the numbers, so that the same evidence has the same.
    """
    heads: list[dict[str, Any]] = []
    pieces: list[BankNumbers] = []
    name = text_from_bytes(text_to_bytes(session.description.engine.name))
    for bank in session.learner.banks:
        numbers = numbers_of(deepcopy(bank.evidence))
        pieces.append(numbers)
        heads.append(
            {
                "fingerprint": fingerprint(session.settings, bank.table),
                "bank": bank.number,
                "bank_count": len(session.learner.banks),
                "number_bytes": numbers.number_bytes,
                "speed_count": bank.table.speed_count,
                "load_count": bank.table.load_count,
                "term_count": bank.evidence.n_terms,
                "samples_seen": bank.seen_count,
                "samples_used": bank.used_count,
                "part_count": numbers.part_count,
                "data_crc": numbers.crc(),
                "engine": name,
                "bank_name": text_from_bytes(text_to_bytes(bank.name)),
            }
        )
    origin = crc32(b"".join(head["data_crc"].to_bytes(4, "little") for head in heads))
    whole = tuple(head | {"origin": origin, "snapshot": 1} for head in heads)
    return Snapshot(whole, tuple(pieces))


def store(folder: Path, snapshot: Snapshot) -> Path:
    """Write a snapshot into a folder, under its origin and number; return the path."""
    path = folder / f"board-{snapshot.origin:08x}-{snapshot.number:06d}.bin"
    write_bytes(path, to_bytes(snapshot))
    return path


def evidence_in(folder: Path) -> list[Path]:
    """Return a folder's evidence files, by origin and number."""
    if not folder.exists():
        return []
    return sorted(path for path in folder.iterdir() if path.match("board-*.bin"))


def is_evidence(path: Path) -> bool:
    """True when a file begins with a head of evidence."""
    if not path.is_file():
        return False
    with errors_about(path, "cannot be read"), path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    try:
        return cobs_decode(head[: head.index(0)])[1] == EVIDENCE_TYPE
    except (ValueError, IndexError):
        return False


def without_earlier(paths: list[Path]) -> list[Path]:
    """Return recordings in their order, then of each origin of evidence the latest snapshot only.

    UserError where evidence is damaged.
    """
    latest: dict[int, tuple[int, Path]] = {}
    recordings = []
    for path in paths:
        if not is_evidence(path):
            recordings.append(path)
            continue
        snapshot = read_evidence(path)
        if snapshot.number >= latest.get(snapshot.origin, (0, path))[0]:
            latest[snapshot.origin] = (snapshot.number, path)
    return recordings + [path for _, (_, path) in sorted(latest.items())]


def read_evidence(path: Path) -> Snapshot:
    """Return the snapshot of a file; UserError in one line for anything else."""
    with errors_about(path, "cannot be read"), path.open("rb") as file:
        data = file.read(MOST_BYTES + 1)
    try:
        return from_bytes(data)
    except EvidenceError as error:
        raise UserError(f"{path}: {error}") from None


def fitting(
    where: str, snapshot: Snapshot, settings: Settings, engine: str, is_ours: bool = False
) -> list[Evidence]:
    """Return what each bank has learned; UserError unless the snapshot is of this engine, these
    tables and terms, and its numbers are sums of something learned. is_ours: this program has just
    made it, and nobody need look whether its sums are possible."""
    _check_fits(where, snapshot, settings, engine)
    pieces = []
    for numbers, head in zip(snapshot.numbers, snapshot.heads, strict=True):
        try:
            pieces.append(evidence_of(numbers, head, is_ours))
        except ValueError as error:
            name = head["bank_name"]
            raise UserError(f"{where}: bank {name}: {error}: fetch it again") from None
    return pieces


def _check_fits(where: str, snapshot: Snapshot, settings: Settings, engine: str) -> None:
    banks = settings.banks
    if len(snapshot.heads) != len(banks):
        raise UserError(
            f"{where}: evidence for {len(snapshot.heads)} banks, the engine description has "
            f"{len(banks)}: it is another engine's"
        )
    ours = text_from_bytes(text_to_bytes(engine))
    for head, bank in zip(snapshot.heads, banks, strict=True):
        if head["engine"] != ours:
            raise UserError(
                f"{where}: evidence of another engine, {head['engine']!r}; the description says "
                f"{ours!r}: give that engine's description, or install this one on the board"
            )
        if (head["speed_count"], head["load_count"]) != (
            bank.table.speed_count,
            bank.table.load_count,
        ):
            raise UserError(
                f"{where}: bank {bank.name}: learned on {head['load_count']} loads x "
                f"{head['speed_count']} speeds, the engine description's axes have "
                f"{bank.table.load_count} x {bank.table.speed_count}: "
                f"install the description on the board"
            )
        if head["term_count"] != len(settings.term_names()):
            raise UserError(
                f"{where}: learned with {head['term_count']} global terms, the engine description "
                f"has {len(settings.term_names())}: make film_terms and charge_lead in [method] "
                "agree"
            )
        if head["fingerprint"] != fingerprint(settings, bank.table):
            raise UserError(
                f"{where}: bank {bank.name}: learned on another table or other axes than the "
                "engine description's, or with another film_s: it cannot be added; clear the board "
                "and install this one"
            )


def evidence_of(numbers: BankNumbers, head: dict[str, Any], is_ours: bool = False) -> Evidence:
    """Return one bank's numbers as evidence in double precision. Raises ValueError where they are
    none, or, looked at unless is_ours, are sums that nothing learned can have."""
    evidence = Evidence(head["speed_count"], head["load_count"], head["term_count"])
    restore(evidence, numbers)
    if head["samples_used"] > head["samples_seen"]:
        raise ValueError("more samples used than seen")
    if not is_ours:
        check_possible(evidence)
    return evidence


def add_to_session(session: Session, path: Path) -> None:
    """Add the evidence of a file to a session's banks, and its samples to their counts.

    UserError, with nothing added, when it does not fit.
    """
    add_snapshot(session, str(path), read_evidence(path))


def add_snapshot(
    session: Session, where: str, snapshot: Snapshot, is_ours: bool = False, sweeps: int = SWEEPS
) -> None:
    """Add a snapshot as `add_to_session` adds a file; where: what it came from, for messages.
    is_ours: see `fitting`. sweeps: over the running estimate; 0 where more is added at once."""
    name = session.description.engine.name
    pieces = fitting(where, snapshot, session.settings, name, is_ours)
    session.learner.keep_all()
    for bank, head, piece in zip(session.learner.banks, snapshot.heads, pieces, strict=True):
        bank.evidence.merge(piece, sweeps)
        bank.seen_count += head["samples_seen"]
        bank.used_count += head["samples_used"]
    session.samples += max(head["samples_seen"] for head in snapshot.heads)
