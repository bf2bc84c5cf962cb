"""The ways to learn, each from source to outcome: live from a port, and from files.

A run opens its source, reads it into a session (`breathmap.tools.run.sources`), solves once and
writes. No folder is made before the first frame of ours has arrived.
"""

import contextlib
from pathlib import Path

from breathmap.learner.exact.delay import FoundDelay
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Device
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import make_folder, read_description, read_tables
from breathmap.tools.base.port import Stop, open_port
from breathmap.tools.base.port_name import find, name_of
from breathmap.tools.base.screen import Screen
from breathmap.tools.run.delay_report import (
    LIVE_SAMPLES,
    REPLAY_SAMPLES,
    RecentSamples,
    delay_lines,
    delay_summary,
    look_for_delay,
    worth_saying,
)
from breathmap.tools.run.evidence_files import without_earlier
from breathmap.tools.run.left_out import NOTHING, LeftOut, kept
from breathmap.tools.run.observer import Observer, Show, TerminalObserver, on_terminal
from breathmap.tools.run.recorder import Again
from breathmap.tools.run.recording_file import recordings_in
from breathmap.tools.run.results import Outcome, with_causes, with_delay_found, write_results
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import PortSource, read_files
from breathmap.tools.run.summary import DelayFoundSummary, PortSummary

OTHER_OUTPUT = "give another folder with --out"


def load(path: Path) -> tuple[EngineDescription, list[list[float]]]:
    """Return an engine description and its tables."""
    description = read_description(path)
    return description, read_tables(path, description)


def learn_live(
    path: Path,
    url: str,
    out: Path,
    screen: Screen,
    baud: int = 115200,
    add: bool = False,
    wait_s: float = 10.0,
    find_delay: bool = False,
    show: Show | None = None,
    proposing: bool = True,
    left_out: LeftOut = NOTHING,
    expected: Device | None = None,
    give_up_s: float | None = None,
) -> Outcome:
    """Learn from a port until Ctrl-C, also when it went and is back; write the outcome into `out`
    and return it.

    add: `out` may hold earlier recordings of the same engine; they are learned first and kept.
    wait_s: how long a port may be silent, or send nothing of ours, at the start.
    find_delay: at the end look for the delay in the last ten minutes or so, and propose it.
    show: who looks on; by default the terminal. proposing: see `write_results`.
    left_out: what of the earlier recordings is not learned.
    expected: the one device that may send, by default any that fits.
    give_up_s: a port that is away for so long counts as over; None waits for ever, 0 not at all.
    """
    session = Session(*load(path)).witnessed()
    if find_delay:
        session.recent = RecentSamples(LIVE_SAMPLES, len(session.description.bank))
    _check_output(out, add)
    with Stop() as stop:
        port = read_port(
            session, url, out, screen, stop, baud, wait_s, show, left_out, expected, give_up_s
        )
        if port.unrecorded_bytes and not proposing:
            session = _as_recorded(path, session, out, screen, left_out)
        # What was learned is safe before anything else is tried.
        sources = [p.name for p in kept(recordings_in(out), left_out)]
        outcome = write_results(out, session, sources, stop.asked, proposing, port)
    # Beyond Stop's reach: here Ctrl-C ends each search at once.
    found = _delay_found(session, screen, only_if_worth=True)
    if proposing:
        outcome = _look_for_causes(out, outcome, session, screen)
    return with_delay_found(out, outcome, found) if found else outcome


def read_port(
    session: Session,
    url: str,
    folder: Path,
    screen: Screen,
    stop: Stop,
    baud: int,
    wait_s: float,
    show: Show | None = None,
    left_out: LeftOut = NOTHING,
    expected: Device | None = None,
    give_up_s: float | None = None,
) -> PortSummary:
    """Learn the folder's earlier recordings, then from a port into new ones; write no results.
    Return what happened to the port, which is recorded from the first moment.

    left_out: what of the earlier recordings is not learned. give_up_s: as in `learn_live`.
    UserError when the port gives no sample.
    """
    earlier = without_earlier(kept(recordings_in(folder), left_out))
    if show is not None:
        session.witnessed()
    session.leave_out(left_out)
    again = _again(url, baud, session.description, expected, give_up_s)
    source = PortSource(open_port(url, baud, keeping=True), url, folder, wait_s, baud, again)
    source.start()
    try:
        read_files(earlier, session, stop, TerminalObserver(screen), screen.say)
        if stop.asked:
            raise UserError(
                f"{folder}: stopped before its earlier recordings were learned; nothing is lost: "
                "what has arrived meanwhile is beside them"
            )
        session.expected = expected
        screen.say(f"Learning from {url}. Ctrl-C ends, and writes what was learned.")

        def work(observer: Observer) -> None:
            source.read(session, stop, observer)

        (show or on_terminal(screen))(session, stop, folder, work)
    finally:
        source.end()
    if stop.asked:
        screen.say("Stopped as asked.")
    elif source.has_given_up:
        screen.say(f"The port has not come back in {give_up_s:g} s.")
    else:
        screen.say("The port has closed: the device has gone, or its drive is over.")
    return source.story


