"""Learning live: over real pseudo-terminals and TCP, with everything that can go wrong there."""

import json
import os
import signal
import struct
import subprocess
import sys
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_line import Breathmap, refused
from processes import BREATHMAP, wait_for

from breathmap.protocol.wire.device import build_frame, cobs_encode
from breathmap.simulator.service import Service
from breathmap.tools.base.files import read_table
from breathmap.tools.demo.simulating import Order, prepare
from breathmap.tools.run.results import SUMMARY

needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")


@contextmanager
def chattering_port(data: bytes) -> Iterator[str]:
    """A pseudo-terminal that sends `data` again and again (nothing when it is empty)."""
    import tty

    master, other = os.openpty()
    tty.setraw(other)
    over = threading.Event()

    def chatter() -> None:
        while not over.wait(0.02):
            if data:
                os.write(master, data)

    thread = threading.Thread(target=chatter)
    thread.start()
    try:
        yield os.ttyname(other)
    finally:
        over.set()
        thread.join()
        os.close(other)
        os.close(master)


@needs_pty
def test_learns_from_a_pseudo_terminal(breathmap: Breathmap, bench: Path) -> None:
    """Learning from a port to its end records every byte and equals a replay of the recording."""
    out = bench.parent / "out"
    device = prepare(Order(minutes=2.0))
    with Service(device.stream(), "pty", None) as service:
        ended = breathmap("learn", bench, service.url, "--out", out, "--json", "--give-up", 0)
        service.wait()
        sent = service.bytes_sent

    again = breathmap(
        "replay", bench, out / "recording-001.bin", "--out", bench.parent / "again", "--json"
    )

    assert ended.code == 0
    summary, replayed = json.loads(ended.out), json.loads(again.out)
    assert (out / "recording-001.bin").stat().st_size == sent == summary["link"]["bytes"]
    assert summary["samples"] == 3000
    assert summary["link"]["lost"] == 0
    assert summary["banks"] == replayed["banks"]
    assert summary["sources"] == ["recording-001.bin"]
    assert json.loads((out / SUMMARY).read_text()) == summary


def test_learns_over_tcp_and_goes_on(breathmap: Breathmap, bench: Path) -> None:
    """--add learns the folder's recordings first, keeps them, and puts the new one beside them."""
    out = bench.parent / "out"
    for number, words in enumerate([(), ("--add",)], start=1):
        device = prepare(Order(minutes=0.5, seed=number))
        with Service(device.stream(), "tcp", None) as service:
            ended = breathmap(
                "learn", bench, service.url, "--out", out, "--json", "--give-up", 0, *words
            )
        assert ended.code == 0
        if number == 1:
            first = (out / "recording-001.bin").read_bytes()

    summary = json.loads(ended.out)
    assert summary["samples"] == 2 * 750
    assert summary["sources"] == ["recording-001.bin", "recording-002.bin"]
    assert (out / "recording-001.bin").read_bytes() == first
    refused(breathmap("learn", bench, "socket://127.0.0.1:9", "--out", out), "not empty", "--add")


@needs_pty
@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "nothing has arrived in 1 s"),
        (bytes(range(1, 200)), "no frame of ours: check the baud rate (now 115200) and the wiring"),
        (b"\0\x12\x55\0\xff", "no frame of ours"),
    ],
)
def test_silent_and_noisy_ports(breathmap: Breathmap, bench: Path, data: bytes, said: str) -> None:
    """A port that sends nothing, or nothing of ours, is one line, and no folder is made."""
    out = bench.parent / "out"
    with chattering_port(data) as url:
        refused(breathmap("learn", bench, url, "--out", out, "--wait", "1"), url, said)
    assert not out.exists()


def frames_of_tomorrow() -> bytes:
    """Frames that a device of protocol version 2 might send."""
    frames = b""
    for number in range(8):
        body = struct.pack("<BBHI", 2, 2, number, 0) + bytes(20)
        frames += cobs_encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"
    return frames


