"""The serial edge to a controller: read its calibration, write one, read it back.

Requests are repeated until answered, a few at a time, so that a noisy line costs time and nothing
else. Samples that arrive meanwhile are passed over. Writes go through `apply`: all or nothing by
the protocol, and never believed before they are read back. Where that cannot be done, what the
controller holds is called unknown.
"""

import time
from collections.abc import Iterable
from typing import Any

from breathmap.protocol.book.texts import OUTCOME_TEXTS
from breathmap.protocol.host.calibration import (
    REQUEST_APPLY,
    REQUEST_DISCARD,
    Calibration,
    CalibrationError,
    CalibrationReader,
    Message,
    differences,
)
from breathmap.protocol.host.link import FrameEvent
from breathmap.protocol.wire import control_fields as control
from breathmap.protocol.wire.control_fields import (
    ANSWER,
    AXES,
    BUSY,
    CONTROLLER,
    DONE,
    NO_SUCH_PLACE,
    NOT_WRITABLE,
    OUTCOMES,
    REQUEST,
)
from breathmap.protocol.wire.device import unpack_payload
from breathmap.protocol.wire.fields import FrameType
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.frame_port import ANSWER_S, TRIES, FramePort

AT_ONCE = 8
# A device may be starting when its port is opened.
FIRST_ANSWER_S = 4.0
UNKNOWN = (
    "what the controller holds now is unknown until it is read back: check the cable and run the "
    "same command again"
)


class NoRequestsError(UserError):
    """The device does not answer requests: it only sends."""


class NothingWrittenError(UserError):
    """A write failed, and the controller, read back, holds what it held before."""


