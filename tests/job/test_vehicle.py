"""What is said of the vehicle holds whatever the controller, the cable or the machine does.

Each command that writes is run against a controller that fails at every message in turn; after
each, "ready for use" may only be said of a controller that really holds the original set-up.
"""

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import serial
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride

from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.host.calibration import Calibration, Device
from breathmap.protocol.host.link import NEED_DATA, FrameEvent, LinkReader
from breathmap.protocol.wire import control_fields as control
from breathmap.protocol.wire.control_fields import ANSWER, DONE, NOT_WRITABLE, REQUEST
from breathmap.protocol.wire.device import build_frame
from breathmap.protocol.wire.payload import pack_payload, unpack_payload
from breathmap.simulator.control_server import ControlServer
from breathmap.tools.base import control as base_control
from breathmap.tools.base import frame_port
from breathmap.tools.cli.main import run
from breathmap.tools.job.folder import Job
from breathmap.tools.job.setup import WIDEBAND_OFF

TWIN = Device(controller_name="bench", serial="BENCH-1", controller_firmware="0.1")
ORIGINAL = replace(
    made_up_calibration(1, 4, 3),
    settings=dict.fromkeys((*WIDEBAND_OFF, "rev_limiter"), 1.0),
    device=TWIN,
    mark="",
)
# Reading goes row by row, and every row alike: there, each fault takes other messages.
READING_STEP = 7
FAULTS = ("lost before", "lost after", "silent", "refuses", "ignores", "in part", "killed")


class KilledError(BaseException):
    """The machine goes off: nothing after it runs."""


class Bench:
    """A controller behind a port in memory, which fails from one message on.

    fault: one of FAULTS, or "". at: number of the message, from 0, counted from the port's opening.
    applied: numbers of the messages that put something into force.
    """

    def __init__(self, calibration: Calibration = ORIGINAL) -> None:
        self.held = calibration
        self.fault, self.at = "", 0
        self.messages = 0
        self.applied: list[int] = []

    def open(self, url: str, baud: int) -> "Bench":
        """Stand in for `open_port`."""
        self.server = ControlServer(self.held, self.put_in_force, device_name="bench")
        self.messages, self.sequence, self.out = 0, 0, bytearray()
        self.writes: list[int] = []
        return self

    def put_in_force(self, new: Calibration) -> None:
        """Hold what was written, or a part of it."""
        self.applied.append(self.messages - 1)
        if self.fault == "in part" and self.messages > self.at:
            # Only the settings and axes of what was written, without its tables.
            self.held = replace(
                self.held, settings=new.settings, speed_rpm=new.speed_rpm, load=new.load
            )
            return
        self.held = new

    def failing(self) -> bool:
        """True from the faulty message on."""
        return bool(self.fault) and self.messages >= self.at

    def write(self, data: bytes) -> None:
        """Take one frame from the host."""
        failing = self.failing()
        first = self.messages == self.at and failing
        if self.fault == "killed" and first:
            raise KilledError
        if self.fault == "lost before" and failing:
            raise serial.SerialException("gone")
        self.messages += 1
        if first and self.fault in ("refuses", "ignores"):
            self._answer(data, DONE if self.fault == "ignores" else NOT_WRITABLE)
            return
        self.server.feed(data)
        # Frames that write are told by their answer.
        for number, payload in self.server.answers(0):
            if failing and self.fault in ("silent", "lost after"):
                continue
            if number == ANSWER.number:
                self.writes.append(self.messages - 1)
            self._send(number, payload)
        self.server.calibration = self.held

    def _answer(self, data: bytes, outcome: int) -> None:
        reader = LinkReader(ALL_FRAMES)
        reader.feed(data)
        while (event := reader.next_event()) is not NEED_DATA:
            if not isinstance(event, FrameEvent):
                continue
            values = unpack_payload(REQUEST, event.payload) if event.type == REQUEST.number else {}
            if values.get("action", control.APPLY) in (control.APPLY, control.DISCARD):
                answer = {"answered_sequence": event.sequence, "outcome": outcome}
                self._send(ANSWER.number, pack_payload(ANSWER, answer))

    def _send(self, number: int, payload: bytes) -> None:
        self.out += build_frame(number, self.sequence, 0, payload)
        self.sequence += 1

    def read(self, size: int) -> bytes:
        """Give what was answered."""
        if self.fault == "lost after" and self.messages > self.at:
            raise serial.SerialException("gone")
        out, self.out = bytes(self.out), bytearray()
        return out

    def close(self) -> None:
        """The host lets go."""


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The controller behind every port that is opened, and hosts that lose patience soon."""
    made = Bench()
    monkeypatch.setattr(frame_port, "open_port", made.open)
    for name, value in (("ANSWER_S", 0.004), ("FIRST_ANSWER_S", 0.004), ("TRIES", 2)):
        monkeypatch.setattr(base_control, name, value)
    monkeypatch.setattr(frame_port, "POLL_S", 0.0005)
    return made


State = tuple[Path, Calibration]


@pytest.fixture(scope="session")
def all_states(tmp_path_factory: pytest.TempPathFactory) -> dict[str, State]:
    """A job in each state, made once, with what the controller then holds."""
    folder = tmp_path_factory.mktemp("states")
    job, ride = folder / "job", folder / "ride.bin"
    made: dict[str, State] = {}
    bench = Bench()

    def step(name: str, *words: object) -> None:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(frame_port, "open_port", bench.open)
            assert run([str(word) for word in words]) == 0
        made[name] = (Path(shutil.copytree(job, folder / name)), bench.held)

    ride.write_bytes(made_up_ride(ORIGINAL, [0.05]))
    step("new", "new", job, "--port", "twin")
    step("prepared", "prepare", job, "--port", "twin")
    step("learned", "learn", job, ride, "--other-device", "recorded on another day")
    step("proposed", "propose", job)
    step("accepted", "accept", job)
    step("stored", "store", job, "--port", "twin", "--other-device", "the controller itself")
    step("finished", "finish", job, "--port", "twin")
    state, bench.held = made["learned"]
    job = Path(shutil.copytree(state, folder / "other"))
    step("on other axes", "axes", job, "--apply", "--yes")
    step("stored there", "store", job, "--port", "twin")
    return made


class Copies(dict[str, State]):
    """The jobs of all states, to be spoiled: each is copied when it is asked for."""

    def __init__(self, states: dict[str, State], folder: Path) -> None:
        super().__init__()
        self._states, self._folder = states, folder

    def __missing__(self, name: str) -> State:
        folder, held = self._states[name]
        self[name] = Path(shutil.copytree(folder, self._folder / name)), held
        return self[name]


@pytest.fixture
def states(all_states: dict[str, State], tmp_path: Path) -> dict[str, State]:
    """A job in each state, for one test."""
    return Copies(all_states, tmp_path)


def holds_what_is_ready(job: Path, held: Calibration) -> bool:
    """True when the controller holds the original set-up with the job's present table."""
    now = Job(job).calibration()
    return (
        held.settings == ORIGINAL.settings
        and held.has_axes_of(now)
        and held.target_lambda == now.target_lambda
        and (now.target_lambda == ORIGINAL.target_lambda or not now.has_axes_of(ORIGINAL))
        and held.mark == ""
        and held.counts(0, 0) == now.counts(0, 0)
        and held.constants() == now.constants()
    )


