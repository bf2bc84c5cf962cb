"""`breathmap propose`: learn a pass's recordings again, decide cell by cell, and write it down.

Learning from the recordings is exact, so the same recordings, description and tables always give
the same proposal, byte for byte; `history --verify` shows it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.catalogue import CAUSES as CATALOGUE
from breathmap.learner.causes.diagnose import Diagnosis
from breathmap.learner.decide.finished import Z95, Judgement, judge, remaining_error
from breathmap.learner.decide.proposal import (
    Clip,
    Decided,
    Proposal,
    Rules,
    decide,
    exceeds,
    maximum_of,
    rules_for,
    standing_out,
    store,
)
from breathmap.learner.decide.rebase import Rebase, rebase_for, rebased
from breathmap.learner.decide.threshold import (
    EARLIER_DECISIONS,
    ThresholdRules,
    decide_by_threshold,
)
from breathmap.learner.decide.trims import Wanted, trimmed
from breathmap.learner.decide.why import Why, why
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import EngineDescription
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import table_text
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.texts import visible
from breathmap.tools.job.cautions import left_lines
from breathmap.tools.job.folder import DESCRIPTION, Job, hash_files, save_folder
from breathmap.tools.job.recordings import (
    check_recordings,
    counted,
    open_pass,
    relearn_pass,
)
from breathmap.tools.job.records import REBASE, SATURATE, AnyRules, Choice, Proposed
from breathmap.tools.job.trims import trim_files
from breathmap.tools.run.diagnosis_text import title_line
from breathmap.tools.run.results import CAUSES, causes_text
from breathmap.tools.run.session import Session

Array = NDArray[np.float64]

# What a command would have done that is refused.
DONE = {"propose": "proposed", "axes --apply": "changed"}
# Where the device does not tell.
USUAL_RATE_HZ = 25.0


@dataclass(frozen=True)
class BankPlan:
    """One bank: its table as it was, what was found, what is proposed, how good that is.

    shown_pct: the proposed table at the old displacement, to compare with the old one. reasons:
    of every cell, rows of loads; None under the rules of earlier versions. stands_out: cells held
    back so much more than their neighbours.
    """

    name: str
    old_pct: Array
    solution: Solution
    proposal: Proposal
    shown_pct: Array
    judgement: Judgement
    reasons: list[list[Why]] | None
    stands_out: NDArray[np.bool_]


@dataclass(frozen=True)
class Plan:
    """A whole proposal, not yet written. diagnosis: what beside VE could explain the corrections,
    None where it was not looked for."""

    banks: list[BankPlan]
    rules: AnyRules
    rebase: Rebase | None
    displacement_cm3: float
    cautions: list[str]
    files: dict[str, str]
    diagnosis: Diagnosis | None = None


@dataclass(frozen=True)
class Despite:
    """Causes that a table is proposed in spite of, and why."""

    causes: tuple[str, ...] = ()
    reason: str = ""


NOTHING = Despite()


def plan_for(
    session: Session, choice: Choice, rules: AnyRules, target: float, displacement_cm3: float
) -> Plan:
    """Decide everything from what was learned. choice: "", "saturate" or "rebase". rules: as kept.

    Raises UserError where a cell cannot be stored and no choice was made.
    """
    description, storage = session.description, session.description.storage
    solutions = [result.solution for result in session.solve()]
    decided = [
        _decided(cells, solution, description, rules)
        for cells, solution in zip(session.tables, solutions, strict=True)
    ]
    rebase = _chosen_rebase(choice, decided, description, displacement_cm3)
    at_new = decided if rebase is None else [rebased(one, rebase) for one in decided]
    proposals = [store(one, storage, description.axes) for one in at_new]
    factor = 1.0 if rebase is None else rebase.factor
    banks = [
        _bank_plan(session, number, one, solution, proposal, factor, rules, target)
        for number, (one, solution, proposal) in enumerate(
            zip(decided, solutions, proposals, strict=True)
        )
    ]
    cautions = [
        _clip_line(bank.name, clip, description) for bank in banks for clip in bank.proposal.clips
    ]
    if isinstance(rules, Rules):
        cautions += [
            line
            for bank in banks
            for line in left_lines(
                bank.name, bank.reasons or [], bank.stands_out, rules, description.axes
            )
        ]
    new_cm3 = displacement_cm3 if rebase is None else rebase.after_cm3
    files, said = _with_trims(description, at_new, solutions, proposals)
    for bank in banks:
        files |= _bank_files(bank, description)
    cautions += said
    return Plan(banks, rules, rebase, new_cm3, cautions, files)


def _chosen_rebase(
    choice: Choice,
    decided: list[Decided],
    description: EngineDescription,
    displacement_cm3: float,
) -> Rebase | None:
    """Return the rebase where one is needed and chosen; UserError where nobody chose."""
    storage = description.storage
    over = [exceeds(one, storage) for one in decided]
    if choice == SATURATE or not any(mask.any() for mask in over):
        return None
    if choice != REBASE:
        raise UserError(_no_choice(description, decided, over, displacement_cm3))
    try:
        return rebase_for([d.wanted_pct for d in decided], displacement_cm3, storage)
    except ValueError as error:
        raise UserError(f"--rebase cannot be done: {error}") from None


def _bank_plan(
    session: Session,
    number: int,
    decided: Decided,
    solution: Solution,
    proposal: Proposal,
    factor: float,
    rules: AnyRules,
    target: float,
) -> BankPlan:
    """Return one bank's plan. factor: of its rebase, by which it is shown at the old size."""
    description, old = session.description, decided.old_pct
    axes, used_s = description.axes, _used_seconds(session)[number]
    shown = proposal.cells_pct * factor
    judged = Proposal(shown, proposal.decisions, proposal.clips)
    judgement = judge(
        session.tables[number],
        solution,
        judged,
        axes,
        description.storage,
        used_s,
        target,
        description.goal,
    )
    reasons = None
    if isinstance(rules, Rules):
        reasons = why(old, solution, judged, axes, rules, used_s)
    name, stands_out = description.bank[number].name, standing_out(old, shown, solution)
    return BankPlan(name, old, solution, proposal, shown, judgement, reasons, stands_out)


