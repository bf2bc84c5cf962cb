"""`breathmap axes JOB --apply`: the job goes on from a table on better axes.

The axes alone change: the new table is the old one as it reads on them, nowhere leaner, and the new
pass begins with what the recordings of the old one say of it, from which `propose` makes a table as
of any pass. Were that table made here, its own evidence would be counted twice. One record stands
for all of it: the table's folder has cells, target, the advice that it follows from, and what was
carried over. `store` writes axes and tables together where the controller takes axes over the wire,
else a person types them in; nothing is called ready before it was read back with them.
"""

import json
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from breathmap.learner.axes.advice import WORTH_IT
from breathmap.learner.axes.grid import Grid, joined, moved
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.host.evidence import to_bytes
from breathmap.protocol.wire.codes import MAX_BREAKPOINTS
from breathmap.tools.base import disk
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import encoded, read_description, read_tables
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.calibration import calibration_files, target_on
from breathmap.tools.job.chain import sha256_of
from breathmap.tools.job.folder import DESCRIPTION, Job, hash_file, hash_files
from breathmap.tools.job.propose import Despite, check_despite, refuse_unsafe
from breathmap.tools.job.recordings import (
    carry_in,
    check_recordings,
    counted,
    left_out_of,
    open_pass,
    pass_paths,
    relearn_pass,
)
from breathmap.tools.job.records import AxesChanged, AxesKept
from breathmap.tools.run.axes import ADVICE, Advised, on_axes, starts_on
from breathmap.tools.run.carry import carried
from breathmap.tools.run.evidence_files import snapshot_of
from breathmap.tools.run.results import EVIDENCE

# Round-off of cells, VE in per cent.
TINY_PCT = 1e-6


def pass_to_apply(job: Job, asked: int | None) -> int:
    """Return the pass whose axes may be changed: the one on the present table, its recordings whole
    and its description renewed. UserError for another, or where it holds nothing."""
    number = job.pass_number
    if asked not in (None, number):
        raise UserError(
            f"{job.folder}: --apply goes on from the present table {job.table}, and pass {asked} "
            f"is not on it; go back first: breathmap undo {job.folder} TABLE"
        )
    if not counted(job, number):
        raise UserError(
            f"{job.folder}: nothing has been learned on table {job.table} yet, so its axes cannot "
            f"be judged; learn on it, or go back first: breathmap undo {job.folder} TABLE"
        )
    check_recordings(job, number)
    open_pass(job)
    return number


def apply_axes(
    job: Job,
    advised: Advised,
    advice: Mapping[str, object],
    despite: Despite,
    anyway: bool,
    screen: Screen,
) -> AxesChanged:
    """Make a table on the advised axes the one that the job goes on from; return its record.

    advice: as it was told. anyway: though they are not sure to be worth it. UserError,
    with nothing written, where that was not said, where the controller cannot hold the table, or
    where a likely cause makes what was learned unsafe and `despite` does not name it.
    """
    check_despite(despite)
    best = advised.advice.best
    if best.verdict != WORTH_IT and not anyway:
        raise UserError(
            f"{job.folder}: new axes: {best.verdict}; nothing was changed. Learn more, or apply "
            "them all the same with --yes"
        )
    number, table = job.pass_number, job.next_table
    description, calibration = _on_grid(job, best.grid)
    # What is carried over cannot be asked any more.
    witnessed = relearn_pass(job, number, screen, witnessed=True)
    overruled = refuse_unsafe(job, witnessed.diagnose(), despite, "axes --apply")
    evidence = _carried(job, number, description, calibration, screen)
    texts = calibration_files(calibration, description)
    texts[ADVICE] = json.dumps(advice, indent=2) + "\n"
    files = {name: encoded(text) for name, text in texts.items()} | {EVIDENCE: evidence}
    folder = job.table_folder(table)
    with disk.errors_about(folder):
        disk.save_folder(folder, files)
    record = AxesChanged(
        **job.head(),
        table=table,
        from_table=job.table,
        displacement_cm3=calibration.displacement_cm3,
        files=hash_files(folder),
        axes=AxesKept(speed_rpm=list(best.grid.speed_rpm), load=list(best.grid.load)),
        pass_number=number,
        recordings=[entry.sha256 for entry in counted(job, number)],
        description=hash_file(job.pass_folder(number) / DESCRIPTION),
        despite=overruled,
        despite_reason=despite.reason if overruled else "",
    )
    job.append(record)
    _say(job, record, screen)
    carry_in(job, screen)
    return record


