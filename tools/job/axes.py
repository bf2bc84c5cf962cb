"""Advice on the axes of a job's tables, from the latest pass that holds a recording."""

from collections.abc import Sequence
from pathlib import Path

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.job.diagnosing import latest_pass
from breathmap.tools.job.folder import DESCRIPTION, Job
from breathmap.tools.job.recordings import counted, left_out_of, pass_paths
from breathmap.tools.run.axes import Ordered


def of_job(job: Job, number: int | None, drive: Sequence[Path]) -> Ordered:
    """Return what to give advice on. number: of a pass; None: the latest with a recording."""
    number = latest_pass(job) if number is None else number
    if number not in job.passes or not counted(job, number):
        raise UserError(f"{job.folder}: pass {number} holds no recording")
    folder = job.pass_folder(number)
    description = read_description(folder / DESCRIPTION)
    return Ordered(
        description,
        read_tables(folder / DESCRIPTION, description),
        pass_paths(job, number),
        left_out_of(job, number),
        drive,
        job.start().target_lambda,
    )
