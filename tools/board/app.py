# Runs on CPython and MicroPython alike.
"""The board's application: learns from samples, keeps the evidence, answers over the protocol.

It has no port of its own: the host's bytes come in through `hear`, samples through `take`, and
frames leave through `send`, which says whether the port had room for the whole of one. `tick`
belongs into every round of the loop. What is asked for goes out between the samples.
"""

import struct

from breathmap.learner.core.lean import SLOTS, WORST, Lean
from breathmap.learner.core.snapshot import clear, fingerprint
from breathmap.learner.core.stream import Learner
from breathmap.protocol.wire.events import FrameEvent
from breathmap.protocol.wire.evidence_codes import (
    CLEAR,
    DONE,
    EVIDENCE_TYPE,
    LEARNER_ANSWER_TYPE,
    LEARNER_REQUEST_TYPE,
    LEARNER_ROW_TYPE,
    NO_SUCH_PLACE,
    NOT_KEPT,
    OTHER_EVIDENCE,
    SEND_IDENTITY,
    SEND_PARTS,
    SEND_ROW,
    SEND_STATUS,
    TAKE_SNAPSHOT,
)
from breathmap.protocol.wire.framing import build_frame
from breathmap.protocol.wire.reader import FrameReader
from breathmap.protocol.wire.shapes import IDENTITY_TYPE, SAMPLE_TYPE, STATUS_TYPE, Shape
from breathmap.tools.board import layout, wire
from breathmap.tools.board.slots import (
    BANK_COUNT,
    ENGINE,
    FINGERPRINT,
    ORIGIN,
    SEEN,
    USED,
    part_of,
    read_frames,
)

NAME = "learning board"
FIRMWARE = "0.1"
IDENTITY_EVERY_S = 5.0
STATUS_EVERY_S = 1.0
SAVE_EVERY_S = 60.0
ALARMS = "/alarms.txt"


# The longest request that is read; it takes 24 bytes today, and others are skipped.
REQUEST_BYTES = 32