def _on_grid(job: Job, grid: Grid) -> tuple[EngineDescription, Calibration]:
    """Return description and calibration of a pass on other axes; UserError where the controller
    cannot hold them."""
    if max(grid.shape) > MAX_BREAKPOINTS:
        raise UserError(f"{job.folder}: axes hold {MAX_BREAKPOINTS} breakpoints at most")
    running = job.running_description()
    before = job.calibration()
    after = _moved(before, running, grid)
    old = Grid(before.speed_rpm, before.load)
    union = joined(old, grid)
    for one, other in zip(before.ve_pct, after.ve_pct, strict=True):
        was = moved(np.reshape(one, old.shape), old, union)
        if (moved(np.reshape(other, grid.shape), grid, union) < was - TINY_PCT).any():
            raise UserError(
                f"{job.folder}: on these axes a cell would need more than the controller can "
                "store; nothing was changed. Raise the displacement first: breathmap propose "
                f"{job.folder} --rebase"
            )
    return on_axes(running, grid), after


def _moved(before: Calibration, description: EngineDescription, grid: Grid) -> Calibration:
    """Return a calibration as it reads on other axes: VE and target nowhere leaner."""
    tables = starts_on(description, before.ve_pct, grid)
    after = replace(
        before,
        speed_rpm=grid.speed_rpm,
        load=grid.load,
        ve_pct=tuple(tuple(cells) for cells in tables),
        target_lambda=None,
    )
    if before.target_lambda is None:
        return after
    old = Grid(before.speed_rpm, before.load)
    return replace(after, target_lambda=target_on(before.target_lambda, old, after))


def _carried(
    job: Job,
    number: int,
    description: EngineDescription,
    calibration: Calibration,
    screen: Screen,
) -> bytes:
    """Return as evidence what a pass would have learned with another table in the controller."""
    path = job.pass_folder(number) / DESCRIPTION
    old = read_description(path)
    session = carried(
        old,
        read_tables(path, old),
        description,
        calibration.ve_pct,
        pass_paths(job, number),
        left_out_of(job, number),
        screen,
    )
    return to_bytes(snapshot_of(session))


def _say(job: Job, record: AxesChanged, screen: Screen) -> None:
    screen.say(f"Speeds, rpm: {' '.join(f'{n:g}' for n in record.axes.speed_rpm)}")
    load_unit = job.description().axes.load_unit_said
    screen.say(f"Loads, {load_unit}: {' '.join(f'{p:g}' for p in record.axes.load)}")
    screen.say(
        f"Table {record.table} is the present one as it reads on these axes, nowhere leaner, in "
        f"{job.table_folder(record.table)}; the passes before keep theirs. Next: breathmap propose "
        f"{job.folder} and accept, which make the best of the old recordings on the new axes. Then "
        f"breathmap store {job.folder} --port PORT writes axes and tables together and reads all "
        "of it back; where the controller takes no axes over the wire, type them in first "
        f"(breathmap enter {job.folder} shows them). To go back: breathmap undo {job.folder}"
    )


def check_axes_again(job: Job, record: AxesChanged) -> None:
    """UserError unless the table before reads so on the axes that are on record."""
    grid = Grid(tuple(record.axes.speed_rpm), tuple(record.axes.load))
    before = job.calibration(record.from_table)
    description = job.description(record.from_table)
    texts = calibration_files(_moved(before, description, grid), on_axes(description, grid))
    for name, text in texts.items():
        if name.endswith(".csv") and sha256_of(text.encode()) != record.files[name]:
            raise UserError(
                f"table {record.table}: {name} is not what table {record.from_table} reads like on "
                f"its axes; it was made by version {record.software}"
            )
