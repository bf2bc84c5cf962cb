"""The runs of a job: learning into the open pass, from a port or a recording, and check drives."""

from pathlib import Path

from breathmap.tools.base.control import ControllerLink
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import write_text
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.calibration import calibration_files
from breathmap.tools.job.folder import DESCRIPTION, Job, hash_file, save_folder
from breathmap.tools.job.passes import check_known
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
    session_with,
    take_in,
    try_file,
)
from breathmap.tools.job.records import Checked, Learned, Prepared, Verdicts
from breathmap.tools.job.signs import drive_lines, learning_signs, missing_setup
from breathmap.tools.run.learning import learn_live, load, read_port
from breathmap.tools.run.observer import Show
from breathmap.tools.run.recording_file import next_recording, recordings_in
from breathmap.tools.run.results import refusals_of, write_results
from breathmap.tools.run.session import Session
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
) -> None:
    """Add a run from a port, or a recording from a file, to the open pass.

    After `finish` it only looks whether the set-up is out, and learns nothing.
    """
    if job.finished is not None:
        _check_drive(job, source, baud, wait_s, screen)
        return
    if job.latest(Prepared) is None:
        screen.warn(
            f"this job has not been prepared: breathmap prepare {job.folder} says what to set."
        )
    path = Path(source)
    take_in(job, screen)
    check_recordings(job, job.pass_number)
    if path.is_file():
        _learn_file(job, path, screen)
        return
    if check and job.wired:
        _check_controller(job, source, baud)
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
        )
    except UserError:
        # What had arrived before the trouble counts, unless it is the trouble.
        take_in(job, screen)
        raise
    show_summary(screen, outcome.summary)
    note_run(job, folder, outcome.summary, screen)


def _check_controller(job: Job, port: str, baud: int) -> None:
    """Refuse to learn with other tables in the controller than the job believes."""
    with ControllerLink(port, baud) as link:
        present = link.read()
    found = check_known(job, present, port)
    if found != job.table:
        raise UserError(
            f"{port}: the controller holds table {found}, the job has gone on to table "
            f"{job.table}; write it with breathmap store {job.folder} --port {port}"
        )


def _learn_file(job: Job, path: Path, screen: Screen) -> None:
    """Add a recording made elsewhere to the open pass, once: validated first, then copied, then on
    record. When any of it fails, the job is as it was."""
    digest = hash_file(path)
    _check_new(job, path, digest)
    session = session_with(job, path, screen)
    with all_or_nothing(job):
        folder = open_pass(job)
        place = copy_in(job, path, folder)
        if hash_file(place) != digest:
            raise UserError(f"{path}: it changed while it was read; nothing was learned")
        job.append(Learned(**job.head(), verdicts=_verdicts(session), **learned_in(job, [place])))
    sources = [p.name for p in pass_paths(job, job.pass_number)]
    outcome = write_results(folder, session, sources, proposing=False)
    show_summary(screen, outcome.summary)
    _say_added(job, [place], screen)


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


def note_run(job: Job, folder: Path, summary: Summary, screen: Screen) -> None:
    """Record what was added, and say when the samples do not look like the learning set-up."""
    new = new_recordings(job)
    verdicts = {
        name: Verdicts(samples=bank.samples, used=bank.used, refused=bank.refused)
        for name, bank in summary.banks.items()
    }
    job.append(Learned(**job.head(), verdicts=verdicts, **learned_in(job, new)))
    _say_added(job, new, screen)


def _say_added(job: Job, new: list[Path], screen: Screen) -> None:
    start, number = job.start(), job.pass_number
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
        path.rename(next_recording(folder, "interrupted"))
    for name, content in {DESCRIPTION: job.running_text(), **files}.items():
        write_text(folder / name, content)


def _check_drive(job: Job, source: str, baud: int, wait_s: float, screen: Screen) -> None:
    """After `finish`: look at a drive for signs of a learning set-up that was forgotten."""
    screen.say("This job is finished: this run checks the set-up and is not learned.")
    path = Path(source)
    if path.is_file():
        try_file(job, path)
    folder = job.check_folder(len(job.all_of(Checked)) + 1)
    _prepare_check(job, folder)
    if path.is_file():
        copy_in(job, path, folder)
    else:
        session = Session(*load(folder / DESCRIPTION))
        with Stop() as stop:
            read_port(session, source, folder, screen, stop, baud, wait_s)
    signs: list[str] = []
    for path in recordings_in(folder):
        data = path.read_bytes()
        signs += learning_signs(data, job.start(), job.description())
        for line in drive_lines(data, job.start()):
            screen.say(line)
    for line in signs:
        screen.warn(line)
    if not signs:
        screen.say("No sign of the learning set-up in this drive.")
    entries = [entry_of(path) for path in recordings_in(folder)]
    job.append(Checked(**job.head(), signs=signs, recordings=entries))
