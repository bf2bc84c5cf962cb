"""The never rules: which shelf may import which, where I/O is, what a board can run."""

import ast
import subprocess
import sys
import tomllib
from graphlib import TopologicalSorter
from pathlib import Path

import pytest
from checkout import ROOT

from breathmap.tools.make import mutants

PACKAGE = "breathmap"
ROOMS = ("protocol", "learner", "simulator", "tools")
MAY_IMPORT = {
    "protocol": {"protocol"},
    "learner": {"learner", "protocol"},
    "simulator": {"simulator", "protocol"},
    "tools": set(ROOMS),
}
# The public door names, for type checkers alone, what it loads on first use from above.
LEADS_UP = {"learner/api.py": {"tools/door/run.py", "tools/door/__init__.py"}}
# Board-safe is a folder: all that is in it runs under CPython and MicroPython alike.
BOARD_SAFE = {"protocol/wire", "learner/core"}
BOARD_MODULES = {"math", "array", "struct", "binascii"}
IO_MODULES = {
    "asyncio", "fcntl", "glob", "io", "os", "pathlib", "select", "selectors", "serial", "shutil",
    "signal", "socket", "subprocess", "sys", "tempfile", "termios", "threading", "time", "tty",
}  # fmt: skip
# The second loads code, as an import does.
MAY_DO_IO = {"simulator/service.py", "learner/fast/compiled.py"}
# The rooms' own folders hold doors (api.py, start.py) and count as no shelf.
DOORS = {"learner", "protocol", "tools"}


def name_of(path: Path) -> str:
    """Return a module's path from the root, as a test's name."""
    return path.relative_to(ROOT).as_posix()


MODULES = sorted(path for room in ROOMS for path in (ROOT / room).glob("**/*.py"))
PURE = [p for p in MODULES if not name_of(p).startswith("tools/") and name_of(p) not in MAY_DO_IO]


def shelf_of(path: Path) -> str:
    """Return the folder of a module, from the root."""
    return path.parent.relative_to(ROOT).as_posix()


def imports_of(path: Path) -> set[str]:
    """Return every module that a file imports, wherever the import stands."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}: relative import"
            # `from breathmap.learner.core import kernel` names a module, too.
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def ours(path: Path) -> set[Path]:
    """Return the files of ours that a module imports."""
    found = set()
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] != PACKAGE:
            continue
        for end in (len(parts), len(parts) - 1):
            place = ROOT.joinpath(*parts[1:end])
            if place.with_suffix(".py").exists():
                found.add(place.with_suffix(".py"))
                break
            if end > 1 and (place / "__init__.py").exists():
                found.add(place / "__init__.py")
                break
        else:
            raise AssertionError(f"{name_of(path)}: {name} is no module of ours")
    return found


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_rooms_know_only_whom_they_may(path: Path) -> None:
    """Learner and simulator never know each other, and protocol knows nobody."""
    room = path.relative_to(ROOT).parts[0]
    others = {name_of(other) for other in ours(path)} - LEADS_UP.get(name_of(path), set())
    assert {other.split("/")[0] for other in others} <= MAY_IMPORT[room]
    assert not {name.split(".")[0] for name in imports_of(path)} & set(ROOMS), "an old root"


def test_shelves_know_one_another_in_one_direction() -> None:
    """No circle of imports joins two shelves, and none joins two modules."""
    shelves: dict[str, set[str]] = {}
    modules: dict[str, set[str]] = {}
    for path in MODULES:
        others = {other for other in ours(path) if other.name != "__init__.py"}
        modules[name_of(path)] = {name_of(other) for other in others}
        if shelf_of(path) not in DOORS:
            reached = {shelf_of(other) for other in others} - DOORS - {shelf_of(path)}
            shelves.setdefault(shelf_of(path), set()).update(reached)
    assert len(shelves) >= 15
    for graph in (shelves, modules):
        tuple(TopologicalSorter(graph).static_order())  # CycleError names the circle


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


@pytest.mark.parametrize("path", [p for p in MODULES if shelf_of(p) in BOARD_SAFE], ids=name_of)
def test_board_safe_shelves_need_only_what_boards_have(path: Path) -> None:
    """A module on a board-safe shelf says so in its first line, and imports four small built-in
    modules and others of these shelves."""
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# Board-safe: runs on CPython and MicroPython alike.\n")
    roots = {name.split(".")[0] for name in imports_of(path)}
    assert roots <= BOARD_MODULES | {PACKAGE}
    assert {shelf_of(other) for other in ours(path)} <= BOARD_SAFE


def test_the_door_opens_no_other_room_by_itself(package_folder: Path) -> None:
    """Importing the public door loads nothing of tools; its names for files do, on first use."""
    text = (
        "import sys; sys.path.insert(0, sys.argv[1]); import breathmap.learner.api as api; "
        "above = [n for n in sys.modules if n.startswith('breathmap.tools.')]; assert not above, "
        "above; assert api.read and 'breathmap.tools.door.run' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", text, str(package_folder)], check=True)


def test_every_shelf_is_installed() -> None:
    """The project file names every folder of modules, so that none is missing from a wheel."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    named = set(data["tool"]["setuptools"]["packages"])
    assert named == {f"{PACKAGE}." + shelf_of(path).replace("/", ".") for path in MODULES}


def test_functions_stay_small() -> None:
    """Half of the functions of the rooms have 8 lines at most, nine in ten 25, and all 60."""
    sizes = sorted(
        (node.end_lineno - node.lineno + 1, name_of(path), node.name)
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.end_lineno
    )
    assert [one for one in sizes if one[0] > 60] == []
    assert sizes[len(sizes) // 2][0] <= 8
    assert sizes[len(sizes) * 9 // 10][0] <= 25


def test_the_top_level_is_the_house_and_nothing_else() -> None:
    """Rooms and the files that every project has; what tools leave there begins with a dot, or is
    a build's."""
    house = {"learner", "protocol", "simulator", "tests", "tools"}
    house |= {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    left_by_builds = {"build", "dist"}
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    strange = {name for name in found - house - left_by_builds if not name.endswith(".egg-info")}
    assert house <= found
    # What runs of the program leave is ignored by git, and no part of the house.
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    assert {name for name in strange if f"{name}/" not in ignored} == set()


def test_the_mutation_run_names_files_that_exist() -> None:
    """A module or test that moved would end a run of hours, or quietly leave tests out."""
    for module, tests in mutants.MODULES.items():
        assert (ROOT / module).is_file()
        assert all((ROOT / word).is_file() for word in tests.split() if word.startswith("tests/"))
