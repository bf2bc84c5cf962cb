"""What a job does between runs: prepare, accept, store, undo, and what they tell a controller.

What was done is written into the history last: whatever an interruption leaves behind, the next
command goes on from the last thing that was whole, and doing a step again does no harm. A write to
a controller is on record before it begins, too; see `breathmap.tools.job.vehicle`.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from breathmap.learner.axes.grid import Grid
from breathmap.protocol.host.calibration import Calibration
from breathmap.tools.base.control import ControllerLink
from breathmap.tools.base.disk import copy_file, errors_about
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import TARGET_LAMBDA, read_table, write_text
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.job.calibration import calibration_files, target_on
from breathmap.tools.job.chain import sha256_of
from breathmap.tools.job.folder import (
    DESCRIPTION,
    SHEET,
    Job,
    hash_file,
    hash_files,
    save_folder,
)
from breathmap.tools.job.records import (
    Accepted,
    Dropped,
    Learned,
    OfRecording,
    Originals,
    Prepared,
    Proposed,
    Stored,
    TableMoved,
    Undone,
)
from breathmap.tools.job.setup import (
    BEFORE_RUNNING,
    Item,
    by_hand,
    learning_calibration,
    sheet,
    sheet_text,
)
from breathmap.tools.job.vehicle import (
    at_start,
    check_may_write,
    check_originals,
    mark_of,
    read_controller,
    set_up_of,
    write_controller,
)


def prepare_job(
    job: Job, port: str | None, baud: int, screen: Screen, other_device: str = ""
) -> None:
    """Write the sheet; with a port apply it to the controller and read it back."""
    description, start = job.description(), job.start()
    items = sheet(description, start)
    written: Calibration | None = None
    if port is not None:
        with ControllerLink(port, baud) as link:
            present = read_controller(job, link, other_device)
            check_may_write(job, link, present)
            check_originals(job, present, port)
            wanted = replace(
                learning_calibration(description, job.calibration()), mark=mark_of(job)
            )
            written = write_controller(job, link, wanted, present, "prepare")
    left = by_hand(items, written)
    text = sheet_text(description, items, left)
    kept_sheet = _keep_sheet(job, text)
    write_text(job.folder / SHEET, text)
    job.append(
        Prepared(
            **job.head(),
            by_wire=written is not None,
            description=hash_file(job.folder / DESCRIPTION),
            sheet=sha256_of(text.encode()),
            by_hand=[item.name for item in left],
        )
    )
    if kept_sheet is not None:
        screen.say(f"The sheet had been written on: it is kept as {kept_sheet}.")
    _show_sheet(items, left, screen)
    if written is not None:
        screen.say(f"Written to the controller at {port}, and read back the same.")
        for item in left:
            screen.warn(f"the controller does not offer {item.title}: set it by hand.")
    else:
        screen.say("Nothing was written to a controller: set each line by hand, and tick it.")
    screen.say(f"The sheet is in {job.folder / SHEET}. Next: breathmap learn {job.folder} PORT")


def _show_sheet(items: list[Item], left: list[Item], screen: Screen) -> None:
    screen.say("Before running:")
    for line in BEFORE_RUNNING:
        screen.say(f"- {line}")
    table = Table(title="For learning, set:", title_justify="left")
    for heading in ("", "what", "original", "while learning"):
        table.add_column(heading)
    hand = {item.name for item in left}
    for item in items:
        box = "by hand" if item.name in hand else "written"
        table.add_row(box, item.title, item.original, item.learning)
    screen.show(table)


def _keep_sheet(job: Job, text: str) -> Path | None:
    """Keep a copy of a sheet that somebody wrote on; return where it is. text: of the new one,
    which an interrupted `prepare` may have left."""
    path, last = job.folder / SHEET, job.latest(Prepared)
    as_written = [sha256_of(text.encode()), *([] if last is None else [last.sheet])]
    if not path.exists() or hash_file(path) in as_written:
        return None
    number = 1
    while (kept := path.with_name(f"setup-sheet-kept-{number}.md")).exists():
        number += 1
    with errors_about(kept):
        copy_file(path, kept)
    return kept


def give_originals(job: Job, settings: Mapping[str, float], target: Path | None) -> None:
    """Keep original values that the start did not know; UserError for those that it does."""
    start = job.start()
    for name, value in settings.items():
        if start.settings.get(name, value) != value:
            raise UserError(f"--setting {name}: the job knows it already: {start.settings[name]:g}")
    cells = None
    if target is not None:
        if start.target_lambda is not None:
            raise UserError("--target: the job knows the original target table already")
        cells = read_table(target, start.speed_rpm, start.load, TARGET_LAMBDA)
    new = {name: value for name, value in settings.items() if name not in start.settings}
    if new or cells is not None:
        job.append(Originals(**job.head(), settings=new, target_lambda=cells))


def accept_job(
    job: Job, port: str | None, baud: int, screen: Screen, other_device: str = ""
) -> None:
    """Make the latest proposal the table of the next pass; with a port, write it and read back."""
    proposed = job.latest(Proposed)
    if proposed is None:
        raise UserError(f"{job.folder}: there is no proposal yet; run breathmap propose first")
    number = proposed.proposal
    _check_not_accepted(job, proposed)
    if job.table != proposed.table:
        raise UserError(
            f"{job.folder}: since proposal {number} the table has changed; learn and propose again"
        )
    _check_still_counts(job, proposed)
    folder = job.proposal_folder(number)
    for name, wanted in proposed.files.items():
        if hash_file(folder / name) != wanted:
            raise UserError(f"{folder / name}: changed since it was proposed; propose again")
    learned = job.latest(Learned)
    if learned is not None and learned.number > proposed.number:
        screen.say(f"Note: more was learned after proposal {number}; it is not in it.")
    for caution in proposed.cautions:
        screen.warn(caution)
    with _controller(job, port, baud, other_device) as controller:
        table = job.next_table
        calibration = _proposed_calibration(job, folder, proposed, job.calibration())
        save_folder(job.table_folder(table), calibration_files(calibration, job.description()))
        job.append(
            Accepted(
                **job.head(),
                table=table,
                from_table=proposed.table,
                proposal=number,
                displacement_cm3=calibration.displacement_cm3,
                files=hash_files(job.table_folder(table)),
                proposal_files=proposed.files,
            )
        )
        screen.say(f"Proposal {number} is now table {table}, in {job.table_folder(table)}.")
        _pass_on_moved(job, controller, screen)


def _check_not_accepted(job: Job, proposed: Proposed) -> None:
    """Refuse to accept what is the present table already, and say what may be wanted."""
    present = job.table_set
    if isinstance(present, Accepted) and present.proposal == proposed.proposal:
        raise UserError(
            f"{job.folder}: proposal {proposed.proposal} is table {job.table} already; to write it "
            f"to the controller: {_store(job)}"
        )


def _check_still_counts(job: Job, proposed: Proposed) -> None:
    """Refuse a proposal when a recording of its pass was set aside or taken back since."""
    for record in job.all_of(OfRecording):
        if record.pass_number == proposed.pass_number and record.number > proposed.number:
            how = "set aside" if isinstance(record, Dropped) else "taken back"
            raise UserError(
                f"{job.folder}: since proposal {proposed.proposal} {record.recording} was {how}; "
                "propose again"
            )


def _store(job: Job) -> str:
    return f"breathmap store {job.folder} --port PORT"


def _proposed_calibration(
    job: Job, folder: Path, proposed: Proposed, present: Calibration
) -> Calibration:
    tables = tuple(
        tuple(read_table(folder / f"{bank.name}.csv", present.speed_rpm, present.load))
        for bank in job.description().bank
    )
    return replace(present, ve_pct=tables, displacement_cm3=proposed.displacement_cm3)


def store_job(
    job: Job,
    port: str,
    baud: int,
    screen: Screen,
    overwrite: bool = False,
    other_device: str = "",
) -> None:
    """Write the present table to the controller, set up for learning as it is; read back."""
    with _controller(job, port, baud, other_device, overwrite) as controller:
        _pass_on(job, controller, screen)


@contextmanager
def _controller(
    job: Job,
    port: str | None,
    baud: int,
    other_device: str,
    overwrite: bool = False,
    number: int | None = None,
) -> Iterator[tuple[ControllerLink, Calibration] | None]:
    """Open and read the job's controller, if there is a port, before anything goes on record: what
    can be refused is refused first. Yields the link and what it holds. number: the table that will
    be written, by default the present one."""
    if port is None:
        yield None
        return
    with ControllerLink(port, baud) as link:
        present = read_controller(job, link, other_device)
        check_may_write(job, link, present, number, overwrite)
        yield link, present


def _pass_on(
    job: Job, controller: tuple[ControllerLink, Calibration] | None, screen: Screen
) -> None:
    """Write the present table to the controller, or say that it is to be stored."""
    if controller is None:
        screen.say(f"Store it in the controller before the next run, or let {_store(job)} do so.")
        return
    link, present = controller
    own = job.calibration()
    wanted = replace(
        present,
        speed_rpm=own.speed_rpm,
        load=own.load,
        ve_pct=own.ve_pct,
        displacement_cm3=own.displacement_cm3,
    )
    is_on_others = not present.has_axes_of(own)
    if is_on_others or job.awaits_axes:
        wanted = replace(wanted, target_lambda=_target_on_new_axes(job, own, present))
    back = write_controller(job, link, wanted, present, "store")
    job.append(Stored(**job.head(), table=job.table, by_wire=True, set_up=set_up_of(job, back)))
    what = f"Table {job.table} was" if not is_on_others else f"Table {job.table} and its axes were"
    screen.say(f"{what} written to the controller at {link.url}, and read back.")


def _target_on_new_axes(
    job: Job, own: Calibration, present: Calibration
) -> tuple[float, ...] | None:
    """Return the target table for axes that come in with it, or were just typed in: the flat one of
    learning where it is in, else the original as it was read onto them. Where the job knows none,
    or somebody has changed it: what is there, read onto axes that come in nowhere leaner."""
    there = present.target_lambda
    if there is None:
        return None
    start, is_typed_in = at_start(job, present), present.has_axes_of(own)
    if own.target_lambda is not None and start.target_lambda is not None:
        learning = learning_calibration(job.description(), own)
        if learning.counts(1, 0) == present.counts(1, 0):
            return there
        if is_typed_in or start.counts(1, 0) == present.counts(1, 0):
            return own.target_lambda
    return target_on(there, Grid(present.speed_rpm, present.load), own)


def _pass_on_moved(
    job: Job, controller: tuple[ControllerLink, Calibration] | None, screen: Screen
) -> None:
    """Do `_pass_on` after a step that is on record: the same command again would be another."""
    try:
        _pass_on(job, controller, screen)
    except UserError as error:
        raise UserError(
            f"{error}; that the job goes on from table {job.table} is on record: {_store(job)}"
        ) from None


def undo_job(
    job: Job,
    number: int | None,
    port: str | None,
    baud: int,
    overwrite: bool,
    screen: Screen,
    other_device: str = "",
) -> None:
    """Go back to an earlier table (by default the one before)."""
    if number is None:
        record = job.latest(TableMoved)
        if record is None:
            raise UserError(f"{job.folder}: it is still at table 0, there is nothing to undo")
        number = record.from_table
    calibration = job.calibration(number)
    with _controller(job, port, baud, other_device, overwrite, number) as controller:
        if number != job.table:
            job.append(
                Undone(
                    **job.head(),
                    table=number,
                    from_table=job.table,
                    displacement_cm3=calibration.displacement_cm3,
                )
            )
        screen.say(f"The job goes on from table {number}, in {job.table_folder(number)}.")
        _pass_on_moved(job, controller, screen)