def _decided(
    cells_pct: Sequence[float],
    solution: Solution,
    description: EngineDescription,
    rules: AnyRules,
) -> Decided:
    if isinstance(rules, ThresholdRules):
        return decide_by_threshold(cells_pct, solution, description.storage, rules)
    return decide(cells_pct, solution, description.storage, description.axes, rules)


def _with_trims(
    description: EngineDescription,
    at_new: Sequence[Decided],
    solutions: Sequence[Solution],
    proposals: Sequence[Proposal],
) -> tuple[dict[str, str], list[str]]:
    """Return the files of common table and trims, and a caution where they cannot hold what the
    rule asks; nothing where the description names none."""
    if description.trims is None:
        return {}, []
    wanted = [
        Wanted(made.cells_pct, one.minimum_pct, found.standard_error / (1.0 + found.correction))
        for made, one, found in zip(proposals, at_new, solutions, strict=True)
    ]
    found = trimmed(wanted, description.storage, description.trims)
    cautions = []
    if found.short:
        cautions.append(
            f"common table and trims cannot hold what the rule asks in {found.short} cells of all "
            "banks: there they are leaner. Running there is unsafe; enter the banks' own tables, "
            "or raise [trims] max_pct where the controller takes more."
        )
    return trim_files(found, [made.cells_pct for made in proposals], description), cautions


def _used_seconds(session: Session) -> list[float]:
    rate_hz = session.identity["sample_rate_hz"] if session.identity else float("nan")
    step_s = 1.0 / (rate_hz if rate_hz == rate_hz else USUAL_RATE_HZ)
    return [bank.used_count * step_s for bank in session.learner.banks]


