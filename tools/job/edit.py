"""`breathmap edit`: a person changes cells of a job's table, on record, and the rule has its say.

An edit makes a new table, as accepting a proposal does; `undo` goes back. Evidence is not touched:
what was learned stays with its pass, and the next run on the edited table is a new pass.
"""

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import Rules, caution, lean_risk, maximum_of, rules_for
from breathmap.learner.exact.solve import ONE_SAMPLE, Solution
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_table
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.texts import visible
from breathmap.tools.job.calibration import calibration_files
from breathmap.tools.job.cautions import nearest_cell
from breathmap.tools.job.edit_words import edit_lines
from breathmap.tools.job.folder import Job, hash_files, save_folder
from breathmap.tools.job.recordings import counted, relearn_pass
from breathmap.tools.job.records import Edited, EditedCell, Learned, Proposed, TableMade
from breathmap.tools.run.session import Session

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
# A change of VE smaller than this part of a step is round-off.
SAME = 1e-6
NUMBER = r"[0-9]{1,6}(?:\.[0-9]{1,6})?"


@dataclass(frozen=True)
class Where:
    """Which cells: one, a region ("2000-3000,40-60"), or where a file differs. bank: of which
    bank, None for all."""

    cell: str = ""
    region: str = ""
    bank: str | None = None


@dataclass(frozen=True)
class How:
    """What becomes of them: one of these. ve_pct: a value. by_pct: a change, per cent of VE.
    hold: as before the last table was made. smooth: as the cells around say. table: a file."""

    ve_pct: float | None = None
    by_pct: float | None = None
    hold: bool = False
    smooth: bool = False
    table: Path | None = None

    def words(self) -> str:
        """Return it for the history."""
        if self.ve_pct is not None:
            return f"set to {self.ve_pct:g} %"
        if self.by_pct is not None:
            return f"by {self.by_pct:+g} %"
        if self.hold:
            return "held as before"
        return "smoothed" if self.smooth else "from a file"


@dataclass(frozen=True)
class Judged:
    """What a pass found, by bank: its tables brought to the present displacement, its solutions.
    number: of the pass; None where nothing was learned on what led to this table."""

    number: int | None
    old_pct: list[Array]
    solutions: list[Solution]


def edit_job(
    job: Job, where: Where, how: How, says: str, rules: Rules, despite: bool, screen: Screen
) -> Edited:
    """Make a table with edited cells the one that the job goes on from; return its record.

    UserError, with nothing written, where nothing changes, a value cannot be stored, or the rule
    forbids it and `despite` does not overrule.
    """
    if not says.strip():
        raise UserError("an edit goes on record with who says so: say it with --says TEXT")
    description, present = job.description(), job.calibration()
    rules = rules_for(description, rules)
    before = _arrays(present)
    after = _edited(job, description, before, where, how)
    judged = _judged(job, present, screen)
    cells, broken = _looked_at(description, before, after, _unedited(job), judged, rules)
    if not cells:
        raise UserError(f"{job.folder}: nothing changes by this edit; no table was made")
    if broken and not despite:
        raise UserError(
            f"{job.folder}: {broken[0]}{_more(broken)}; nothing was changed. To set it all the "
            "same, on record: --despite"
        )
    for line in broken:
        screen.warn(line)
    pending = job.latest(Proposed)
    if pending is not None and pending.number > job.table_set.number:
        screen.warn(
            f"proposal {pending.proposal} was made of table {job.table} and cannot be accepted any "
            "more; propose again, or go back with breathmap undo and accept it first"
        )
    return _made(job, present, after, says, how, cells, rules, judged.number, bool(broken), screen)


def _more(lines: list[str]) -> str:
    return f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""


def _made(
    job: Job,
    present: Calibration,
    after: list[Array],
    says: str,
    how: How,
    cells: list[EditedCell],
    rules: Rules,
    judged_by: int | None,
    despite: bool,
    screen: Screen,
) -> Edited:
    tables = tuple(tuple(float(cell) for cell in table.ravel()) for table in after)
    table, calibration = job.next_table, replace(present, ve_pct=tables)
    save_folder(job.table_folder(table), calibration_files(calibration, job.description()))
    record = Edited(
        **job.head(),
        table=table,
        from_table=job.table,
        displacement_cm3=calibration.displacement_cm3,
        files=hash_files(job.table_folder(table)),
        says=visible(says),
        how=how.words(),
        cells=cells,
        rules=rules,
        judged_by=judged_by,
        despite=despite,
    )
    job.append(record)
    for line in edit_lines(record):
        screen.say(line[0].upper() + line[1:])
    screen.say(
        f"The job goes on from table {table}, in {job.table_folder(table)}; what was learned is as "
        f"it was. Store it before the next run: breathmap store {job.folder} --port PORT. Back: "
        f"breathmap undo {job.folder}"
    )
    return record


