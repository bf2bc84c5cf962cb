"""`--page` beside a run: the same results, told from beginning to end."""

import json
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from command_line import Breathmap, refused
from page_bench import Viewer, a_page, free_address
from view_bench import new_session

from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, serve
from breathmap.tools.page.engine import EnginePage
from breathmap.tools.page.show import OnPage, Page
from breathmap.tools.run.observer import Observer
from breathmap.tools.run.results import solved
from breathmap.tools.run.sources import read_files


def results(folder: Path) -> dict[str, bytes]:
    """Return a run's files but for what names the folder or the hour."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.suffix == ".csv"}


def test_results_are_the_same_with_a_page(
    breathmap: Breathmap, bench: Path, ride: Path, tmp_path: Path
) -> None:
    """A run that is shown writes the same tables as one that is not, says where it is shown, and
    ends by itself with a viewer looking on."""
    plain, paged = tmp_path / "plain", tmp_path / "paged"
    command = ("replay", bench, ride, "--json", "--out")
    assert breathmap(*command, plain).code == 0
    ended = breathmap(*command, paged, "--page", "--page-port", "0", "--speed", "1000")
    assert ended.code == 0
    assert "http://127.0.0.1:" in ended.err
    assert results(plain) == results(paged)
    assert json.loads(ended.out)["samples"] == 600


def test_a_viewer_sees_a_run_from_before_it_begins(ride: Path, tmp_path: Path) -> None:
    """A viewer that came early sees what is said while it runs, that it ended, and its outcome, in
    that order."""
    session, stop, phases = new_session(), Stop(), []

    def work(observer: Observer) -> None:
        read_files([ride], session, stop, observer)

    with a_page() as page:
        viewer = Viewer(page.server.address.link)
        phases.append(viewer.take()["phase"])
        OnPage(page, Screen(quiet=True), 40.0)(session, stop, tmp_path, work)
        outcome = solved(session.witnessed(), [str(ride)])
        page.outcome(outcome, tmp_path / "monday")
        while viewer.phase != "over":
            phases.append(viewer.take()["phase"])
        viewer.close()
    assert list(dict.fromkeys(phases)) == ["before", "running", "ended", "over"]
    assert viewer.parts["hello"]["banks"] == ["left", "right"]
    assert viewer.parts["state"]["verdict"][0].startswith("ENDED")
    assert ["samples", "600", "600"] in viewer.parts["outcome"]["rows"]
    assert viewer.parts["outcome"]["lines"][-1] == f"Written to {tmp_path / 'monday'}."
    assert len(viewer.parts["maps"]["layers"]) == 5
    # There are no keys to name.
    said = json.dumps(viewer.parts)
    assert not [key for key in ("q writes", "(d: more)", "(X takes", "a: seen") if key in said]


def test_snapshots_come_ten_times_a_second_at_most(
    ride: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However often the run looks up, a snapshot is made ten times a second at most, but for an
    alarm and the end, which cannot wait."""
    session, stop, made = new_session(), Stop(), []

    def work(observer: Observer) -> None:
        read_files([ride], session, stop, observer)

    def keep(self: Page, make: Callable[[], dict[str, Any]], phase: str = "") -> None:
        made.append(make())

    monkeypatch.setattr("breathmap.tools.page.show.TELL_EVERY_S", 3600.0)
    monkeypatch.setattr(Page, "post", keep)
    session.alarms.limits.coolant_max_c = 40.0
    with a_page() as page:
        OnPage(page, Screen(quiet=True))(session, stop, tmp_path, work)
    # The first, the alarm, the end, and that the page ends.
    assert len(made) == 4
    assert [alarm["state"] for alarm in made[1]["alarms"]] == ["STOP"]


def test_a_taken_port_is_told_before_anything_is_learned(
    breathmap: Breathmap, bench: Path, ride: Path, tmp_path: Path
) -> None:
    """A page that cannot be shown is refused in one line that says what to do, and nothing runs."""
    taken = free_address()
    port = taken.sockets[0].getsockname()[1]
    out = tmp_path / "out"
    ended = breathmap("replay", bench, ride, "--out", out, "--page", "--page-port", port)
    refused(ended, f"127.0.0.1:{port}", "another program has that port", "--page-port")
    assert not out.exists()
    taken.close()


def test_options_that_say_nothing_together_are_refused(
    breathmap: Breathmap, bench: Path, ride: Path, tmp_path: Path
) -> None:
    """A place without a page, and a page of a drive that goes into a file, are refused."""
    refused(breathmap("replay", bench, ride, "--page-port", "8000"), "add --page")
    refused(breathmap("learn", bench, "/dev/null", "--page-host", "localhost"), "add --page")
    out = tmp_path / "ride.bin"
    refused(breathmap("simulate", "--out", out, "--page"), "leave --out, or --page")
    assert not out.exists()


def test_a_recording_for_a_job_is_not_watched(
    breathmap: Breathmap, ride: Path, tmp_path: Path
) -> None:
    """A file for a job is added at once: a page of it is refused, with what shows it."""
    (tmp_path / "history.jsonl").touch()
    said = ("nothing to watch", "--page shows it")
    refused(breathmap("learn", tmp_path, ride, "--page"), *said)


def test_a_simulated_engine_shows_its_instruments_and_hides_its_truth() -> None:
    """The page of a simulated engine waits for a reader, then shows what its instruments show; no
    fault is named on it."""
    bench = prepare(Order(minutes=0.2, faults="exhaust-leak"))
    with a_page() as page:
        engine = EnginePage(page, ("left", "right"), 12.0)
        viewer = Viewer(page.server.address.link)
        assert "when a reader opens the port" in viewer.take()["parts"]["state"]["verdict"][0]
        with free_address().sockets[0] as spare:
            port = spare.getsockname()[1]
        arguments = (bench, "tcp", port, 40.0, Screen(quiet=True), engine)
        thread = threading.Thread(target=serve, args=arguments)
        thread.start()
        reader = None
        while reader is None:
            reader = _reader(port)
        while viewer.phase != "over":
            viewer.take()
            reader.recv(1 << 20)
        thread.join()
        reader.close()
        viewer.close()
    assert [part.split()[-1] for part in viewer.parts["head"][1:3]] == ["kPa", "%"]
    assert viewer.parts["state"]["word"] == "RUNNING"
    assert "bytes were sent" in viewer.parts["outcome"]["lines"][0]
    assert "leak" not in json.dumps(viewer.parts)


def _reader(port: int) -> socket.socket | None:
    try:
        return socket.create_connection(("127.0.0.1", port), timeout=20.0)
    except OSError:
        return None
