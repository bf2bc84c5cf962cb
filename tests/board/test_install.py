"""Putting the learner on a board: by the real mpremote on a real prompt, and on a scripted one."""

import json
import subprocess
from binascii import crc32

import pytest
from board_bench import put_modules, rom_board, small_description, tables_of, write_bench
from processes import program

from breathmap.tools.cli.main import run
from breathmap.tools.install import copy as board_install
from breathmap.tools.install import files as board_files
from breathmap.tools.install.files import find_program, rom_image, write_modules

KIB = 1024
QUERY = "ROMFS0 partition has size {} bytes (32 blocks of 4096 bytes each)"


@pytest.fixture
def bench(tmp_path):
    """The path of a small engine's description."""
    description = small_description(4)
    return write_bench(tmp_path / "bench", description, tables_of(description))


@pytest.fixture
def compiled_once(monkeypatch):
    """The modules as they were compiled before: for tests of what becomes of them."""

    def put(folder, compiler):
        assert compiler == program("mpy-cross")
        put_modules(folder)

    monkeypatch.setattr("breathmap.tools.cli.board.write_modules", put)


def ask(port, code):
    """Run a line on the board through mpremote; return what it printed."""
    command = [program("mpremote"), "connect", port, "exec", code]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=True)
    return done.stdout.strip()


def said_by(capsys):
    """The output as one line."""
    return " ".join(capsys.readouterr().out.split())


def test_the_modules_run_from_a_rom_partition(bench, tmp_path, capsys):
    """On a board with a ROM partition the image of the memory's proof is deployed, an earlier copy
    in the file system is removed, and MicroPython imports the application from /rom."""
    program("mpremote")
    program("mpy-cross")
    with rom_board(128 * KIB) as port:
        ask(port, "import os\nos.mkdir('breathmap')\nopen('breathmap/__init__.py', 'w').close()")
        assert run(["board", "install", str(bench), port]) == 0
        assert "run from the board's ROM partition" in said_by(capsys)
        where = "import breathmap.tools.board.app as a, breathmap.learner.core.kernel as k\n"
        where += "print(a.__file__, k.__file__)"
        assert (
            ask(port, where)
            == "/rom/breathmap/tools/board/app.mpy /rom/breathmap/learner/core/kernel.mpy"
        )
        names = ask(port, "import os\nprint(sorted(os.listdir()))")
        write_modules(tmp_path / "same", find_program("mpy-cross"))
        image = rom_image(tmp_path / "same")
        check = f"import binascii, vfs\nprint(binascii.crc32(vfs.rom_ioctl(2, 0)[:{len(image)}]))"
        assert int(ask(port, check)) == crc32(image)
    assert "'engine.txt'" in names
    assert "'main.py'" in names
    assert "'breathmap'" not in names


@pytest.mark.usefixtures("compiled_once")
@pytest.mark.parametrize(("size", "words"), [(0, "ROMFS"), (32 * KIB, "holds 32 KiB")])
def test_without_room_in_rom_the_modules_are_files(size, words, bench, capsys):
    """Without a ROM partition, or with one too small, the modules are copied as files, and one line
    says why, and what heap that takes."""
    program("mpremote")
    program("mpy-cross")
    with rom_board(size) as port:
        assert run(["board", "install", str(bench), port]) == 0
        text = said_by(capsys)
        assert ask(port, "import breathmap.tools.board.app as a\nprint(a.__file__)").startswith(
            "breathmap/tools/board"
        )
    assert words in text
    assert "28 KiB of the board's heap" in text
    assert "needs a heap of about" in text


@pytest.mark.usefixtures("compiled_once")
def test_a_folder_that_would_hide_the_rom_is_named(bench, capsys):
    """A folder of the owner's own that the board would search before its ROM is one clear line, and
    nothing in it is removed."""
    program("mpremote")
    program("mpy-cross")
    with rom_board(128 * KIB) as port:
        ask(port, "import os\nos.mkdir('breathmap')\nopen('breathmap/mine.py', 'w').close()")
        assert run(["board", "install", str(bench), port]) == 2
        assert ask(port, "import os\nprint(os.listdir('breathmap'))") == "['mine.py']"
    line = capsys.readouterr().err.strip()
    assert "breathmap/ hides" in line
    assert "\n" not in line


class Tool:
    """A scripted mpremote: what it was called with, and what it answers to each command."""

    def __init__(self, folder, monkeypatch, query="", where="", fails=""):
        self.calls = folder / "calls"
        path = folder / "mpremote"
        image = find_program("mpremote")
        path.write_text(
            f'#!/bin/sh\nif [ "$1" = romfs ]; then exec "{image}" "$@"; fi\n'
            f'echo "$@" >> {self.calls}\ncase "$*" in\n'
            f'  *"{fails or "nothing fails"}"*) echo "it failed" >&2; exit 1;;\n'
            f'  *"romfs query"*) echo "{query}";;\n  *"tools.board"*) echo "{where}";;\nesac\n'
        )
        path.chmod(0o755)
        for module in (board_files, board_install):
            monkeypatch.setattr(
                module, "find_program", lambda name: str(path) if name == "mpremote" else None
            )

    def lines(self):
        """The calls, one a line; a script of several lines counts by its first."""
        text = self.calls.read_text()
        return [line for line in text.splitlines() if line.startswith("connect ")]


