"""The live view in a real terminal: tmux holds it, keys are typed, what stands there is read."""

import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from shlex import join, quote

import pytest
from page_bench import Viewer
from processes import BREATHMAP

pytestmark = pytest.mark.skipif(
    shutil.which("tmux") is None, reason="tmux is not installed (apt-get install tmux)"
)


class Terminal:
    """A tmux session of its own server."""

    def __init__(self, folder: Path, command: str) -> None:
        self._tmux = ["tmux", "-S", str(folder / "tmux"), "-f", "/dev/null"]
        self.ended = folder / "ended"
        script = f"LANG=C.UTF-8 {command}; echo $? > {quote(str(self.ended))}; sleep 60"
        self.call("new-session", "-d", "-x", "80", "-y", "24", script)

    def call(self, *arguments: str) -> str:
        """Run a tmux command; return what it printed."""
        return subprocess.run(
            [*self._tmux, *arguments], check=True, capture_output=True, text=True
        ).stdout

    def keys(self, *keys: str) -> None:
        """Type."""
        self.call("send-keys", *keys)

    def text(self) -> str:
        """Return what stands in the terminal."""
        return self.call("capture-pane", "-p")

    def until(self, condition: Callable[[str], bool]) -> str:
        """Wait until the terminal shows something; return it."""
        for _ in range(600):
            text = self.text()
            if condition(text):
                return text
            time.sleep(0.1)
        raise AssertionError(f"it never showed; last:\n{text}")


@pytest.fixture
def terminal(tmp_path: Path, bench: Path, ride: Path) -> Iterator[Terminal]:
    """The view replaying the ride in an 80 x 24 terminal, and on a page."""
    words = ["replay", bench, ride, "--out", tmp_path / "out", "--view", "--speed", "10"]
    words += ["--page", "--page-port", "0"]
    term = Terminal(tmp_path, join([*BREATHMAP, *map(str, words)]))
    yield term
    term.call("kill-server")


def test_a_person_can_run_it(terminal: Terminal, tmp_path: Path) -> None:
    """Start page, table, layer, note, help and quit work in 80 x 24; everything is written. A page
    beside it shows the same run from before its beginning to its outcome, and a pause as one."""
    first = terminal.until(lambda t: "Enter: begin" in t and "Also shown at" in t)
    link = re.search(r"http://\S+/", first)
    assert link is not None
    viewer = Viewer(link[0])
    assert viewer.take()["phase"] == "before"
    terminal.keys("Enter")
    shown = terminal.until(lambda t: "LEARNING" in t and "rpm at" in t)
    lines = shown.splitlines()
    assert len(lines) <= 24
    assert "left: VE proposed" in shown
    assert "last minute: used" in shown
    assert "q:quit" in lines[-1]
    terminal.keys("1")
    terminal.until(lambda t: "left: coverage" in t)
    terminal.keys("n")
    terminal.until(lambda t: "A note" in t)
    terminal.keys("-l", "second gear")
    terminal.keys("Enter")
    terminal.until(lambda t: "note kept" in t and "A note" not in t)
    terminal.keys("?")
    terminal.until(lambda t: "Keys" in t)
    terminal.keys("z")
    terminal.until(lambda t: "left: coverage" in t)
    terminal.keys("Space")
    while "PAUSED" not in str(viewer.parts.get("state")):
        viewer.take()
    assert max(viewer.take()["age_ms"] for _ in range(3)) < 2000
    terminal.keys("q")
    while viewer.phase != "over":
        viewer.take()
    assert viewer.parts["outcome"]["lines"][-1] == f"Written to {tmp_path / 'out'}."
    viewer.close()
    terminal.until(lambda t: "Written to" in t and terminal.ended.exists())
    assert terminal.ended.read_text().strip() == "0"
    out = tmp_path / "out"
    assert (out / "left-proposed.csv").exists()
    assert "second gear" in (out / "notes.csv").read_text()


def test_without_a_terminal_it_says_so(bench: Path, ride: Path, tmp_path: Path) -> None:
    """Where there is no terminal, --view is refused in one line and nothing is made."""
    out = tmp_path / "none"
    ended = subprocess.run(
        [*BREATHMAP, "replay", bench, ride, "--out", out, "--view"],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    assert ended.returncode == 2
    assert ended.stderr == "breathmap: --view needs a terminal; leave it out, or start it in one\n"
    assert not out.exists()
