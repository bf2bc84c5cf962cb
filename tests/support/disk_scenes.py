"""Every command that writes, on the smallest job that shows it: for cuts and broken disks."""

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest import mock

import serial
from command_line import Ended
from disk_log import DiskLog, logged
from job_bench import engine_files, made_up_calibration, made_up_ride
from power_cut import Tree, put, tree_of

from breathmap.learner.decide.proposal import Rules
from breathmap.protocol.host.calibration import Calibration, Device
from breathmap.protocol.host.evidence import Snapshot
from breathmap.protocol.wire.device import build_frame
from breathmap.simulator.control_server import ControlServer
from breathmap.tools.base import frame_port
from breathmap.tools.base.screen import Screen
from breathmap.tools.cli import board as board_cli
from breathmap.tools.job import history
from breathmap.tools.job.chain import HISTORY
from breathmap.tools.job.folder import Job
from breathmap.tools.job.new import Origin, described
from breathmap.tools.job.setup import WIDEBAND_OFF
from breathmap.tools.run import evidence_files, learning
from breathmap.tools.run.results import SUMMARY
from breathmap.tools.run.session import Session

TWIN = Device(controller_name="bench", serial="BENCH-1", controller_firmware="0.1")
ORIGINAL = replace(
    made_up_calibration(1, 3, 3),
    settings=dict.fromkeys((*WIDEBAND_OFF, "rev_limiter"), 1.0),
    device=TWIN,
    mark="",
)
RIDES = [made_up_ride(ORIGINAL, [0.05], 3, seed) for seed in (1, 2)]
JOB, PORT, LIVE = "job", "memory:controller", "memory:ride"


# All states and operations of every command, not some.
EVERY = "BREATHMAP_EVERY" in os.environ
HISTORY_PATH = f"{JOB}/{HISTORY}"
RESULTS = ("-before.csv", "-correction.csv", "-coverage.csv", "-proposed.csv", "/evidence.bin")


@dataclass(frozen=True)
class Scene:
    """One command line. base: the state it starts from. words: arguments; a path below the root
    stands with a leading slash. done: what a refusal says when it was done already. makes: what it
    adds to the history, in order."""

    base: str
    words: tuple[str, ...]
    makes: tuple[str, ...] = ()
    done: str = ""


def _scene(base: str, words: str, makes: str = "", done: str = "") -> Scene:
    return Scene(base, tuple(words.split()), tuple(makes.split()), done)


# How each state comes from the one before it; "wired" ones have a controller.
STEPS = {
    "": (),
    "made": ("new /job --engine /engine/engine.toml",),
    "prepared": ("prepare /job",),
    "learned": ("learn /job /ride-1.bin",),
    "proposed": ("propose /job",),
    "accepted": ("accept /job",),
    "finished": ("finish /job",),
}
WIRED_STEPS = {
    "wired": (f"new /job --port {PORT}",),
    "wired prepared": (f"prepare /job --port {PORT}",),
    "wired proposed": ("learn /job /ride-1.bin", "propose /job"),
    "wired accepted": (f"accept /job --port {PORT}",),
}
BY_PORT = f"--port {PORT}"
SCENES = {
    "new": _scene("", "new /job --engine /engine/engine.toml", "created", "not empty"),
    "prepare": _scene("made", "prepare /job", "prepared"),
    "prepare again": _scene("sheet written on", "prepare /job", "prepared"),
    "learn": _scene("prepared", "learn /job /ride-1.bin", "learned", "already in pass 1"),
    "learn more": _scene("edited", "learn /job /ride-2.bin", "learned", "already in pass 1"),
    "learn live": _scene(
        "learned", f"learn /job {LIVE} --no-check-controller --give-up 0", "learned"
    ),
    "axes": _scene("learned", "axes /job --apply --yes", "axes learned", "no recording of its own"),
    "propose": _scene("learned", "propose /job", "proposed"),
    "take in": _scene("interrupted", "propose /job", "learned proposed"),
    "accept": _scene("proposed", "accept /job", "accepted", "is table 1 already"),
    "edit": _scene(
        "accepted", "edit /job --cell 2000,50 --by 0.8 --says x --despite", "edited"
    ),
    "plot": _scene("learned", "plot /job --out /p.html", "", "exists"),
    "undo": _scene("accepted", "undo /job 0", "undone"),
    "drop": _scene("learned", "drop /job 1/recording-001 --reason x", "dropped", "aside already"),
    "restore": _scene("dropped", "drop /job 1/recording-001 --undo", "restored", "nothing of it"),
    "finish": _scene("accepted", "finish /job", "finished"),
    "finish again": _scene("undone", "finish /job", "finished"),
    "check drive": _scene("finished", "learn /job /ride-2.bin", "checked"),
    "board fetch": _scene("prepared", "board fetch /job memory:board", "learned"),
    "replay": _scene("", "replay /engine/engine.toml /ride-1.bin --out /out", "", "not empty"),
    "replay anew": _scene(
        "replayed", "replay /engine/engine.toml /ride-2.bin --out /out --replace"
    ),
    "learn to a folder": _scene(
        "", f"learn /engine/engine.toml {LIVE} --out /a/b --add --give-up 0", "", "no frame"
    ),
    "fetch to a folder": _scene("", "board fetch /engine/engine.toml memory:board --out /out"),
    "board install": _scene("", "board install /engine/engine.toml --folder /a/b", "", "not empty"),
    "simulate": _scene("", "simulate --out /s.bin --minutes 0.1", "", "exists"),
    "simulate bench": _scene(
        "", "simulate --out /s.bin --minutes 0.1 --describe /a/b --memory /c/d", "", "exists"
    ),
    "report": _scene("replayed", "report /out"),
    "wired new": _scene("", f"new /job {BY_PORT}", "created", "not empty"),
    "wired prepare": _scene("wired", f"prepare /job {BY_PORT}", "writing prepared"),
    "read": _scene("wired prepared", f"read /job {BY_PORT}", "read"),
    "wired accept": _scene(
        "wired proposed", f"accept /job {BY_PORT}", "accepted writing stored", "is table 1 already"
    ),
    "store": _scene("wired undone", f"store /job {BY_PORT}", "writing stored"),
    "wired undo": _scene("wired accepted", f"undo /job 0 {BY_PORT}", "undone writing stored"),
    "wired finish": _scene("wired accepted", f"finish /job {BY_PORT}", "writing finished"),
}  # fmt: skip


