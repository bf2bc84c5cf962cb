"""Builds what is handed out, and uses it as somebody would who has nothing but the wheel.

    python -m breathmap.tools.make.check_wheel build FOLDER    make wheel and sdist, look into both
    python -m breathmap.tools.make.check_wheel use FOLDER      the wheel in an empty environment
    python -m breathmap.tools.make.check_wheel pythons FOLDER  the same, in short, on other Pythons
    python -m breathmap.tools.make.check_wheel lacking         name the Pythons that are not here

Exit codes: 0 as it should be, 1 something is not (one line says what).
"""

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
NAME = "breathmap"
ROOMS = ("learner", "protocol", "simulator", "tools")
# Named one by one, because a file that the checkout has lost would be missed by nobody else.
DATA = (
    *(f"{room}/py.typed" for room in ROOMS),
    "protocol/SPEC.md",
    "protocol/vectors.json",
    "protocol/tutorial-bridge.md",
    "simulator/tutorial-convergence.md",
    "simulator/tutorial-classroom.md",
    "learner/c/breathmap_learner.h",
    "protocol/bridge/README.md",
    "protocol/bridge/breathmap_link.c",
    "protocol/bridge/avr/Makefile",
    "tools/board/README.md",
    "tools/install/heap.mjs",
    "tools/plot/templates/plot.html",
    "tools/plot/templates/plot.js",
    "tools/page/files/icon.svg",
    "tools/page/files/page.css",
    "tools/page/files/page.html",
    "tools/page/files/page.js",
    "tools/report/templates/report.html",
)
# Built where there is a compiler; a checkout holds none.
COMPILED = "learner/fast/_compiled."
OLDEST, NEWEST = 11, 14  # minor versions of Python 3
# Without a ready-made wheel these would be compiled for the better part of an hour.
NEVER_COMPILE = "numpy,scipy"
EXAMPLE = re.compile(r"^```python\n(.*?)^```$", re.MULTILINE | re.DOTALL)
NAMES = """
import breathmap.learner.api as api
from breathmap.learner.api import *
lost = [name for name in api.__all__ if name not in globals()]
assert api.__all__ and not lost, lost
print(f"{len(api.__all__)} names, from {api.__file__}")
"""


class WrongError(Exception):
    """One line: what is not as it should be."""


def say(text: str) -> None:
    """Print a line at once."""
    print(text, flush=True)


