"""`breathmap board`: put the learner on a board, see its status, fetch and clear its evidence.

A fetched snapshot becomes one file per origin, in place of an earlier one, so that fetching twice
adds nothing twice; different origins add. The frames are those of the wire specification.
"""

import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import serial

from learner.kernel import Evidence
from learner.settings import Settings
from learner.snapshot import fingerprint, restore
from protocol import evidence_codes as codes
from protocol.all_frames import ALL_FRAMES
from protocol.board import build_frame, pack_payload, unpack_payload
from protocol.evidence import EvidenceError, Snapshot, SnapshotReader, from_bytes, to_bytes
from protocol.evidence_fields import EVIDENCE_PART, LEARNER_ANSWER, LEARNER_REQUEST, LEARNER_ROW
from protocol.evidence_parts import BankNumbers
from protocol.fields import IDENTITY, PROTOCOL_VERSION, REASONS, STATUS
from protocol.link import NEED_DATA, FrameEvent, LinkReader, NewerVersion
from protocol.scaling import text_from_bytes, text_to_bytes
from protocol.texts import LEARNER_OUTCOME_TEXTS
from tools.errors import UserError
from tools.files import write_bytes
from tools.port import CHUNK_BYTES, POLL_S, open_port
from tools.session import Session

ANSWER_S = 1.5
QUIET_S = 1.0
TRIES = 5
NEWER_FRAMES = 3
PATTERN = "board-*.bin"
Event = Any


