"""Writes what was learned into a folder: per bank six tables as CSV, summary.json and trace.json.

BANK-before.csv (VE, %, the table learned on), BANK-proposed.csv (VE, %), BANK-correction.csv (%),
BANK-standard-error.csv (%, one standard deviation of the correction), BANK-coverage.csv
(equivalent independent samples) and BANK-decision.csv (a word per cell, see
`breathmap.learner.decide.proposal.DECISIONS`). film.csv has the fuel film's share and time over
load, where it is learned. The trace is for the report.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from breathmap.learner.causes.diagnose import Diagnosis
from breathmap.learner.core.stream import BankLearner
from breathmap.learner.decide.proposal import SATURATED
from breathmap.learner.exact.film import CAUTION as FILM_CAUTION
from breathmap.learner.exact.film import film_curves
from breathmap.learner.exact.solve import Solution, film_of
from breathmap.protocol.host.evidence import to_bytes
from breathmap.protocol.wire.fields import PROTOCOL_VERSION, REASONS
from breathmap.tools.base.disk import errors_about, staged
from breathmap.tools.base.files import encoded, table_text, write_text
from breathmap.tools.base.version import software_version
from breathmap.tools.run.alarm_words import alarms_summary
from breathmap.tools.run.diagnosis_text import unsafe_line
from breathmap.tools.run.evidence_files import snapshot_of
from breathmap.tools.run.port_words import unrecorded_lines
from breathmap.tools.run.session import BankResult, Session
from breathmap.tools.run.summary import (
    BankSummary,
    DelayFoundSummary,
    DelayModelSummary,
    DelaySummary,
    FilmSummary,
    PortSummary,
    Summary,
    TermSummary,
)
from breathmap.tools.run.trace import TRACE

SUMMARY = "summary.json"
# The fuel film over load, where it is learned.
FILM = "film.csv"
# What the banks' evidence was, as frames; `replay` takes it like a recording.
EVIDENCE = "evidence.bin"
# What beside VE could explain it, where it was looked for.
CAUSES = "causes.json"


@dataclass(frozen=True)
class Outcome:
    """What a run of learning ended with: the summary as written, and the results behind it.

    stopped: the person ended it before its source did. diagnosis: what beside VE could explain it,
    where it was looked for.
    """

    summary: Summary
    results: list[BankResult]
    stopped: bool
    diagnosis: Diagnosis | None = None


def write_results(
    folder: Path,
    session: Session,
    sources: list[str],
    stopped: bool = False,
    proposing: bool = True,
    port: PortSummary | None = None,
) -> Outcome:
    """Solve once, and write everything.

    proposing: with proposed tables and decisions; the passes of a job have theirs from `propose`,
    under the rules of the job. port: what happened to it, where there was one.
    """
    outcome = solved(session, sources, stopped, proposing)
    if port is not None:
        warnings = [*unrecorded_lines(port, proposing), *outcome.summary.warnings]
        summary = outcome.summary.model_copy(update={"port": port, "warnings": warnings})
        outcome = replace(outcome, summary=summary)
    with results_ready(folder, session, outcome) as put:
        put()
    return outcome


def solved(
    session: Session, sources: list[str], stopped: bool = False, proposing: bool = True
) -> Outcome:
    """Return what a session ended with; see `write_results`."""
    results = session.solve()
    if proposing:
        results = session.propose(results)
    return Outcome(summarise(session, results, sources), results, stopped)


@contextmanager
def results_ready(folder: Path, session: Session, outcome: Outcome) -> Iterator[Callable[[], None]]:
    """Write an outcome's files beside their places, and yield what puts all of them there: a full
    disk is found out before anything is changed. The summary comes last; without it there is no
    result, so that those of two runs are never taken for one."""
    files = {
        name: encoded(text)
        for result in outcome.results
        for name, text in bank_files(session, result).items()
    }
    if session.settings.film_terms >= 3:
        files[FILM] = encoded(film_text(session, outcome.results))
    files[EVIDENCE] = to_bytes(snapshot_of(session))
    files[TRACE] = encoded(json.dumps(session.trace.as_dict()) + "\n")
    files[SUMMARY] = encoded(_summary_text(outcome.summary))
    with errors_about(folder), staged(folder, files, SUMMARY) as put:

        def put_afresh() -> None:
            # What an earlier run's causes were is not said of this one.
            (folder / CAUSES).unlink(missing_ok=True)
            put()

        yield put_afresh


def with_delay_found(
    folder: Path, outcome: Outcome, found: dict[str, DelayFoundSummary]
) -> Outcome:
    """Add what the search for the delay found to a written outcome's summary; nothing else."""
    summary = outcome.summary.model_copy(update={"delay_found": found})
    write_text(folder / SUMMARY, _summary_text(summary))
    return replace(outcome, summary=summary)


def with_causes(folder: Path, outcome: Outcome, diagnosis: Diagnosis) -> Outcome:
    """Add what beside VE could explain a written outcome: all of it as a file of its own, and to
    the summary's warnings what makes the tables unsafe to store."""
    write_text(folder / CAUSES, causes_text(diagnosis))
    unsafe = [unsafe_line(finding) for finding in diagnosis.unsafe]
    if not unsafe:
        return replace(outcome, diagnosis=diagnosis)
    summary = outcome.summary
    summary = summary.model_copy(update={"warnings": [*unsafe, *summary.warnings]})
    write_text(folder / SUMMARY, _summary_text(summary))
    return replace(outcome, summary=summary, diagnosis=diagnosis)