class Application:
    """One board's learner with its memory and its host.

    engine: from `read_engine`. slots: the memory. send(frame, may_wait): puts a whole frame on the
    wire and returns True, or returns False for want of room. random32: draws an origin, not 0.
    lamp(lit): called when a lean alarm comes or goes.
    note: one line on evidence that was found and not used, else "".
    """

    def __init__(self, engine, slots, send, random32, lamp=lambda lit: None) -> None:  # type: ignore[no-untyped-def]
        self.engine = engine
        self.learner = Learner(engine.settings, engine.typecode)
        self.lean = Lean(engine.settings, *engine.lean)
        self.evidences = [bank.evidence for bank in self.learner.banks]
        self.marks = [fingerprint(engine.settings, b.table) for b in self.learner.banks]
        self.slots = slots
        self.note = ""
        self.time_us = 0
        self.origin = 0
        self._send = send
        self._random32 = random32
        shape = Shape(LEARNER_REQUEST_TYPE, *layout.REQUEST_SHAPE)
        self._reader = FrameReader(frame_types=(shape,), run_bytes=REQUEST_BYTES)
        # Samples of earlier runs, which the counters of this one do not have.
        self._seen_before = [0] * len(self.evidences)
        self._used_before = [0] * len(self.evidences)
        self._sequence = 0
        self._sent = 0
        self._dropped = 0
        self._uptime_s = 0.0
        self._since_identity_s = IDENTITY_EVERY_S
        self._since_status_s = 0.0
        self._since_save_s = 0.0
        self._lamp = lamp
        self._lit = False
        self._worst = self.lean.run[WORST:SLOTS]
        self._worst_bank = 0
        self._alarms_kept = 0
        self._queue = []  # type: ignore[var-annotated]
        self._parts = None
        self._cleared = 0
        self._clearing = DONE
        self._remember()

    def _remember(self) -> None:
        heads = self.slots.heads
        self.origin = self._random32()
        if not heads:
            return
        self.note = self._why_not(heads)
        if self.note:
            return
        self.slots.load(self.evidences)
        self.origin = heads[0][ORIGIN]
        for bank in range(len(heads)):
            self._seen_before[bank] = heads[bank][SEEN]
            self._used_before[bank] = heads[bank][USED]

    def _why_not(self, heads) -> str:  # type: ignore[no-untyped-def]
        if heads[0][BANK_COUNT] != len(self.evidences):
            return "evidence for %d banks is left alone: the engine has %d" % (
                heads[0][BANK_COUNT],
                len(self.evidences),
            )
        for bank in range(len(heads)):
            if heads[bank][ENGINE] != wire.text16(self.engine.name):
                return "evidence of another engine is left alone; learning begins anew"
            if heads[bank][FINGERPRINT] != self.marks[bank]:
                return "evidence of another table or other axes is left alone; learning begins anew"
        return ""

    # In: samples, the host's bytes, time.

    def take(self, sample, payload: bytes) -> None:  # type: ignore[no-untyped-def]
        """Learn from a sample, and pass it on to the host as it is."""
        self.learner.learn_one(sample)
        self._watch(sample)
        self.time_us = sample.time_us
        frame = self._frame(SAMPLE_TYPE, payload)
        if self._send(frame, False):
            self._sent += 1
        else:
            self._dropped += 1

    def _watch(self, sample) -> None:  # type: ignore[no-untyped-def]
        # The lamp is lit while the mixture is too lean; the worst of it is kept.
        lean = self.lean
        lean.take(sample)
        lit = True in lean.on
        if lit != self._lit:
            self._lit = lit
            self._lamp(lit)
        for bank in range(len(lean.on)):
            at = bank * SLOTS + WORST
            if lean.on[bank] and lean.run[at] > self._worst[0]:
                self._worst = lean.run[at : at + SLOTS - WORST]
                self._worst_bank = bank

    def hear(self, data: bytes) -> None:
        """Take bytes from the host."""
        self._reader.feed(data)
        event = self._reader.next_event()
        while event is not None:
            if isinstance(event, FrameEvent):
                self._answer(event)
            event = self._reader.next_event()

    def tick(self, dt_s: float) -> None:
        """Time has passed: send what is due or asked for, one frame; keep the evidence."""
        self._uptime_s += dt_s
        self._since_identity_s += dt_s
        self._since_status_s += dt_s
        self._since_save_s += dt_s
        if self._since_identity_s >= IDENTITY_EVERY_S:
            self._since_identity_s = 0.0
            self._queue.append((IDENTITY_TYPE, 0))
        if self._since_status_s >= STATUS_EVERY_S:
            self._since_status_s = 0.0
            self._ask_status()
        # While parts of a snapshot are being sent it is kept.
        if self._since_save_s >= SAVE_EVERY_S and self._parts is None:
            self.save()
        self._send_one()

    def save(self) -> bool:
        """Keep what is learned now over a loss of power; False when it could not be written."""
        self._since_save_s = 0.0
        number = self.slots.snapshot + 1
        try:
            self.slots.save(lambda bank, numbers: self._head(number, bank, numbers), self.evidences)
            if self._alarms_kept != self.lean.count:
                self._tell_alarms()
        except OSError:
            return False
        return True

    def _tell_alarms(self) -> None:
        _, value, limit, speed_rpm, load = self._worst
        name = self.learner.banks[self._worst_bank].name
        with open(self.slots.folder + ALARMS, "w") as file:
            file.write(
                "lean alarms since the start: %d; worst: lambda %.2f, limit %.2f (%s), %.0f rpm, "
                "load %.0f\n" % (self.lean.count, value, limit, name, speed_rpm, load)
            )
        self._alarms_kept = self.lean.count

    def _head(self, snapshot: int, bank: int, numbers) -> bytes:  # type: ignore[no-untyped-def]
        learner = self.learner.banks[bank]
        return struct.pack(
            layout.EVIDENCE_FORMAT,
            self.origin,
            snapshot,
            self.marks[bank],
            bank,
            len(self.evidences),
            numbers.number_bytes,
            learner.table.speed_count,
            learner.table.load_count,
            learner.evidence.n_terms,
            (self._seen_before[bank] + learner.seen_count) & 0xFFFFFFFF,
            (self._used_before[bank] + learner.used_count) & 0xFFFFFFFF,
            numbers.part_count,
            numbers.crc(),
            wire.text16(self.engine.name),
            wire.text16(learner.name),
        )

    # Requests.

    def _answer(self, event) -> None:  # type: ignore[no-untyped-def]
        action, bank, place, of = struct.unpack(layout.REQUEST_FORMAT, event.payload)
        outcome = -1
        if action == SEND_IDENTITY:
            self._queue.append((IDENTITY_TYPE, 0))
        elif action == SEND_STATUS:
            self._ask_status()
        elif action == TAKE_SNAPSHOT:
            self._parts = None
            if self.save():
                self._parts = self._frames_of(-1, 0)
            else:
                outcome = NOT_KEPT
        elif action == CLEAR:
            outcome = self._clear(of)
        elif bank >= len(self.evidences) or action not in (SEND_PARTS, SEND_ROW):
            outcome = NO_SUCH_PLACE
        elif action == SEND_ROW:
            if place < self.learner.banks[bank].table.load_count:
                self._queue.append((LEARNER_ROW_TYPE, bank << 8 | place))
            else:
                outcome = NO_SUCH_PLACE
        elif self.slots.latest is None or of != self.slots.snapshot:
            outcome = OTHER_EVIDENCE
        else:
            self._parts = self._frames_of(bank, place)
        if outcome >= 0:
            self._queue.append((LEARNER_ANSWER_TYPE, outcome << 16 | event.sequence))

    def _clear(self, origin: int) -> int:
        if origin == self._cleared:
            return self._clearing  # asked again because the answer was lost
        if origin != self.origin:
            return OTHER_EVIDENCE
        for bank in range(len(self.evidences)):
            clear(self.evidences[bank], self.engine.settings.noise)
            self._seen_before[bank] = -self.learner.banks[bank].seen_count
            self._used_before[bank] = -self.learner.banks[bank].used_count
        self._parts = None
        self._cleared = origin
        self.origin = self._random32()
        self._clearing = DONE if self.save() else NOT_KEPT
        return self._clearing

    def _ask_status(self) -> None:
        for bank in range(len(self.evidences)):
            self._queue.append((STATUS_TYPE, bank))

    # Out.

    def _frames_of(self, bank: int, first: int):  # type: ignore[no-untyped-def]
        # The heads (bank -1), or one bank's parts from the first asked for.
        for kind, payload in read_frames(self.slots.latest):
            if kind == EVIDENCE_TYPE:
                if bank < 0:
                    yield kind, payload
            elif bank >= 0:
                _, of, part, _ = part_of(payload)
                if of == bank and part >= first:
                    yield kind, payload

    def _send_one(self) -> None:
        if self._queue:
            kind, place = self._queue[0]
            if self._put(kind, self._payload(kind, place)):
                self._queue.pop(0)
            return
        if self._parts is None:
            return
        try:
            kind, payload = next(self._parts)
        # The file cannot be read after all: the host asks again, and is told.
        except (StopIteration, OSError, ValueError):
            self._parts = None
            return
        self._put(kind, payload)

    def _payload(self, kind: int, place: int) -> bytes:
        banks = self.learner.banks
        settings = self.engine.settings
        if kind == IDENTITY_TYPE:
            axis = 2 if settings.load_is_throttle else 1
            rate_hz = settings.sample_rate_hz
            return wire.identity(NAME, FIRMWARE, banks[0].table, len(banks), rate_hz, axis)
        if kind == STATUS_TYPE:
            counters = self._reader.counters
            counts = (self._sent, self._dropped, counters.frames, counters.bad)
            return wire.status(banks[place], int(self._uptime_s), counts)
        if kind == LEARNER_ROW_TYPE:
            bank = place >> 8
            return wire.row(banks[bank].table, self.marks[bank], bank, place & 0xFF)
        return struct.pack(layout.ANSWER_FORMAT, place & 0xFFFF, place >> 16)

    def _frame(self, kind: int, payload: bytes) -> bytes:
        frame = build_frame(kind, self._sequence, self.time_us, payload)
        self._sequence = (self._sequence + 1) & 0xFFFF
        return frame

    def _put(self, kind: int, payload: bytes) -> bool:
        frame = build_frame(kind, self._sequence, self.time_us, payload)
        if not self._send(frame, True):
            return False
        self._sequence = (self._sequence + 1) & 0xFFFF
        self._sent += 1
        return True
