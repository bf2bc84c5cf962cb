"""The runs of a job: learning into the open pass, from a port or a recording, and check drives."""

from pathlib import Path
from typing import Any

from breathmap.protocol.host.calibration import device_of
from breathmap.protocol.host.recording import read_recording
from breathmap.tools.base.control import ControllerLink, NoRequestsError
from breathmap.tools.base.disk import errors_about, move
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.calibration import calibration_files
from breathmap.tools.job.folder import DESCRIPTION, Job, hash_file, save_folder
from breathmap.tools.job.recordings import (
    all_or_nothing,
    check_recordings,
    copy_in,
    entry_of,
    learned_in,
    left_out_of,
    new_recordings,
    open_pass,
    pass_paths,
    renew,
    session_with,
    take_in,
    try_file,
)
from breathmap.tools.job.records import ORIGINAL, Checked, Learned, Prepared, ReadBack, Verdicts
from breathmap.tools.job.signs import Look, drive_lines, learning_signs, missing_setup
from breathmap.tools.job.vehicle import (
    check_axes,
    check_known,
    held_text,
    meet,
    note_read,
    read_controller,
)
from breathmap.tools.run.learning import learn_live, load, read_port
from breathmap.tools.run.observer import Show
from breathmap.tools.run.recording_file import next_recording, recordings_in
from breathmap.tools.run.results import Outcome, refusals_of, results_ready, solved
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import names_no_file
from breathmap.tools.run.summary import Summary
from breathmap.tools.run.summary_text import show_summary


def learn_job(
    job: Job,
    source: str,
    baud: int,
    wait_s: float,
    check: bool,
    screen: Screen,
    show: Show | None = None,
    other_device: str = "",
    give_up_s: float | None = None,
) -> Outcome | None:
    """Add a run from a port, or a recording from a file, to the open pass; return what the port's
    run ended with.

    After `finish` it only looks whether the set-up is out, and learns nothing.
    """
    if job.finished is not None:
        _check_drive(job, source, baud, wait_s, screen, other_device, give_up_s)
        return None
    if job.latest(Prepared) is None:
        screen.warn(
            f"this job has not been prepared: breathmap prepare {job.folder} says what to set."
        )
    path = Path(source)
    if names_no_file(source):
        raise UserError(f"{source}: no such file; give a recording, a log or a port")
    take_in(job, screen)
    check_recordings(job, job.pass_number)
    if path.is_file():
        _learn_file(job, path, screen, other_device)
        return None
    if check:
        _check_controller(job, source, baud, screen, other_device)
    folder = open_pass(job)
    try:
        outcome = learn_live(
            folder / DESCRIPTION,
            source,
            folder,
            screen,
            baud,
            add=True,
            wait_s=wait_s,
            show=show,
            proposing=False,
            left_out=left_out_of(job, job.pass_number),
            expected=None if other_device else job.device,
            give_up_s=give_up_s,
        )
    except UserError:
        # What had arrived before the trouble counts, unless it is the trouble.
        take_in(job, screen)
        raise
    show_summary(screen, outcome.summary)
    note_run(job, outcome.summary, screen, other_device)
    return outcome


def _check_controller(job: Job, port: str, baud: int, screen: Screen, other_device: str) -> None:
    """Refuse to learn from another vehicle, or with other tables in the controller than the job
    believes. Of a device that only sends, the identity alone can be compared, while learning."""
    try:
        with ControllerLink(port, baud) as link:
            present = read_controller(job, link, other_device)
    except NoRequestsError:
        if job.wired:
            raise
        screen.say(f"{port}: the device only sends: that the tables are the job's is not checked.")
        return
    check_axes(job, present, port)
    found = check_known(job, present, port)
    if found is None:
        raise UserError(
            f"{port}: the controller has the axes of table {job.table}, and not yet its cells; "
            f"write them with breathmap store {job.folder} --port {port}"
        )
    if found != job.table:
        raise UserError(
            f"{port}: the controller holds table {found}, the job has gone on to table "
            f"{job.table}; write it with breathmap store {job.folder} --port {port}"
        )


def _learn_file(job: Job, path: Path, screen: Screen, other_device: str) -> None:
    """Add a recording made elsewhere to the open pass, once: validated first, then copied, then on
    record. When any of it fails, the job is as it was."""
    digest = hash_file(path)
    _check_new(job, path, digest)
    session = session_with(job, path, screen, bool(other_device))
    with all_or_nothing(job):
        folder = open_pass(job)
        place = copy_in(job, path, folder)
        if hash_file(place) != digest:
            raise UserError(f"{path}: it changed while it was read; nothing was learned")
        sources = [p.name for p in pass_paths(job, job.pass_number)]
        for episode in session.alarms.episodes.kept:
            if episode.source == str(path):
                episode.source = place.name
        outcome = solved(session, sources, proposing=False)
        learned = learned_in(job, [place])
        with results_ready(folder, session, outcome) as put:
            learned |= _alarms(outcome.summary)
            job.append(Learned(**job.head(), verdicts=_verdicts(session), **learned))
            put()
    _meet_in(job, session, path, other_device)
    show_summary(screen, outcome.summary)
    _say_added(job, [place], screen)