def run(command: Sequence[str | Path], folder: Path) -> str:
    """Run a command in a folder, apart from any other environment; return its standard output."""
    words = [str(word) for word in command]
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}
    done = subprocess.run(
        words,
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    if done.returncode:
        shown = " ".join(word if "\n" not in word else "..." for word in words)
        end = "\n".join((done.stdout + done.stderr).strip().splitlines()[-15:])
        raise WrongError(f"{shown}: exit code {done.returncode}\n{end}")
    return done.stdout


def files_of_checkout() -> list[str]:
    """Return the checkout's files by their path from its top, as a commit of now would hold
    them."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    names = set(run(command, ROOT).split("\0"))
    return sorted(name for name in names if name and (ROOT / name).is_file())


def of_the_rooms(names: Sequence[str]) -> set[str]:
    """Return what a user gets: every file of the rooms but the hidden ones."""
    return {n for n in names if n.split("/")[0] in ROOMS and not Path(n).name.startswith(".")}


def check_names(what: str, wanted: set[str], found: set[str]) -> None:
    """Raise WrongError unless two sets of names are one."""
    for trouble, names in (("lacks", wanted - found), ("should not hold", found - wanted)):
        if names:
            raise WrongError(f"{what} {trouble} {', '.join(sorted(names))}")


def build(folder: Path) -> None:
    """Make sdist and, from it, wheel in a folder; check what they hold."""
    names = files_of_checkout()
    wanted = of_the_rooms(names)
    check_names("the checkout", set(DATA), wanted & set(DATA))
    with tempfile.TemporaryDirectory() as made:
        # From a copy: a checkout keeps traces of earlier builds, which would be packed again.
        for name in names:
            place = Path(made, "copy", name)
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, place)
        run([sys.executable, "-m", "build", "--outdir", folder.resolve(), "."], Path(made, "copy"))
    wheel, sdist = the_one(folder, "*.whl"), the_one(folder, "*.tar.gz")
    with zipfile.ZipFile(wheel) as packed:
        inside = {n for n in packed.namelist() if not n.endswith("/")}
    version = wheel.name.split("-")[1]
    tops = {name.split("/")[0] for name in inside}
    check_names("the wheel's top level", {NAME, f"{NAME}-{version}.dist-info"}, tops)
    ours = {name.partition("/")[2] for name in inside if name.startswith(NAME + "/")}
    compiled = {name for name in ours if name.startswith(COMPILED)}
    check_names("the wheel", wanted, ours - compiled)
    with tarfile.open(sdist) as archive:
        inside = {m.name.partition("/")[2] for m in archive.getmembers() if m.isfile()}
    check_names("the sdist", wanted, inside & wanted)
    say(
        f"{wheel.name}: {len(ours)} files under the one name {NAME}, {wheel.stat().st_size:,} bytes"
    )
    say(f"the C core: {', '.join(compiled) or 'not built, as there is no compiler'}")
    say(
        f"{sdist.name}: the same files, {sdist.stat().st_size:,} bytes; the wheel was built from it"
    )


def the_one(folder: Path, pattern: str) -> Path:
    """Return the only file of a folder that matches."""
    found = sorted(folder.glob(pattern))
    if len(found) != 1:
        raise WrongError(f"{folder} holds {len(found)} files {pattern}, not one; build makes it")
    return found[0].resolve()


class Installed:
    """The wheel in an environment of its own, used from a folder that is not the checkout."""

    def __init__(self, interpreter: Path, wheel: Path, place: Path) -> None:
        """Make the environment in `place`, which must be outside the checkout, and install."""
        self.programs = place / "environment" / ("Scripts" if os.name == "nt" else "bin")
        self.folder = place / "another folder"
        self.folder.mkdir(parents=True)
        run([interpreter, "-m", "venv", place / "environment"], place)
        options = ("--disable-pip-version-check", "--no-compile", "--only-binary", NEVER_COMPILE)
        self.run(self.programs / "python", "-m", "pip", "install", "--quiet", *options, wheel)

    def run(self, *command: str | Path) -> str:
        """Run a command in the other folder; return what it printed."""
        return run(command, self.folder)

    def python(self, text: str) -> str:
        """Run Python statements; return what they printed."""
        return self.run(self.programs / "python", "-c", text)

    def breathmap(self, *arguments: str) -> str:
        """Run the installed program; return what it printed."""
        return self.run(self.programs / NAME, *arguments)

    def version(self) -> str:
        """Return the program's own line."""
        return self.breathmap("--version").strip()

    def record_and_replay(self) -> str:
        """Record half a minute of the simulated bench and learn from it; return a line on it."""
        self.breathmap(
            *("simulate", "--minutes", "0.5", "--describe", "bench", "--out", "ride.bin")
        )
        self.breathmap("replay", "bench/engine.toml", "ride.bin", "--out", "replayed")
        summary = json.loads((self.folder / "replayed/summary.json").read_text("utf-8"))
        return f"{summary['samples']} samples replayed"

    def example(self) -> str:
        """Run the README's Python examples; return the last line of what they print."""
        examples = EXAMPLE.findall((ROOT / "README.md").read_text("utf-8"))
        if not examples:
            raise WrongError("README.md holds no Python example")
        return "".join(self.python(example) for example in examples).strip().splitlines()[-1]


def use(folder: Path) -> None:
    """Use the wheel on this Python: program, demo, report, README's example, public names."""
    with tempfile.TemporaryDirectory() as place:
        installed = Installed(Path(sys.executable), the_one(folder, "*.whl"), Path(place))
        say(installed.version())
        line = installed.python(NAMES).strip()
        if not Path(line.partition(", from ")[2]).is_relative_to(Path(place).resolve()):
            raise WrongError(f"not the wheel's own: {line}")
        say(f"breathmap.learner.api: {line.partition(',')[0]}")
        say(f"README's example: {installed.example()}")
        installed.breathmap("demo", "--minutes", "1")
        installed.breathmap("report", "demo-out/grid", "--out", "grid.html")
        report = installed.folder / "grid.html"
        say(f"demo, and a report on it: {report.stat().st_size:,} bytes")


def places(minor: int) -> list[Path]:
    """Return where an interpreter of Python 3.`minor` may be, on PATH first, then under pyenv."""
    name = f"python3.{minor}" + (".exe" if os.name == "nt" else "")
    folders = [Path(entry) for entry in os.environ.get("PATH", "").split(os.pathsep) if entry]
    versions = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv"), "versions")
    folders += [made / "bin" for made in sorted(versions.glob(f"3.{minor}.*"), reverse=True)]
    return [folder / name for folder in folders if (folder / name).is_file()]


def interpreter(minor: int) -> tuple[Path, str] | None:
    """Return an interpreter of Python 3.`minor` that can make environments, and its version."""
    question = "import ensurepip, venv, sys; print(*sys.version_info[:3], sep='.')"
    for path in places(minor):
        try:
            version = run([path, "-c", question], Path(path.anchor)).strip()
        except (OSError, WrongError):  # a stand-in for a version that is not chosen, say
            continue
        if version.startswith(f"3.{minor}."):
            return path, version
    return None


def others() -> list[int]:
    """Return the minor versions to try: all but the one that runs this."""
    return [minor for minor in range(OLDEST, NEWEST + 1) if minor != sys.version_info.minor]


def try_python(found: tuple[Path, str], wheel: Path) -> str:
    """Use the wheel on another Python, in short; return a line on it."""
    path, version = found
    with tempfile.TemporaryDirectory() as place:
        installed = Installed(path, wheel, Path(place))
        said = (installed.version(), installed.record_and_replay(), installed.example())
    return f"Python {version}: {'; '.join(said)}"


def try_pythons(folder: Path) -> None:
    """Use the wheel on every other Python that is here; name those that are not."""
    wheel = the_one(folder, "*.whl")
    here = {minor: interpreter(minor) for minor in others()}
    wrong = []
    with ThreadPoolExecutor(2) as pool:
        tried = {
            found[1]: pool.submit(try_python, found, wheel) for found in here.values() if found
        }
    for version, done in tried.items():
        trouble = done.exception()
        if trouble is None:
            say(done.result())
        else:
            say(f"Python {version}: {trouble}")
            wrong.append(version)
    say(f"Python {sys.version.split()[0]} runs the tests; tried besides: {', '.join(tried) or '-'}")
    absent = [f"3.{minor}" for minor, found in here.items() if not found]
    if absent:
        say(f"UNTESTED, as none is here: Python {', '.join(absent)}")
    if wrong:
        raise WrongError(f"the wheel does not work on Python {', '.join(wrong)}")


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="check_wheel", description="Check what is handed out.")
    parser.add_argument("what", choices=("build", "use", "pythons", "lacking"))
    parser.add_argument("folder", type=Path, nargs="?", help="where wheel and sdist are")
    options = parser.parse_args(arguments)
    if options.what == "lacking":
        say(" ".join(f"3.{minor}" for minor in others() if not interpreter(minor)))
        return 0
    if options.folder is None:
        parser.error(f"{options.what} needs a folder")
    try:
        {"build": build, "use": use, "pythons": try_pythons}[options.what](options.folder)
    except WrongError as error:
        print(f"check_wheel: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
