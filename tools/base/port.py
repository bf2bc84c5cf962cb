"""A serial port, or anything pyserial can open, as a stream of byte chunks.

Reads what is there without waiting for more, so that nothing is held back or lost when the other
end goes away.
"""

import contextlib
import signal
import time
from collections.abc import Iterator
from types import FrameType, TracebackType
from typing import Any

import serial
from serial.tools import list_ports

from breathmap.tools.base.errors import UserError

CHUNK_BYTES = 65536
POLL_S = 0.005
IDLE_S = 0.2


class Stop:
    """Ctrl-C or SIGTERM sets `asked` instead of ending the program; a second one ends it.

    A context manager; outside the main thread it does nothing.
    """

    def __init__(self) -> None:
        self.asked = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> "Stop":
        with contextlib.suppress(ValueError):
            for number in (signal.SIGINT, signal.SIGTERM):
                self._before[number] = signal.signal(number, self._ask)
        return self

    def _ask(self, number: int, frame: FrameType | None) -> None:
        self.asked = True
        self._restore()

    def _restore(self) -> None:
        while self._before:
            number, handler = self._before.popitem()
            signal.signal(number, handler)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._restore()


def open_port(url: str, baud: int) -> Any:
    """Open a pyserial URL or device name; UserError in one line when that cannot be done."""
    try:
        port = serial.serial_for_url(url, baudrate=baud, timeout=0, do_not_open=True)
        # A device may take the modem lines for reset; leave them as they are.
        port.open()
    except (serial.SerialException, OSError, ValueError) as error:
        raise UserError(f"{url}: {_why_not_open(url, error)}") from None
    return port


def _why_not_open(url: str, error: Exception) -> str:
    text = str(error).lower()
    number = getattr(error, "errno", None)
    if number == 13 or "permission" in text or "access is denied" in text:
        return (
            "no permission to open the port, or another program has it; on Linux join the group "
            "dialout and log in again"
        )
    if "refused" in text:
        return "nothing listens there; start the device (or simulate) first"
    if isinstance(error, ValueError):
        return f"not a port: {error}"
    there = ", ".join(sorted(p.device for p in list_ports.comports())) or "none"
    return f"the port does not exist or cannot be opened; ports found here: {there}"


def chunks(port: Any, stop: Stop) -> Iterator[bytes]:
    """Yield what arrives; b"" every IDLE_S while nothing does. Ends when asked to stop or when the
    other end has gone."""
    idle_since = time.monotonic()
    while not stop.asked:
        try:
            data: bytes = port.read(CHUNK_BYTES)
        except (serial.SerialException, OSError):
            return
        if data:
            yield data
            idle_since = time.monotonic()
            continue
        if time.monotonic() - idle_since >= IDLE_S:
            yield b""
            idle_since = time.monotonic()
        time.sleep(POLL_S)
