"""`breathmap history`: the chain of what happened, and whether it still holds.

The chain itself is checked whenever a job is opened; `verify` also hashes every file that the
history names and learns every pass again, which must give each proposal again. Libraries and
processors round a little differently, so computed numbers may differ in their last printed digit;
what would be stored may not.
"""

import re
from decimal import Decimal
from pathlib import Path

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.base.texts import visible
from breathmap.tools.job.chain import HEAD, sha256_of
from breathmap.tools.job.drop import span_text
from breathmap.tools.job.edit_words import edit_text
from breathmap.tools.job.folder import (
    CHECKLIST,
    DESCRIPTION,
    SHEET,
    Job,
    hash_file,
    kept_description,
)
from breathmap.tools.job.new_axes import check_axes_again
from breathmap.tools.job.propose import plan_for
from breathmap.tools.job.recordings import left_out_of
from breathmap.tools.job.records import (
    Accepted,
    AxesChanged,
    Checked,
    Created,
    DeviceTaken,
    Dropped,
    Edited,
    Entry,
    Finished,
    Learned,
    Originals,
    Prepared,
    Proposed,
    ReadBack,
    Record,
    Restored,
    Stored,
    Unchanged,
    Undone,
    Writing,
)
from breathmap.tools.job.vehicle import held_text
from breathmap.tools.logs.open import mapping_place
from breathmap.tools.run.alarm_words import alarm_lines
from breathmap.tools.run.evidence_files import without_earlier
from breathmap.tools.run.learning import relearn
from breathmap.tools.run.recording_file import order_of
from breathmap.tools.run.session import Session


def history_table(job: Job) -> Table:
    """Return the chain, a line a record, with the first digits of the hashes that went in."""
    table = Table(title=f"History of {job.folder}", title_justify="left")
    for heading in ("", "when (UTC)", "what", "from"):
        table.add_column(heading, no_wrap=heading != "what")
    for record in job.records:
        what, source = _described(record)
        when = record.time[:16].replace("T", " ")
        table.add_row(str(record.number), when, what, source)
    return table


def _short(digest: str) -> str:
    return digest[:8]


def _described(r: Record) -> tuple[str, str]:
    """Return what happened in words, and the short hashes of what went in."""
    match r:
        case Created():
            how = "read from the controller" if r.by_wire else "from files"
            return f"made, {how}; table 0", _short(r.description)
        case Writing():
            return f"{r.command}: writing to the controller at {r.port} begins", ""
        case Unchanged():
            return "read back: nothing was changed", ""
        case ReadBack():
            return f"controller read: {held_text(r)}", ""
        case DeviceTaken():
            why = f": {r.reason}" if r.reason else ""
            return f"device {r.device.device_name} {r.device.serial}".rstrip() + why, ""
        case Originals():
            names = [*r.settings, *([] if r.target_lambda is None else ["target table"])]
            return f"original values given: {', '.join(names)}", ""
        case Prepared():
            how = "written to the controller" if r.by_wire else "sheet for a person"
            return f"prepared: {how}", _short(r.description)
        case Learned():
            return _learned_row(r)
        case Dropped():
            span = span_text((r.from_s, r.to_s))
            text = f"set aside, pass {r.pass_number}: {r.recording}{span}: {r.reason}"
            return text, _short(r.sha256)
        case Restored():
            return f"taken back, pass {r.pass_number}: {r.recording}", _short(r.sha256)
        case Proposed():
            return _proposed_row(r)
        case Accepted():
            digests = _short(sha256_of("".join(sorted(r.proposal_files.values())).encode()))
            return f"table {r.table} = proposal {r.proposal} on table {r.from_table}", digests
        case Edited():
            return _edited_text(r), ""
        case AxesChanged():
            return _axes_text(r), _short(r.description)
        case Undone():
            return f"back to table {r.table} (was {r.from_table})", ""
        case Stored():
            return f"table {r.table} written to the controller, read back", ""
        case Finished():
            how = "controller read back" if r.verified else "not verified in the controller"
            return f"finished with table {r.table}; {how}", ""
        case Checked():
            return f"check drive: {_check_text(r)}", ""
    return r.what, ""


