"""Unplugged and back: what a cable that goes in and out may cost, and what it may not."""

import json
import re
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from command_line import Breathmap, refused
from plug import Acting, Heard, PtyPlug, TcpPlug, frames_of_ride
from processes import wait_for
from serial.urlhandler import protocol_socket

from breathmap.protocol.host.evidence import to_bytes
from breathmap.simulator.service import FrameStream
from breathmap.simulator.table import Axes
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.folder import Job
from breathmap.tools.job.recordings import relearn_pass
from breathmap.tools.run import recorder, sources
from breathmap.tools.run.evidence_files import snapshot_of
from breathmap.tools.run.learning import learn_live, load
from breathmap.tools.run.observer import (
    BEHIND,
    CATCHING_UP,
    Notice,
    Observer,
    TerminalObserver,
)
from breathmap.tools.run.recording_file import recordings_in
from breathmap.tools.run.results import Outcome, write_results
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import read_files

KINDS = [
    pytest.param(
        PtyPlug,
        marks=pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals"),
    ),
    TcpPlug,
]
GARBAGE = b"\x07\x55\xaa\x31"
CYCLES = 100
SAMPLES_EACH = 8


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> Heard:
    """What the run's recorder hears; it hurries to open the port again."""
    monkeypatch.setattr(recorder, "FIRST_PAUSE_S", 0.002)
    monkeypatch.setattr(recorder, "MOST_PAUSE_S", 0.02)
    # Closing a network port, pyserial sleeps for 0.3 s.
    monkeypatch.setattr(protocol_socket, "time", SimpleNamespace(sleep=lambda seconds: None))
    heard = Heard()
    monkeypatch.setattr(sources, "Recorder", heard.make)
    return heard


def evidence_of(session: Session) -> list[tuple[list[float], list[float]]]:
    """Return all numbers of each bank's evidence."""
    return [(list(b.evidence.sums), list(b.evidence.cells)) for b in session.learner.banks]


