"""The service: every byte, over a real pseudo-terminal and a loopback port, and an orderly end."""

import socket
import sys
import threading
import time
from collections.abc import Iterator

import pytest
import serial

from breathmap.protocol.host.recording import read_recording
from breathmap.protocol.wire.fields import IDENTITY, SAMPLE, STATUS
from breathmap.simulator.drives import Idle, RoadRide
from breathmap.simulator.faults import Cable, fault
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.run import bench, simulate
from breathmap.simulator.service import FrameStream, Service

KINDS = [
    pytest.param(
        "pty",
        marks=pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals"),
    ),
    "tcp",
]


def stream(duration_s: float, seed: int = 1) -> FrameStream:
    return FrameStream(simulate(*bench(), RoadRide(duration_s, seed), seed), 2, TWIN_AXES)


def read_all(url: str, pause_s: float = 0.0) -> bytes:
    """Read a port to its end as pyserial does."""
    got = bytearray()
    with serial.serial_for_url(url, baudrate=115200, timeout=0.2) as port:
        while True:
            try:
                data = port.read(4096)
            except serial.SerialException:
                return bytes(got)
            got += data
            if pause_s:
                time.sleep(pause_s)


def test_stream_is_made_of_good_frames() -> None:
    """The stream reads back as one identity per 5 s, a status a second and every sample."""
    made = stream(12.0)
    frames = list(made)
    recording = read_recording(b"".join(f for _, f in frames))
    identity = recording.identity

    assert len(recording.table) == 300
    assert identity is not None
    assert identity["banks"] == 2
    assert identity["sample_rate_hz"] == 25.0
    assert [p["speed_rpm"] for p in identity["speed_points"]] == list(TWIN_AXES.speed_rpm)
    assert [p["load"] for p in identity["load_points"]] == list(TWIN_AXES.load_kpa)
    assert recording.counters.lost == 0
    assert made.frames_sent == len(frames) == 300 + 3 + 12
    assert recording.statuses[255]["uptime_s"] == 11
    assert {IDENTITY.number, SAMPLE.number, STATUS.number} == {1, 2, 3}


def test_samples_survive_the_wire() -> None:
    """What is read back equals what was sampled, to the wire's resolution."""
    samples = list(simulate(*bench(), RoadRide(10.0, 1), 1))
    wire = b"".join(f for _, f in FrameStream(samples, 2))
    for sent, got in zip(samples, read_recording(wire).samples(), strict=True):
        assert got.time_us == sent.time_us
        assert got.speed_rpm == pytest.approx(sent.speed_rpm, abs=0.26)
        assert got.map_kpa == pytest.approx(sent.map_kpa, abs=0.0051)
        assert got.measured_lambda == pytest.approx(sent.measured_lambda, abs=5.1e-5)
        assert got.sensor_state == sent.sensor_state


@pytest.mark.parametrize("kind", KINDS)
def test_every_byte_arrives_and_the_port_ends(kind: str) -> None:
    """At full speed a reader gets exactly the bytes of the stream, then the port's end."""
    expected = b"".join(f for _, f in stream(120.0))
    with Service(stream(120.0), kind, speed=None) as service:
        got = read_all(service.url)
        assert service.wait(5.0)

    assert got == expected
    assert service.bytes_sent == len(expected)


@pytest.mark.parametrize("kind", KINDS)
def test_a_slow_reader_holds_the_run_back(kind: str) -> None:
    """A reader that dawdles, and opens late, loses nothing."""
    expected = b"".join(f for _, f in stream(30.0))
    with Service(stream(30.0), kind, speed=None) as service:
        time.sleep(0.3)
        got = read_all(service.url, pause_s=0.02)

    assert got == expected


@pytest.mark.parametrize("kind", KINDS)
def test_a_reader_may_come_back(kind: str) -> None:
    """When the reader leaves, the run waits; the next one gets the rest and the end."""
    with Service(stream(60.0), kind, speed=None) as service:
        with serial.serial_for_url(service.url, baudrate=115200, timeout=2.0) as port:
            first = port.read(3000)
        time.sleep(0.1)
        rest = read_all(service.url)

    assert len(first) == 3000
    assert read_recording(rest).table["time_us"][-1] == 59_960_000


@pytest.mark.parametrize("kind", KINDS)
def test_leaving_early_stops_the_thread(kind: str) -> None:
    """Leaving the context ends the service at once, with or without a reader."""
    for with_reader in (False, True):
        with Service(stream(600.0), kind, speed=1.0) as service:
            if with_reader:
                with serial.serial_for_url(service.url, baudrate=115200, timeout=60.0) as port:
                    assert port.read(10)
        assert service.wait(2.0)
    assert not [t for t in threading.enumerate() if t.name == "simulator service"]


def test_real_time_is_paced() -> None:
    """At a multiple of real time the bytes come no faster than that."""
    with Service(FrameStream(simulate(*bench(), Idle(2.0)), 2), "tcp", speed=4.0) as service:
        start = time.monotonic()
        read_all(service.url)

        # 1.96 s between first and last sample, at four times real time.
        assert time.monotonic() - start > 0.49


def test_a_bad_cable_is_served_too() -> None:
    """Damage and losses show in the reader's counters, the rest arrives."""
    cable = Cable([fault("cable-noise", 1e-3), fault("frames-lost", 0.02)], seed=1)
    with Service(stream(60.0), "tcp", speed=None, cable=cable) as service:
        recording = read_recording(read_all(service.url))

    assert cable.frames_lost > 5
    assert recording.counters.lost > 5
    assert 1200 < len(recording.table) < 1500


def test_an_error_in_the_run_reaches_the_caller() -> None:
    """If the run itself fails, leaving the context says so."""

    def broken() -> Iterator[tuple[int, bytes]]:
        yield 0, b"\0"
        raise RuntimeError("the simulated engine blew up")

    def serve() -> None:
        with Service(broken(), "tcp", speed=None) as service:
            read_all(service.url)
            service.wait(5.0)

    with pytest.raises(RuntimeError, match="blew up"):
        serve()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"kind": "pigeon"}, "kind must be pty or tcp"),
        ({"speed": 0.0}, "speed must be above 0"),
        ({"speed": -1.0}, "speed must be above 0"),
    ],
)
def test_senseless_services_are_refused(options: dict, says: str) -> None:  # type: ignore[type-arg]
    """A service that cannot be is refused when made."""
    with pytest.raises(ValueError, match=says):
        Service([], **options)


def test_a_reader_that_comes_between_frames_may_settle() -> None:
    """A second reader that opens the port while nothing is sent is given time, too: what came in
    while it opened would be thrown away, as pyserial does."""
    go = threading.Event()

    def frames() -> Iterator[tuple[int, bytes]]:
        while not go.is_set():
            time.sleep(0.001)
            yield 0, b""
        yield 0, b"x" * 100_000

    with Service(frames(), "tcp", None, hear=lambda data: None) as service:
        address = ("127.0.0.1", int(service.url.rpartition(":")[2]))
        with socket.create_connection(address):
            time.sleep(0.5)
        time.sleep(0.1)
        with socket.create_connection(address) as second:
            time.sleep(0.05)  # the service has seen it
            go.set()
            second.settimeout(0.1)
            with pytest.raises(TimeoutError):
                second.recv(1)
            second.settimeout(5.0)
            got = b""
            while len(got) < 100_000:
                got += second.recv(65536)
    assert got == b"x" * 100_000