class MemoryPort:
    """A port to a controller, or one on which a ride arrives and that then closes."""

    def __init__(self, server: ControlServer, arriving: bytes = b"") -> None:
        self._server, self._out, self._closes = server, arriving, bool(arriving)
        self._sequence = 0

    def write(self, data: bytes) -> int:
        """Let the controller hear and answer."""
        self._server.feed(data)
        for number, payload in self._server.answers(self._sequence):
            self._out += build_frame(number, self._sequence & 0xFFFF, 0, payload)
            self._sequence += 1
        return len(data)

    def read(self, count: int) -> bytes:
        """Return what has arrived."""
        if self._closes and not self._out:
            raise serial.SerialException("the device has gone")
        out, self._out = self._out[:count], self._out[count:]
        return out

    def close(self) -> None:
        """Nothing is held."""


def _snapshot() -> Snapshot:
    """Return what a board with this engine might have learned."""
    description = described(Origin(displacement_cm3=1998.5), ORIGINAL)
    session = Session(description, [list(cells) for cells in ORIGINAL.ve_pct])
    session.feed(RIDES[0])
    return evidence_files.snapshot_of(session)


class World:
    """A root folder with jobs in every state, what is needed for the ports, and what was learned
    again for `history --verify` before."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.root = folder / "root"
        self.server = ControlServer(ORIGINAL)
        self._trees: dict[str, Tree] = {}
        self._controllers: dict[str, Calibration] = {}
        self._again: dict[Any, dict[str, str]] = {}
        self._proposal_again = history.proposal_again
        self._snapshot = _snapshot()

    @contextmanager
    def ready(self) -> Iterator[None]:
        """Put memory in the place of ports and boards, and learn each proposal again once only."""
        with (
            mock.patch.object(frame_port, "open_port", self._port),
            mock.patch.object(learning, "open_port", self._port),
            mock.patch.object(board_cli, "fetch_snapshot", return_value=self._snapshot),
            mock.patch.object(board_cli, "find_program", return_value=None),
            mock.patch.object(history, "proposal_again", self._once),
        ):
            yield

    def _port(self, url: str, baud: int, keeping: bool = False) -> MemoryPort:
        return MemoryPort(self.server, RIDES[1] if url == LIVE else b"")

    def _once(self, job: Job, record: Any, screen: Any) -> dict[str, str]:
        key = (tuple(record.recordings), record.description, record.choice, record.rules)
        assert isinstance(record.rules, Rules)
        if key not in self._again:
            self._again[key] = self._proposal_again(job, record, screen)
        return self._again[key]

    def words(self, words: tuple[str, ...]) -> list[str]:
        """Return arguments with the root in them."""
        return [str(self.root / word[1:]) if word.startswith("/") else word for word in words]

    def call(self, line: str) -> Ended:
        """Run a command line that nothing is done to."""
        return self.run(DiskLog(self.folder / "nowhere"), tuple(line.split()))

    def run(self, log: DiskLog, words: tuple[str, ...]) -> Ended:
        """Run a command under a log."""
        return logged(log, self.words(words))

    def begin(self, base: str) -> None:
        """Put the root and the controller into a state."""
        if base not in self._trees:
            self._make(base)
            self._trees[base] = tree_of(self.root)
            self._controllers[base] = self.server.calibration
        put(self._trees[base], self.root)
        self.reset_controller(base)

    def reset_controller(self, base: str) -> None:
        """Let the controller hold what it held in a state."""
        self.server = ControlServer(self._controllers[base])

    def _make(self, base: str) -> None:
        for steps in (STEPS, WIRED_STEPS):
            if base in steps:
                names = list(steps)
                at = names.index(base)
                if not base:
                    self._make_nothing()
                else:
                    self.begin(names[at - 1] if at else "")
                for line in steps[base]:
                    self._do(line)
                return
        before, what = MADE_BY[base]
        self.begin(before)
        what(self) if callable(what) else self._do(what)

    def _do(self, line: str) -> None:
        ended = self.call(line)
        assert ended.code == 0, ended.err

    def kinds(self) -> list[str]:
        """Return what the job's history holds; nothing where there is no job."""
        folder = self.root / JOB
        return [record.what for record in Job(folder).records] if folder.exists() else []

    def look(self) -> None:
        """See whether the job that is there holds, and leaves nothing behind."""
        folder = self.root / JOB
        history.verify_job(Job(folder), Screen(quiet=True))
        with Job(folder).working() as job:
            for record in job.records:
                history.check_files(job, record)
        left = [path.name for path in folder.rglob(".*") if path.name != ".lock"]
        assert not left, "something was not cleared away"

    def again(self, scene: Scene) -> None:
        """Run a command once more: it does what had not been done, and no more."""
        before = self.kinds()
        ended = self.run(DiskLog(self.folder / "nowhere"), scene.words)
        if ended.code:
            assert scene.done, ended.err
            assert scene.done in ended.err, ended.err
            assert self.kinds()[len(before) :] in ([], ["learned"])
        elif scene.makes:
            assert [kind for kind in self.kinds() if kind in scene.makes][-1] == scene.makes[-1]
        if scene.makes:
            assert scene.makes[0] in self.kinds()
            history.verify_job(Job(self.root / JOB), Screen(quiet=True))

    def _make_nothing(self) -> None:
        shutil.rmtree(self.root, ignore_errors=True)
        self.root.mkdir(parents=True)
        engine_files(self.root / "engine", ORIGINAL)
        for number, ride in enumerate(RIDES, start=1):
            (self.root / f"ride-{number}.bin").write_bytes(ride)


