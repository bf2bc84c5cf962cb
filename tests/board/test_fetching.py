"""How a snapshot is asked for, on a line that brings much at once or loses some of it."""

from array import array

import pytest

from breathmap.protocol.host.evidence import Snapshot, frames_of
from breathmap.protocol.host.link import Counters, FrameEvent
from breathmap.protocol.wire import evidence_codes as codes
from breathmap.protocol.wire.evidence_fields import EVIDENCE
from breathmap.protocol.wire.evidence_parts import BankNumbers, double_count
from breathmap.tools.install.requests import BoardLink, fetch_snapshot

BANKS = 2


def made_up() -> Snapshot:
    """A snapshot of two banks of 8 x 8 cells, its numbers counted up."""
    numbers = [
        BankNumbers(
            array("d", range(double_count(1))), array("f", range(512)), array("f", range(64)), 4
        )
        for _ in range(BANKS)
    ]
    heads = [
        {
            "origin": 7, "snapshot": 3, "fingerprint": 5, "bank": bank, "bank_count": BANKS,
            "number_bytes": 4, "speed_count": 8, "load_count": 8, "term_count": 1,
            "samples_seen": 9, "samples_used": 8, "part_count": one.part_count,
            "data_crc": one.crc(), "engine": "bench", "bank_name": str(bank),
        }
        for bank, one in enumerate(numbers)
    ]  # fmt: skip
    return Snapshot(tuple(heads), tuple(numbers))


class Line(BoardLink):
    """A link to a board that answers each request with so many frames a read, without a port;
    loses: every so many-th of them."""

    def __init__(self, at_once: int, loses: int = 0) -> None:
        self.url, self._asked = "line", -1
        self.asked: list[int] = []
        self._at_once, self._loses, self._count = at_once, loses, 0
        self._waiting: list[FrameEvent] = []
        self._frames = list(frames_of(made_up()))

    @property
    def counters(self) -> Counters:
        """Nothing was ever heard."""
        return Counters()

    def send(self, kind, values):
        """Take a request."""
        assert len(self.asked) < 100
        self.asked.append(values["action"])
        bank = -1
        for kind_number, payload in self._frames:
            is_head = kind_number == EVIDENCE.number
            bank += is_head
            is_wanted = is_head == (values["action"] == codes.TAKE_SNAPSHOT)
            self._count += 1
            is_lost = self._loses and not is_head and self._count % self._loses == 0
            if is_wanted and (is_head or bank == values["bank"]) and not is_lost:
                self._waiting.append(FrameEvent(kind_number, 1, self._count, 0, payload))
        return self._count

    def events(self):
        """What has come since."""
        found, self._waiting = self._waiting[: self._at_once], self._waiting[self._at_once :]
        return found


@pytest.mark.parametrize("at_once", [1, 3, 1000])
def test_each_bank_is_asked_for_once_however_much_comes_at_once(at_once):
    """On a line that loses nothing a snapshot takes one request, and one more a bank, also where
    many frames come with one read."""
    line = Line(at_once)
    shares: list[float] = []
    found = fetch_snapshot(line, shares.append)
    assert line.asked == [codes.TAKE_SNAPSHOT, *[codes.SEND_PARTS] * BANKS]
    assert [one.cells for one in found.numbers] == [one.cells for one in made_up().numbers]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_what_a_line_loses_is_asked_for_again(monkeypatch):
    """Where every seventh part is lost the snapshot is whole all the same."""
    monkeypatch.setattr("breathmap.tools.install.requests.QUIET_S", 0.01)
    line = Line(4, loses=7)
    found = fetch_snapshot(line)
    assert len(line.asked) > 1 + BANKS
    assert [one.border for one in found.numbers] == [one.border for one in made_up().numbers]
