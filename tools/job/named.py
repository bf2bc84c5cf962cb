"""What an argument names: a table of a job, a proposal, what a pass found, a folder, or a file.

monday              the job's present table        monday:2           its table 2
monday:proposal     its latest proposal            monday:proposal-1  its first
monday:pass-2       what pass 2 found, with errors
learned             an output folder of learn or replay: what it proposes
new-axes            a folder with an engine description: its tables
left.csv            a table
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.words.csv_text import separator_of
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import Sheet, read_description, read_table, read_text, rows_in
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.folder import DESCRIPTION, Job, hash_file, is_job
from breathmap.tools.job.recordings import counted, relearn_pass
from breathmap.tools.job.records import Accepted, Proposed, TableMoved

Array = NDArray[np.float64]
PROPOSED = "-proposed.csv"
# What stands in for a controller's step where it is not known, VE in per cent.
USUAL_STEP_PCT = 0.4


@dataclass(frozen=True)
class Named:
    """One table: cells (load_count, speed_count) in per cent, and the displacement if known.

    source: what all tables of the argument are called; bank: "" for a file. errors: standard errors
    as fractions, where it is what a pass found. step_pct: of the controller; None: not known.
    """

    name: str
    speed_rpm: list[float]
    load: list[float]
    cells: Array
    displacement_cm3: float | None = None
    source: str = ""
    bank: str = ""
    errors: Array | None = None
    step_pct: float | None = None


def tables_of(
    text: str, bank: str | None, screen: Screen, like: Sequence[Named] = ()
) -> list[Named]:
    """Return the tables that an argument names, one a bank, or one file's.

    like: the other side, whose speeds tell a file's speeds from its loads. UserError where it names
    none.
    """
    folder, _, rest = text.rpartition(":")
    if folder and is_job(Path(folder)):
        tables = _of_job(Job(Path(folder)), rest, screen)
    elif is_job(Path(text)):
        job = Job(Path(text))
        tables = _of_job(job, str(job.table), screen)
    elif Path(text).is_dir():
        tables = _of_folder(Path(text))
    else:
        return [_of_file(Path(text), like)]
    names = [table.bank for table in tables]
    if bank is not None and bank not in names:
        raise UserError(f"{text}: there is no bank {bank}; there are {', '.join(names)}")
    return [table for table in tables if bank in (None, table.bank)]


def pass_named(text: str) -> tuple[Path, int | None] | None:
    """Return the job's folder and the number of the pass that an argument names: JOB (None: the
    latest) or JOB:pass-2; None where it names no job. UserError where it names something else of
    one."""
    if is_job(Path(text)):
        return Path(text), None
    folder, _, what = text.rpartition(":")
    if not folder or not is_job(Path(folder)):
        return None
    found = re.fullmatch(r"pass-([0-9]{1,9})", what)
    if found is None:
        raise UserError(f"{text}: give JOB or JOB:pass-NUMBER")
    return Path(folder), int(found[1])


def is_file(text: str) -> bool:
    """True when an argument names a table's file."""
    return Path(text).is_file()


def _of_file(path: Path, like: Sequence[Named]) -> Named:
    content = read_text(path, "table (CSV), or JOB:NUMBER")
    sheet = Sheet(path, rows_in(path, content), separator_of(content))
    sheet.turn_upright(like[0].speed_rpm if like else None)
    sheet.check_axes(sheet.speed_rpm, sheet.load)
    cells = np.array(sheet.cells()).reshape(len(sheet.load), len(sheet.speed_rpm))
    return Named(path.name, sheet.speed_rpm, sheet.load, cells, source=path.name)


def _of_job(job: Job, what: str, screen: Screen) -> list[Named]:
    if re.fullmatch(r"[0-9]{1,9}", what):
        return of_table(job, int(what))
    kind, _, number = what.partition("-")
    if kind == "proposal" and re.fullmatch(r"[0-9]{0,9}", number):
        return of_proposal(job, int(number) if number else None)
    if kind == "pass" and re.fullmatch(r"[0-9]{1,9}", number):
        return _of_pass(job, int(number), screen)
    raise UserError(
        f"{job.folder}:{what}: give the number of a table, proposal, proposal-NUMBER or pass-NUMBER"
    )