def ready(breathmap: Breathmap, job: Path) -> bool:
    """Return what the job says of the vehicle."""
    return bool(json.loads(breathmap("history", job, "--json").out)["ready_for_use"])


CASES = {
    "prepare": ("new", ["prepare"]),
    "prepare again after finish": ("finished", ["prepare"]),
    "store": ("accepted", ["store"]),
    "finish": ("stored", ["finish"]),
    "undo": ("stored", ["undo", "0", "--overwrite"]),
    "undo after finish": ("finished", ["undo", "0", "--overwrite"]),
}
AXES_CASES = {
    "store axes": ("on other axes", ["store"]),
    "undo axes": ("stored there", ["undo", "0"]),
    "finish on other axes": ("on other axes", ["finish"]),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_ready_is_only_said_of_a_controller_read_back_as_such(
    fault: str, bench: Bench, states: dict[str, State], breathmap: Breathmap, tmp_path: Path
) -> None:
    """Whatever goes wrong at whichever message of whichever command: never "ready" unless the
    controller holds the original set-up, and the next whole `finish` makes it so."""
    for name, (state, words) in CASES.items():
        folder, held = states[state]
        for at in counted(FAULTS.index(fault), bench, folder, held, words, breathmap, tmp_path):
            job = Path(shutil.copytree(folder, tmp_path / "case"))
            bench.held, bench.fault, bench.at = held, fault, at
            failed = run_failing(breathmap, [words[0], job, *words[1:], "--port", "twin"])
            bench.fault = ""
            where = f"{name}, {fault} at message {at}: {failed}"
            is_ready = not Job(job).closing_line()[1]
            assert not is_ready or holds_what_is_ready(job, bench.held), where
            assert not (is_ready and failed and bench.held != held), where
            shutil.rmtree(job)


def counted(
    offset: int,
    bench: Bench,
    folder: Path,
    held: Calibration,
    words: list[str],
    breathmap: Breathmap,
    tmp_path: Path,
) -> list[int]:
    """Return numbers of messages that a command sends when nothing goes wrong: every one that
    writes, and some of those that read, from `offset` on."""
    job = Path(shutil.copytree(folder, tmp_path / "whole"))
    bench.held, bench.fault = held, ""
    ended = breathmap(words[0], job, *words[1:], "--port", "twin")
    assert ended.code == 0, ended.err
    assert bench.held != held
    shutil.rmtree(job)
    writes = {*bench.writes, *(number + 1 for number in bench.writes)}
    return [n for n in range(bench.messages) if n in writes or n % READING_STEP == offset]


def run_failing(breathmap: Breathmap, words: list[Any]) -> str:
    """Run a command that may fail; return its one line, "" when it went well all the same."""
    try:
        ended = breathmap(*words)
    except KilledError:
        return "killed"
    if ended.code:
        assert ended.code == 2
        assert "Traceback" not in ended.err
        return ended.err
    return ""


@pytest.mark.parametrize("fault", FAULTS)
def test_axes_come_with_their_table_or_nobody_knows(
    fault: str, bench: Bench, states: dict[str, State], breathmap: Breathmap, tmp_path: Path
) -> None:
    """Whatever goes wrong at whichever message that writes axes: the controller holds what it held,
    all of what was wanted, or the job says that it is unknown; a whole `finish` makes it ready."""
    for name, (state, words) in AXES_CASES.items():
        folder, held = states[state]
        counted(-1, bench, folder, held, words, breathmap, tmp_path)
        _, axes, row, *_, apply = bench.writes
        for at in (axes, row, apply, apply + 1):
            job = Path(shutil.copytree(folder, tmp_path / "case"))
            bench.held, bench.fault, bench.at = held, fault, at
            failed = run_failing(breathmap, [words[0], job, *words[1:], "--port", "twin"])
            bench.fault = ""
            where = f"{name}, {fault} at message {at}: {failed}"
            known = Job(job)
            assert known.pending or not failed or bench.held == held, where
            assert failed or bench.held.counts(0, 0) == known.calibration().counts(0, 0), where
            assert known.closing_line()[1] or holds_what_is_ready(job, bench.held), where
            if fault == "ignores" and at == axes:
                # New tables on old axes: nobody's table, and the line says how to go on.
                number = str(Job(job).table)
                remedy = f"undo {job} {number} --port twin --overwrite"
                refused(breathmap("finish", job, "--port", "twin"), remedy)
                assert breathmap("undo", job, number, "--port", "twin", "--overwrite").code == 0
            ended = breathmap("finish", job, "--port", "twin")
            assert ended.code == 0, f"{where}; {ended.err}"
            assert not Job(job).closing_line()[1], where
            assert holds_what_is_ready(job, bench.held), where
            shutil.rmtree(job)


@pytest.mark.parametrize("fault", ["lost after", "silent", "killed", "in part"])
def test_unknown_until_read_back(
    fault: str, bench: Bench, states: dict[str, State], breathmap: Breathmap, tmp_path: Path
) -> None:
    """A finished job whose `prepare` was cut off at `apply` says that nobody knows what the
    controller holds; `read` says what it is, and `finish` makes it ready again."""
    folder, held = states["finished"]
    job = Path(shutil.copytree(folder, tmp_path / "case"))
    apply_at = bench_apply(bench, folder, held, breathmap, tmp_path)
    bench.held, bench.fault, bench.at = held, fault, apply_at
    assert run_failing(breathmap, ["prepare", job, "--port", "twin"])
    bench.fault = ""
    said = breathmap("history", job)
    assert "what it holds is unknown" in " ".join((said.out + said.err).split())
    assert not ready(breathmap, job)

    ended = breathmap("read", job, "--port", "twin")
    assert ended.code == 0, ended.err
    assert ready(breathmap, job) == holds_what_is_ready(job, bench.held)
    assert breathmap("finish", job, "--port", "twin").code == 0
    assert ready(breathmap, job)
    assert holds_what_is_ready(job, bench.held)


def bench_apply(
    bench: Bench, folder: Path, held: Calibration, breathmap: Breathmap, tmp_path: Path
) -> int:
    """Return the number of the message with which `prepare` puts its writes into force."""
    job = Path(shutil.copytree(folder, tmp_path / "whole"))
    bench.held, bench.applied = held, []
    assert breathmap("prepare", job, "--port", "twin").code == 0
    shutil.rmtree(job)
    return bench.applied[0]


def other_vehicle(**changes: str) -> Calibration:
    """The same factory map in another controller."""
    return replace(ORIGINAL, device=replace(TWIN, **changes))


@pytest.mark.parametrize("words", [["prepare"], ["store"], ["finish"], ["undo", "0"], ["read"]])
def test_another_vehicle_with_the_same_map_is_refused(
    words: list[str],
    bench: Bench,
    states: dict[str, State],
    breathmap: Breathmap,
) -> None:
    """A controller with another serial is refused though it holds the job's table, and taken only
    with a reason that the history keeps."""
    job, held = states["stored"]
    bench.held = replace(held, device=replace(TWIN, serial="BENCH-2"))
    before = (job / "history.jsonl").read_bytes()
    refused(breathmap(words[0], job, *words[1:], "--port", "twin"), "another device", "'BENCH-2'")
    if words[0] != "undo":
        assert (job / "history.jsonl").read_bytes() == before
    assert bench.held == replace(held, device=bench.held.device)

    reason = "controller replaced under warranty"
    ended = breathmap(words[0], job, *words[1:], "--port", "twin", "--other-device", reason)
    assert ended.code == 0, ended.err
    assert reason in (job / "history.jsonl").read_text()
    assert breathmap("read", job, "--port", "twin").code == 0


def learning() -> Iterator[tuple[str, Calibration]]:
    """Calibrations that look like a learning set-up, each for one reason."""
    flat = (0.89,) * 12
    transients = ("acceleration_enrichment", "deceleration_enleanment")
    off = {**ORIGINAL.settings, **dict.fromkeys(transients, 0.0)}
    yield "target table", replace(ORIGINAL, target_lambda=flat, mark=None)
    yield "acceleration_enrichment off", replace(ORIGINAL, settings=off, mark=None)
    yield "mark", replace(ORIGINAL, mark="learning 1234567")
    retarded = {**ORIGINAL.settings, "spark_retard_deg": 4.0}
    yield "spark_retard_deg", replace(ORIGINAL, settings=retarded, mark=None)


@pytest.mark.parametrize(("why", "held"), list(learning()))
def test_a_learning_set_up_is_no_original(
    why: str, held: Calibration, bench: Bench, breathmap: Breathmap, tmp_path: Path
) -> None:
    """`new` refuses to take a learning set-up as the original, and makes no folder."""
    bench.held = held
    refused(breathmap("new", tmp_path / "job", "--port", "twin"), "learning set-up", why)
    assert not (tmp_path / "job").exists()


def test_originals_come_from_the_job_that_put_it_in(
    bench: Bench, states: dict[str, State], breathmap: Breathmap, tmp_path: Path
) -> None:
    """With the first job's folder a second one knows the true originals, and puts them back."""
    first, held = states["prepared"]
    bench.held, second = held, tmp_path / "second"
    refused(breathmap("new", second, "--port", "twin"), "--original")
    made = breathmap("new", second, "--port", "twin", "--original", first)
    assert made.code == 0, made.err
    assert not ready(breathmap, second)
    assert breathmap("finish", second, "--port", "twin", "--never-prepared").code == 0
    assert holds_what_is_ready(second, bench.held)
    assert ready(breathmap, second)


def test_originals_come_line_by_line(
    bench: Bench, states: dict[str, State], breathmap: Breathmap, tmp_path: Path
) -> None:
    """Each doubtful line can be given by hand, and every one must be."""
    first, held = states["prepared"]
    bench.held, second = held, tmp_path / "second"
    lines: list[object] = ["--target", first / "start" / "target.csv"]
    refused(breathmap("new", second, "--port", "twin", *lines), "acceleration_enrichment off")
    for name in WIDEBAND_OFF:
        lines += ["--setting", f"{name}=on"]
    assert breathmap("new", second, "--port", "twin", *lines).code == 0
    assert Job(second).start().settings == ORIGINAL.settings
    assert Job(second).start().target_lambda == pytest.approx(ORIGINAL.target_lambda)


def test_a_job_that_was_never_prepared_is_not_finished_unasked(
    bench: Bench, states: dict[str, State], breathmap: Breathmap
) -> None:
    """`finish` asks first, and its list does not claim what nobody did."""
    job, bench.held = states["new"]
    refused(breathmap("finish", job), "never prepared", "--never-prepared")
    assert breathmap("finish", job, "--never-prepared").code == 0
    listed = (job / "final" / "checklist.md").read_text()
    assert "for learning" not in listed
    assert "acceleration enrichment: is it on?" in listed


def test_a_sheet_that_was_written_on_is_kept(
    states: dict[str, State], breathmap: Breathmap
) -> None:
    """What a person wrote on the set-up sheet survives a second `prepare`."""
    job, _ = states["prepared"]
    sheet = job / "setup-sheet.md"
    sheet.write_text(sheet.read_text() + "\nidle: 1150 rpm before\n")
    assert breathmap("prepare", job).code == 0
    kept = job / "setup-sheet-kept-1.md"
    assert "idle: 1150 rpm before" in kept.read_text()
    assert breathmap("prepare", job).code == 0
    assert not (job / "setup-sheet-kept-2.md").exists()


Ride = Callable[[Path], bytes]


def test_a_recording_of_another_device_is_refused(
    states: dict[str, State], breathmap: Breathmap, tmp_path: Path
) -> None:
    """A drive of another vehicle on the same axes joins a pass only with a reason."""
    job, _ = states["prepared"]
    ride = tmp_path / "other.bin"
    ride.write_bytes(made_up_ride(other_vehicle(serial="BENCH-2"), [0.05]))
    before = sorted(p.relative_to(job) for p in job.rglob("*"))
    refused(breathmap("learn", job, ride), "another device", "BENCH-2")
    assert sorted(p.relative_to(job) for p in job.rglob("*")) == before
    assert breathmap("learn", job, ride, "--other-device", "new controller").code == 0
    assert breathmap("propose", job).code == 0


def test_a_controller_with_fewer_banks_is_told(
    bench: Bench, breathmap: Breathmap, tmp_path: Path
) -> None:
    """`read` says of a controller of another shape that it holds tables which are not the job's."""
    job = tmp_path / "job"
    engine = engine_files(tmp_path / "engine", made_up_calibration(2, 4, 3))
    assert breathmap("new", job, "--engine", engine).code == 0
    bench.held = ORIGINAL
    ended = breathmap("read", job, "--port", "twin")
    assert ended.code == 0, ended.err
    assert "VE tables that this job does not know" in ended.out


def test_a_read_before_a_failed_check_drive_counts(
    bench: Bench,
    states: dict[str, State],
    breathmap: Breathmap,
) -> None:
    """A check drive that comes to nothing still keeps what was read from the controller before."""
    job, held = states["finished"]
    assert ready(breathmap, job)
    bench.held = replace(held, target_lambda=(0.89,) * 12)
    assert breathmap("learn", job, "twin", "--wait", "0.1").code == 2
    assert not ready(breathmap, job)


@pytest.mark.parametrize("lacks", ["settings", "target"])
def test_originals_that_lack_a_line_leave_it_doubtful(
    lacks: str,
    bench: Bench,
    states: dict[str, State],
    breathmap: Breathmap,
    tmp_path: Path,
) -> None:
    """A folder of originals answers only for what it holds."""
    first, bench.held = states["prepared"]
    originals = tmp_path / "originals"
    shutil.copytree(first / "start", originals)
    if lacks == "settings":
        path = originals / "calibration.toml"
        path.write_text(path.read_text().partition("[settings]")[0])
    else:
        (originals / "target.csv").unlink()
    words = ["new", tmp_path / "second", "--port", "twin", "--original", originals]
    said = {"settings": "acceleration_enrichment off", "target": "target table"}
    refused(breathmap(*words), "learning set-up", said[lacks])


def test_finish_writes_nothing_that_it_could_not_prove(
    bench: Bench, breathmap: Breathmap, tmp_path: Path
) -> None:
    """Where the job lacks an original that the controller shows, `finish` refuses before it
    writes."""
    job = tmp_path / "job"
    engine = engine_files(tmp_path / "engine", replace(ORIGINAL, settings={}))
    assert breathmap("new", job, "--engine", engine).code == 0
    before = (job / "history.jsonl").read_bytes()
    bench.held = ORIGINAL
    refused(breathmap("finish", job, "--port", "twin", "--never-prepared"), "original", "--setting")
    assert b'"writing"' not in (job / "history.jsonl").read_bytes().removeprefix(before)
    assert bench.held == ORIGINAL
