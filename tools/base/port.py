"""A serial port, or anything pyserial can open, as a stream of byte chunks.

Reads what is there without waiting for more, so that nothing is held back or lost when the other
end goes away.
"""

import contextlib
import os
import signal
import time
from collections.abc import Iterator
from types import FrameType, TracebackType
from typing import Any

import serial
from serial.tools import list_ports

from breathmap.tools.base.errors import UserError

CHUNK_BYTES = 65536
# How pyserial's ports throw away, while they open, what has come in.
KINDS_OF_RESET = ("reset_input_buffer", "_reset_input_buffer")
POLL_S = 0.005
IDLE_S = 0.2


# Windows has no terminal that hangs up.
HANG_UP: int | None = getattr(signal, "SIGHUP", None)


class Stop:
    """Ctrl-C, SIGTERM or SIGHUP sets `asked` instead of ending the program; a second Ctrl-C or
    SIGTERM ends it.

    A terminal that hangs up says so several times, and takes no more lines: from then on they go
    nowhere, so that what was learned is still written. Under `nohup` it is not heeded.
    A context manager; outside the main thread it does nothing.
    """

    def __init__(self) -> None:
        self.asked = False
        self._before: dict[int, Any] = {}
        self._terminals: list[int] = []

    def __enter__(self) -> "Stop":
        self._terminals = [number for number in (1, 2) if os.isatty(number)]
        with contextlib.suppress(ValueError):
            for number in (signal.SIGINT, signal.SIGTERM):
                self._before[number] = signal.signal(number, self._ask)
            if HANG_UP is not None and signal.getsignal(HANG_UP) is not signal.SIG_IGN:
                self._before[HANG_UP] = signal.signal(HANG_UP, self._ask)
        return self

    def _ask(self, number: int, frame: FrameType | None) -> None:
        self.asked = True
        if number == HANG_UP:
            self._leave_terminal()
        if HANG_UP in self._before:
            # It comes again, also on top of a SIGTERM.
            del self._before[HANG_UP]
            signal.signal(HANG_UP, signal.SIG_IGN)
        self._restore()

    def _leave_terminal(self) -> None:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for number in self._terminals:
            os.dup2(nowhere, number)
        os.close(nowhere)

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


def open_port(url: str, baud: int, keeping: bool = False) -> Any:
    """Open a pyserial URL or device name; UserError in one line when that cannot be done.

    keeping: what has come in before is read, too, and not thrown away.
    """
    try:
        port = serial.serial_for_url(url, baudrate=baud, timeout=0, do_not_open=True)
        if keeping:
            for name in KINDS_OF_RESET:
                if hasattr(port, name):
                    setattr(port, name, lambda: None)
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
