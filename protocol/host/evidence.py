"""Evidence as a host sees it: snapshots out of frames, and frames out of snapshots. No I/O.

A snapshot is whole or it is not one: nothing of it is handed out before every part is there and
every check agrees. The same frames are a board's memory, a file, and what travels in between.
"""

import struct
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from breathmap.protocol.host.link import LinkReader
from breathmap.protocol.wire.events import NEED_DATA, Event, FrameEvent, NewerVersion, UnknownType
from breathmap.protocol.wire.evidence_fields import EVIDENCE, EVIDENCE_FRAMES, EVIDENCE_PART
from breathmap.protocol.wire.evidence_parts import BankNumbers, double_count
from breathmap.protocol.wire.fields import PROTOCOL_VERSION
from breathmap.protocol.wire.framing import build_frame
from breathmap.protocol.wire.payload import pack_payload, unpack_payload

MOST_BYTES = 16_000_000
_KERNEL_NUMBERS = 8  # a cell, see SPEC.md


class EvidenceError(ValueError):
    """What arrived is no whole snapshot: one line says why."""


@dataclass(frozen=True)
class Snapshot:
    """What all banks of one learner held at one moment.

    heads: the `evidence` frames' values, one a bank. numbers: the banks' numbers.
    """

    heads: tuple[dict[str, Any], ...]
    numbers: tuple[BankNumbers, ...]

    @property
    def origin(self) -> int:
        """The same for all snapshots of evidence that only grew."""
        return int(self.heads[0]["origin"])

    @property
    def number(self) -> int:
        """Larger than that of every earlier snapshot of the same device."""
        return int(self.heads[0]["snapshot"])


def _empty_numbers(head: dict[str, Any]) -> BankNumbers:
    cells = head["speed_count"] * head["load_count"]
    terms = head["term_count"]
    code = "f" if head["number_bytes"] == 4 else "d"
    return BankNumbers(
        array("d", bytes(8 * double_count(terms))),
        array(code, bytes(head["number_bytes"] * _KERNEL_NUMBERS * cells)),
        array(code, bytes(head["number_bytes"] * terms * cells)),
        head["number_bytes"],
    )