def _arrays(calibration: Calibration) -> list[Array]:
    shape = (len(calibration.load), len(calibration.speed_rpm))
    return [np.array(cells).reshape(shape) for cells in calibration.ve_pct]


def _edited(
    job: Job, description: EngineDescription, before: list[Array], where: Where, how: How
) -> list[Array]:
    """Return the tables with the edit, in whole steps where a cell changed."""
    storage, names = description.storage, [bank.name for bank in description.bank]
    if where.bank is not None and where.bank not in names:
        raise UserError(
            f"{job.folder}: there is no bank {where.bank}; there are {', '.join(names)}"
        )
    if how.table is not None and where.bank is None and len(names) > 1:
        raise UserError("--table is of one bank: name it with --bank")
    mask = _mask(description, where) if how.table is None else np.ones(before[0].shape, bool)
    earlier = _arrays(job.calibration(_table_before(job))) if how.hold else before
    after = []
    for name, old, kept in zip(names, before, earlier, strict=True):
        if where.bank not in (None, name):
            after.append(old)
            continue
        new = _changed(old, kept, mask, how, description)
        whole = np.maximum(np.floor(new / storage.step_pct + 0.5), 1.0) * storage.step_pct
        is_same = np.abs(new - old) < SAME * storage.step_pct
        whole = np.where(is_same | ~mask, old, np.round(whole, 9))
        if (whole > maximum_of(storage) + SAME).any():
            raise UserError(
                f"{job.folder}: the controller stores {maximum_of(storage):g} % at most, "
                f"{whole.max():g} % was asked"
            )
        after.append(whole)
    return after


def _changed(
    old: Array, kept: Array, mask: Mask, how: How, description: EngineDescription
) -> Array:
    axes, new = description.axes, old.copy()
    if how.table is not None:
        cells = read_table(how.table, axes.speed_rpm, axes.load)
        return np.array(cells).reshape(old.shape)
    if how.ve_pct is not None:
        new[mask] = how.ve_pct
    elif how.by_pct is not None:
        new[mask] *= 1.0 + how.by_pct / 100.0
    elif how.hold:
        new[mask] = kept[mask]
    else:
        new = smoothed(old, mask)
    return new


def _table_before(job: Job) -> int:
    made = [r for r in job.all_of(TableMade) if r.table == job.table]
    if not made:
        raise UserError(
            f"{job.folder}: table {job.table} is the first: there is none before to hold"
        )
    before = made[-1].from_table
    if not job.has_axes_of(before, job.table):
        raise UserError(
            f"{job.folder}: table {before}, before table {job.table}, is on other axes: none of "
            "its cells can be held"
        )
    return before


def _mask(description: EngineDescription, where: Where) -> Mask:
    axes = description.axes
    mask = np.zeros((len(axes.load), len(axes.speed_rpm)), dtype=bool)
    if where.cell:
        column, row = nearest_cell(where.cell, axes)
        mask[row, column] = True
        return mask
    found = re.fullmatch(rf"({NUMBER})-({NUMBER}),({NUMBER})-({NUMBER})", where.region)
    if found is None:
        raise UserError(
            f"--region {visible(where.region)}: give speeds and loads as 2000-3000,40-60"
        )
    slow, fast, low, high = (float(text) for text in found.groups())
    speeds, loads = np.asarray(axes.speed_rpm), np.asarray(axes.load)
    mask |= np.outer((loads >= low) & (loads <= high), (speeds >= slow) & (speeds <= fast))
    if not mask.any():
        raise UserError(f"--region {where.region}: no cell of the table lies in it")
    return mask


def smoothed(table: Array, mask: Mask) -> Array:
    """Return the table with the masked cells as those around them say: the second differences along
    both axes, cell by cell, become as small as they can (least squares)."""
    rows = []
    for axis in (0, 1):
        count = table.shape[axis]
        if count < 3:
            continue
        second = np.diff(np.eye(count), 2, axis=0)
        other = np.eye(table.shape[1 - axis])
        rows.append(np.kron(second, other) if axis == 0 else np.kron(other, second))
    if not rows or mask.all():
        return table
    bends, flat, inside = np.vstack(rows), table.ravel().copy(), mask.ravel()
    wanted = -bends[:, ~inside] @ flat[~inside]
    flat[inside] = np.linalg.lstsq(bends[:, inside], wanted, rcond=None)[0]
    return flat.reshape(table.shape)