def _again(
    url: str,
    baud: int,
    description: EngineDescription,
    expected: Device | None,
    give_up_s: float | None,
) -> Again | None:
    """Return how a port is opened again, None where its end is the end."""
    if give_up_s == 0:
        return None
    name = name_of(url)
    return Again(
        lambda: open_port(find(name), baud, keeping=True), description, give_up_s, expected
    )


def _as_recorded(
    path: Path, live: Session, folder: Path, screen: Screen, left_out: LeftOut
) -> Session:
    """Return a session that has learned what is on disk and nothing else, as a job's proof wants
    it; its alarms are those of the whole run."""
    screen.say("The recording ended early: learning again what of the pass is recorded.")
    session = Session(*load(path))
    session.leave_out(left_out)
    with Stop() as stop:
        relearn(session, without_earlier(kept(recordings_in(folder), left_out)), screen, stop)
    session.alarms, session.device = live.alarms, live.device
    return session


def _check_output(out: Path, add: bool) -> None:
    if out.is_file():
        raise UserError(f"{out} is a file; {OTHER_OUTPUT}")
    if not add and out.is_dir() and any(out.iterdir()):
        raise UserError(
            f"{out} exists and is not empty; {OTHER_OUTPUT}, or --add to go on with what is there"
        )


def replay(
    path: Path,
    paths: list[Path],
    out: Path,
    screen: Screen,
    replace: bool = False,
    find_delay: bool = False,
    show: Show | None = None,
) -> Outcome:
    """Learn from recordings and CSV logs, in order; write the outcome into `out` and return it.

    replace: results of an earlier replay in `out` are written over; recordings never are.
    find_delay: look for the delay as well, say what was found, and change nothing.
    show: who looks on; by default the terminal.
    """
    session = Session(*load(path)).witnessed()
    if find_delay:
        session.recent = RecentSamples(REPLAY_SAMPLES, len(session.description.bank))
    if out.is_file() or (not replace and out.is_dir() and any(out.iterdir())):
        raise UserError(f"{out} exists and is not empty; {OTHER_OUTPUT}, or --replace its results")
    with Stop() as stop:
        relearn(session, without_earlier(paths), screen, stop, out, show)
        if stop.asked:
            screen.say("Stopped as asked; what was learned until then is written.")
        if not session.samples:
            raise UserError(f"{paths[0]}: it holds no sample; nothing was learned")
        make_folder(out, replace, OTHER_OUTPUT)
        outcome = write_results(out, session, [str(p) for p in paths], stop.asked)
    found = _delay_found(session, screen, only_if_worth=False)
    outcome = _look_for_causes(out, outcome, session, screen)
    return with_delay_found(out, outcome, found) if found else outcome


def relearn(
    session: Session,
    paths: list[Path],
    screen: Screen,
    stop: Stop,
    folder: Path | None = None,
    show: Show | None = None,
) -> None:
    """Learn from files into a session; write nothing. folder: where a view's notes go."""

    def work(observer: Observer) -> None:
        read_files(paths, session, stop, observer, screen.say)

    if show is None:
        work(TerminalObserver(screen))
    else:
        assert folder is not None
        show(session, stop, folder, work)


def _look_for_causes(out: Path, outcome: Outcome, session: Session, screen: Screen) -> Outcome:
    """Look for what beside VE could explain a written outcome, unless Ctrl-C says no."""
    screen.say("Looking for what else could explain it; Ctrl-C skips that.")
    with contextlib.suppress(KeyboardInterrupt):
        solutions = [result.solution for result in outcome.results]
        return with_causes(out, outcome, session.diagnose(solutions=solutions))
    return outcome


def _delay_found(
    session: Session, screen: Screen, only_if_worth: bool
) -> dict[str, DelayFoundSummary]:
    """Look for the delay where samples were kept for it, unless Ctrl-C says no; tell, let the
    session know, and return the summary's part."""
    if session.recent is None:
        return {}
    screen.say("Looking for the delay in the last samples; Ctrl-C skips it.")
    found: dict[str, FoundDelay | str] = {}
    with contextlib.suppress(KeyboardInterrupt):
        found = look_for_delay(session.recent, session.settings)
    if not found:
        return {}
    session.found_delays = [one if isinstance(one, FoundDelay) else None for one in found.values()]
    if only_if_worth and not worth_saying(found):
        screen.say("It agrees with the engine description.")
    else:
        for line in delay_lines(found, session.settings):
            screen.say(line)
    return delay_summary(found)