def _check_text(r: Checked) -> str:
    if r.signs:
        return "; ".join(r.signs)
    if r.looked_for is None:  # of version 0.1.0
        return "no sign of the learning set-up"
    return f"no sign, of: {', '.join(r.looked_for)}" if r.looked_for else "cannot tell"


def _learned_row(r: Learned) -> tuple[str, str]:
    names = ", ".join(entry.name for entry in r.recordings)
    extra = " (taken in)" if r.recovered else ""
    digests = " ".join(_short(entry.sha256) for entry in r.recordings)
    came = " ".join(alarm_lines(r.alarms)) or "No alarm in this pass."
    alarms = f". {came}" if r.alarms is not None else ""
    return f"pass {r.pass_number} on table {r.table}: {names}{extra}{alarms}", digests


def _proposed_row(r: Proposed) -> tuple[str, str]:
    choice = f", {r.choice}" if r.choice else ""
    done = "; good enough to finish" if r.finished else ""
    despite = f"; despite {', '.join(r.despite)}: {r.despite_reason}" if r.despite else ""
    digests = " ".join(_short(digest) for digest in [r.description, *r.recordings])
    return f"proposal {r.proposal} from pass {r.pass_number}{choice}{done}{despite}", digests


def _axes_text(r: AxesChanged) -> str:
    despite = f"; despite {', '.join(r.despite)}: {r.despite_reason}" if r.despite else ""
    return (
        f"table {r.table} on new axes, {len(r.axes.speed_rpm)} speeds x {len(r.axes.load)} loads, "
        f"as table {r.from_table} reads there; pass {r.pass_number} carried over{despite}"
    )


def _edited_text(r: Edited) -> str:
    despite = ", against the rule" if r.despite else ""
    return f"table {r.table} = table {r.from_table} with {edit_text(r)}{despite}; {visible(r.says)}"


def verify_job(job: Job, screen: Screen) -> None:
    """Check every file and every proposal against the history; UserError at the first that fails.

    What a later step replaced (an earlier `final`) is not looked for; a file that a person may edit
    is told when it was.
    """
    count = 0
    for record in job.records:
        count += check_files(job, record)
    for line in _edited(job):
        screen.say(line)
    if not job.has_head:
        screen.say(f"The last record stands unproved until the next one: there is no {HEAD} yet.")
    proposals = job.all_of(Proposed)
    rounded = 0
    for record in proposals:
        screen.say(f"learning pass {record.pass_number} again for proposal {record.proposal} ...")
        rounded += _compare_again(job, record, proposal_again(job, record, screen))
    for changed in job.all_of(AxesChanged):
        check_axes_again(job, changed)
    how = "byte for byte" if not rounded else f"{rounded} files but for the last printed digit"
    noun = "proposal comes" if len(proposals) == 1 else "proposals come"
    screen.say(
        f"The chain of {len(job.records)} records holds; {count} files are as recorded; "
        f"{len(proposals)} {noun} out the same" + (f", {how}." if proposals else ".")
    )


def _compare_again(job: Job, record: Proposed, texts: dict[str, str]) -> int:
    """Return how many of a proposal's files differ in their last printed digit only; UserError at
    the first that differs by more."""
    folder = job.proposal_folder(record.proposal)
    stored = {f"{bank.name}.csv" for bank in job.description().bank}
    rounded = 0
    for name, text in texts.items():
        if sha256_of(text.encode()) == record.files.get(name):
            continue
        # The file on disk was found to be the one recorded.
        path = folder / name
        if (
            name in stored
            or not path.exists()
            or not same_but_rounding(path.read_text("utf-8"), text)
        ):
            raise UserError(
                f"proposal {record.proposal}: learned again, {name} comes out otherwise; "
                f"it was made by version {record.software}"
            )
        rounded += 1
    return rounded


def same_but_rounding(one: str, other: str) -> bool:
    """True when two tables have the same words, and numbers that differ by one unit of their last
    printed decimal at most."""
    pairs = (re.split("[,;\n]", one), re.split("[,;\n]", other))
    return len(pairs[0]) == len(pairs[1]) and all(map(_near, *pairs))


def _near(one: str, other: str) -> bool:
    if one == other:
        return True
    decimals = [entry.partition(".")[2] for entry in (one, other)]
    if not all(d.isdigit() for d in decimals) or len(decimals[0]) != len(decimals[1]):
        return False
    return abs(Decimal(one) - Decimal(other)) <= Decimal(1).scaleb(-len(decimals[0]))


