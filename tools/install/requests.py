"""`breathmap board`: put the learner on a board, see its status, fetch and clear its evidence.

The port's end of it: requests, answers, and a snapshot that is whole or not one. What becomes of
it is the affair of `breathmap.tools.run.evidence_files`.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from breathmap.protocol.book.texts import LEARNER_OUTCOME_TEXTS
from breathmap.protocol.host.evidence import EvidenceError, Snapshot, SnapshotReader
from breathmap.protocol.host.link import FrameEvent
from breathmap.protocol.wire import evidence_codes as codes
from breathmap.protocol.wire.device import unpack_payload
from breathmap.protocol.wire.evidence_fields import (
    EVIDENCE_PART,
    LEARNER_ANSWER,
    LEARNER_REQUEST,
)
from breathmap.protocol.wire.fields import IDENTITY, REASONS, STATUS
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.frame_port import ANSWER_S, TRIES, Event, FramePort

QUIET_S = 1.0


class BoardLink(FramePort):
    """A port to a learning board; a context manager. Samples that arrive are passed over."""

    def __init__(self, url: str, baud: int = 115200) -> None:
        super().__init__(url, baud, "board")
        self._asked = -1

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
            values = {"action": action, "bank": bank, "place": place, "of": of}
            self._asked = self.send(LEARNER_REQUEST, values)
            until = time.monotonic() + ANSWER_S
            while time.monotonic() < until:
                # What came with the answer is taken, too: more of the same, most of the time.
                answered = [take(event) or self._refused(event) for event in self.events()]
                if any(answered):
                    return
        raise UserError(self._silence())

    def _silence(self) -> str:
        counters = self.counters
        if counters.frames:
            return (
                f"{self.url}: the device sends frames but answers no learner's requests: is it a "
                "learning board (breathmap board install), with its receive line wired?"
            )
        if counters.unknown_type:
            return (
                f"{self.url}: the device sends only frames of types that this software does not "
                "know: update breathmap, or check that it is a learning board"
            )
        if counters.bytes:
            return f"{self.url}: bytes arrive but no frame of ours: check the baud rate and wiring"
        return f"{self.url}: nothing answers: check that the board has power, and the port's name"

    def _refused(self, event: Event) -> bool:
        # Raises UserError when the event is a refusal; else it is no answer.
        if not isinstance(event, FrameEvent) or event.type != LEARNER_ANSWER.number:
            return False
        values = unpack_payload(LEARNER_ANSWER, event.payload)
        outcome = values["outcome"]
        if values["answered_sequence"] != self._asked or outcome == codes.DONE:
            return False
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
    last = gather.heads[bank]["part_count"] - 1
    came = set()

    def arrived(event: Event) -> bool:
        gather.take(event)
        if not isinstance(event, FrameEvent) or event.type != EVIDENCE_PART.number:
            return False
        part = unpack_payload(EVIDENCE_PART, event.payload)
        came.add((part["bank"], part["part"]))
        step()
        return True

    link.ask(codes.SEND_PARTS, arrived, bank, first, number)
    quiet_since = time.monotonic()
    while (bank, last) not in came and time.monotonic() - quiet_since < QUIET_S:
        more = [arrived(event) for event in link.events()]
        if any(more):
            quiet_since = time.monotonic()


# Status and clearing.


# A board has no room for more: other alarms, a second evidence to fall back on, or columns of
# further causes.
WATCHED = (
    "It watches for a mixture too lean under load, and for no other alarm. "
    "Of what could explain a correction beside VE it watches film, charge lead, misfires and a "
    "stuck reading (refused from 3 s of moving load on; what it taught before stays in). For the "
    "rest record the ride on a computer, and diagnose it there."
)


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
        lines.append(WATCHED)
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
        return len(banks) >= int(found["banks"])

    link.ask(codes.SEND_STATUS, status)
    return BoardStatus(found, [values for _, values in sorted(banks.items())])


def clear_board(link: BoardLink, origin: int) -> None:
    """Let the board forget the evidence of this origin, and no other."""
    link.ask(codes.CLEAR, link.done, of=origin)
