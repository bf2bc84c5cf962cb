# For MicroPython; on its unix port, too.
"""The thin layer between the application and one kind of board: ports, clock, pins, files.

Porting to another board means changing this file and nothing else. A port has `read()`, the bytes
that are there now (b"" for none, None when the other end is gone for good), and `write(frame)`,
which takes a whole frame or returns False. Settings stand in board.json:

    {"host": {"uart": 0, "baud": 115200}, "source": "line", "line": {"uart": 1, "baud": 115200}}
    {"host": {}, "source": "inputs", "inputs": {...}}      without "uart" the host is on USB

"lamp": {"pin": 25} in either names an output that is on while the mixture is too lean.

On the unix port: micropython main.py FOLDER LINE, where FOLDER holds the files and LINE is a device
or a recording; the host is on standard input and output.
"""

import gc
import json
import os
import select
import sys
import time

from breathmap.protocol.wire.reader import FrameReader
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.samples import SampleTimeline
from breathmap.protocol.wire.shapes import SAMPLE_TYPE, Shape
from breathmap.tools.board import layout, wire
from breathmap.tools.board.app import Application
from breathmap.tools.board.engine import BadEngineFile, read_engine
from breathmap.tools.board.slots import Slots

AT_ONCE = 128


class StreamPort:
    """A port over file objects that `select.poll` knows: standard streams, devices, USB."""

    def __init__(self, reading, writing=None) -> None:  # type: ignore[no-untyped-def]
        self._reading = reading
        self._writing = writing
        self._poll = select.poll()
        self._poll.register(reading, select.POLLIN)
        self._room = select.poll()
        if writing is not None:
            self._room.register(writing, select.POLLOUT)
        self._data = bytearray(AT_ONCE)

    def read(self):  # type: ignore[no-untyped-def]
        """Return what is there, at most AT_ONCE bytes; None at the end."""
        count = 0
        while count < AT_ONCE and self._poll.poll(0):
            # One at a time: more would wait until all of them are there.
            one = self._reading.read(1)
            if not one:
                return bytes(self._data[:count]) if count else None
            self._data[count] = one[0]
            count += 1
        return bytes(self._data[:count])

    def write(self, frame: bytes) -> bool:
        """Write a frame; False when there is no room."""
        if not self._room.poll(0):
            return False
        self._writing.write(frame)
        if hasattr(self._writing, "flush"):
            self._writing.flush()
        return True


class FilePort:
    """A recording in place of a line: as fast as the board reads."""

    def __init__(self, path: str) -> None:
        self._file = open(path, "rb")  # noqa: SIM115 (for as long as the board runs)

    def read(self):  # type: ignore[no-untyped-def]
        """Return the next bytes; None at the end."""
        return self._file.read(AT_ONCE) or None


class UartPort:
    """A UART of the microcontroller."""

    def __init__(self, settings) -> None:  # type: ignore[no-untyped-def]
        from machine import UART, Pin

        pins = {name: Pin(settings[name]) for name in ("tx", "rx") if name in settings}
        self._uart = UART(
            settings["uart"], settings.get("baud", 115200), rxbuf=512, txbuf=512, **pins
        )

    def read(self):  # type: ignore[no-untyped-def]
        """Return what is there."""
        return self._uart.read(AT_ONCE) or b"" if self._uart.any() else b""

    def write(self, frame: bytes) -> bool:
        """Write a frame; False while the one before is still leaving."""
        if not self._uart.txdone():
            return False
        self._uart.write(frame)
        return True


class LineSource:
    """Samples from a bridge on a serial line."""

    def __init__(self, port) -> None:  # type: ignore[no-untyped-def]
        self._port = port
        self._reader = FrameReader(frame_types=(Shape(SAMPLE_TYPE, *layout.SAMPLE_SHAPE),))
        self._timeline = SampleTimeline()
        self._sample = Sample()
        self.ended = False

    def step(self, app) -> bool:  # type: ignore[no-untyped-def]
        """Take what has arrived; False when nothing has."""
        data = None if self.ended else self._port.read()
        if data is None:
            self.ended = True
            return False
        self._reader.feed(data)
        event = self._reader.next_event()
        while event is not None:
            payload = self._timeline.take(event)
            if payload is not None:
                wire.decode_sample(payload, self._sample)
                self._sample.time_us = self._timeline.time_us
                self._sample.lost_before = self._timeline.lost_before
                app.take(self._sample, payload)
            event = self._reader.next_event()
        return bool(data)


def random32() -> int:
    """A number that no other board draws, not 0."""
    return int.from_bytes(os.urandom(4), "little") | 1


def build(folder: str, host, source_of, *lamp):  # type: ignore[no-untyped-def]
    """Return (application, source). source_of(engine): makes the source. lamp: the application's,
    where there is one. Raises BadEngineFile."""
    try:
        with open(folder + "/engine.txt") as lines:
            engine = read_engine(lines, json.loads)
    except OSError:
        raise BadEngineFile("there is no engine.txt: install it with breathmap board install")  # noqa: B904
    gc.collect()
    app = Application(engine, Slots(folder), lambda frame, wait: host.write(frame), random32, *lamp)
    return app, source_of(engine)


def run(app, source, host, ends: bool = False) -> None:  # type: ignore[no-untyped-def]
    """The loop: for ever, or (ends) until the host's end of the port is closed."""
    gc.collect()
    # From here on only when the heap is full: collecting often costs more than learning.
    gc.threshold(-1)
    before_us = time.ticks_us()
    while True:
        now_us = time.ticks_us()
        app.tick(time.ticks_diff(now_us, before_us) * 1e-6)
        before_us = now_us
        data = host.read()
        if data is None:
            if ends:
                app.save()
                return
        elif data:
            app.hear(data)
        if not source.step(app) and not data:
            time.sleep_ms(1)


def main() -> None:
    """Start the application on this board."""
    unix = sys.platform in ("linux", "darwin")
    try:
        if unix:
            host = StreamPort(sys.stdin.buffer, sys.stdout.buffer)
            path = sys.argv[2]
            regular = os.stat(path)[0] & 0xF000 == 0x8000
            port = FilePort(path) if regular else StreamPort(open(path, "rb"))  # noqa: SIM115
            app, source = build(sys.argv[1], host, lambda engine: LineSource(port))
        else:
            with open("board.json") as file:
                settings = json.load(file)
            own = settings.get("host", {})
            usb = StreamPort(sys.stdin.buffer, sys.stdout.buffer)
            host = UartPort(own) if "uart" in own else usb  # type: ignore[assignment]
            app, source = build(
                ".", host, lambda engine: _source(settings, engine), *_lamp(settings)
            )
    except BadEngineFile as error:
        sys.stderr.write("breathmap board: %s\n" % error)
        sys.exit(2)
    if app.note:
        sys.stderr.write("breathmap board: %s\n" % app.note)
    run(app, source, host, unix)


def _lamp(settings) -> tuple:  # type: ignore[no-untyped-def, type-arg]
    if "lamp" not in settings:
        return ()
    from machine import Pin

    return (Pin(settings["lamp"]["pin"], Pin.OUT, value=0),)


def _source(settings, engine) -> object:  # type: ignore[no-untyped-def]
    if settings.get("source", "line") == "line":
        return LineSource(UartPort(settings["line"]))
    # Loaded only where it is used: a board that listens to a line has no room to waste.
    from breathmap.tools.board.inputs import InputSource

    banks = len(engine.settings.banks)
    return InputSource(settings["inputs"], banks, engine.settings.sample_rate_hz)