@needs_pty
def test_newer_protocol_is_told(breathmap: Breathmap, bench: Path) -> None:
    """A device that speaks a later protocol version is told in one line, with both versions."""
    with chattering_port(frames_of_tomorrow()) as url:
        ended = breathmap("learn", bench, url, "--out", bench.parent / "out", "--wait", "5")

    refused(ended, "the device speaks protocol version 2", "knows version 1", "update breathmap")


@needs_pty
def test_newer_controller_is_told(breathmap: Breathmap, tmp_path: Path) -> None:
    """Asked for its tables, such a device is told the same, and no job is made."""
    job = tmp_path / "job"

    with chattering_port(frames_of_tomorrow()) as url:
        ended = breathmap("new", job, "--port", url)

    refused(ended, "the device speaks protocol version 2", "knows version 1", "update breathmap")
    assert not job.exists()


@needs_pty
def test_noise_before_the_first_frame_is_survived(breathmap: Breathmap, bench: Path) -> None:
    """Rubbish before and between frames is counted, and learning goes on."""
    device = prepare(Order(minutes=0.5))
    stream = [(0, b"\x55\xaa rubbish \0")]
    for number, (time_us, frame) in enumerate(device.stream()):
        stream.append((time_us, frame))
        if number % 50 == 20:
            stream.append((time_us, bytes([7, 1, 2, 0])))
    stream.append((10**8, build_frame(99, len(stream), 0, b"later")))
    with Service(stream, "pty", None) as service:
        out = bench.parent / "out"
        ended = breathmap("learn", bench, service.url, "--out", out, "--json", "--give-up", 0)

    summary = json.loads(ended.out)
    assert summary["samples"] == 750
    assert summary["link"]["malformed"] > 10
    assert summary["link"]["unknown_type"] == 1


@needs_pty
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_interrupt_writes_what_was_learned(bench: Path, number: int) -> None:
    """Ctrl-C, SIGTERM and SIGHUP end a live run cleanly, with everything learned so far written."""
    out = bench.parent / "out"
    device = prepare(Order(minutes=30.0))
    with Service(device.stream(), "pty", 60.0) as service:
        process = subprocess.Popen(
            [*BREATHMAP, "learn", bench, service.url, "--out", out],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        recording = out / "recording-001.bin"
        wait_for(lambda: recording.exists() and recording.stat().st_size > 20_000)
        process.send_signal(number)
        text, trouble = process.communicate(timeout=60)

    assert process.returncode == 0
    assert trouble == ""
    assert "Stopped as asked" in text
    summary = json.loads((out / SUMMARY).read_text())
    assert summary["samples"] > 300
    assert summary["link"]["bytes"] == recording.stat().st_size
    assert len(summary_axis(out)) == 16
    assert len(list(out.iterdir())) == 2 * 6 + 6


def summary_axis(out: Path) -> list[str]:
    """Return the speed breakpoints of a written table."""
    return (out / "left-proposed.csv").read_text().splitlines()[0].split(",")[1:]


def test_simulate_serves_what_it_describes(tmp_path: Path) -> None:
    """simulate --describe writes files with which learn works at once from the port it prints."""
    words = ["simulate", "--describe", str(tmp_path / "b"), "--port", "tcp", "--drive", "idle"]
    server = subprocess.Popen(
        [*BREATHMAP, *words, "--minutes", "0.5", "--speed-up", "max"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert server.stdout is not None
    url = next(line for line in server.stdout if line.startswith("port: ")).split()[1]
    learner = subprocess.run(
        [
            *BREATHMAP,
            "learn",
            tmp_path / "b" / "engine.toml",
            url,
            "--out",
            tmp_path / "o",
            "--give-up",
            "1",
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    server.communicate(timeout=20)

    assert learner.returncode == 0, learner.stderr
    assert server.returncode == 0
    assert "\x1b" not in learner.stdout  # plain: nobody watches
    description = tmp_path / "b" / "engine.toml"
    assert "invented" in description.read_text().splitlines()[1]
    axis = [float(n) for n in summary_axis(tmp_path / "o")]
    table = (tmp_path / "o" / "left-proposed.csv").read_text().splitlines()[1:]
    load = [float(row.split(",")[0]) for row in table]
    assert len(read_table(tmp_path / "o" / "left-proposed.csv", axis, load)) == 192
