"""`breathmap axes JOB --apply`: the job goes on from a table on better axes.

One record stands for all of it: the table's folder has the new cells, the target on the new axes,
the advice that it follows from, and what the pass would have learned with that table, with which
the new pass begins. Axes are a person's to type in: the protocol changes none, so nothing is stored
and nothing called ready before the controller was read back with them.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

from breathmap.learner.axes.advice import WORTH_IT
from breathmap.learner.axes.grid import Grid
from breathmap.learner.axes.regrid import Regridded
from breathmap.learner.decide.proposal import Rules
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.host.evidence import to_bytes
from breathmap.protocol.wire.codes import MAX_BREAKPOINTS
from breathmap.tools.base import disk
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import encoded, read_description, read_tables, table_text
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.axes import of_pass
from breathmap.tools.job.calibration import calibration_files, rows_of, target_on
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
from breathmap.tools.run.axes import ADVICE, Advised, Known, known_of, on_axes
from breathmap.tools.run.carry import carried
from breathmap.tools.run.evidence_files import snapshot_of
from breathmap.tools.run.results import EVIDENCE


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
    told: Mapping[str, object],
    rules: Rules,
    despite: Despite,
    anyway: bool,
    screen: Screen,
) -> AxesChanged:
    """Make a table on the advised axes the one that the job goes on from; return its record.

    told: the advice as it was told. anyway: though they are not sure to be worth it. UserError,
    with nothing written, where that was not said, where the controller cannot store what the rule
    asks, or where a likely cause makes the table unsafe and `despite` does not name it.
    """
    check_despite(despite)
    best = advised.advice.best
    if best.verdict != WORTH_IT and not anyway:
        raise UserError(
            f"{job.folder}: new axes: {best.verdict}; nothing was changed. Learn more, or apply "
            "them all the same with --yes"
        )
    number, table = job.pass_number, job.next_table
    description, calibration = _on_grid(job, number, advised, best.grid, rules)
    witnessed = relearn_pass(job, number, screen, witnessed=True)
    overruled = refuse_unsafe(job, witnessed.diagnose(), despite)
    evidence = _carried(job, number, description, calibration, screen)
    texts = calibration_files(calibration, description)
    texts[ADVICE] = json.dumps(told, indent=2) + "\n"
    files = {name: encoded(text) for name, text in texts.items()} | {EVIDENCE: evidence}
    folder = job.table_folder(table)
    with disk.told(folder):
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
        rules=rules,
        despite=overruled,
        despite_reason=despite.reason if overruled else "",
    )
    job.append(record)
    _say(job, record, screen)
    carry_in(job, screen)
    return record


def _on_grid(
    job: Job, number: int, known: Known, grid: Grid, rules: Rules
) -> tuple[EngineDescription, Calibration]:
    """Return description and calibration on other axes; UserError where they cannot be stored."""
    if max(grid.shape) > MAX_BREAKPOINTS:
        raise UserError(f"{job.folder}: axes hold {MAX_BREAKPOINTS} breakpoints at most")
    description = on_axes(known.ordered.description, grid)
    tables = known.tables_on(grid, rules)
    for bank, made in zip(description.bank, tables, strict=True):
        if made.short:
            raise UserError(
                f"{job.folder}: {bank.name}: at {made.short} points of the finer grid the "
                "controller cannot store what the rule asks; nothing was changed. Raise the "
                f"displacement first: breathmap propose {job.folder} --rebase"
            )
    before = job.calibration(job.table)
    after = replace(
        before,
        speed_rpm=grid.speed_rpm,
        load=grid.load,
        ve_pct=tuple(_as_written(made) for made in tables),
        target_lambda=None,
    )
    if before.target_lambda is None:
        return description, after
    old = Grid(before.speed_rpm, before.load)
    return description, replace(after, target_lambda=target_on(before.target_lambda, old, after))


def _as_written(made: Regridded) -> tuple[float, ...]:
    """Return a table's cells as they are read again."""
    return tuple(float(f"{cell:.10g}") for cell in made.cells_pct.ravel())


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
    for line in _points(record.axes.speed_rpm, record.axes.load):
        screen.say(line)
    screen.say(
        f"Table {record.table} is on these axes, in {job.table_folder(record.table)}; the passes "
        f"before keep theirs. Type the axes into the controller (breathmap enter {job.folder} "
        f"shows them with the tables); breathmap store {job.folder} --port PORT then writes the "
        f"tables and reads all of it back. To go back: breathmap undo {job.folder}"
    )


def _points(speed_rpm: Sequence[float], load: Sequence[float]) -> list[str]:
    return [
        f"Speeds, rpm: {' '.join(f'{n:g}' for n in speed_rpm)}",
        f"Loads: {' '.join(f'{p:g}' for p in load)}",
    ]


def check_axes_again(job: Job, record: AxesChanged, screen: Screen) -> None:
    """UserError unless a pass, learned again on the finer grid, gives the same tables on the axes
    that are on record."""
    known = known_of(of_pass(job, record.pass_number, then=record), screen)
    grid = Grid(tuple(record.axes.speed_rpm), tuple(record.axes.load))
    new = on_axes(known.ordered.description, grid)
    for bank, made in zip(new.bank, known.tables_on(grid, record.rules), strict=True):
        rows = rows_of(_as_written(made), len(grid.speed_rpm))
        text = table_text(new, rows, "{:.10g}")
        if sha256_of(text.encode()) != record.files[bank.table]:
            raise UserError(
                f"table {record.table}: made again of pass {record.pass_number}, {bank.table} "
                f"comes out otherwise; it was made by version {record.software}"
            )