def of_table(job: Job, number: int) -> list[Named]:
    """Return a job's table, by bank."""
    calibration = job.calibration(number)
    shape = (len(calibration.load), len(calibration.speed_rpm))
    source = f"table {number}"
    return [
        Named(
            f"{name}, {source}",
            list(calibration.speed_rpm),
            list(calibration.load),
            np.array(cells).reshape(shape),
            calibration.displacement_cm3,
            source,
            name,
            step_pct=calibration.ve_step_pct,
        )
        for name, cells in zip(job.created.banks, calibration.ve_pct, strict=True)
    ]


def of_proposal(job: Job, number: int | None = None) -> list[Named]:
    """Return a job's proposal, by bank; None: the latest."""
    made = job.all_of(Proposed)
    found = [one for one in made if number in (None, one.proposal)]
    if not found:
        raise UserError(f"{job.folder}: there is no such proposal; it has {len(made)}")
    record = found[-1]
    start, folder = job.calibration(record.table), job.proposal_folder(record.proposal)
    shape = (len(start.load), len(start.speed_rpm))
    source = f"proposal {record.proposal}"
    tables = []
    for name in job.created.banks:
        path = folder / f"{name}.csv"
        if hash_file(path) != record.files[path.name]:
            raise UserError(f"{path}: changed since it was proposed; propose again")
        cells = np.array(read_table(path, start.speed_rpm, start.load)).reshape(shape)
        tables.append(
            Named(
                f"{name}, {source}", list(start.speed_rpm), list(start.load), cells,
                record.displacement_cm3, source, name, step_pct=start.ve_step_pct,
            )
        )  # fmt: skip
    return tables


def waiting(job: Job) -> Proposed | None:
    """Return the latest proposal where it is not accepted yet, nor out of date."""
    proposed = job.latest(Proposed)
    return proposed if proposed is not None and proposed.number > job.table_set.number else None


def meant(job: Job) -> list[Named]:
    """Return what the controller is to hold, by bank: the latest proposal where it waits, else the
    present table."""
    return of_proposal(job) if waiting(job) else of_table(job, job.table)


def wanted(job: Job) -> tuple[list[Named], list[Named]]:
    """Return what the controller is to hold and what it held before, by bank: the table that the
    proposal was made of, or the one before the present."""
    proposed = waiting(job)
    if proposed is not None:
        return meant(job), of_table(job, proposed.table)
    moved = job.latest(TableMoved)
    if moved is None:
        raise UserError(
            f"{job.folder}: nothing was proposed yet, so the controller holds what it should"
        )
    before = moved.from_table
    is_before = isinstance(moved, Accepted) or before != job.table
    return meant(job), of_table(job, before if is_before else 0)


def _of_pass(job: Job, number: int, screen: Screen) -> list[Named]:
    """Return what a pass found, whole, as far as it was visited; elsewhere what it ran with."""
    if number not in job.passes or not counted(job, number):
        raise UserError(f"{job.folder}: pass {number} holds no recording")
    session = relearn_pass(job, number, screen)
    axes, source = session.description.axes, f"pass {number}"
    # VE stands on the displacement that the pass ran with.
    own = session.description.engine.displacement_cm3
    described = job.description().engine.displacement_cm3
    displacement = job.start().displacement_cm3 * own / described
    return [
        Named(
            f"{bank.name}, {source}",
            list(axes.speed_rpm),
            list(axes.load),
            one.old_pct * (1.0 + one.solution.correction),
            displacement,
            source,
            bank.name,
            one.solution.standard_error / (1.0 + one.solution.correction),
        )
        for bank, one in zip(session.description.bank, session.solve(), strict=True)
    ]


def _of_folder(folder: Path) -> list[Named]:
    proposed = sorted(folder.glob(f"*{PROPOSED}"))
    if proposed:
        paths = {path.name.removesuffix(PROPOSED): path for path in proposed}
        step_pct = None
    elif (folder / DESCRIPTION).is_file():
        description = read_description(folder / DESCRIPTION)
        paths = {bank.name: folder / bank.table for bank in description.bank}
        step_pct = description.storage.step_pct
    else:
        raise UserError(
            f"{folder}: is no job, no output folder of learn or replay, and holds no {DESCRIPTION}"
        )
    tables = []
    for name, path in paths.items():
        one = _of_file(path, ())
        tables.append(
            Named(f"{name}, {folder.name}", one.speed_rpm, one.load, one.cells, None, folder.name,
                  name, step_pct=step_pct)
        )  # fmt: skip
    return tables