@pytest.mark.usefixtures("compiled_once")
def test_install_copies_every_file_and_starts_the_board(bench, tmp_path, monkeypatch, capsys):
    """Without a ROM partition every folder is made, every file copied, the board started anew, and
    a heap that is too small is a caution."""
    program("mpy-cross")
    tool = Tool(
        tmp_path,
        monkeypatch,
        "ROMFS is not enabled on this device",
        "heap 65536 breathmap/tools/board/__init__.py",
    )
    assert run(["board", "install", str(bench), "/dev/ttyACM7"]) == 0
    lines = tool.lines()
    assert all(line.startswith("connect /dev/ttyACM7 ") for line in lines)
    assert lines[-1].endswith("reset")
    copied = " ".join(lines)
    for name in (
        "main.py",
        "engine.txt",
        "learner/core/kernel",
        "protocol/wire/reader",
        "tools/board/app",
    ):
        assert f"{name}" in copied
    (made,) = [line for line in lines if "exec import os; names" in line]
    for name in board_files.PACKAGES:
        assert f"'{name}'" in made
    text = said_by(capsys)
    assert "ROMFS is not enabled" in text
    assert "it has 64 KiB" in text
    assert "Caution: that is too small" in text


@pytest.mark.usefixtures("compiled_once")
def test_install_takes_the_first_partition_that_is_large_enough(
    bench, tmp_path, monkeypatch, capsys
):
    """The image goes to the first partition with room for it; of files only the starter and the
    engine are copied."""
    program("mpremote")
    program("mpy-cross")
    query = f"{QUERY.format(4096)}\n{QUERY.replace('ROMFS0', 'ROMFS1').format(131072)}"
    tool = Tool(tmp_path, monkeypatch, query, "heap 200000 /rom/tools/board/__init__.py")
    assert run(["board", "install", str(bench), "/dev/ttyACM7", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["rom_image"] is True
    assert found["heap"] == 200000
    assert found["heap_needed"] < 96 * KIB
    lines = tool.lines()
    assert any("romfs --partition 1 deploy" in line for line in lines)
    (copy,) = [line for line in lines if " fs cp " in line]
    assert copy.count(" fs cp ") == 2


@pytest.mark.usefixtures("compiled_once")
def test_a_rom_that_is_not_searched_is_made_up_for(bench, tmp_path, monkeypatch, capsys):
    """A board that has the image and does not import from it gets the files, too."""
    program("mpremote")
    program("mpy-cross")
    where = "heap 200000 tools/board/__init__.py"
    tool = Tool(tmp_path, monkeypatch, QUERY.format(131072), where)
    assert run(["board", "install", str(bench), "/dev/ttyACM7"]) == 0
    assert ":breathmap/learner/core/kernel.mpy" in " ".join(tool.lines())
    assert "does not import from its ROM partition" in said_by(capsys)


@pytest.mark.usefixtures("compiled_once")
@pytest.mark.parametrize("step", ["romfs query", "deploy", "fs cp", "reset"])
def test_a_step_that_fails_is_one_line(step, bench, tmp_path, monkeypatch, capsys):
    """Whichever step mpremote fails at, the person reads its reason in one line with the port."""
    program("mpremote")
    program("mpy-cross")
    where = "heap 200000 /rom/tools/board/__init__.py"
    Tool(tmp_path, monkeypatch, QUERY.format(131072), where, fails=step)
    assert run(["board", "install", str(bench), "/dev/ttyACM7"]) == 2
    line = capsys.readouterr().err.strip()
    assert "/dev/ttyACM7: mpremote: it failed" in line
    assert "\n" not in line


def test_install_without_the_tool_says_what_to_do(bench, monkeypatch, capsys):
    """Without mpremote nothing is copied, and the line says how to get it or do without."""
    monkeypatch.setattr(board_install, "find_program", lambda name: None)
    monkeypatch.setattr("breathmap.tools.cli.board.find_program", lambda name: None)
    assert run(["board", "install", str(bench), "/dev/ttyNONE"]) == 2
    assert "pip install mpremote" in capsys.readouterr().err
    assert run(["board", "install", str(bench)]) == 2


def test_install_into_a_folder_is_complete(bench, tmp_path):
    """What --folder writes imports nothing of ours that is not in it."""
    folder = tmp_path / "to-copy"
    assert run(["board", "install", str(bench), "--folder", str(folder)]) == 0
    assert (folder / "board.json").exists()
    assert run(["board", "install", str(bench), "--folder", str(folder)]) == 2
    there = {p.relative_to(folder).with_suffix("").as_posix() for p in folder.rglob("*.mpy")}
    for name in board_files.MODULES:
        for line in (board_files.ROOT / name).read_text("utf-8").splitlines():
            words = line.split()
            if words[:1] == ["from"] and words[1].startswith(
                ("breathmap.protocol.", "breathmap.learner.")
            ):
                # The three that only a host needs stand inside functions with their reasons.
                if words[1] in (
                    "breathmap.protocol.wire.fields",
                    "breathmap.protocol.wire.names",
                    "breathmap.protocol.wire.payload",
                ):
                    assert line.startswith("    ")
                else:
                    target = words[1].replace(".", "/")
                    assert target in there or f"{target}/{words[3]}" in there, (name, line)
