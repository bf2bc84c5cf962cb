"""A device that is plugged in and out: over a pseudo-terminal behind a lasting name, or TCP."""

import os
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from processes import wait_for

from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.run import simulate
from breathmap.simulator.service import FrameStream
from breathmap.tools.demo.simulating import Order, prepare
from breathmap.tools.run.recorder import Recorder

RATE_HZ = 25.0


def frames_of_ride(
    parts: int, samples_each: int, device_name: str = "simulated twin", **stream: Any
) -> list[list[bytes]]:
    """Return a ride's frames in so many parts, each from a device that has just started: who it
    is, how it is, samples."""
    samples = _samples(parts * samples_each)
    made = []
    for _ in range(parts):
        part = [next(samples) for _ in range(samples_each)]
        device = FrameStream(part, 2, device_name=device_name, **stream)
        made.append([frame for _, frame in device if frame])
    return made


def _samples(count: int) -> Iterator[Sample]:
    bench = prepare(Order(minutes=count / RATE_HZ / 60.0 + 0.5))
    assert bench.drive is not None
    return simulate(bench.parameters, bench.controller, bench.drive, 1, RATE_HZ)


class PtyPlug:
    """A device on a pseudo-terminal; its URL is a link that stays the same."""

    def __init__(self, folder: Path) -> None:
        self.url = str(folder / "port")
        self._ends: list[int] = []

    def plug(self) -> None:
        """Plug it in."""
        import tty

        master, other = os.openpty()
        tty.setraw(other)
        os.set_blocking(master, False)
        self._ends = [master, other]
        os.symlink(os.ttyname(other), f"{self.url}.new")
        os.replace(f"{self.url}.new", self.url)

    def send(self, data: bytes) -> None:
        """Send bytes, whether or not somebody listens yet."""
        left = bytearray(data)

        def is_sent() -> bool:
            try:
                del left[: os.write(self._ends[0], left)]
            except BlockingIOError:
                return False
            return not left

        wait_for(is_sent)

    def unplug(self) -> None:
        """Pull it out, its name with it."""
        os.unlink(self.url)
        while self._ends:
            os.close(self._ends.pop())


class TcpPlug:
    """A device on a loopback TCP port; its URL stays the same."""

    def __init__(self, folder: Path) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(60.0)
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._reader: socket.socket | None = None

    def plug(self) -> None:
        """Nothing to do: it listens all the time."""

    def send(self, data: bytes) -> None:
        """Send bytes to whoever has opened the port, or will."""
        if self._reader is None:
            self._reader, _ = self._listener.accept()
        self._reader.sendall(data)

    def unplug(self) -> None:
        """Close the connection."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def leave_dead(self) -> socket.socket | None:
        """Send nothing more on the connection, and do not close it, as after a loss of power."""
        dead, self._reader = self._reader, None
        return dead


class Heard:
    """What the recorder of the run has heard so far."""

    def __init__(self) -> None:
        self.recorder: Recorder | None = None

    def make(self, *arguments: Any) -> Recorder:
        """Make a recorder and keep it."""
        self.recorder = Recorder(*arguments)
        return self.recorder

    def all_of(self, count: int) -> None:
        """Wait until so many bytes have been heard in all, and are on disk if it takes them."""
        wait_for(
            lambda: self.recorder is not None and self.recorder.arrived >= count, pause_s=0.001
        )

    def all_lost(self, times: int) -> None:
        """Wait until the port has been found lost so often."""
        wait_for(
            lambda: self.recorder is not None and self.recorder.story.times_lost >= times,
            pause_s=0.001,
        )


class Acting(threading.Thread):
    """Runs what a device does beside the learner; `check` raises what went wrong in it."""

    def __init__(self, act: Callable[[], None]) -> None:
        super().__init__(daemon=True)
        self._act = act
        self._error: BaseException | None = None
        self.start()

    def run(self) -> None:
        """Act."""
        try:
            self._act()
        except BaseException as error:
            self._error = error

    def check(self) -> None:
        """Wait for its end."""
        self.join(60.0)
        if self._error is not None:
            raise self._error
