"""The runs of a job: learning into the open pass, from a port or a recording, and check drives.

Recordings are what counts: each is on disk before anything is made of it, the history names it by
its content, and one that an interrupted run left is taken in. Learning them again is exact.
"""

import shutil
from pathlib import Path
from typing import Any

from breathmap.tools.base.control import ControllerLink
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description, read_tables, write_text
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.calibration import calibration_files
from breathmap.tools.job.chain import sha256_of
from breathmap.tools.job.folder import DESCRIPTION, Job, earlier_description, hash_file, save_folder
from breathmap.tools.job.passes import check_known
from breathmap.tools.job.records import Checked, Entry, Learned, Prepared, Verdicts
from breathmap.tools.job.signs import drive_lines, learning_signs, missing_setup
from breathmap.tools.run.evidence_files import without_earlier
from breathmap.tools.run.learning import learn_live, load, read_port, relearn
from breathmap.tools.run.observer import Show
from breathmap.tools.run.recording_file import recordings_in
from breathmap.tools.run.results import write_results
from breathmap.tools.run.session import Session
from breathmap.tools.run.summary import Summary
from breathmap.tools.run.summary_text import show_summary


def open_pass(job: Job) -> Path:
    """Return the folder of the open pass, its description and tables as they are now."""
    folder = job.pass_folder(job.pass_number)
    text = job.running_text()
    files = calibration_files(job.calibration(), job.description())
    if not (folder / DESCRIPTION).exists():
        save_folder(folder, {DESCRIPTION: text, **files})
        return folder
    before = (folder / DESCRIPTION).read_text("utf-8")
    if before != text:
        # The earlier recordings ran with the description as it was: keep it, too.
        write_text(folder / earlier_description(sha256_of(before.encode())), before)
        write_text(folder / DESCRIPTION, text)
    for name, content in files.items():
        write_text(folder / name, content)
    return folder


def take_in(job: Job, screen: Screen) -> None:
    """Add to the history what an interrupted `learn` recorded."""
    new = _new_recordings(job)
    if new:
        number = job.pass_number
        job.append(Learned(**job.head(), recovered=True, **_learned(job, number, new)))
        names = ", ".join(entry.name for entry in new)
        screen.say(f"Taken in from an interrupted run: {names}.")


def _new_recordings(job: Job) -> list[Entry]:
    number = job.pass_number
    folder = job.pass_folder(number)
    known = {entry.name for entry in job.pass_recordings(number)}
    return [
        _entry_of(path)
        for path in recordings_in(folder)
        if path.name not in known and path.stat().st_size
    ]


def _entry_of(path: Path) -> Entry:
    return Entry(name=path.name, sha256=hash_file(path), size_bytes=path.stat().st_size)


def _learned(job: Job, number: int, recordings: list[Entry]) -> dict[str, Any]:
    folder = job.pass_folder(number)
    return {
        "pass_number": number,
        "table": job.table,
        "recordings": recordings,
        "description": hash_file(folder / DESCRIPTION),
        "tables": {
            f"{bank.name}.csv": hash_file(folder / f"{bank.name}.csv")
            for bank in job.description().bank
        },
    }


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
    if path.is_file():
        _learn_file(job, path, screen)
        return
    if check and job.wired:
        _check_controller(job, source, baud)
    folder = open_pass(job)
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
    )
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
    """Copy a recording made elsewhere into the open pass, once."""
    digest = hash_file(path)
    for record in job.all_of(Learned):
        for entry in record.recordings:
            if entry.sha256 == digest:
                raise UserError(
                    f"{path}: already in pass {record.pass_number} as {entry.name}; learning it "
                    "twice would count the same evidence twice"
                )
    folder = open_pass(job)
    number = len(recordings_in(folder)) + 1
    copy = folder / f".copy-{path.name}"
    try:
        shutil.copyfile(path, copy)
        copy.replace(folder / f"recording-{number:03d}.bin")
    except OSError as error:
        raise UserError(f"{path}: cannot be copied: {error.strerror}") from None
    session = relearn_pass(job, job.pass_number, screen)
    if not session.samples:
        (folder / f"recording-{number:03d}.bin").unlink()
        raise UserError(f"{path}: it holds no sample; nothing was learned")
    sources = [p.name for p in recordings_in(folder)]
    outcome = write_results(folder, session, sources, proposing=False)
    show_summary(screen, outcome.summary)
    note_run(job, folder, outcome.summary, screen)


def note_run(job: Job, folder: Path, summary: Summary, screen: Screen) -> None:
    """Record what was added, and say when the samples do not look like the learning set-up."""
    new = _new_recordings(job)
    number = job.pass_number
    banks = {
        name: Verdicts(samples=bank.samples, used=bank.used, refused=bank.refused)
        for name, bank in summary.banks.items()
    }
    job.append(Learned(**job.head(), verdicts=banks, **_learned(job, number, new)))
    start = job.start()
    for entry in new:
        data = (folder / entry.name).read_bytes()
        for line in missing_setup(data, start, job.description()):
            screen.warn(line)
    count = len(job.pass_recordings(number))
    screen.say(f"Pass {number} now holds {count} recording{'' if count == 1 else 's'}.")
    screen.say(f"Next: breathmap propose {job.folder}, or learn more ground first.")


def _check_drive(job: Job, source: str, baud: int, wait_s: float, screen: Screen) -> None:
    """After `finish`: look at a drive for signs of a learning set-up that was forgotten."""
    screen.say("This job is finished: this run checks the set-up and is not learned.")
    number = len(job.all_of(Checked)) + 1
    folder = job.check_folder(number)
    if not (folder / DESCRIPTION).exists():
        files = calibration_files(job.calibration(), job.description())
        save_folder(folder, {DESCRIPTION: job.running_text(), **files})
    before = set(recordings_in(folder))
    if Path(source).is_file():
        shutil.copyfile(source, folder / f"recording-{len(before) + 1:03d}.bin")
    else:
        with Stop() as stop:
            read_port(
                Session(*load(folder / DESCRIPTION)), source, folder, screen, stop, baud, wait_s
            )
    signs: list[str] = []
    for path in sorted(set(recordings_in(folder)) - before):
        data = path.read_bytes()
        signs += learning_signs(data, job.start(), job.description())
        for line in drive_lines(data, job.start()):
            screen.say(line)
    for line in signs:
        screen.warn(line)
    if not signs:
        screen.say("No sign of the learning set-up in this drive.")
    new = sorted(set(recordings_in(folder)) - before)
    job.append(Checked(**job.head(), signs=signs, recordings=[_entry_of(path) for path in new]))


def relearn_pass(job: Job, number: int, screen: Screen) -> Session:
    """Return a session that has learned every recording of a pass, in order."""
    folder = job.pass_folder(number)
    description = read_description(folder / DESCRIPTION)
    session = Session(description, read_tables(folder / DESCRIPTION, description))
    with Stop() as stop:
        paths = without_earlier([p for p in recordings_in(folder) if p.stat().st_size])
        relearn(session, paths, screen, stop)
        if stop.asked:
            raise UserError("stopped; nothing was changed")
    return session


def check_recordings(job: Job, number: int) -> None:
    """Refuse recordings that are not those that the history names."""
    for entry in job.pass_recordings(number):
        path = job.pass_folder(number) / entry.name
        if hash_file(path) != entry.sha256:
            raise UserError(
                f"{path}: changed since it was recorded; take it from a copy of the job"
            )
