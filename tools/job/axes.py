"""Advice on the axes of a job's tables, from the latest pass that holds a recording."""

from collections.abc import Sequence
from pathlib import Path

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.job.diagnosing import latest_pass
from breathmap.tools.job.folder import DESCRIPTION, Job
from breathmap.tools.job.recordings import left_out_of
from breathmap.tools.job.records import CARRIED, Learned
from breathmap.tools.run.axes import Ordered
from breathmap.tools.run.left_out import kept
from breathmap.tools.run.recording_file import order_of


def of_job(job: Job, number: int | None, drive: Sequence[Path]) -> Ordered:
    """Return what to give advice on. number: of a pass; None: the latest with a recording."""
    number = latest_pass(job) if number is None else number
    if number not in job.passes:
        raise UserError(f"{job.folder}: pass {number} holds no recording")
    return of_pass(job, number, drive=drive)


def of_pass(job: Job, number: int, drive: Sequence[Path] = ()) -> Ordered:
    """Return what to give advice on, of one pass.

    What was carried into it from earlier axes is left out: it knows only the pass's own.
    """
    records = [record for record in job.all_of(Learned) if record.pass_number == number]
    folder, left_out = job.pass_folder(number), left_out_of(job, number)
    names = {entry.name for record in records for entry in record.recordings} - {CARRIED}
    paths = kept([folder / name for name in sorted(names, key=order_of)], left_out)
    if not paths:
        raise UserError(
            f"{job.folder}: pass {number} holds no recording of its own; learn on its axes first, "
            "or take an earlier one with --pass"
        )
    description = read_description(folder / DESCRIPTION)
    start = job.calibration(records[-1].table)
    return Ordered(
        description,
        read_tables(folder / DESCRIPTION, description),
        paths,
        left_out,
        drive,
        start.target_lambda,
        start.target_step_lambda,
    )