def causes_text(diagnosis: Diagnosis) -> str:
    """Return a diagnosis as its file holds it."""
    return json.dumps(diagnosis.as_dict(), indent=2, ensure_ascii=False) + "\n"


def _summary_text(summary: Summary) -> str:
    return json.dumps(summary.as_dict(), indent=2, ensure_ascii=False) + "\n"


def bank_files(session: Session, result: BankResult) -> dict[str, str]:
    """Return the CSV texts of one bank by file name."""
    description, solution = session.description, result.solution
    name = result.bank.name
    tables: dict[str, tuple[Any, str]] = {
        "before": (result.old_pct, "{:g}"),
        "correction": (100.0 * solution.correction, "{:.3f}"),
        "standard-error": (100.0 * solution.standard_error, "{:.3f}"),
        "coverage": (solution.coverage, "{:.1f}"),
    }
    if result.proposal is not None:
        tables["proposed"] = (result.proposal.cells_pct, "{:g}")
        tables["decision"] = (result.proposal.decisions, "{}")
    return {
        f"{name}-{kind}.csv": table_text(description, rows.tolist(), form)
        for kind, (rows, form) in tables.items()
    }


def film_text(session: Session, results: list[BankResult]) -> str:
    """Return the film's two curves over load as CSV, a line a bank and load; none of a bank whose
    drive does not tell it."""
    settings, load = session.settings, session.description.axes.load
    lines = [
        f"# Caution: {FILM_CAUTION}",
        "bank,load,share_pct,share_standard_error_pct,time_s,time_standard_error_s",
    ]
    for result in results:
        for p in film_curves(result.solution, settings.film_s, settings.film_terms, load):
            lines.append(
                f"{result.bank.name},{p.load:g},{100.0 * p.share:.2f},{100.0 * p.share_error:.2f},"
                f"{p.time_s:.3f},{p.time_error_s:.3f}"
            )
    return "\n".join(lines) + "\n"


def summarise(session: Session, results: list[BankResult], sources: list[str]) -> Summary:
    """Return everything countable as plain numbers."""
    identity = session.identity
    return Summary(
        software_version=software_version(),
        protocol_version=PROTOCOL_VERSION,
        engine=session.description.engine.name,
        device=None if identity is None else identity["device_name"],
        sources=sources,
        samples=session.samples,
        banks={result.bank.name: _bank_summary(session, result) for result in results},
        link=session.counters.as_dict(),
        alarms=alarms_summary(session.alarms, session.description),
        warnings=[line for result in results for line in warnings_of(session, result)],
    )


def refusals_of(bank: BankLearner) -> dict[str, int]:
    """Return how many of a bank's samples were refused, by reason."""
    return {name: count for name, count in zip(REASONS, bank.refused, strict=True) if count}


def _bank_summary(session: Session, result: BankResult) -> BankSummary:
    bank, solution = result.bank, result.solution
    errors = solution.standard_error[solution.visited]
    return BankSummary(
        samples=bank.seen_count,
        used=bank.used_count,
        refused=refusals_of(bank),
        noise_pct=_rounded(100.0 * solution.noise, 3),
        autocorrelation_widening=_rounded(solution.widening, 2),
        median_standard_error_pct=_rounded(100.0 * float(np.median(errors)), 3)
        if errors.size
        else None,
        delay=DelaySummary(**result.delay.as_dict()),
        delay_model=DelayModelSummary(
            cycles=bank.delay.cycles,
            exhaust_volume_cm3=bank.delay.exhaust_volume_cm3,
            sensor_lag_s=bank.delay.sensor_lag_s,
            exhaust_temp_k=bank.delay.exhaust_temp_k,
        ),
        terms=_terms(session, solution),
        film=_film(session, solution),
        cells={} if result.proposal is None else result.proposal.counts(),
    )


def _terms(session: Session, solution: Solution) -> dict[str, TermSummary]:
    names = session.settings.term_names()
    return {
        name: TermSummary(value=_rounded(value, 4), standard_error=_rounded(error, 4))
        for name, value, error in zip(
            names, solution.term_values, solution.term_errors, strict=True
        )
    }


def _film(session: Session, solution: Solution) -> FilmSummary | None:
    film = film_of(solution, session.settings.film_s, session.settings.film_terms)
    if film is None:
        return None
    return FilmSummary(
        share=_rounded(film.share, 3),
        share_standard_error=_rounded(film.share_error, 3),
        time_s=_rounded(film.time_s, 3),
        time_standard_error_s=_rounded(film.time_error_s, 3),
        told=film.known,
    )


def _rounded(value: float, digits: int) -> float:
    return round(float(value), digits)


def warnings_of(session: Session, result: BankResult) -> list[str]:
    """Return what a person must know before storing the table, a line each."""
    lines = []
    if taken_out := session.learner.taken_out[result.bank.number]:
        lines.append(
            f"{result.bank.name}: the lambda reading stood still while the load moved; {taken_out} "
            "samples that it had taught were taken out again: check sensor, plug and its controller"
        )
    unit = session.description.axes.load_unit_said
    for clip in [] if result.proposal is None else result.proposal.clips:
        lines.append(
            f"{result.bank.name}: the cell at {clip.speed_rpm:g} rpm, {clip.load:g} {unit} needs "
            f"VE {clip.wanted_pct:.1f} %, the controller stores {clip.stored_pct:g} % at most: "
            f"{SATURATED}, lambda there stays {clip.lean_pct:.1f} % lean"
        )
    return lines