class SnapshotReader:
    """Gathers one snapshot from link events, in any order but the head of a bank before its parts.

    Heads of another snapshot begin afresh. `missing` says what to ask for.
    """

    def __init__(self) -> None:
        self.heads: dict[int, dict[str, Any]] = {}
        self._parts: dict[int, dict[int, bytes]] = {}

    def take(self, event: Event) -> None:
        """Note one event. Raises EvidenceError for a head that no learner of ours sends."""
        if not isinstance(event, FrameEvent):
            return
        if event.type == EVIDENCE.number:
            self._head(unpack_payload(EVIDENCE, event.payload))
        elif event.type == EVIDENCE_PART.number:
            snapshot, bank, part, _ = struct.unpack_from(
                EVIDENCE_PART.fixed_format, event.payload, 0
            )
            head = self.heads.get(bank)
            if head is not None and head["snapshot"] == snapshot and part < head["part_count"]:
                self._parts[bank][part] = event.payload[EVIDENCE_PART.fixed_size :]

    def _head(self, head: dict[str, Any]) -> None:
        bank = head["bank"]
        if head["number_bytes"] not in (4, 8):
            raise EvidenceError(f"numbers of {head['number_bytes']} bytes, 4 or 8 are known")
        # Before anything is made in that size.
        for field in EVIDENCE.fields:
            if field.wire != "text16" and not field.raw_low <= head[field.name] <= field.raw_high:
                raise EvidenceError(
                    f"bank {bank + 1}: {field.name} is {head[field.name]}, "
                    f"{field.raw_low} to {field.raw_high} are possible"
                )
        if _empty_numbers(head).part_count != head["part_count"]:
            raise EvidenceError(
                f"bank {bank + 1} announces {head['part_count']} parts, which its shape does not "
                "need: the device's software is of another kind or broken"
            )
        known = next(iter(self.heads.values()), None)
        same = ("origin", "snapshot", "bank_count", "engine")
        if known is not None and any(known[name] != head[name] for name in same):
            self.heads.clear()
            self._parts.clear()
        if self.heads.get(bank) != head:
            self.heads[bank] = head
            self._parts[bank] = {}

    def missing(self) -> list[tuple[int, int]]:
        """Return (bank, first missing part) of every bank that lacks one; none before all heads
        are there."""
        if not self.has_heads:
            return []
        lacking = []
        for bank, head in sorted(self.heads.items()):
            parts = self._parts[bank]
            first = next((k for k in range(head["part_count"]) if k not in parts), None)
            if first is not None:
                lacking.append((bank, first))
        return lacking

    @property
    def has_heads(self) -> bool:
        """True when every bank's head is there."""
        known = next(iter(self.heads.values()), None)
        return known is not None and set(self.heads) == set(range(known["bank_count"]))

    @property
    def part_count(self) -> int:
        """Parts that have arrived."""
        return sum(len(parts) for parts in self._parts.values())

    def snapshot(self) -> Snapshot:
        """Return the snapshot. Raises EvidenceError unless it is whole and checks."""
        if not self.heads:
            raise EvidenceError("no evidence in it")
        if not self.has_heads:
            raise EvidenceError("the evidence of a bank is missing")
        for bank, first in self.missing():
            raise EvidenceError(f"bank {bank + 1}: part {first + 1} is missing")
        numbers = []
        for bank, head in sorted(self.heads.items()):
            filled = _empty_numbers(head)
            try:
                for part, data in self._parts[bank].items():
                    filled.put(part, data)
            except ValueError as error:
                raise EvidenceError(f"bank {bank + 1}: {error}") from None
            if filled.crc() != head["data_crc"]:
                raise EvidenceError(f"bank {bank + 1}: the check over all parts is wrong")
            numbers.append(filled)
        return Snapshot(tuple(head for _, head in sorted(self.heads.items())), tuple(numbers))


def frames_of(snapshot: Snapshot) -> Iterator[tuple[int, bytes]]:
    """Yield (type, payload) of a snapshot's frames, bank by bank, the head first."""
    for bank, (head, numbers) in enumerate(zip(snapshot.heads, snapshot.numbers, strict=True)):
        yield EVIDENCE.number, pack_payload(EVIDENCE, head)
        for part in range(numbers.part_count):
            data = numbers.data(part)
            fixed = struct.pack(EVIDENCE_PART.fixed_format, snapshot.number, bank, part, len(data))
            yield EVIDENCE_PART.number, fixed + data


def to_bytes(snapshot: Snapshot) -> bytes:
    """Return a snapshot as a file holds it: its frames one after another."""
    frames = enumerate(frames_of(snapshot))
    return b"".join(build_frame(kind, n, 0, payload) for n, (kind, payload) in frames)


def from_bytes(data: bytes) -> Snapshot:
    """Return the snapshot of a file. Raises EvidenceError in one line for anything else."""
    if len(data) > MOST_BYTES:
        raise EvidenceError(f"more than {MOST_BYTES:,} bytes are too many for evidence")
    link = LinkReader(EVIDENCE_FRAMES)
    gather = SnapshotReader()
    link.feed(data)
    while (event := link.next_event()) is not NEED_DATA:
        if isinstance(event, NewerVersion):
            raise EvidenceError(
                f"written with protocol version {event.version}, this software knows version "
                f"{PROTOCOL_VERSION}: update breathmap"
            )
        if isinstance(event, UnknownType):
            raise EvidenceError(f"it holds a frame of type {event.type}: this is no evidence file")
        if not isinstance(event, FrameEvent):
            raise EvidenceError("it is damaged: fetch it again")
        gather.take(event)
    if link.pending_bytes:
        raise EvidenceError("it is cut off: fetch it again")
    return gather.snapshot()


__all__ = [
    "EvidenceError",
    "Snapshot",
    "SnapshotReader",
    "frames_of",
    "from_bytes",
    "to_bytes",
]
