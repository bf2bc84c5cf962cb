"""A port on which frames are sent and received: what every device that answers requests shares.

Knows how to send, to listen and to give up; which requests there are is the affair of those who
build on it (`breathmap.tools.base.control`, `breathmap.tools.install.requests`).
"""

import itertools
import random
import time
from types import TracebackType
from typing import Any, Self

import serial

from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.host.link import NEED_DATA, Counters, LinkReader
from breathmap.protocol.wire.device import build_frame, pack_payload
from breathmap.protocol.wire.fields import FrameType
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import CHUNK_BYTES, POLL_S, open_port
from breathmap.tools.base.protocol_version import refuse_newer

ANSWER_S = 1.5
TRIES = 5
Event = Any


class FramePort:
    """An open port; a context manager. Raises UserError, one line, for all that goes wrong.

    device: what it is called in errors.
    """

    def __init__(self, url: str, baud: int, device: str) -> None:
        self.url = url
        self._device = device
        self._port = open_port(url, baud)
        self._reader = LinkReader(ALL_FRAMES)
        # Another start each time: a device takes a number it has just seen for a repetition.
        self._numbers = itertools.count(random.getrandbits(16))
        self._began = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._port.close()

    @property
    def counters(self) -> Counters:
        """What the link has counted."""
        return self._reader.counters

    def send(self, kind: FrameType, values: dict[str, Any]) -> int:
        """Send one frame; return its sequence number."""
        number = next(self._numbers) & 0xFFFF
        time_us = int((time.monotonic() - self._began) * 1e6)
        frame = build_frame(kind.number, number, time_us, pack_payload(kind, values))
        try:
            # A delimiter first ends whatever noise the line has picked up.
            self._port.write(b"\0" + frame)
        except (serial.SerialException, OSError) as error:
            raise UserError(f"{self.url}: the port has closed: {error}") from None
        return number

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
            refuse_newer(self.url, self._device, self._reader.counters, event)
            found.append(event)
        return found