def check_files(job: Job, record: Record) -> int:
    """Return how many files a record names that must still be there; UserError for one that is
    another."""
    places = _files_of(job, record)
    for path, wanted in places.items():
        if hash_file(path) != wanted:
            raise UserError(f"{path}: it is not what record {record.number} names")
    return len(places)


def _files_of(job: Job, record: Record) -> dict[Path, str]:
    """Return the content hash of each file that a record names and that must still be there."""
    match record:
        case Created():
            return _in(job.table_folder(record.table), record.files)
        case Accepted():
            proposal = job.proposal_folder(record.proposal)
            table = job.table_folder(record.table)
            return _in(table, record.files) | _in(proposal, record.proposal_files)
        case Edited() | AxesChanged():
            return _in(job.table_folder(record.table), record.files)
        case Proposed():
            folder = job.proposal_folder(record.proposal)
            return {folder / DESCRIPTION: record.description, **_in(folder, record.files)}
        case Learned():
            folder = job.pass_folder(record.pass_number)
            return {
                kept_description(folder, record.description): record.description,
                **_in(folder, record.tables),
                **_in(folder, _hashes(record.recordings)),
            }
        case Checked():
            folder = job.check_folder(job.all_of(Checked).index(record) + 1)
            return _in(folder, _hashes(record.recordings))
        case Finished() if record is job.latest(Finished):
            files = {name: digest for name, digest in record.files.items() if name != CHECKLIST}
            return _in(job.final_folder(record), files)
    return {}


def _in(folder: Path, files: dict[str, str]) -> dict[Path, str]:
    return {folder / name: digest for name, digest in files.items()}


def _hashes(entries: list[Entry]) -> dict[str, str]:
    """Return the hashes of recordings by name, of logs with those of their mappings."""
    found = {entry.name: entry.sha256 for entry in entries}
    mapped = [entry for entry in entries if entry.mapping is not None]
    return found | {mapping_place(Path(e.name)).name: e.mapping or "" for e in mapped}


def _edited(job: Job) -> list[str]:
    """Return a line for each file that a person may edit, and has edited since it was recorded."""
    described = next(r for r in reversed(job.records) if isinstance(r, Created | Prepared))
    prepared, finished = job.latest(Prepared), job.latest(Finished)
    held: list[tuple[Path, str, Record]] = [
        (job.folder / DESCRIPTION, described.description, described)
    ]
    if prepared is not None:
        held.append((job.folder / SHEET, prepared.sheet, prepared))
    if finished is not None and CHECKLIST in finished.files:
        path = job.final_folder(finished) / CHECKLIST
        held.append((path, finished.files[CHECKLIST], finished))
    return [
        f"{path}: edited since record {record.number}; it is yours to edit."
        for path, digest, record in held
        if not path.exists() or hash_file(path) != digest
    ]


def proposal_again(job: Job, record: Proposed, screen: Screen) -> dict[str, str]:
    """Return the texts of a proposal's tables, learned again from the recordings."""
    description = read_description(job.proposal_folder(record.proposal) / DESCRIPTION)
    base = job.table_folder(record.table)
    session = Session(description, read_tables(base / DESCRIPTION, description))
    folder = job.pass_folder(record.pass_number)
    names = {entry.sha256: folder / entry.name for entry in job.pass_recordings(record.pass_number)}
    for digest in record.recordings:
        if digest not in names:
            raise UserError(
                f"proposal {record.proposal}: the recording {digest[:8]}... that it was made from "
                f"is not in pass {record.pass_number}"
            )
    session.leave_out(left_out_of(job, record.pass_number, before=record.number))
    with Stop() as stop:
        # In the order of the folder, as the proposal was made.
        paths = sorted(
            [names[digest] for digest in record.recordings], key=lambda path: order_of(path.name)
        )
        relearn(session, without_earlier(paths), screen, stop)
        if stop.asked:
            raise UserError("stopped")
    plan = plan_for(
        session,
        record.choice,
        record.rules,
        record.target,
        job.calibration(record.table).displacement_cm3,
    )
    return plan.files
