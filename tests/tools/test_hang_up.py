"""A terminal that is closed, or a reader that goes away, while `learn` runs: nothing is lost."""

import json
import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from processes import BREATHMAP, wait_for

from breathmap.simulator.service import Service
from breathmap.tools.demo.simulating import Order, prepare
from breathmap.tools.run.results import SUMMARY

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such terminals")


def recorded(out: Path, more_than: int) -> bool:
    """True when so much has been recorded."""
    path = out / "recording-001.bin"
    return path.exists() and path.stat().st_size > more_than


@pytest.mark.parametrize("view", ["", "first page", "begun"])
def test_a_closed_terminal_loses_nothing(bench: Path, view: str) -> None:
    """When its terminal window is closed, `learn`, with the view or without, writes everything that
    it has learned."""
    out = bench.parent / "out"
    with Service(prepare(Order(minutes=30.0)).stream(), "tcp", 60.0) as service:
        words = [*BREATHMAP, "learn", str(bench), service.url, "--out", str(out)]
        child, master = pty.fork()
        if not child:
            os.environ["TERM"] = "xterm-256color"
            os.execv(words[0], [*words, "--view"] if view else words)
        os.set_blocking(master, False)

        printed = bytearray()

        def is_there() -> bool:
            printed.extend(some_of(master))
            if view == "begun" and b"last minute" not in printed:
                os.write(master, b"\r")  # leaves the start page
                return False
            return recorded(out, 20_000)

        wait_for(is_there, pause_s=0.1)
        os.close(master)
        wait_for(lambda: os.waitpid(child, os.WNOHANG)[0] == child)

    summary = json.loads((out / SUMMARY).read_text("utf-8"))
    assert summary["samples"] > 300
    assert summary["link"]["bytes"] == (out / "recording-001.bin").stat().st_size
    assert (out / "left-proposed.csv").exists()


def some_of(master: int) -> bytes:
    """Return what a program has printed."""
    try:
        return os.read(master, 65536)
    except OSError:
        return b""


def test_a_reader_that_goes_away_loses_nothing(bench: Path) -> None:
    """`learn ... | head -1` goes on without its reader, and writes what it learned."""
    out = bench.parent / "out"
    with Service(prepare(Order(minutes=30.0)).stream(), "tcp", 60.0) as service:
        process = subprocess.Popen(
            [*BREATHMAP, "learn", bench, service.url, "--out", out], stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        process.stdout.readline()
        process.stdout.close()
        wait_for(lambda: recorded(out, 20_000))
        process.send_signal(signal.SIGTERM)
        assert process.wait(60.0) == 0

    assert json.loads((out / SUMMARY).read_text("utf-8"))["samples"] > 300


def test_a_hang_up_on_top_of_a_stop_ends_nothing(bench: Path) -> None:
    """SIGTERM and SIGHUP at once, as a system that shuts down sends them, still write the results;
    under nohup a hang-up is not heeded at all."""
    out = bench.parent / "out"
    with Service(prepare(Order(minutes=30.0)).stream(), "tcp", 60.0) as service:
        process = subprocess.Popen(
            ["nohup", *BREATHMAP, "learn", bench, service.url, "--out", out],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        wait_for(lambda: recorded(out, 10_000))
        process.send_signal(signal.SIGHUP)
        size = (out / "recording-001.bin").stat().st_size
        wait_for(lambda: recorded(out, size + 10_000))
        for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGHUP):
            process.send_signal(number)
        assert process.wait(60.0) == 0
    assert json.loads((out / SUMMARY).read_text("utf-8"))["samples"] > 300
