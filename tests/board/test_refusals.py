"""What a person reads when the device at the other end is not the board that was meant."""

import os
import pty
import struct
import threading
import tty
from binascii import crc32
from contextlib import contextmanager

import pytest

from breathmap.protocol.wire.codes import PROTOCOL_VERSION
from breathmap.protocol.wire.framing import build_frame, cobs_encode
from breathmap.tools.cli.main import run
from breathmap.tools.install import requests as board_host


@contextmanager
def device_that_says(frames):
    """A pseudo-terminal on which a device repeats these frames; yields its path."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    ended = threading.Event()

    def talk():
        while not ended.wait(0.02):
            os.write(ours, b"".join(frames))

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        ended.set()
        thread.join()
        os.close(ours)
        os.close(theirs)


def newer_frame(number):
    """A frame of the next protocol version."""
    body = struct.pack("<BBHI", PROTOCOL_VERSION + 1, 2, number, 0) + b"new"
    return cobs_encode(body + struct.pack("<I", crc32(body))) + b"\0"


def status_frame(number):
    """A frame that any bridge sends."""
    payload = struct.pack("<IIIIIBIIB", 5, number, 0, 0, 0, 255, 0, 0, 0)
    return build_frame(3, number, 0, payload)


CASES = {
    "newer": ([newer_frame(n) for n in range(8)], "update breathmap"),
    "bridge": ([status_frame(n) for n in range(8)], "is it a learning board"),
    "noise": ([b"nothing of ours\0"], "check the baud rate"),
    "unknown": (
        [build_frame(99, n, 0, b"?") for n in range(8)],
        "types that this software does not know",
    ),
    "silence": ([], "nothing answers"),
}


@pytest.mark.parametrize("case", CASES)
def test_another_device_is_one_clear_line(case, monkeypatch, capsys):
    """A newer protocol, a mere bridge, noise, unknown frames and silence each say what to do."""
    frames, words = CASES[case]
    monkeypatch.setattr(board_host, "ANSWER_S", 0.15)
    with device_that_says(frames) as port:
        assert run(["board", "status", port]) == 2
    line = capsys.readouterr().err.strip()
    assert words in line
    assert port in line
    assert "\n" not in line