def _meet_in(job: Job, session: Session, path: Path, other_device: str) -> None:
    """Keep on record which device a recording came from, where it is a new one."""
    if session.device is not None:
        meet(job, session.device, str(path), other_device)


def _check_new(job: Job, path: Path, digest: str) -> None:
    for record in job.all_of(Learned):
        for entry in record.recordings:
            if entry.sha256 == digest:
                raise UserError(
                    f"{path}: already in pass {record.pass_number} as {entry.name}; learning it "
                    "twice would count the same evidence twice"
                )


def _verdicts(session: Session) -> dict[str, Verdicts]:
    return {
        bank.name: Verdicts(
            samples=bank.seen_count, used=bank.used_count, refused=refusals_of(bank)
        )
        for bank in session.learner.banks
    }


def _alarms(summary: Summary) -> dict[str, Any]:
    return {} if summary.alarms is None else {"alarms": summary.alarms.brief()}


def note_run(job: Job, summary: Summary, screen: Screen, other_device: str = "") -> None:
    """Record what was added, and say when the samples do not look like the learning set-up."""
    new = new_recordings(job)
    verdicts = {
        name: Verdicts(samples=bank.samples, used=bank.used, refused=bank.refused)
        for name, bank in summary.banks.items()
    }
    learned = learned_in(job, new) | _alarms(summary)
    job.append(Learned(**job.head(), verdicts=verdicts, **learned))
    for path in new:
        found = read_recording(path.read_bytes())
        if found.identity is not None:
            meet(job, device_of(found.identity, found.controller), str(path), other_device)
    _say_added(job, new, screen)


def _say_added(job: Job, new: list[Path], screen: Screen) -> None:
    start, number = job.calibration(), job.pass_number
    for path in new:
        for line in missing_setup(path.read_bytes(), start, job.description()):
            screen.warn(line)
    count = len(job.pass_recordings(number))
    screen.say(f"Pass {number} now holds {count} recording{'' if count == 1 else 's'}.")
    screen.say(f"Next: breathmap propose {job.folder}, or learn more ground first.")


def _prepare_check(job: Job, folder: Path) -> None:
    """Write what a check drive runs with; put aside what an interrupted one recorded."""
    files = calibration_files(job.calibration(), job.description())
    if not folder.exists():
        save_folder(folder, {DESCRIPTION: job.running_text(), **files})
        return
    for path in recordings_in(folder):
        with errors_about(path, "cannot be put aside"):
            move(path, next_recording(folder, "interrupted"))
    renew(folder, {DESCRIPTION: job.running_text(), **files})


def _check_drive(
    job: Job,
    source: str,
    baud: int,
    wait_s: float,
    screen: Screen,
    other_device: str,
    give_up_s: float | None = None,
) -> None:
    """After `finish`: look at a drive for signs of a learning set-up that was forgotten."""
    screen.say("This job is finished: this run checks the set-up and is not learned.")
    path = Path(source)
    read: ReadBack | None = None
    if path.is_file():
        _meet_in(job, try_file(job, path, bool(other_device)), path, other_device)
    else:
        read = _read_set_up(job, source, baud, other_device)
    folder = job.check_folder(len(job.all_of(Checked)) + 1)
    _prepare_check(job, folder)
    if path.is_file():
        copy_in(job, path, folder)
    else:
        session = Session(*load(folder / DESCRIPTION))
        with Stop() as stop:
            read_port(
                session, source, folder, screen, stop, baud, wait_s,
                expected=job.device, give_up_s=give_up_s,
            )  # fmt: skip
    look = Look([], [], [])
    for path in recordings_in(folder):
        data = path.read_bytes()
        look = look.and_of(learning_signs(data, job.calibration(), job.description()))
        for line in drive_lines(data, job.calibration()):
            screen.say(line)
    _say_look(job, look, read, screen)
    job.append(
        Checked(
            **job.head(),
            signs=look.signs,
            looked_for=look.looked_for,
            recordings=[entry_of(path) for path in recordings_in(folder)],
        )
    )


def _say_look(job: Job, look: Look, read: ReadBack | None, screen: Screen) -> None:
    """Say one of three: put back, no sign of what was looked for, or that nobody can tell."""
    for line in look.signs:
        screen.warn(line)
    if read is not None and read.set_up == ORIGINAL and read.table == job.table:
        screen.say("Put back: read from the controller.")
    elif read is not None:
        screen.warn(f"read from the controller: it holds {held_text(read)}.")
    if not look.looked_for:
        why = "; ".join(look.not_looked_for) or "no drive was recorded"
        screen.warn(f"Cannot tell from this drive whether the learning set-up is out: {why}.")
        return
    if not look.signs:
        found = ", ".join(look.looked_for)
        screen.say(f"No sign in this drive, of these that a drive can show: {found}.")
    if look.not_looked_for:
        screen.say(f"Not looked for: {'; '.join(look.not_looked_for)}.")


def _read_set_up(job: Job, port: str, baud: int, other_device: str) -> ReadBack | None:
    """Return what the controller holds, on record at once whatever becomes of the drive; None when
    the device only sends."""
    try:
        with ControllerLink(port, baud) as link:
            return note_read(job, port, read_controller(job, link, other_device))
    except NoRequestsError:
        return None