def _judged(job: Job, present: Calibration, screen: Screen) -> Judged:
    """Return what the latest pass with a recording found that led to the present table."""
    number = _pass_behind(job)
    if number is None:
        return Judged(None, [], [])
    session: Session = relearn_pass(job, number, screen)
    described = job.description().engine.displacement_cm3
    ran_with = session.description.engine.displacement_cm3 / described
    now = present.displacement_cm3 / job.start().displacement_cm3
    solved = session.solve()
    return Judged(
        number,
        [one.old_pct * ran_with / now for one in solved],
        [one.solution for one in solved],
    )


def _pass_behind(job: Job) -> int | None:
    """Return the latest pass whose evidence says something of the present table: every pass on its
    axes, since all are of this engine."""
    tables = {record.pass_number: record.table for record in job.all_of(Learned)}
    return next(
        (
            n
            for n in reversed(job.passes)
            if counted(job, n) and job.has_axes_of(tables[n], job.table)
        ),
        None,
    )


def _unedited(job: Job) -> list[Array]:
    """Return the last table that nobody edited: many small edits are judged as one."""
    made = {record.table: record for record in job.all_of(TableMade)}
    number = job.table
    while isinstance(record := made.get(number), Edited):
        number = record.from_table
    return _arrays(job.calibration(number))


def _looked_at(
    description: EngineDescription,
    before: list[Array],
    after: list[Array],
    unedited: list[Array],
    judged: Judged,
    rules: Rules,
) -> tuple[list[EditedCell], list[str]]:
    """Return the cells that change, and a line for each that is leaned out beyond the rule."""
    axes, cells, broken = description.axes, [], []
    lean, _ = caution(axes, rules)
    for bank, (old, new) in enumerate(zip(before, after, strict=True)):
        risks = _risks(bank, new, judged, description, rules)
        for row, column in np.argwhere(np.abs(new - old) > SAME).tolist():
            speed, load = axes.speed_rpm[column], axes.load[row]
            risk = None if risks is None or np.isnan(risks[row, column]) else risks[row, column]
            name = description.bank[bank].name
            cells.append(
                EditedCell(
                    bank=name, speed_rpm=speed, load=load,
                    before_pct=float(old[row, column]), after_pct=float(new[row, column]),
                    risk=None if risk is None else round(float(risk), 6),
                )
            )  # fmt: skip
            leaner = 0.0
            if new[row, column] < old[row, column]:
                leaner = 1.0 - new[row, column] / unedited[bank][row, column]
            why = _against(leaner, cells[-1].risk, float(lean[row, 0]), rules)
            if why:
                place = f"{name}, {speed:g} rpm, {load:g} {axes.load_unit_said}"
                broken.append(f"{place}: {why}")
    return cells, broken


def _against(leaner: float, risk: float | None, tolerated: float, rules: Rules) -> str:
    """Return why the rule is against a cell, "" where it is not. leaner: by how much it was leaned
    out, a fraction. tolerated: leanness of the mixture, a fraction."""
    allowed = rules.risk * tolerated / rules.lean
    if risk is None and leaner > tolerated:
        return f"leaner by {100.0 * leaner:.1f} %, and nothing was learned there"
    if risk is not None and leaner > 0.0 and risk > allowed:
        return (
            f"leaned out by {100.0 * leaner:.1f} %, it ends leaner than target by more than "
            f"{100.0 * tolerated:g} % with a probability of {100.0 * risk:.0f} %, and "
            f"{100.0 * allowed:g} % is allowed"
        )
    return ""


def _risks(
    bank: int, new: Array, judged: Judged, description: EngineDescription, rules: Rules
) -> Array | None:
    """Return the probability of a mixture leaner than tolerated, by cell, NaN where nothing was
    learned; None where no pass was."""
    if judged.number is None:
        return None
    solution = judged.solutions[bank]
    risks = lean_risk(judged.old_pct[bank], new, solution, description.axes, rules)
    return np.where(solution.coverage >= ONE_SAMPLE, risks, np.nan)