def _clip_line(name: str, clip: Clip, description: EngineDescription) -> str:
    unit = description.axes.load_unit_said
    return (
        f"{name}: the cell at {clip.speed_rpm:g} rpm, {clip.load:g} {unit} needs VE "
        f"{clip.wanted_pct:.1f} %, {clip.stored_pct:g} % is stored: it stays {clip.lean_pct:.1f} % "
        "lean. Running there is unsafe."
    )


def _no_choice(
    description: EngineDescription,
    decided: list[Decided],
    over: list[NDArray[np.bool_]],
    displacement_cm3: float,
) -> str:
    storage = description.storage
    most = maximum_of(storage)
    worst = max(float(d.wanted_pct[mask].max()) for d, mask in zip(decided, over, strict=True)
                if mask.any())  # fmt: skip
    cells = sum(int(mask.sum()) for mask in over)
    found = rebase_for([d.wanted_pct for d in decided], displacement_cm3, storage)
    return (
        f"{cells} cells need more VE than the controller stores ({most:g} %), up to {worst:.1f} %; "
        f"nothing was proposed. Choose: --saturate leaves them up to {100 * (worst / most - 1):.1f}"
        " % lean, and running there is unsafe; --rebase raises the displacement constant from "
        f"{found.before_cm3:g} to {found.after_cm3:g} cm3 and divides every cell of every bank by "
        f"{found.factor:.4f}, which makes one step {found.coarser_pct:.1f} % coarser"
    )


def _bank_files(bank: BankPlan, description: EngineDescription) -> dict[str, str]:
    """Return the texts of one bank's part of a proposal."""
    before = 100.0 * (1.0 / (1.0 + bank.solution.correction) - 1.0)
    after = 100.0 * remaining_error(bank.old_pct, bank.shown_pct, bank.solution)
    bound = 100.0 * Z95 * bank.solution.standard_error
    tables = {
        f"{bank.name}.csv": (bank.proposal.cells_pct, "{:.10g}"),
        f"{bank.name}-before.csv": (bank.old_pct, "{:.10g}"),
        f"{bank.name}-difference.csv": (bank.shown_pct - bank.old_pct, "{:.2f}"),
        f"{bank.name}-error-before.csv": (before, "{:.2f}"),
        f"{bank.name}-error-after.csv": (after, "{:.2f}"),
        f"{bank.name}-error-bound.csv": (np.abs(after) + bound, "{:.2f}"),
        f"{bank.name}-coverage.csv": (bank.solution.coverage, "{:.1f}"),
        f"{bank.name}-decision.csv": (bank.proposal.decisions, "{}"),
    }
    files = {
        name: table_text(description, rows.tolist(), form) for name, (rows, form) in tables.items()
    }
    files[f"{bank.name}-cells.csv"] = _cells_text(bank, description)
    return files


def _cells_text(bank: BankPlan, description: EngineDescription) -> str:
    """Return one line a cell: before, after, how sure, the decision and its reason."""
    axes, solution = description.axes, bank.solution
    lines = [
        "speed_rpm,load,ve_before_pct,ve_after_pct,correction_pct,standard_error_pct,"
        "coverage,decision,reason" + (",risk_pct,stands_out" if bank.reasons else "")
    ]
    for j, load in enumerate(axes.load):
        for i, speed in enumerate(axes.speed_rpm):
            word = str(bank.proposal.decisions[j, i])
            reason, more = EARLIER_DECISIONS[word], ""
            if bank.reasons is not None:
                reason = bank.reasons[j][i].text()
                more = f",{100.0 * bank.reasons[j][i].risk:.2f},{int(bank.stands_out[j, i])}"
            lines.append(
                f"{speed:g},{load:g},{bank.old_pct[j, i]:.10g},{bank.shown_pct[j, i]:.10g},"
                f"{100.0 * solution.correction[j, i]:.3f},"
                f"{100.0 * solution.standard_error[j, i]:.3f},{solution.coverage[j, i]:.1f},"
                f'{word},"{reason}"{more}'
            )
    return "\n".join(lines) + "\n"


