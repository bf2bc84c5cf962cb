"""Serve a simulated run as a device would: frames over a pseudo-terminal or a loopback TCP port.

The only module of the simulator that does I/O. Nothing is sent before a reader has opened the port;
when it does not take bytes, the run waits (back-pressure, no byte is lost); when it leaves, the run
waits for the next one; when the drive is over and every byte taken, the port closes.
"""

import contextlib
import os
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import Protocol

from breathmap.protocol.wire.control_fields import CONTROLLER
from breathmap.protocol.wire.device import build_frame, encode_sample, pack_payload
from breathmap.protocol.wire.fields import IDENTITY, NO_BANK, SAMPLE, STATUS
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.control_server import ControlServer
from breathmap.simulator.faults import Cable
from breathmap.simulator.table import Axes

IDENTITY_EVERY_US = 5_000_000
STATUS_EVERY_US = 1_000_000
LOAD_AXIS_MAP_KPA = 1
# Serial libraries throw away what has come in while they open a port: wait that out.
GRACE_S = 0.3
# A pyserial read that waits for more bytes than come loses them when the port closes meanwhile. So
# the port stays open and silent for longer than a reader's time-out should be.
LINGER_S = 0.6
POLL_S = 0.01
STANDING_TICK_US = 20_000
CHUNK_BYTES = 2048


class FrameStream:
    """Turns samples into wire frames with the identity and status frames that belong between them.

    Iterating yields (device time in µs, wire bytes) in order, once. control: answers what a host
    asks and writes, between the samples. In place of a sample there may be a bare device time, at
    which nothing is measured.
    """

    def __init__(
        self,
        samples: Iterable[Sample | int],
        banks: int,
        axes: Axes | None = None,
        sample_rate_hz: float = 25.0,
        device_name: str = "simulated twin",
        firmware: str = "0.1",
        control: ControlServer | None = None,
    ) -> None:
        self._samples = samples
        self._sequence = 0
        self._control = control
        self._identity = {
            "device_name": device_name,
            "firmware": firmware,
            "banks": banks,
            "sample_rate_hz": sample_rate_hz,
            "load_axis": LOAD_AXIS_MAP_KPA if axes else 0,
            "speed_points": [{"speed_rpm": n} for n in axes.speed_rpm] if axes else [],
            "load_points": [{"load": p} for p in axes.load_kpa] if axes else [],
        }

    @property
    def frames_sent(self) -> int:
        """Frames made so far."""
        return self._sequence

    def __iter__(self) -> Iterator[tuple[int, bytes]]:
        identity_due = status_due = None
        for sample in self._samples:
            now = sample if isinstance(sample, int) else sample.time_us
            if identity_due is None or now >= identity_due:
                yield now, self._frame(IDENTITY.number, now, self._who())
                named = None if self._control is None else self._control.controller()
                if named is not None:
                    yield now, self._frame(CONTROLLER.number, now, named)
                identity_due = now + IDENTITY_EVERY_US
            if status_due is None or now >= status_due:
                yield now, self._frame(STATUS.number, now, self._status(now))
                status_due = now + STATUS_EVERY_US
            if self._control is not None:
                for number, payload in self._control.answers(now):
                    yield now, self._frame(number, now, payload)
            if isinstance(sample, int):
                yield now, b""
            else:
                yield now, self._frame(SAMPLE.number, now, encode_sample(sample))

    def _frame(self, number: int, time_us: int, payload: bytes) -> bytes:
        wire = build_frame(number, self._sequence, time_us, payload)
        self._sequence += 1
        return wire

    def _who(self) -> bytes:
        # A controller's axes may have changed since the last time.
        control = self._control
        return pack_payload(IDENTITY, self._identity if control is None else control.identity())

    def _status(self, time_us: int) -> bytes:
        return pack_payload(
            STATUS,
            {
                "uptime_s": time_us // 1_000_000,
                "frames_sent": self._sequence,
                "frames_dropped": 0,
                "frames_received": 0,
                "bad_received": 0,
                "bank": NO_BANK,
                "samples_seen": 0,
                "samples_used": 0,
                "refusals": [],
            },
        )


