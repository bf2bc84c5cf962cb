"""The never rules: which room may import which, where I/O is, what a board can run."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("protocol", "learner", "simulator", "tools")
MAY_IMPORT = {
    "protocol": {"protocol"},
    "learner": {"learner", "protocol"},
    "simulator": {"simulator", "protocol"},
    "tools": set(ROOMS),
}
BOARD_MARK = "# Board-safe: runs on CPython and MicroPython alike."
BOARD_NEEDS = {
    "protocol": {"fields", "events", "payload", "board", "sample", "samples"},
    "learner": {"table", "kernel", "history", "gates", "settings", "stream"},
}
BOARD_MODULES = {"math", "array", "struct", "binascii"}
IO_MODULES = {
    "asyncio", "fcntl", "glob", "io", "os", "pathlib", "select", "selectors", "serial", "shutil",
    "signal", "socket", "subprocess", "sys", "tempfile", "termios", "threading", "time", "tty",
}  # fmt: skip
MAY_DO_IO = {"simulator/service.py"}

MODULES = sorted(path for room in ROOMS for path in (ROOT / room).glob("**/*.py"))
PURE = [
    path
    for path in MODULES
    if path.relative_to(ROOT).parts[0] != "tools" and "/".join(path.parts[-2:]) not in MAY_DO_IO
]


def name_of(path: Path) -> str:
    """Return a module's path from the root, as a test's name."""
    return path.relative_to(ROOT).as_posix()


def imports_of(path: Path) -> set[str]:
    """Return every module that a file imports, wherever the import stands."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}: relative import"
            found.add(str(node.module))
            # `from learner import kernel` names a module, too.
            if node.module in ROOMS:
                found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def is_board_safe(path: Path) -> bool:
    """True when a module says so in its first line."""
    return path.read_text(encoding="utf-8").startswith(BOARD_MARK + "\n")


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_rooms_know_only_whom_they_may(path: Path) -> None:
    """Learner and simulator never know each other, and protocol knows nobody."""
    room = path.relative_to(ROOT).parts[0]
    reached = {name.split(".")[0] for name in imports_of(path)} & set(ROOMS)

    assert reached <= MAY_IMPORT[room]


@pytest.mark.parametrize("path", PURE, ids=name_of)
def test_core_does_no_io(path: Path) -> None:
    """Protocol, learner and simulator take bytes and samples; ports, files and clocks are not
    theirs."""
    imported = {name.split(".")[0] for name in imports_of(path)}
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }

    assert not imported & IO_MODULES
    assert not calls & {"open", "print", "input"}


@pytest.mark.parametrize("path", [p for p in MODULES if is_board_safe(p)], ids=name_of)
def test_board_safe_modules_need_only_what_boards_have(path: Path) -> None:
    """A module marked board-safe imports four small built-in modules and other marked ones."""
    for name in imports_of(path):
        top = name.split(".")[0]
        if top not in ROOMS:
            assert name in BOARD_MODULES
            continue
        target = ROOT / (name.replace(".", "/") + ".py")
        package = ROOT / name.replace(".", "/") / "__init__.py"
        if target.exists() or package.exists():
            assert is_board_safe(target if target.exists() else package)


@pytest.mark.parametrize("room", BOARD_NEEDS)
def test_what_a_board_needs_is_marked(room: str) -> None:
    """The field table, the board's codec and the learner's core are marked board-safe."""
    marked = {path.stem for path in (ROOT / room).glob("*.py") if is_board_safe(path)}

    assert marked >= BOARD_NEEDS[room] | {"__init__"}