def check_despite(despite: Despite) -> None:
    """UserError where a cause is unknown, or no reason is given."""
    for name in despite.causes:
        if name not in CATALOGUE or not CATALOGUE[name].is_unsafe:
            known = ", ".join(one.name for one in CATALOGUE.values() if one.is_unsafe)
            raise UserError(f"--despite {visible(name)}: it takes one of {known}")
    if despite.causes and not despite.reason.strip():
        raise UserError("--despite goes on record with a reason: say it with --reason TEXT")


def refuse_unsafe(
    job: Job, diagnosis: Diagnosis, despite: Despite, again: str = "propose"
) -> list[str]:
    """Return the causes that are overruled; UserError for one that is not. again: the command that
    would overrule them."""
    found = [one for one in diagnosis.unsafe if one.cause.name not in despite.causes]
    if found:
        names = list(dict.fromkeys(one.cause.name for one in found))
        options = " ".join(f"--despite {name}" for name in names)
        raise UserError(
            f"{job.folder}: nothing was {DONE[again]}, because the table would be unsafe to store: "
            f"{title_line(found[0])}. Check: {found[0].cause.check}. Then learn again (breathmap "
            f"drop sets a recording aside), or {again} with {options} --reason TEXT; breathmap "
            f"diagnose {job.folder} says more"
        )
    return list(dict.fromkeys(one.cause.name for one in diagnosis.unsafe))


def planned(job: Job, choice: Choice, rules: Rules, target: float, screen: Screen) -> Plan:
    """Return what would be proposed of the open pass; nothing is written."""
    number = job.pass_number
    if not job.pass_recordings(number):
        raise UserError(
            f"{job.folder}: pass {number} holds no recording yet; run breathmap learn "
            f"{job.folder} PORT"
        )
    if not counted(job, number):
        raise UserError(
            f"{job.folder}: every recording of pass {number} is set aside; learn more, or take one "
            "back with breathmap drop --undo"
        )
    check_recordings(job, number)
    open_pass(job)
    session = relearn_pass(job, number, screen, witnessed=True)
    rules = rules_for(session.description, rules)
    plan = plan_for(session, choice, rules, target, job.calibration().displacement_cm3)
    solutions = [bank.solution for bank in plan.banks]
    return replace(plan, diagnosis=session.diagnose(solutions=solutions))


def propose_job(
    job: Job,
    choice: Choice,
    rules: Rules,
    target: float,
    screen: Screen,
    despite: Despite = NOTHING,
) -> Plan:
    """Solve the open pass and write its proposal into the job.

    UserError, with nothing written, where a likely cause makes the table unsafe to store and
    `despite` does not name it.
    """
    check_despite(despite)
    plan = planned(job, choice, rules, target, screen)
    assert plan.diagnosis is not None
    overruled = refuse_unsafe(job, plan.diagnosis, despite)
    causes = causes_text(plan.diagnosis)
    number = job.pass_number
    proposal = len(job.all_of(Proposed)) + 1
    folder = job.proposal_folder(proposal)
    own = job.pass_folder(number)
    inputs = {DESCRIPTION: (own / DESCRIPTION).read_text("utf-8")}
    save_folder(folder, {**plan.files, **inputs, CAUSES: causes})
    files = hash_files(folder)
    job.append(
        Proposed(
            **job.head(),
            proposal=proposal,
            table=job.table,
            choice=choice,
            rules=plan.rules,
            target=target,
            displacement_cm3=plan.displacement_cm3,
            recordings=[entry.sha256 for entry in counted(job, number)],
            description=files[DESCRIPTION],
            cautions=plan.cautions,
            finished=all(bank.judgement.finished for bank in plan.banks),
            files=files,
            pass_number=number,
            despite=overruled,
            despite_reason=despite.reason if overruled else "",
        )
    )
    return plan