def standing_times() -> Iterator[int]:
    """Yield device times without end: switched on, engine not running, nothing measured."""
    time_us = 0
    while True:
        yield time_us
        time_us += STANDING_TICK_US


class _Port(Protocol):
    """One way to a reader; nothing in it blocks. heard: what the reader sent, to be taken."""

    url: str
    heard: bytearray

    def reader_there(self) -> bool: ...
    def write(self, data: bytes) -> int: ...
    def drained(self) -> bool: ...
    def close(self) -> None: ...


class _PseudoTerminal:
    """The controlling end of a pseudo-terminal in raw mode.

    Our own copy of the other end is closed at once, because only then does a read tell whether
    somebody has it open.
    """

    def __init__(self) -> None:
        import tty

        self.heard = bytearray()
        self._master, other = os.openpty()
        self.url = os.ttyname(other)
        tty.setraw(other)
        os.close(other)
        os.set_blocking(self._master, False)

    def reader_there(self) -> bool:
        try:
            data = os.read(self._master, 4096)
            self.heard += data
            return data != b""
        except BlockingIOError:
            return True
        except OSError:
            return False

    def write(self, data: bytes) -> int:
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0

    def drained(self) -> bool:
        """True when the reader's end holds no byte that has not been read."""
        import fcntl
        import termios

        other = os.open(self.url, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            waiting = fcntl.ioctl(other, termios.FIONREAD, b"\0\0\0\0")
        finally:
            os.close(other)
        return bool(struct.unpack("i", waiting)[0] == 0)

    def close(self) -> None:
        os.close(self._master)


class _LoopbackPort:
    """A listening TCP port on 127.0.0.1 that serves one reader at a time."""

    def __init__(self, number: int = 0) -> None:
        self.heard = bytearray()
        self._listener = socket.create_server(("127.0.0.1", number))
        self._listener.setblocking(False)
        self._reader: socket.socket | None = None
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def reader_there(self) -> bool:
        if self._reader is None:
            try:
                self._reader, _ = self._listener.accept()
            except BlockingIOError:
                return False
            self._reader.setblocking(False)
            self._reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return True
        try:
            data = self._reader.recv(4096)
            self.heard += data
            gone = data == b""
        except BlockingIOError:
            gone = False
        except OSError:
            gone = True
        if gone:
            self._reader.close()
            self._reader = None
        return not gone

    def write(self, data: bytes) -> int:
        if self._reader is None:
            return 0
        try:
            return self._reader.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            return 0

    def drained(self) -> bool:
        """True at once: TCP itself delivers what was sent before its end."""
        return True

    def close(self) -> None:
        if self._reader is not None:
            # Closing with bytes unread here would reset the connection and lose what is under way.
            with contextlib.suppress(OSError):
                self._reader.shutdown(socket.SHUT_WR)
                while self._reader.recv(4096):
                    pass
            self._reader.close()
        self._listener.close()


class Service:
    """Serves a frame stream on its own thread; a context manager.

    stream: iterable of (device time in µs, wire bytes). kind: "pty", "tcp", or None for a
    pseudo-terminal where there is one. speed: multiple of real time, None for as fast as the reader
    takes it. cable: what damages the bytes. tcp_port: 0 picks a free one. hear: called with what
    the reader sends, on the stream's own thread. `url` is what a pyserial reader opens, `readers`
    how many have come so far.
    Raises ValueError for a bad speed or kind, OSError when no port can be had.
    """

    def __init__(
        self,
        stream: Iterable[tuple[int, bytes]],
        kind: str | None = None,
        speed: float | None = 1.0,
        cable: Cable | None = None,
        tcp_port: int = 0,
        hear: Callable[[bytes], None] | None = None,
    ) -> None:
        if speed is not None and not speed > 0.0:
            raise ValueError(f"speed must be above 0, or None for no limit, got {speed}")
        self._port = _open_port(kind, tcp_port)
        self.url = self._port.url
        self.bytes_sent = 0
        self._stream = stream
        self._speed = speed
        self._cable = cable or Cable()
        self._hear = hear
        self._stop = threading.Event()
        self._error: BaseException | None = None
        self.readers = 0
        self._reader_since_s: float | None = None
        self._thread = threading.Thread(target=self._run, name="simulator service", daemon=True)

    def __enter__(self) -> "Service":
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join()
        if self._error is not None and kind is None:
            raise self._error

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the drive is over and its bytes taken; False when the time ran out."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            if self._await_reader():
                self._serve()
                self._let_drain()
        except BaseException as error:  # handed to whoever leaves the context
            self._error = error
        finally:
            self._port.close()

    def _see_reader(self) -> bool:
        """Look whether a reader is there, and note since when."""
        is_there = self._port.reader_there()
        if is_there and self._reader_since_s is None:
            self._reader_since_s = time.monotonic()
            self.readers += 1
        elif not is_there:
            self._reader_since_s = None
        return is_there

    def _await_reader(self) -> bool:
        """Wait for a reader to open the port and settle: some throw away what comes while they
        open. False when told to stop."""
        while not self._see_reader():
            if self._stop.wait(POLL_S):
                return False
        assert self._reader_since_s is not None
        left_s = self._reader_since_s + GRACE_S - time.monotonic()
        return left_s <= 0.0 or not self._stop.wait(left_s)

    def _serve(self) -> None:
        start = time.monotonic()
        first_us: int | None = None
        waiting = bytearray()
        for time_us, frame in self._stream:
            first_us = time_us if first_us is None else first_us
            if self._hear is not None:
                self._listen()
            if self._speed is not None:
                ahead_s = (time_us - first_us) / 1e6 / self._speed - (time.monotonic() - start)
                if ahead_s > 0.0:
                    if not self._send(waiting):
                        return
                    if self._stop.wait(ahead_s):
                        return
            waiting += self._cable.carry(frame, time_us / 1e6)
            # An empty frame is a standing engine's tick: nothing else may come for long.
            is_due = len(waiting) >= CHUNK_BYTES or not frame
            if is_due and not self._send(waiting):
                return
        self._send(waiting)

    def _listen(self) -> None:
        """Pass on what the reader has sent."""
        self._see_reader()
        heard = self._port.heard
        if heard and self._hear is not None:
            self._hear(bytes(heard))
        heard.clear()

    def _send(self, waiting: bytearray) -> bool:
        """Write all of it, however long the reader takes, and empty it; False when stopped."""
        while waiting:
            if self._stop.is_set():
                return False
            if not self._await_reader():
                return False
            if self._hear is None:
                self._port.heard.clear()
            taken = self._port.write(bytes(waiting))
            self.bytes_sent += taken
            del waiting[:taken]
            if not taken and self._stop.wait(POLL_S / 5.0):
                return False
        return True

    def _let_drain(self) -> None:
        """Hold the port open until everything written has been read, or the reader is gone."""
        quiet = 0
        # The kernel moves bytes on in pieces: a queue seen empty once may fill again.
        while quiet < 5 and self._port.reader_there():
            quiet = quiet + 1 if self._port.drained() else 0
            if self._stop.wait(POLL_S):
                return
        self._stop.wait(LINGER_S)


def _open_port(kind: str | None, tcp_port: int) -> _Port:
    if kind is None:
        kind = "tcp" if sys.platform == "win32" else "pty"
    if kind == "pty":
        if sys.platform == "win32":
            raise ValueError("Windows has no pseudo-terminals, use tcp")
        return _PseudoTerminal()
    if kind == "tcp":
        return _LoopbackPort(tcp_port)
    raise ValueError(f"kind must be pty or tcp, got {kind}")
