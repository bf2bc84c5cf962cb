#!/usr/bin/env python3
"""The two commands of a fresh clone: `tools/start.py demo` and `tools/start.py test`.

Makes a private environment (.venv beside this folder), installs breathmap into it, and runs. Uses
the standard library only, and syntax that an old interpreter can parse, so that it can say what is
wrong instead of failing with a syntax error. Installs again only when pyproject.toml or a source of
the C core has changed.
"""

import hashlib
import os
import subprocess
import sys

NEEDED = (3, 11)
# Of a command that is run, stdout is its own.
VOICE = {"stream": "stdout"}
ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
VENV = os.path.join(ROOT, ".venv")
LOG = os.path.join(VENV, "install.log")

# What tests can do without: a failure here is told, and the tests that need it say so.
# The schedules package is a reference only; its own dependencies are many and not needed.
EXTRAS_OF_TESTS = (
    ("published drive schedules", ["--no-deps", "wltp==0.1.2a0"]),
    ("MicroPython", ["--editable", ".[board]"]),
    # With the programs that write what the tests read.
    ("readers of logs", ["--editable", ".[logs,fleet]", "openpyxl", "pandas", "pyarrow", "xarray"]),
)

USAGE = """usage: python3 tools/start.py demo [options of the demo]
       python3 tools/start.py run COMMAND [its arguments]
       python3 tools/start.py test [options of pytest]

demo   installs breathmap into .venv and runs the main job on a simulated engine, no hardware
run    runs any command of breathmap, as in README; installs it first where it is not
test   installs what the tests need as well, and runs them all

exit codes: 0 done, 1 a test failed, 2 something here must be put right first (one line says what)
"""

UNREACHABLE = (
    "connection error",
    "connectionerror",
    "connection refused",
    "newconnectionerror",
    "connection broken",
    "connection to",
    "failed to establish",
    "name or service not known",
    "name resolution",
    "getaddrinfo failed",
    "network is unreachable",
    "timed out",
    "proxyerror",
    "sslerror",
    "max retries exceeded",
)


class CannotStartError(Exception):
    """One line for the person: what is wrong and what to do."""


def check_python(version: "tuple[int, ...]") -> None:
    """Raise CannotStartError when the running interpreter (major, minor) is older than needed."""
    if tuple(version[:2]) < NEEDED:
        raise CannotStartError(
            "this is Python %d.%d, breathmap needs %d.%d or newer: install one from python.org or "
            "your system's packages and start again with it"
            % (version[0], version[1], NEEDED[0], NEEDED[1])
        )


def explain_failure(log: str) -> str:
    """Return one line for a failed installation, from the installer's output."""
    low = log.lower()
    if any(word in low for word in UNREACHABLE):
        return (
            "the package index is out of reach: check the network connection (or proxy), or name "
            "another index with PIP_INDEX_URL; details in %s" % LOG
        )
    if "no space left" in low:
        return "the disk is full; details in %s" % LOG
    errors = [line.strip() for line in log.splitlines() if line.strip().startswith("ERROR")]
    last = errors[0] if errors else "the installer gave no reason"
    return "installation failed: %s; details in %s" % (last, LOG)


def venv_program(name: str) -> str:
    """Return the path of a program of the environment."""
    if os.name == "nt":
        return os.path.join(VENV, "Scripts", name + ".exe")
    return os.path.join(VENV, "bin", name)


def say(text: str) -> None:
    """Print at once, so that it stands before what a child prints."""
    stream = getattr(sys, VOICE["stream"])
    stream.write("start: " + text + "\n")
    stream.flush()


def run_quietly(command: "list[str]") -> "tuple[int, str]":
    """Run a command with its output appended to the log; return (exit code, output)."""
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    output = process.communicate()[0].decode("utf-8", "replace")
    if os.path.isdir(VENV):
        with open(LOG, "a") as log:
            log.write("$ %s\n%s\n" % (" ".join(command), output))
    return process.returncode, output


def works(python: str) -> bool:
    """True when the environment's interpreter runs, is new enough and has pip."""
    check = "import sys, pip; sys.exit(sys.version_info[:2] < %r)" % (NEEDED,)
    try:
        return run_quietly([python, "-c", check])[0] == 0
    except OSError:
        return False


def make_environment() -> str:
    """Make .venv unless a working one is there; return its interpreter."""
    python = venv_program("python")
    if works(python):
        return python
    say("making a private environment in %s" % VENV)
    try:
        code, output = run_quietly([sys.executable, "-m", "venv", "--clear", VENV])
    except OSError as error:
        code, output = 1, str(error)
    if code or not works(python):
        if "ensurepip" in output or "No module named venv" in output:
            raise CannotStartError(
                "this Python has no venv module: install it (on Debian and Ubuntu: "
                "apt install python3-venv) and start again"
            )
        lines = output.strip().splitlines() or ["unknown reason"]
        raise CannotStartError("cannot make an environment in %s: %s" % (VENV, lines[-1]))
    return python