def _write_on_sheet(world: World) -> None:
    sheet = world.root / JOB / "setup-sheet.md"
    sheet.write_text(sheet.read_text().replace("[ ]", "[x]", 3))


def _edit(world: World) -> None:
    path = world.root / JOB / "engine.toml"
    path.write_text(path.read_text().replace('name = "engine"', 'name = "edited"'))


def _interrupt(world: World) -> None:
    (world.root / JOB / "passes" / "001" / "recording-002.bin").write_bytes(RIDES[1][:-7])


def results_in(tree: Tree) -> dict[str, set[tuple[str, str | bytes]]]:
    """Return a run's results by folder, where there is a summary that says that they are whole."""
    found: dict[str, set[tuple[str, str | bytes]]] = {}
    for path, data in tree.items():
        folder, _, name = path.rpartition("/")
        if name == SUMMARY and data is not None:
            banks = json.loads(data)["banks"]
            found.setdefault(folder, set()).add((name, json.dumps(banks)))
        elif data is not None and path.endswith(RESULTS) and f"{folder}/{SUMMARY}" in tree:
            found.setdefault(folder, set()).add((name, data))
    return found


MADE_BY: dict[str, tuple[str, Any]] = {
    "sheet written on": ("prepared", _write_on_sheet),
    "edited": ("learned", _edit),
    "interrupted": ("learned", _interrupt),
    "dropped": ("learned", "drop /job 1/recording-001 --reason leak"),
    "undone": ("finished", "undo /job 0"),
    "replayed": ("", "replay /engine/engine.toml /ride-1.bin --out /out"),
    "wired undone": ("wired accepted", "undo /job 0"),
}
