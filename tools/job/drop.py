"""`breathmap drop`: set a recording, or a span of it, aside on record, and take it back.

The recording itself stays. What is set aside counts neither for the pass's results nor for its next
proposal; a proposal made with it cannot be accepted any more.
"""

import re
from pathlib import Path
from typing import Any

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.folder import Job
from breathmap.tools.job.recordings import (
    check_recordings,
    fresh_session,
    left_out_of,
    relearn_pass,
)
from breathmap.tools.job.records import Accepted, AxesChanged, Dropped, Entry, Proposed, Restored
from breathmap.tools.run.evidence_files import evidence_in, is_evidence
from breathmap.tools.run.learning import relearn
from breathmap.tools.run.left_out import WHOLE, LeftOut, Span, kept
from breathmap.tools.run.recording_file import recordings_in
from breathmap.tools.run.results import results_ready, solved
from breathmap.tools.run.session import Session


def find_recording(job: Job, text: str) -> tuple[int, Entry]:
    """Return pass number and entry of PASS/RECORDING, 1/recording-002.bin for one; UserError names
    those that there are."""
    match = re.search(r"(?:\A|/)(\d+)/([^/]+)\Z", text.replace("\\", "/"))
    if match is not None:
        for entry in job.pass_recordings(int(match[1])):
            if match[2] in (entry.name, entry.name.removesuffix(".bin")):
                return int(match[1]), entry
    there = [f"{number}/{e.name}" for number in job.passes for e in job.pass_recordings(number)]
    what = f"there are {', '.join(there)}" if there else "there is none yet"
    raise UserError(f"{job.folder}: no recording {text} (PASS/RECORDING); {what}")


def span_of(from_s: float | None, to_s: float | None) -> Span:
    """Return the span of --from-s and --to-s; all of it when neither is given."""
    span = (WHOLE[0] if from_s is None else from_s, WHOLE[1] if to_s is None else to_s)
    if not 0.0 <= span[0] < span[1]:
        raise UserError(
            f"--from-s {span[0]:g} --to-s {span[1]:g}: a span begins at 0 or later, before it ends"
        )
    return span


def drop(job: Job, text: str, span: Span, reason: str, screen: Screen) -> None:
    """Set a recording or a span of it aside; UserError when there is nothing to set aside."""
    number, entry = find_recording(job, text)
    place, reason = f"{number}/{entry.name}", " ".join(reason.split())
    path = job.pass_folder(number) / entry.name
    left_out = left_out_of(job, number)
    if not reason:
        raise UserError("say why with --reason: whoever reads the history later wants to know")
    if WHOLE in left_out.get(path, ()):
        raise UserError(f"{place} is set aside already; --undo takes it back")
    check_recordings(job, number)
    if span != WHOLE:
        _check_span(job, path, place, span)
    left_out[path] = [*left_out.get(path, ()), span]
    session = relearn_pass(job, number, screen, left_out)
    record = Dropped(
        **job.head(),
        **_said(span),
        pass_number=number,
        recording=entry.name,
        sha256=entry.sha256,
        reason=reason,
    )
    _record_with_results(job, record, session, left_out)
    undo = f"breathmap drop {job.folder} {place} --undo"
    screen.say(f"Set aside: {place}{span_text(span)}. To take it back: {undo}")
    _say_consequences(job, number, entry, screen)


def restore(job: Job, text: str, screen: Screen) -> None:
    """Take back all that was set aside of a recording; UserError when nothing was."""
    number, entry = find_recording(job, text)
    place = f"{number}/{entry.name}"
    left_out = left_out_of(job, number)
    if left_out.pop(job.pass_folder(number) / entry.name, None) is None:
        raise UserError(f"{place}: nothing of it is set aside")
    check_recordings(job, number)
    session = relearn_pass(job, number, screen, left_out)
    record = Restored(**job.head(), pass_number=number, recording=entry.name, sha256=entry.sha256)
    _record_with_results(job, record, session, left_out)
    screen.say(f"{place} counts again, all of it.")


def _said(span: Span) -> dict[str, Any]:
    """Return what a record says of a span: only what bounds it."""
    said = {"from_s": span[0], "to_s": span[1]}
    return {key: value for key, value in said.items() if value not in WHOLE}


def span_text(span: Span) -> str:
    """Return a span as words behind a recording's name; nothing for all of it."""
    if span == WHOLE:
        return ""
    end = "its end" if span[1] == WHOLE[1] else f"{span[1]:g} s"
    return f", {span[0]:g} s to {end}"


def _check_span(job: Job, path: Path, place: str, span: Span) -> None:
    if is_evidence(path):
        raise UserError(f"{place}: evidence has no times; drop all of it")
    session = fresh_session(job)
    session.leave_out({path: [span]})
    with Stop() as stop:
        relearn(session, [path], Screen(quiet=True), stop)
    if not session.left_out_count:
        raise UserError(f"{place}: it has no sample in{span_text(span)[1:]}; nothing was set aside")


def _record_with_results(
    job: Job, record: Dropped | Restored, session: Session, left_out: LeftOut
) -> None:
    """Put it on record, and the pass's results anew from what counts then."""
    folder = job.pass_folder(record.pass_number)
    sources = [path.name for path in kept(recordings_in(folder), left_out)]
    outcome = solved(session, sources, proposing=False)
    with results_ready(folder, session, outcome) as put:
        job.append(record)
        put()


def _say_consequences(job: Job, number: int, entry: Entry, screen: Screen) -> None:
    """Say what still has the recording in it."""
    with_it = {
        r.proposal
        for r in job.all_of(Proposed)
        if r.pass_number == number and entry.sha256 in r.recordings
    }
    for record in job.all_of(Accepted):
        if record.proposal in with_it:
            screen.warn(
                f"table {record.table} was made with it; to be rid of it there: breathmap undo "
                f"{job.folder} {record.from_table}, then propose and accept anew."
            )
    for changed in job.all_of(AxesChanged):
        if changed.pass_number == number and entry.sha256 in changed.recordings:
            screen.warn(
                f"what was carried to the axes of table {changed.table} holds it; to be rid of it "
                f"there: breathmap undo {job.folder} {changed.from_table}, then breathmap axes "
                f"{job.folder} --apply anew."
            )
    if job.pass_folder(number) / entry.name in evidence_in(job.pass_folder(number)):
        screen.warn("what a board learned is in its later snapshots, too: clear the board.")
