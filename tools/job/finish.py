"""`breathmap finish`: the final calibration, the set-up put back, and the proof of it.

The final calibration is the one that the job started from with the learned VE in it and, after a
rebase, its displacement. That nothing else differs is compared field by field, stored, and, where
the controller can be read, compared with what it holds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from breathmap.learner.axes.grid import Grid, joined, moved
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration, Difference, differences
from breathmap.tools.base.control import ControllerLink
from breathmap.tools.base.disk import errors_about
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.calibration import axes_lines, calibration_files, on_axes_of
from breathmap.tools.job.folder import CHECKLIST, FINAL, Job, hash_files, save_folder
from breathmap.tools.job.records import Finished, Learned, Prepared, Proposed
from breathmap.tools.job.setup import TARGET, by_hand, sheet
from breathmap.tools.job.vehicle import (
    check_may_write,
    check_originals,
    read_controller,
    write_controller,
)

BEFORE_USE = (
    "Start it cold and warm, idle, open and close the throttle.",
    "Drive a short closed course while somebody else watches lambda and knock.",
    "Ground that was never learned is as it was in the starting table: beware of it.",
)


OTHER_TABLES = (
    "Every other table on these axes (spark, for one) cannot be read from here: compare each with "
    "the copy of before."
)


@dataclass(frozen=True)
class Proof:
    """What was compared with the start. compared: fields. allowed: differences that may be."""

    compared: int
    allowed: list[Difference]
    ve_by_bank: dict[str, int]
    displacement: Difference | None


def prove(start: Calibration, final: Calibration, names: list[str]) -> Proof:
    """Compare field by field; UserError when anything but VE or displacement differs. start: on the
    axes of the present table, where those were changed on record."""
    compared, found = differences(start, final)
    wrong = [d for d in found if d.part not in ("ve", "displacement_cm3")]
    if wrong:
        first = wrong[0]
        raise UserError(
            f"the final calibration differs from the start in {first.part} {first.place}: "
            f"{first.before} and {first.after}, and in {len(wrong) - 1} more places; nothing may "
            "differ but VE and displacement: nothing was finished"
        )
    by_bank = {
        name: sum(d.part == "ve" and d.place.startswith(f"bank {number}, ") for d in found)
        for number, name in enumerate(names, start=1)
    }
    moved = next((d for d in found if d.part == "displacement_cm3"), None)
    return Proof(compared, found, by_bank, moved)


def axes_story(start: Calibration, final: Calibration) -> list[str]:
    """Return what the axes of the final calibration mean for the proof, a line each; nothing where
    they are those of the start."""
    lines = axes_lines(start, final)
    if not lines:
        return []
    story = [f"The axes were changed on record; {'; '.join(lines)}."]
    story.append("VE was compared with the start's as it reads at the new breakpoints.")
    if start.target_lambda is not None:
        story.append(
            "The target table is the original one on the new axes: nowhere leaner than it was, and "
            f"richer by lambda {richer_by(start, final):.3f} at most, between old breakpoints."
        )
    story.append(OTHER_TABLES)
    return story


def richer_by(start: Calibration, final: Calibration) -> float:
    """Return by how much lambda a target table on new axes is below the old one at most."""
    assert start.target_lambda is not None
    assert final.target_lambda is not None
    before, after = (Grid(one.speed_rpm, one.load) for one in (start, final))
    union = joined(before, after)
    old = moved(np.asarray(start.target_lambda).reshape(before.shape), before, union)
    new = moved(np.asarray(final.target_lambda).reshape(after.shape), after, union)
    return max(0.0, float((old - new).max()))


def proof_text(
    proof: Proof,
    description: EngineDescription,
    read_back: bool,
    port: str,
    moved_axes: Sequence[str] = (),
) -> str:
    """Return the proof as Markdown. moved_axes: what is to be said of changed axes, if any were."""
    lines = [
        f"# Proof: {description.engine.name}",
        "",
        f"{proof.compared:,} fields of the final calibration were compared with the calibration "
        "that the job started from.",
        "",
        "| part | may differ | fields that differ |",
        "| --- | --- | --- |",
    ]
    for name, count in proof.ve_by_bank.items():
        lines.append(f"| VE cells, {name} | yes | {count} |")
    if moved_axes:
        lines.append("| axes | on record, see below | see below |")
    moved = proof.displacement
    change = "0" if moved is None else f"1: {moved.before:g} to {moved.after:g} cm3 (rebase)"
    lines.append(f"| displacement constant | after a rebase | {change} |")
    lines += [
        "| banks | no | 0 |" if moved_axes else "| axes, banks | no | 0 |",
        "| storage | no | 0 |",
        "| settings | no | 0 |",
        f"| target table | {'read onto the new axes' if moved_axes else 'no'} | 0 |",
        "",
        *[line for said in moved_axes for line in (said, "")],
    ]
    if read_back:
        lines.append(
            f"The controller at {port} was written, read back whole, and holds exactly this."
        )
    else:
        lines.append(
            "The controller was not read: see checklist.md for what is to be done by hand."
        )
    lines += ["", "Every field that differs:", ""]
    lines += [f"- {d.part} {d.place}: {d.before:g} to {d.after:g}" for d in proof.allowed]
    return "\n".join(lines) + "\n"


def checklist_text(job: Job, description: EngineDescription, start: Calibration) -> str:
    """Return what a person puts back by hand, as Markdown. What was never set for learning is to be
    compared only."""
    prepared = job.latest(Prepared) is not None
    lines = [f"# Put back by hand: {description.engine.name}", ""]
    axes = description.axes
    has_moved = (list(start.speed_rpm), list(start.load)) != (axes.speed_rpm, axes.load)
    if has_moved:
        lines.append(f"- [ ] speeds, rpm: {', '.join(f'{n:g}' for n in axes.speed_rpm)}")
        loads = ", ".join(f"{p:g}" for p in axes.load)
        lines.append(f"- [ ] loads, {axes.load_unit_said}: {loads}")
        lines.append(f"- [ ] {OTHER_TABLES}")
    for bank in description.bank:
        lines.append(f"- [ ] VE table of {bank.name}: final/{bank.name}.csv")
    lines.append(f"- [ ] displacement constant: {job.calibration().displacement_cm3:g} cm3")
    for item in sheet(description, start):
        is_elsewhere = has_moved and item.name == TARGET and start.target_lambda is not None
        original = f"{FINAL}/target.csv" if is_elsewhere else item.original
        now = f"back to {original} (for learning: {item.learning})"
        lines.append(f"- [ ] {item.title}: {now if prepared else f'is it {original}?'}")
    lines += ["", *[f"- [ ] {line}" for line in BEFORE_USE]]
    return "\n".join(lines) + "\n"


def finish_job(
    job: Job,
    port: str | None,
    baud: int,
    screen: Screen,
    other_device: str,
    never_prepared: bool,
) -> None:
    """Write the final calibration, prove it, and with a port store it and read it back.

    never_prepared: finish although this job never put a learning set-up in. UserError without it.
    """
    if job.latest(Prepared) is None and not never_prepared:
        raise UserError(
            f"{job.folder}: this job was never prepared, so nothing that it knows of was set for "
            "learning; if its tables shall be final all the same, say --never-prepared"
        )
    description, final = job.description(), job.calibration()
    start = on_axes_of(job.start(), final)
    names = [bank.name for bank in description.bank]
    proof = prove(start, final, names)
    _note_open_ends(job, screen)
    left = [item.title for item in by_hand(sheet(description, start), start)]
    read_back = False
    if port is not None:
        with ControllerLink(port, baud) as link:
            present = read_controller(job, link, other_device)
            check_may_write(job, link, present)
            check_originals(job, present, port)
            wanted = replace(final, mark=None if present.mark is None else "")
            back = write_controller(job, link, wanted, present, "finish")
        # Once more against the start: what is in the controller is what counts.
        proof = prove(start, back, names)
        read_back = True
    verified = read_back and not left
    moved = axes_story(job.start(), final)
    text = proof_text(proof, description, read_back, port or "", moved)
    checklist = checklist_text(job, description, job.start())
    files = {**calibration_files(final, description), "proof.md": text, CHECKLIST: checklist}
    # What an earlier `finish` wrote stays until this one is on record.
    head = job.head()
    waiting = job.next_final(head["number"])
    save_folder(waiting, files)
    job.append(
        Finished(
            **head,
            table=job.table,
            by_wire=read_back,
            verified=verified,
            compared=proof.compared,
            differing=len(proof.allowed),
            displacement_cm3=final.displacement_cm3,
            files=hash_files(waiting),
        )
    )
    with errors_about(job.folder / FINAL):
        job.settle_final()
    _say_finished(job, text, checklist if not read_back else "", left, screen)


def _say_finished(job: Job, text: str, checklist: str, left: list[str], screen: Screen) -> None:
    """Show the proof and what is left to a person. checklist: "" when the controller was read
    back; left: what it does not offer."""
    if OTHER_TABLES in text:
        screen.warn(OTHER_TABLES)
    summary = text.split("\nEvery field that differs:")[0]
    screen.say_lines(summary)
    screen.say()
    if checklist:
        screen.say_lines(checklist)
        screen.say()
    for title in left if not checklist else []:
        screen.warn(f"the controller does not offer {title}: put it back by hand.")
    screen.say(f"Written to {job.folder / FINAL}: tables, calibration.toml, proof.md, {CHECKLIST}.")
    screen.say("Before the vehicle is used:")
    for line in BEFORE_USE:
        screen.say(f"- {line}")
    screen.say(f"Then check with a drive: breathmap learn {job.folder} PORT")


def _note_open_ends(job: Job, screen: Screen) -> None:
    """Say what is being left out."""
    learned, proposed, since = job.latest(Learned), job.latest(Proposed), job.table_set.number
    if proposed is not None and proposed.number > since:
        screen.say(f"Note: proposal {proposed.proposal} was not accepted and is left out.")
    elif learned is not None and learned.number > since:
        screen.say(f"Note: pass {learned.pass_number} was not proposed and is left out.")
