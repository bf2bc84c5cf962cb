"""What a person reads when the device at the other end is not the board that was meant."""

import os
import pty
import struct
import threading
import tty
from binascii import crc32
from contextlib import contextmanager

import pytest
from board_bench import small_description, tables_of, write_bench

from protocol.codes import PROTOCOL_VERSION
from protocol.framing import build_frame, cobs_encode
from tools import board_files, board_host
from tools.cli import run


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


def test_install_without_the_tool_says_what_to_do(tmp_path, monkeypatch, capsys):
    """Without mpremote nothing is copied, and the line says how to get it or do without."""
    description = small_description(4)
    path = write_bench(tmp_path, description, tables_of(description))
    monkeypatch.setattr(
        board_files, "find_program", lambda name: None if name == "mpremote" else "unused"
    )
    monkeypatch.setattr("tools.board_cli.find_program", lambda name: None)
    assert run(["board", "install", str(path), "/dev/ttyNONE"]) == 2
    assert "pip install mpremote" in capsys.readouterr().err
    assert run(["board", "install", str(path)]) == 2


def test_install_copies_every_file_and_starts_the_board(tmp_path, monkeypatch):
    """With mpremote every folder is made, every file copied, and the board started anew."""
    calls = tmp_path / "calls"
    tool = tmp_path / "mpremote"
    tool.write_text(f'#!/bin/sh\necho "$@" >> {calls}\n')
    tool.chmod(0o755)
    description = small_description(4)
    path = write_bench(tmp_path, description, tables_of(description))
    monkeypatch.setattr(board_files, "find_program", lambda name: str(tool))
    assert run(["board", "install", str(path), "/dev/ttyACM7"]) == 0
    lines = calls.read_text().splitlines()
    assert all(line.startswith("connect /dev/ttyACM7 ") for line in lines)
    assert lines[-1].endswith("reset")
    copied = " ".join(lines)
    for name in ("main.py", "engine.txt", "learner/kernel", "protocol/reader", "tools/board/app"):
        assert f":{name}" in copied
    assert sum("mkdir" in line for line in lines) == 4


def test_install_into_a_folder_is_complete(tmp_path):
    """What --folder writes imports nothing of ours that is not in it."""
    description = small_description(4)
    path = write_bench(tmp_path, description, tables_of(description))
    folder = tmp_path / "to-copy"
    assert run(["board", "install", str(path), "--folder", str(folder)]) == 0
    assert (folder / "board.json").exists()
    assert run(["board", "install", str(path), "--folder", str(folder)]) == 2
    there = {p.relative_to(folder).with_suffix("").as_posix() for p in folder.rglob("*.mpy")}
    for name in board_files.MODULES:
        for line in (board_files.ROOT / name).read_text("utf-8").splitlines():
            words = line.split()
            if (
                words[:1] == ["from"]
                and "." in words[1]
                and words[1].split(".")[0] in ("protocol", "learner")
            ):
                # The two that only a host needs stand inside functions with their reasons.
                if words[1] in ("protocol.fields", "protocol.payload"):
                    assert line.startswith("    ")
                else:
                    assert words[1].replace(".", "/") in there, (name, line)