class ControllerLink(FramePort):
    """A port to a device that can read or write its controller; a context manager.

    wait_s: how long a device may take to answer the first request; None: FIRST_ANSWER_S.
    """

    def __init__(self, url: str, baud: int = 115200, wait_s: float | None = None) -> None:
        super().__init__(url, baud, "device")
        self._wait_s = FIRST_ANSWER_S if wait_s is None else wait_s
        # Frames of which the device said that it cannot keep them.
        self._cannot_hold: set[FrameType] = set()

    def read(self) -> Calibration:
        """Return the controller's whole calibration; UserError when the device cannot."""
        reader = CalibrationReader()
        answered = False
        silence_left_s = self._wait_s
        try:
            while wanted := reader.wanted():
                limit_s = min(ANSWER_S, silence_left_s)
                self._ask(reader, wanted, limit_s)
                if reader.wanted() != wanted:
                    # The identity comes by itself, too; only an answer to more shows that it
                    # listens.
                    answered = answered or len(wanted) > 1
                    silence_left_s = ANSWER_S * (TRIES if answered else 1)
                    continue
                silence_left_s -= limit_s
                if silence_left_s <= 0.0:
                    raise self._silence(answered)
            return reader.calibration()
        except CalibrationError as error:
            raise UserError(f"{self.url}: {error}") from None

    def _ask(self, reader: CalibrationReader, wanted: list[dict[str, Any]], limit_s: float) -> None:
        """Ask once for the first of what is wanted; let the reader take what comes within a
        time."""
        asked = {self.send(REQUEST, request): request for request in wanted[:AT_ONCE]}
        until = time.monotonic() + limit_s
        while time.monotonic() < until and wanted[:1] == reader.wanted()[:1]:
            for event in self.events():
                reader.take(event)
                for number, _ in _answers([event]):
                    if number in asked:
                        reader.refuse(asked[number])
            if len(reader.wanted()) <= len(wanted) - len(asked):
                break

    def _silence(self, answered: bool) -> UserError:
        if answered:
            return UserError(
                f"{self.url}: the controller no longer answers; check the cable and try again"
            )
        return NoRequestsError(
            f"{self.url}: the device answers no requests, so its controller's tables and settings "
            "cannot be read or written from here: do it by hand"
        )

    def write(self, wanted: Calibration, present: Calibration) -> Calibration:
        """Make the controller hold `wanted`, where it now holds `present`; read back and compare.

        Return what was read back. NothingWrittenError when it failed and nothing changed; any other
        UserError when it is not known, or not what was wanted, that the controller holds.
        """
        messages = self.changes(wanted, present)
        try:
            if messages:
                self._tell([REQUEST_DISCARD])
                self._tell(messages)
                self._tell([REQUEST_APPLY])
        except UserError as error:
            raise self._after_failure(error, present) from None
        back = self._read_back()
        left = [m for m in wanted.changes_from(back) if m[0] not in self._cannot_hold]
        if not left:
            return back
        if _same(back, present):
            raise NothingWrittenError(
                f"{self.url}: the controller took what was written, but read back it holds what it "
                "held before; nothing was changed"
            )
        _, found = differences(wanted, back)
        where = f"{found[0].part} {found[0].place}" if found else left[0][0].name
        raise UserError(
            f"{self.url}: read back, the controller differs from what was written, first in "
            f"{where.strip()}: check the cable and run the same command again"
        )

    def writes_axes(self) -> bool:
        """True when the device says that it can write its controller's axes. Asked for before any
        write, for one that cannot changes nothing; a device that does not know the question is
        silent or says that there is no such action."""
        asking = {"action": control.SEND_AXES, "table": 0, "bank": 0, "row": 0}
        for _ in range(TRIES):
            number = self.send(REQUEST, asking)
            until = time.monotonic() + ANSWER_S
            while time.monotonic() < until:
                events = self.events()
                if any(isinstance(e, FrameEvent) and e.type == AXES.number for e in events):
                    return True
                outcomes = [what for asked, what in _answers(events) if asked == number]
                if any(outcome != BUSY for outcome in outcomes):
                    return False
        return False

    def changes(self, wanted: Calibration, present: Calibration) -> list[Message]:
        """Return what must be written to turn one into the other; UserError where tables of the two
        have another number of rows, columns or banks."""
        try:
            return wanted.changes_from(present)
        except ValueError as error:
            raise UserError(f"{self.url}: {error}: it is another controller") from None

    def _read_back(self) -> Calibration:
        try:
            return self.read()
        except UserError as error:
            raise UserError(f"{error}; {UNKNOWN}") from None

    def _after_failure(self, error: UserError, present: Calibration) -> UserError:
        """Return what to raise after a write went wrong: look at what came of it, if possible."""
        try:
            back = self.read()
        except UserError:
            return UserError(f"{error}; {UNKNOWN}")
        if _same(back, present):
            return NothingWrittenError(f"{error}; read back, it holds what it held before")
        return UserError(f"{error}; read back, it does not hold what it held before")

    def _tell(self, messages: Iterable[Message]) -> None:
        """Send what needs an answer; return when all of it is done."""
        waiting = list(messages)
        tries = 0
        while waiting:
            batch = {self.send(*message): message for message in waiting[:AT_ONCE]}
            until = time.monotonic() + ANSWER_S
            heard = 0
            while batch and time.monotonic() < until:
                for number, outcome in _answers(self.events()):
                    message = batch.get(number)
                    if message is None or outcome == BUSY:
                        continue
                    # A mark that it cannot keep is no loss; one that it keeps must go when told.
                    is_mark = message[0] is CONTROLLER and message[1]["mark"]
                    if is_mark and outcome in (NOT_WRITABLE, NO_SUCH_PLACE):
                        self._cannot_hold.add(CONTROLLER)
                    elif outcome != DONE:
                        raise UserError(self._refused(message, outcome))
                    del batch[number]
                    waiting.remove(message)
                    heard += 1
            tries = 0 if heard else tries + 1
            if tries >= TRIES:
                raise UserError(f"{self.url}: the controller does not answer what is written to it")

    def _refused(self, message: Message, outcome: int) -> str:
        text = OUTCOME_TEXTS[OUTCOMES[outcome]] if outcome < len(OUTCOMES) else f"code {outcome}"
        return f"{self.url}: the controller refused {message[0].name}: {text}; do this step by hand"


def _same(one: Calibration, other: Calibration) -> bool:
    return not (one.changes_from(other) or other.changes_from(one))


def _answers(events: Iterable[Any]) -> list[tuple[int, int]]:
    """Return (answered sequence number, outcome) of the answers among events."""
    found = []
    for event in events:
        if isinstance(event, FrameEvent) and event.type == ANSWER.number:
            values = unpack_payload(ANSWER, event.payload)
            found.append((values["answered_sequence"], values["outcome"]))
    return found
