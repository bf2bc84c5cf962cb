"""What a report of a job is made from: latest pass, its proposal, all passes, the proof.

Reads what the job's commands wrote and changes nothing in it.
"""

from dataclasses import replace
from pathlib import Path

from breathmap.protocol.host.calibration import NAMED_BEFORE
from breathmap.tools.base.errors import UserError
from breathmap.tools.job.drop import span_text
from breathmap.tools.job.edit_words import edit_lines
from breathmap.tools.job.folder import Job
from breathmap.tools.job.recordings import left_out_of
from breathmap.tools.job.records import (
    AxesChanged,
    Checked,
    Created,
    Dropped,
    Edited,
    Finished,
    Learned,
    Prepared,
    Proposed,
    Record,
)
from breathmap.tools.job.trims import trim_lines
from breathmap.tools.report.data import (
    BankReport,
    PassRow,
    ReportData,
    TableAxes,
    pass_row,
    read_decisions,
    read_folder,
    read_notes,
    read_numbers,
)
from breathmap.tools.run.alarm_words import alarm_lines
from breathmap.tools.run.diagnosis_text import cause_lines
from breathmap.tools.run.results import CAUSES, SUMMARY


def read_job(folder: Path) -> ReportData:
    """Return what a job holds; UserError while nothing has been learned in it."""
    job = Job(folder)
    whole = [n for n in job.passes if (job.pass_folder(n) / SUMMARY).exists()]
    if not whole:
        raise UserError(
            f"{folder}: nothing has been learned in this job yet; run breathmap learn {folder} PORT"
        )
    each = {number: read_folder(job.pass_folder(number)) for number in whole}
    # After an undo the open pass may be an earlier one.
    shown = job.pass_number if job.pass_number in whole else whole[-1]
    latest = each[shown]
    proposed = next(
        (r for r in reversed(job.all_of(Proposed)) if r.pass_number == shown),
        None,
    )
    banks = latest.banks
    summary = latest.summary
    causes: list[str] = []
    trims: list[tuple[str, str]] = []
    if proposed is not None:
        folder_of = job.proposal_folder(proposed.proposal)
        causes = cause_lines(folder_of / CAUSES)
        trims = [(proposed.day, f"Trims: {line}") for line in trim_lines(folder_of)]
        banks = [_with_proposal(bank, folder_of, latest.axes) for bank in banks]
        warnings = [*summary.warnings, *proposed.cautions]
        summary = summary.model_copy(update={"warnings": warnings})
    rows: list[PassRow] = [
        pass_row(number, bank) for number, data in each.items() for bank in data.banks
    ]
    notes = [note for number in whole for note in read_notes(job.pass_folder(number))]
    notes += [note for number in job.passes for note in _set_aside(job, number)]
    notes += [
        (r.day, f"Table {r.table}: {line}") for r in job.all_of(Edited) for line in edit_lines(r)
    ]
    notes += trims
    notes += [(r.day, _axes_note(r)) for r in job.all_of(AxesChanged)]
    return replace(
        latest,
        folder=folder,
        banks=banks,
        summary=summary,
        passes=rows,
        notes=notes,
        causes=causes,
        setup=_setup_lines(job),
        ready=not job.closing_line()[1],
        alarms_before=_alarms_but_of(job, shown),
    )


def _axes_note(r: AxesChanged) -> str:
    points = (" ".join(f"{one:g}" for one in axis) for axis in (r.axes.speed_rpm, r.axes.load))
    return (
        "Table {}: on new axes, what pass {} found carried over; speeds, rpm: {}; loads: {}".format(
            r.table, r.pass_number, *points
        )
    )


def _alarms_but_of(job: Job, shown: int) -> list[str]:
    """Return the alarms of the other passes, as last recorded of each, a line a kind."""
    by_pass = {r.pass_number: r.alarms for r in job.all_of(Learned) if r.alarms is not None}
    return [
        f"Pass {number}: {line}"
        for number, alarms in by_pass.items()
        if number != shown
        for line in alarm_lines(alarms)
    ]


def _set_aside(job: Job, number: int) -> list[tuple[str, str]]:
    """Return day and text of what is set aside in a pass, a note each."""
    left_out = left_out_of(job, number)
    return [
        (
            r.day,
            f"Set aside in pass {number}: {r.recording}{span_text((r.from_s, r.to_s))}: {r.reason}",
        )
        for r in job.all_of(Dropped)
        if r.pass_number == number
        and (r.from_s, r.to_s) in left_out.get(job.pass_folder(number) / r.recording, ())
    ]


def _with_proposal(bank: BankReport, folder: Path, axes: TableAxes) -> BankReport:
    decisions = read_decisions(folder / f"{bank.name}-decision.csv", axes)
    counts: dict[str, int] = {}
    for row in decisions:
        for word in row:
            counts[word] = counts.get(word, 0) + 1
    return replace(
        bank,
        after=read_numbers(folder / f"{bank.name}.csv", axes),
        decisions=decisions,
        summary=bank.summary.model_copy(update={"cells": counts}),
    )


def _setup_lines(job: Job) -> list[str]:
    """Return what is known of the set-up and its restoration, oldest first, a line each."""
    lines = [line for record in job.records for line in _lines_of(record)]
    changed = job.calibration().displacement_cm3 != job.start().displacement_cm3
    if changed:
        lines.append(
            f"By a rebase the displacement constant went from {job.start().displacement_cm3:g} to "
            f"{job.calibration().displacement_cm3:g} cm3; VE is meant with it."
        )
    lines.append(job.closing_line()[0])
    return [line[0].upper() + line[1:] for line in lines]


def _lines_of(record: Record) -> list[str]:
    match record:
        case Created():
            how = "read from the controller" if record.by_wire else "from files"
            return [f"{record.day}: the job was made, {how}."]
        case Prepared():
            how = "written to the controller and read back" if record.by_wire else "by hand"
            more = (
                f" By hand: {', '.join(NAMED_BEFORE.get(name, name) for name in record.by_hand)}."
                if record.by_hand
                else ""
            )
            return [f"{record.day}: set up for learning, {how}.{more}"]
        case Finished():
            proof = (
                f"{record.compared:,} fields compared with the start, {record.differing} differ, "
                "all of them VE or displacement"
            )
            how = "the controller was read back" if record.verified else "not verified in it"
            return [f"{record.day}: finished with table {record.table}; {proof}; {how}."]
        case Checked():
            signs = "; ".join(record.signs) or "no sign of the learning set-up"
            return [f"{record.day}: check drive: {signs}."]
    return []