@pytest.mark.parametrize("kind", KINDS)
def test_a_hundred_times_unplugged_and_back(
    kind: type, heard: Heard, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cable pulled and plugged a hundred times, with garbage and half frames at each seam, costs
    no whole frame, and replaying the recordings gives the same evidence, bit for bit."""
    live: list[Session] = []

    def writing(folder: Path, session: Session, *rest: Any, **more: Any) -> Outcome:
        live.append(session)
        return write_results(folder, session, *rest, **more)

    monkeypatch.setattr("breathmap.tools.run.learning.write_results", writing)
    parts = frames_of_ride(CYCLES, SAMPLES_EACH)
    device, out = kind(tmp_path), tmp_path / "out"

    def act() -> None:
        sent = 0
        for number, part in enumerate(parts):
            half = part[-1][: 5 + number % 30]
            data = GARBAGE + half + b"\0" * (number % 2) + b"\0" + b"".join(part) + half
            device.send(data)
            sent += len(data)
            heard.all_of(sent)
            device.unplug()
            heard.all_lost(number + 1)
            if number + 1 < CYCLES:
                device.plug()

    device.plug()
    acting = Acting(act)
    learn_live(bench, device.url, out, Screen(quiet=True), give_up_s=0.3)
    acting.check()

    recordings = recordings_in(out)
    assert [path.name for path in recordings] == [
        f"recording-{number:03d}.bin" for number in range(1, CYCLES + 1)
    ]
    assert live[0].samples == CYCLES * SAMPLES_EACH
    for path, part in zip(recordings, parts, strict=True):
        assert b"".join(part) in path.read_bytes()
    again = Session(*load(bench))
    read_files(recordings, again, Stop(), Observer())
    assert again.samples == live[0].samples
    assert evidence_of(again) == evidence_of(live[0])


def test_a_lost_port_is_told_and_counted(
    heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A port that went and came back is told in lines, counted with the time in the summary, and in
    the report; `--give-up` ends the wait."""
    parts = frames_of_ride(2, 50)
    device, out = TcpPlug(tmp_path), tmp_path / "out"

    def act() -> None:
        for number, part in enumerate(parts):
            device.send(b"".join(part))
            heard.all_of(sum(len(f) for some in parts[: number + 1] for f in some))
            device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0.3")
    acting.check()

    assert ended.code == 0, ended.err
    said = " ".join(ended.out.split())
    assert re.search(r"Caution: The port was lost at \d\d:\d\d:\d\d: waiting for it. Ctrl-C", said)
    assert re.search(r"The port is back after \d+ s. Recording goes on in recording-002.bin.", said)
    assert "The port has not come back in 0.3 s." in said
    assert re.search(r"The port was lost 2 times, for \d+ s in all.", said)
    summary = json.loads((out / "summary.json").read_text("utf-8"))
    assert summary["samples"] == 100
    assert summary["sources"] == ["recording-001.bin", "recording-002.bin"]
    assert summary["port"]["times_lost"] == 2
    assert 0.3 <= summary["port"]["lost_s"] < 60.0
    reported = breathmap("report", out, "--json")
    what_next = json.loads(reported.out)["what_next"]
    assert any(line.startswith("The port was lost 2 times") for line in what_next)


def all_bytes(part: list[bytes]) -> bytes:
    """Return a part's frames as they are sent."""
    return b"".join(part)


def test_another_device_is_refused_and_the_right_one_taken(
    heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A device of another name in the old one's place is refused in one line, once, and nothing of
    it is learned or recorded; when the right one comes back, learning goes on."""
    own, other = frames_of_ride(2, 50), frames_of_ride(1, 50, device_name="the neighbour's")
    device, out = TcpPlug(tmp_path), tmp_path / "out"

    def act() -> None:
        sent = 0
        for part in (own[0], other[0], other[0], own[1]):
            device.send(all_bytes(part))
            sent += len(all_bytes(part))
            heard.all_of(sent)
            device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0.5", "--json")
    acting.check()

    assert ended.code == 0, ended.err
    summary = json.loads(ended.out)
    assert summary["samples"] == 100
    assert summary["port"]["refused"] == 1
    assert ended.err.count("another device has come: its device name is") == 1
    assert "waiting for the right one" in " ".join(ended.err.split())
    assert [path.read_bytes() for path in recordings_in(out)] == [all_bytes(part) for part in own]


def test_who_never_said_who_it_is_is_kept_and_not_learned(
    heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """Samples from a connection that ended before the device said who it is are put aside whole,
    and named."""
    own = frames_of_ride(3, 50)
    device, out = TcpPlug(tmp_path), tmp_path / "out"
    nameless = all_bytes(own[1][1:])

    def act() -> None:
        sent = 0
        for data in (all_bytes(own[0]), nameless, all_bytes(own[2])):
            device.send(data)
            sent += len(data)
            heard.all_of(sent)
            device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0.5", "--json")
    acting.check()

    assert ended.code == 0, ended.err
    summary = json.loads(ended.out)
    assert summary["samples"] == 100
    assert summary["port"]["unknown"] == ["unknown-001.bin"]
    assert (out / "unknown-001.bin").read_bytes() == nameless
    assert len(recordings_in(out)) == 2


def test_a_port_is_recorded_while_earlier_recordings_are_learned(
    heard: Heard, bench: Path, recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What arrives while a folder's recordings are learned again is on disk before that ends, and
    is learned after them."""
    part = frames_of_ride(1, 50)[0]
    device, out = TcpPlug(tmp_path), tmp_path / "out"
    out.mkdir()
    (out / "recording-001.bin").write_bytes(recording.read_bytes())
    on_disk: list[bytes] = []

    def read_late(*arguments: Any) -> None:
        heard.all_of(len(all_bytes(part)))
        place = out / "recording-002.bin"
        wait_for(lambda: place.exists() and place.stat().st_size == len(all_bytes(part)))
        on_disk.append((out / "recording-002.bin").read_bytes())
        read_files(*arguments)

    monkeypatch.setattr("breathmap.tools.run.learning.read_files", read_late)

    def act() -> None:
        device.send(all_bytes(part))
        wait_for(lambda: on_disk)
        device.unplug()

    acting = Acting(act)
    outcome = learn_live(bench, device.url, out, Screen(quiet=True), add=True, give_up_s=0.0)
    acting.check()

    assert on_disk == [all_bytes(part)]
    assert outcome.summary.samples == 3000 + 50
    assert outcome.summary.sources == ["recording-001.bin", "recording-002.bin"]


def test_a_cable_pulled_before_the_first_frame_is_waited_for(
    heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A port that goes while the first frame comes is waited for like any other."""
    part = frames_of_ride(1, 50)[0]
    device, out = TcpPlug(tmp_path), tmp_path / "out"

    def act() -> None:
        device.send(part[0][:7])
        heard.all_of(7)
        device.unplug()
        device.send(all_bytes(part))
        heard.all_of(7 + len(all_bytes(part)))
        device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0.5", "--json")
    acting.check()

    assert ended.code == 0, ended.err
    assert json.loads(ended.out)["samples"] == 50
    assert [path.read_bytes() for path in recordings_in(out)] == [all_bytes(part)]


def test_a_job_goes_on_in_the_same_pass(
    heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """In a job each connection is a recording of the same pass, all of them on record, and what was
    learned live is what the recordings give."""
    parts = frames_of_ride(4, 50)
    device, job = TcpPlug(tmp_path), tmp_path / "job"
    assert breathmap("new", job, "--engine", bench).code == 0

    def act() -> None:
        sent = 0
        for part in parts:
            device.send(all_bytes(part) + part[-1][:9])
            sent += len(all_bytes(part)) + 9
            heard.all_of(sent)
            device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", job, device.url, "--give-up", "0.4", "--no-check-controller")
    acting.check()

    assert ended.code == 0, ended.err
    assert "Pass 1 now holds 4 recordings." in ended.out
    folder = job / "passes" / "001"
    names = [f"recording-00{number}.bin" for number in range(1, 5)]
    opened = Job(job)
    assert [entry.name for entry in opened.pass_recordings(1)] == names
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    assert summary["samples"] == 200
    assert summary["sources"] == names
    again = relearn_pass(opened, 1, Screen(quiet=True))
    assert (folder / "evidence.bin").read_bytes() == to_bytes(snapshot_of(again))
    assert breathmap("propose", job).code == 0
    assert breathmap("history", job, "--verify").code == 0


def test_interrupting_the_learning_of_earlier_recordings_loses_nothing(
    heard: Heard, bench: Path, recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    breathmap: Breathmap,
) -> None:  # fmt: skip
    """Stopped while earlier recordings are learned, `learn` says where what arrived meanwhile is,
    and writes no results of half of them."""
    part = frames_of_ride(1, 50)[0]
    device, out = TcpPlug(tmp_path), tmp_path / "out"
    out.mkdir()
    (out / "recording-001.bin").write_bytes(recording.read_bytes())
    place = out / "recording-002.bin"

    def stopped(paths: Any, session: Any, stop: Stop, *rest: Any) -> None:
        wait_for(lambda: place.exists() and place.stat().st_size == len(all_bytes(part)))
        stop.asked = True

    monkeypatch.setattr("breathmap.tools.run.learning.read_files", stopped)
    acting = Acting(lambda: device.send(all_bytes(part)))
    ended = breathmap("learn", bench, device.url, "--out", out, "--add")
    acting.check()

    refused(ended, "stopped before its earlier recordings were learned", "nothing is lost")
    assert place.read_bytes() == all_bytes(part)
    assert not (out / "summary.json").exists()


def test_another_engines_device_is_refused_without_advice_to_change_the_description(
    heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A device with other axes in the old one's place is refused as another device; nobody is told
    to correct what is right."""
    own = frames_of_ride(2, 50)
    other = FrameStream([0], 2, Axes((1000, 2000, 3000), (20, 60, 100)))
    device, out = TcpPlug(tmp_path), tmp_path / "out"
    sent = [all_bytes(own[0]), b"".join(frame for _, frame in other), all_bytes(own[1])]

    def act() -> None:
        for number, data in enumerate(sent, start=1):
            device.send(data)
            heard.all_of(sum(map(len, sent[:number])))
            device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "0.5", "--json")
    acting.check()

    assert json.loads(ended.out)["samples"] == 100
    said = " ".join(ended.err.split())
    assert "another device has come: the device has 3 breakpoints" in said
    assert "correct" not in said


@pytest.mark.parametrize("limit", ["NETWORK_SILENT_S", "SPEAKS_WITHIN_S"])
def test_a_connection_that_is_dead_and_open_is_made_anew(
    heard: Heard, bench: Path, tmp_path: Path, breathmap: Breathmap,
    monkeypatch: pytest.MonkeyPatch, limit: str,
) -> None:  # fmt: skip
    """A bridge that lost its power closes no connection, and one that is back may say nothing: both
    times the port is opened anew."""
    monkeypatch.setattr(recorder, limit, 0.3)
    parts = frames_of_ride(2, 50)
    device, out = TcpPlug(tmp_path), tmp_path / "out"
    dead = []

    def act() -> None:
        device.send(all_bytes(parts[0]))
        heard.all_of(len(all_bytes(parts[0])))
        if limit == "SPEAKS_WITHIN_S":
            device.unplug()
            device.send(b"\x55")
        dead.append(device.leave_dead())
        device.send(all_bytes(parts[1]))
        wait_for(lambda: (out / "recording-002.bin").exists())
        device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", out, "--give-up", "1", "--json")
    acting.check()

    assert ended.code == 0, ended.err
    assert json.loads(ended.out)["samples"] == 100
    assert [path.read_bytes() for path in recordings_in(out)] == [all_bytes(p) for p in parts]


def test_what_waits_to_be_learned_is_no_silence(
    heard: Heard,
    bench: Path,
    tmp_path: Path,
    breathmap: Breathmap,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While a slow learner has recorded bytes to learn, nobody is told that the device is silent,
    but that it is catching up; once it has learned them all a silent device is told."""
    whole = b"".join(frames_of_ride(1, 400)[0])
    device, silences = TcpPlug(tmp_path), list[tuple[int, float]]()
    feed, fed = Session.feed, list[int]()

    def slowly(session: Session, data: bytes) -> None:
        time.sleep(0.1)
        feed(session, data)
        fed.append(len(data))

    def waited(observer: Observer, silent_s: float, no_sample_s: float) -> None:
        silences.append((sum(fed), silent_s))

    states = list[str]()

    def noticed(observer: Observer, notice: Notice) -> None:
        if notice.about == BEHIND:
            states.append(notice.state)

    monkeypatch.setattr(sources, "BEHIND_S", 0.3)
    monkeypatch.setattr(Session, "feed", slowly)
    monkeypatch.setattr(TerminalObserver, "slice_bytes", len(whole) // 10)
    monkeypatch.setattr(TerminalObserver, "waited", waited)
    monkeypatch.setattr(TerminalObserver, "noticed", noticed)

    def act() -> None:
        device.send(whole)
        heard.all_of(len(whole))
        wait_for(lambda: any(count == len(whole) and silent > 0.2 for count, silent in silences))
        device.unplug()

    acting = Acting(act)
    ended = breathmap("learn", bench, device.url, "--out", tmp_path / "out", "--give-up", "0")
    acting.check()

    assert ended.code == 0, ended.err
    assert len(fed) >= 10
    backlog = [silent_s for count, silent_s in silences if len(whole) // 2 < count < len(whole)]
    assert len(backlog) >= 4
    assert max(backlog) < 0.1
    assert states == [CATCHING_UP, ""]
