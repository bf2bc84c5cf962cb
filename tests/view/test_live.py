"""The live view's source: what is recorded, what is learned, what happens when the port goes."""

import errno
import queue
import re
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
import serial
from processes import wait_for
from view_bench import new_session

from breathmap.learner.core import alarms
from breathmap.protocol.host.recording import read_recording
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop
from breathmap.tools.run import recorder, recording_file
from breathmap.tools.run.observer import Observer
from breathmap.tools.run.recorder import Again
from breathmap.tools.run.recording_file import RecordingFile, recordings_in
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import PortSource, read_files
from breathmap.tools.view.source import Source
from breathmap.tools.view.state import Watch
from breathmap.tools.view.words import alarm_line, verdict_line


class FakePort:
    """A port that gives what the test hands it; None closes it."""

    def __init__(self) -> None:
        self._queue: queue.Queue[bytes | None] = queue.Queue()

    def send(self, data: bytes | None) -> None:
        """Hand over bytes, or the end."""
        self._queue.put(data)

    def read(self, most: int) -> bytes:
        """Return what is there."""
        try:
            data = self._queue.get_nowait()
        except queue.Empty:
            return b""
        if data is None:
            raise serial.SerialException("gone")
        return data

    def close(self) -> None:
        """Nothing to close."""


class Live:
    """A source on a fake port."""

    def __init__(self, folder: Path, again: Callable[[Session], Again] | None = None) -> None:
        self.session = new_session()
        self.watch, self.stop, self.port = Watch(self.session), Stop(), FakePort()
        # A busy machine's pauses are no lost link; who waits for one says after how long.
        self.watch.alarms.limits.link_lost_s = 600.0
        device = PortSource(self.port, "fake", folder, 60.0, 115200, again and again(self.session))
        self.source = Source(
            self.session,
            self.watch,
            threading.Lock(),
            self.stop,
            lambda observer: device.read(self.session, self.stop, observer),
        )
        self.alarmed = 0
        self.source.alarmed = self._count
        self.source.start()

    def _count(self) -> None:
        self.alarmed += 1

    def end(self) -> None:
        """Close the port and wait for the thread."""
        self.port.send(None)
        self.source.join(5.0)


def sums_of(session: Session) -> list[list[float]]:
    """Return the evidence's sums of each bank."""
    return [list(bank.evidence.sums) for bank in session.learner.banks]


def samples_in(data: bytes) -> int:
    """Return how many samples a recording's bytes hold, those of a frame that is cut not."""
    return len(read_recording(data).table)


def test_replaying_gives_exactly_what_was_learned_pause_and_all(ride: Path, tmp_path: Path) -> None:
    """What arrives during a pause is neither learned nor recorded; replaying the recordings gives
    the same evidence as the run."""
    data = ride.read_bytes()
    third = len(data) // 3
    live = Live(tmp_path)
    held = samples_in(data[:third])
    live.port.send(data[:third])
    wait_for(lambda: live.session.samples == held)
    live.source.paused = True
    live.port.send(data[third : 2 * third])
    wait_for(lambda: live.watch.time_s > 20.0)  # it goes on looking
    assert live.session.samples == held
    live.source.paused = False
    live.port.send(data[2 * third :])
    wait_for(lambda: live.session.samples == held + samples_in(data[2 * third :]))
    live.end()

    assert live.source.error is None
    recordings = recordings_in(tmp_path)
    assert [path.name for path in recordings] == ["recording-001.bin", "recording-002.bin"]
    assert recordings[0].read_bytes() == data[:third]
    assert recordings[1].read_bytes() == data[2 * third :]
    again = new_session()
    read_files(recordings, again, Stop(), Observer())
    assert again.samples == live.session.samples
    assert sums_of(again) == sums_of(live.session)


def test_a_banner_keeps_the_time_at_which_its_alarm_began(ride: Path, tmp_path: Path) -> None:
    """The banner says when its alarm was raised, and says the same a long time later, until it is
    acknowledged."""
    live = Live(tmp_path)
    data = ride.read_bytes()
    half = len(data) // 2
    live.port.send(data[:half])
    wait_for(lambda: live.session.samples == samples_in(data[:half]))
    live.watch.alarms.limits.coolant_max_c = 40.0
    live.port.send(data[half : half + 2000])
    wait_for(lambda: live.watch.alarms.latched[alarms.HOT])
    live.watch.alarms.limits.coolant_max_c = 140.0
    raised = alarm_line(live.watch, ["left", "right"])
    live.port.send(data[half + 2000 :])
    wait_for(lambda: live.session.samples == 1000)
    live.end()

    assert re.search(r"at 0:(19|20)\b", raised)
    live.watch.alarms.latched[alarms.LINK_LOST] = False  # raised by the end of the port
    assert alarm_line(live.watch, ["left", "right"]) == raised
    live.watch.alarms.acknowledge()
    live.watch.silence(0.0)
    assert not live.watch.raised_s