def pip_install(python: str, arguments: "list[str]") -> "str | None":
    """Run pip; return None, or one line saying why it failed."""
    command = [python, "-m", "pip", "--disable-pip-version-check", "--no-input", "install"]
    # Compiling all that is installed takes longer than what is ever imported of it.
    command += ["--quiet", "--no-compile", "--retries", "1", "--timeout", "20"]
    code, output = run_quietly(command + arguments)
    return explain_failure(output) if code else None


def sources_of_c() -> "list[str]":
    """Return the C files that an installation compiles, by their path from the top."""
    names = []  # type: list[str]
    for folder in (os.path.join("learner", "c"), os.path.join("protocol", "bridge")):
        here = sorted(os.listdir(os.path.join(ROOT, folder)))
        names += [os.path.join(folder, name) for name in here if name.endswith((".c", ".h"))]
    return names


def fingerprint() -> str:
    """Return what an installation depends on: the project files, the C core's sources, this file,
    place and Python."""
    digest = hashlib.sha256()
    for name in [
        "pyproject.toml",
        os.path.join("tools", "make", "build_core.py"),
        os.path.join("tools", "start.py"),
    ] + sources_of_c():
        with open(os.path.join(ROOT, name), "rb") as file:
            digest.update(file.read())
    digest.update(("%s %s" % (ROOT, sys.version)).encode("utf-8"))
    return digest.hexdigest()


def link_for_types() -> None:
    """Make .venv/typing/breathmap, the checkout under its installed name: mypy reads it there."""
    folder = os.path.join(VENV, "typing")
    link = os.path.join(folder, "breathmap")
    if os.path.isdir(link) and os.path.samefile(link, ROOT):
        return
    os.makedirs(folder, exist_ok=True)
    try:
        if os.path.lexists(link):  # from before the checkout was moved
            os.remove(link)
        os.symlink(ROOT, link, target_is_directory=True)
    except OSError as error:
        say("no link for mypy could be made (%s); the tests do without" % error)


def install(purpose: str, python: str) -> None:
    """Install for "demo" or "test" unless a stamp says that it is done."""
    stamp = os.path.join(VENV, "installed-for-" + ("test" if purpose == "test" else "demo"))
    wanted = fingerprint()
    if purpose == "test":
        link_for_types()
    if os.path.exists(stamp):
        with open(stamp) as file:
            if file.read() == wanted:
                if purpose != "run":
                    say("environment in %s is up to date" % VENV)
                return
    what = ".[test]" if purpose == "test" else "."
    say("installing breathmap and what it needs (once; about a minute)")
    trouble = pip_install(python, ["--editable", what])
    if trouble:
        raise CannotStartError(trouble)
    complete = True
    for name, arguments in EXTRAS_OF_TESTS if purpose == "test" else ():
        trouble = pip_install(python, arguments)
        if trouble:
            complete = False
            say("%s could not be installed, tests that need it are skipped (%s)" % (name, trouble))
    if complete:
        with open(stamp, "w") as file:
            file.write(wanted)


def run(command: "list[str]", folder: str) -> int:
    """Run a command in the foreground; return its exit code. Ctrl-C is the child's to handle."""
    process = subprocess.Popen(command, cwd=folder, env=environment_of_children())
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:
            pass


def environment_of_children() -> "dict[str, str]":
    """Return the environment in which Python keeps its bytecode, whatever is set: nothing is
    compiled when it is installed, and each start would compile everything again."""
    unwanted = "PYTHONDONTWRITEBYTECODE"
    return {name: value for name, value in os.environ.items() if name != unwanted}


def main(arguments: "list[str]") -> int:
    """Do what the arguments ask; return the exit code."""
    if not arguments or arguments[0] not in ("demo", "run", "test"):
        asked_help = bool(arguments) and arguments[0] in ("-h", "--help", "help")
        (sys.stdout if asked_help else sys.stderr).write(USAGE)
        return 0 if asked_help else 2
    purpose, rest = arguments[0], arguments[1:]
    VOICE["stream"] = "stderr" if purpose == "run" else "stdout"
    try:
        check_python(sys.version_info[:2])
        python = make_environment()
        install(purpose, python)
    except CannotStartError as trouble:
        sys.stderr.write("start: %s\n" % trouble)
        return 2
    except KeyboardInterrupt:
        sys.stderr.write("start: stopped; start again to go on\n")
        return 130
    if purpose == "run":
        return run([venv_program("breathmap")] + rest, os.getcwd())
    if purpose == "demo":
        say("running: breathmap demo %s" % " ".join(rest))
        code = run([venv_program("breathmap"), "demo"] + rest, os.getcwd())
        say("breathmap is %s; or python3 tools/start.py run ..." % venv_program("breathmap"))
        return code
    # A file of tests stays in one process: its fixtures are made once. Two more than there are
    # cores, because some wait for ports, browsers and clocks; more than five only wait. The
    # order is that of tests/support/longest.py: xdist's own begins with the files of most tests.
    spread = ["-n", str(min((os.cpu_count() or 1) + 2, 5)), "--dist", "loadfile"]
    spread += ["--no-loadscope-reorder"]
    say("running: pytest %s" % " ".join(spread + rest))
    return run([python, "-m", "pytest"] + spread + rest, ROOT)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