class BoardLink:
    """A port to a learning board; a context manager. Samples that arrive are passed over."""

    def __init__(self, url: str, baud: int = 115200) -> None:
        self.url = url
        self._port = open_port(url, baud)
        self._reader = LinkReader(ALL_FRAMES)
        # Another start each time: a device takes a number it has just seen for a repetition.
        self._numbers = itertools.count(time.monotonic_ns() // 1_000_000)
        self._asked = -1

    def __enter__(self) -> "BoardLink":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._port.close()

    def ask(
        self,
        action: int,
        take: Callable[[Event], bool],
        bank: int = 0,
        place: int = 0,
        of: int = 0,
    ) -> None:
        """Ask until take(event) has said True; UserError when nothing comes, or a refusal."""
        for _ in range(TRIES):
            self._send({"action": action, "bank": bank, "place": place, "of": of})
            until = time.monotonic() + ANSWER_S
            while time.monotonic() < until:
                for event in self.events():
                    if take(event):
                        return
                    self._refused(event)
        raise UserError(self._silence())

    def _silence(self) -> str:
        counters = self._reader.counters
        if counters.frames:
            return (
                f"{self.url}: the device sends frames but answers no learner's requests: is it a "
                "learning board (breathmap board install), with its receive line wired?"
            )
        if counters.bytes:
            return f"{self.url}: bytes arrive but no frame of ours: check the baud rate and wiring"
        return f"{self.url}: nothing answers: check that the board has power, and the port's name"

    def _send(self, values: dict[str, Any]) -> None:
        number = next(self._numbers) & 0xFFFF
        frame = build_frame(
            LEARNER_REQUEST.number, number, 0, pack_payload(LEARNER_REQUEST, values)
        )
        try:
            # A delimiter first ends whatever noise the line has picked up.
            self._port.write(b"\0" + frame)
        except (serial.SerialException, OSError) as error:
            raise UserError(f"{self.url}: the port has closed: {error}") from None
        self._asked = number

    def _refused(self, event: Event) -> None:
        if not isinstance(event, FrameEvent) or event.type != LEARNER_ANSWER.number:
            return
        values = unpack_payload(LEARNER_ANSWER, event.payload)
        outcome = values["outcome"]
        if values["answered_sequence"] != self._asked or outcome == codes.DONE:
            return
        known = outcome < len(codes.LEARNER_OUTCOMES)
        text = (
            LEARNER_OUTCOME_TEXTS[codes.LEARNER_OUTCOMES[outcome]] if known else f"code {outcome}"
        )
        raise UserError(f"{self.url}: the board refused: {text}")

    def done(self, event: Event) -> bool:
        """True when the event is the answer that the latest request was done."""
        if not isinstance(event, FrameEvent) or event.type != LEARNER_ANSWER.number:
            return False
        values = unpack_payload(LEARNER_ANSWER, event.payload)
        return (values["answered_sequence"], values["outcome"]) == (self._asked, codes.DONE)

    def events(self) -> list[Event]:
        """Return what has arrived, after a short sleep when nothing has."""
        try:
            data: bytes = self._port.read(CHUNK_BYTES)
        except (serial.SerialException, OSError) as error:
            raise UserError(f"{self.url}: the port has closed: {error}") from None
        if not data:
            time.sleep(POLL_S)
        self._reader.feed(data)
        found = []
        while (event := self._reader.next_event()) is not NEED_DATA:
            counters = self._reader.counters
            newer = isinstance(event, NewerVersion) and not counters.frames
            if newer and counters.newer_version >= NEWER_FRAMES:
                raise UserError(
                    f"{self.url}: the board speaks protocol version {event.version}, this "
                    f"software knows version {PROTOCOL_VERSION}: update breathmap"
                )
            found.append(event)
        return found


# Fetching.


def fetch_snapshot(link: BoardLink, progress: Callable[[float], None] = lambda _: None) -> Snapshot:
    """Let the board keep what it has learned now, and return it whole."""
    gather = SnapshotReader()

    def heads(event: Event) -> bool:
        gather.take(event)
        return gather.has_heads

    try:
        link.ask(codes.TAKE_SNAPSHOT, heads)
        wanted = sum(head["part_count"] for head in gather.heads.values())
        while lacking := gather.missing():
            _fetch_parts(link, gather, lacking[0], lambda: progress(gather.part_count / wanted))
        return gather.snapshot()
    except EvidenceError as error:
        raise UserError(f"{link.url}: {error}") from None


def _fetch_parts(
    link: BoardLink, gather: SnapshotReader, lacking: tuple[int, int], step: Callable[[], None]
) -> None:
    """Ask for a bank's parts from the first that is missing, and take what comes."""
    bank, first = lacking
    number = gather.heads[bank]["snapshot"]

    def arrived(event: Event) -> bool:
        gather.take(event)
        return isinstance(event, FrameEvent) and event.type == EVIDENCE_PART.number

    link.ask(codes.SEND_PARTS, arrived, bank, first, number)
    quiet_since = time.monotonic()
    last = gather.heads[bank]["part_count"] - 1
    while time.monotonic() - quiet_since < QUIET_S:
        for event in link.events():
            if arrived(event):
                quiet_since = time.monotonic()
                step()
                part = unpack_payload(EVIDENCE_PART, event.payload)
                if (part["bank"], part["part"]) == (bank, last):
                    return


def store(folder: Path, snapshot: Snapshot) -> tuple[Path, bool]:
    """Write a snapshot as its origin's file, in place of an earlier one; return the path, and
    whether anything changed (not when the file holds this snapshot or a later one)."""
    path = folder / f"board-{snapshot.origin:08x}.bin"
    if path.exists() and read_evidence(path).number >= snapshot.number:
        return path, False
    write_bytes(path, to_bytes(snapshot))
    return path, True


def read_evidence(path: Path) -> Snapshot:
    """Return the snapshot of a file; UserError in one line for anything else."""
    try:
        return from_bytes(path.read_bytes())
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from None
    except EvidenceError as error:
        raise UserError(f"{path}: {error}") from None


def evidence_in(folder: Path) -> list[Path]:
    """Return a folder's evidence files, one an origin."""
    return sorted(folder.glob(PATTERN))


# Comparing and adding.


def check_fits(where: str, snapshot: Snapshot, settings: Settings, engine: str) -> None:
    """UserError unless the snapshot is of this engine, these tables and terms."""
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
        if (head["speed_count"], head["load_count"]) != (bank.table.n_speed, bank.table.n_load):
            raise UserError(
                f"{where}: bank {bank.name}: learned on {head['load_count']} loads x "
                f"{head['speed_count']} speeds, the engine description's axes have "
                f"{bank.table.n_load} x {bank.table.n_speed}: install the description on the board"
            )
        if head["term_count"] != len(settings.term_names()):
            raise UserError(
                f"{where}: learned with {head['term_count']} global terms, the engine description "
                f"has {len(settings.term_names())}: make film_s and charge_lead in [method] agree"
            )
        if head["fingerprint"] != fingerprint(settings, bank.table):
            raise UserError(
                f"{where}: bank {bank.name}: learned on another table or other axes than the "
                "engine description's: it cannot be added; clear the board and install this one"
            )


def evidence_of(numbers: BankNumbers, head: dict[str, Any]) -> Evidence:
    """Return one bank's numbers as evidence in double precision. Raises ValueError."""
    evidence = Evidence(head["speed_count"], head["load_count"], head["term_count"])
    restore(evidence, numbers)
    return evidence


def add_to_session(session: Session, paths: list[Path]) -> list[dict[str, Any]]:
    """Add the evidence of files to a session's banks, and their samples to its counts; return what
    was added, for a summary. UserError, with nothing added, when any file does not fit."""
    snapshots = []
    for path in paths:
        snapshot = read_evidence(path)
        check_fits(str(path), snapshot, session.settings, session.description.engine.name)
        try:
            pieces = [
                evidence_of(numbers, head)
                for numbers, head in zip(snapshot.numbers, snapshot.heads, strict=True)
            ]
        except ValueError as error:
            raise UserError(f"{path}: {error}: fetch it again") from None
        snapshots.append((path, snapshot, pieces))
    added = []
    for path, snapshot, pieces in snapshots:
        for bank, head, piece in zip(session.learner.banks, snapshot.heads, pieces, strict=True):
            bank.evidence.merge(piece)
            bank.seen_count += head["samples_seen"]
            bank.used_count += head["samples_used"]
        session.samples += max(head["samples_seen"] for head in snapshot.heads)
        added.append(
            {
                "file": path.name,
                "snapshot": snapshot.number,
                "used": {head["bank_name"]: head["samples_used"] for head in snapshot.heads},
            }
        )
    return added


# Status and clearing.


@dataclass(frozen=True)
class BoardStatus:
    """What a board says of itself: its identity, and one `status` frame a bank."""

    identity: dict[str, Any]
    banks: list[dict[str, Any]]

    def lines(self) -> list[str]:
        """Return it for people."""
        identity = self.identity
        first = self.banks[0]
        lines = [
            f"{identity['device_name']}, firmware {identity['firmware']}: "
            f"{identity['banks']} banks, {identity['load_count']} loads x "
            f"{identity['speed_count']} speeds, up {first['uptime_s']} s",
            f"frames: {first['frames_sent']:,} sent, {first['frames_dropped']:,} not sent for want "
            f"of time, {first['bad_received']:,} damaged requests",
        ]
        for values in self.banks:
            seen, used = values["samples_seen"], values["samples_used"]
            share = f" ({100.0 * used / seen:.1f} %)" if seen else ""
            lines.append(
                f"bank {values['bank'] + 1}: {used:,} of {seen:,} samples used{share} since the "
                "start"
            )
            counts = [entry["refused"] for entry in values["refusals"]]
            named = sorted(zip(counts, REASONS, strict=False), reverse=True)
            worst = ", ".join(f"{name} {count:,}" for count, name in named[:3] if count)
            if worst:
                lines.append(f"  refused most: {worst}")
        return lines


def board_status(link: BoardLink) -> BoardStatus:
    """Ask a board for its identity and status."""
    found: dict[str, Any] = {}

    def identity(event: Event) -> bool:
        if isinstance(event, FrameEvent) and event.type == IDENTITY.number:
            found.update(unpack_payload(IDENTITY, event.payload))
        return bool(found)

    link.ask(codes.SEND_IDENTITY, identity)
    banks: dict[int, dict[str, Any]] = {}

    def status(event: Event) -> bool:
        if isinstance(event, FrameEvent) and event.type == STATUS.number:
            values = unpack_payload(STATUS, event.payload)
            banks[values["bank"]] = values
        return len(banks) >= found["banks"]

    link.ask(codes.SEND_STATUS, status)
    return BoardStatus(found, [values for _, values in sorted(banks.items())])


def board_table(link: BoardLink, bank: int, rows: int) -> list[list[float]]:
    """Return the table that a bank of the board learns on, row by row, VE in per cent."""
    table = []
    for number in range(rows):
        cells: list[float] = []

        def row(event: Event, number: int = number, cells: list[float] = cells) -> bool:
            if isinstance(event, FrameEvent) and event.type == LEARNER_ROW.number:
                values = unpack_payload(LEARNER_ROW, event.payload)
                if (values["bank"], values["row"]) == (bank, number):
                    cells.extend(cell["ve_pct"] for cell in values["cells"])
            return bool(cells)

        link.ask(codes.SEND_ROW, row, bank, number)
        table.append(cells)
    return table


def clear_board(link: BoardLink, origin: int) -> None:
    """Let the board forget the evidence of this origin, and no other."""
    link.ask(codes.CLEAR, link.done, of=origin)