def test_alarms_go_on_during_a_pause(ride: Path, tmp_path: Path) -> None:
    """A paused view still calls an engine that gets too hot."""
    live = Live(tmp_path)
    data = ride.read_bytes()
    live.port.send(data[: len(data) // 3])
    wait_for(lambda: live.session.samples > 250)
    live.source.paused = True
    live.watch.alarms.limits.coolant_max_c = 40.0
    live.port.send(data[len(data) // 3 : len(data) // 2])
    wait_for(lambda: live.watch.alarms.latched[alarms.HOT])
    wait_for(lambda: live.alarmed == 1)  # called once the lock is free
    live.stop.asked = True
    live.end()


def test_a_port_that_goes_is_called_and_nothing_is_lost(ride: Path, tmp_path: Path) -> None:
    """An unplugged cable latches the link alarm; every byte until then is in the recording."""
    live = Live(tmp_path)
    live.port.send(ride.read_bytes())
    wait_for(lambda: live.session.samples == 1000)
    live.end()

    assert live.source.ended
    assert live.source.error is None
    assert live.watch.alarms.latched[alarms.LINK_LOST]
    assert (tmp_path / "recording-001.bin").read_bytes() == ride.read_bytes()


def test_silence_is_called_while_the_port_stays(ride: Path, tmp_path: Path) -> None:
    """A device that falls silent latches the link alarm after the limit in the description."""
    live = Live(tmp_path)
    live.watch.alarms.limits.link_lost_s = 0.4
    live.port.send(ride.read_bytes()[:20_000])
    wait_for(lambda: live.session.samples > 100)
    wait_for(lambda: live.watch.alarms.latched[alarms.LINK_LOST])
    wait_for(lambda: live.alarmed == 1)  # called once the lock is free
    live.stop.asked = True
    live.end()


def test_a_port_without_a_frame_is_an_error(tmp_path: Path) -> None:
    """A port that closes without a sample ends in one line and leaves no file behind."""
    live = Live(tmp_path / "none")
    live.port.send(b"noise")
    live.end()

    assert isinstance(live.source.error, UserError)
    assert "none of them a frame of ours; nothing was learned" in str(live.source.error)
    assert not (tmp_path / "none").exists()


def test_lengths_of_the_lean_limits_must_agree() -> None:
    """As many lean lambdas as loads, or the description is refused with both numbers."""
    from breathmap.learner.words.description import DescriptionError, parse_description
    from breathmap.learner.words.description_text import EXAMPLE

    with pytest.raises(DescriptionError, match=r"3 values and lean_lambda 2"):
        parse_description({**EXAMPLE, "alarms": {"lean_lambda": [1.2, 1.1]}})


@pytest.mark.parametrize("held", [False, True])
def test_noise_is_given_up_though_earlier_recordings_were_learned(
    held: bool, ride: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With earlier recordings in the session, a port that sends noise is given up like any other:
    after the time to wait, and before more is held than the limit."""
    monkeypatch.setattr(recorder, "HELD_BYTES_MAXIMUM", 100_000 if held else 8_000_000)
    session, stop, port = new_session(), Stop(), FakePort()
    read_files([ride], session, stop, Observer())
    for _ in range(20):
        port.send(b"\x55" * 10_000)
    device = PortSource(port, "fake", tmp_path, wait_s=60.0 if held else 0.3, baud=115200)
    with pytest.raises(UserError, match=r"bytes arrived but no frame of ours"):
        device.read(session, stop, Observer())
    assert list(tmp_path.iterdir()) == []


def test_earlier_samples_are_not_taken_for_this_ports(ride: Path, tmp_path: Path) -> None:
    """A port that closes without a sample is an error, whatever was learned before it."""
    session, port = new_session(), FakePort()
    read_files([ride], session, Stop(), Observer())
    port.send(None)
    device = PortSource(port, "fake", tmp_path, wait_s=60.0, baud=115200)
    with pytest.raises(UserError, match=r"nothing was learned"):
        device.read(session, Stop(), Observer())


def test_a_port_that_comes_back_is_told_and_learned_on(
    ride: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the port is away the view says since when and what it waits for, with the link alarm at
    once; when it is back, that is over and learning goes on."""
    monkeypatch.setattr(recorder, "FIRST_PAUSE_S", 0.01)
    data = ride.read_bytes()
    back, there = FakePort(), threading.Event()

    def reopen() -> FakePort:
        if not there.is_set():
            raise UserError("it is not there")
        return back

    live = Live(tmp_path, lambda session: Again(reopen, session.description))
    live.port.send(data)
    wait_for(lambda: live.session.samples == 1000)
    live.port.send(None)
    wait_for(lambda: "it is not there" in live.source.port_state)
    assert live.watch.alarms.latched[alarms.LINK_LOST]
    wait_for(lambda: live.alarmed == 1)  # called once the lock is free
    verdict = verdict_line(live.watch, [], False, 0.0, 0.0, live.source.port_state)
    assert re.match(r"NOT LEARNING: port lost at \d\d:\d\d:\d\d, waiting for it: ", verdict[0])
    live.port = back
    back.send(data)
    there.set()
    wait_for(lambda: live.session.samples == 2000)
    assert live.source.port_state == ""
    live.stop.asked = True
    live.source.join(5.0)
    assert len(recordings_in(tmp_path)) == 2


def test_a_full_disk_is_an_alarm_in_the_view(
    ride: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the disk takes nothing the banner says so, samples are learned on, and it is over when
    there is room."""
    monkeypatch.setattr(recording_file, "RETRY_S", 0.0)
    live = Live(tmp_path)
    data = ride.read_bytes()
    live.port.send(data[: len(data) // 2])
    wait_for(lambda: live.session.samples == samples_in(data[: len(data) // 2]))
    append = RecordingFile._append

    def full(self: RecordingFile, file: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(RecordingFile, "_append", full)
    live.port.send(data[len(data) // 2 :])
    wait_for(lambda: live.session.samples == 1000)
    wait_for(lambda: live.watch.alarms.active[alarms.NOT_RECORDING])
    assert "NOT RECORDING" in alarm_line(live.watch, ["left", "right"])
    monkeypatch.setattr(RecordingFile, "_append", append)
    wait_for(lambda: not live.watch.alarms.active[alarms.NOT_RECORDING])
    live.end()
    assert (tmp_path / "recording-001.bin").read_bytes() == data
