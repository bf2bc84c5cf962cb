"""The report's plain-language summary: how good it is, where it isn't, what to do next."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import (
    CHANGED,
    HELD,
    LIMITED,
    NEIGHBOURS,
    PART,
    SATURATED,
    UNTOUCHED,
)
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.tools.base.uncertain import error_text, value_text
from breathmap.tools.report.data import BankReport, ReportData, band, weighted_rms
from breathmap.tools.run.alarm_words import alarm_lines, quiet_lines
from breathmap.tools.run.diagnosis_text import UNSAFE
from breathmap.tools.run.port_words import port_lines
from breathmap.tools.run.summary import DelayFoundSummary

# Standard error, per cent, below which a cell is called well known.
WELL_PCT = 1.0
WELL = error_text(WELL_PCT, "%")
# A reason that costs more than this share of the samples deserves a line.
COSTLY = 0.1
MOST_LINES = 3

# In the map of decisions, which must be read without colours, too.
MARKS = {
    CHANGED: "C",
    PART: "P",
    LIMITED: "L",
    HELD: "H",
    NEIGHBOURS: "N",
    UNTOUCHED: "·",
    SATURATED: "S",
}

CAUTIONS = (
    "A lean mixture under load destroys an engine within seconds: before storing a proposal "
    "look at its standard errors and decisions, and watch lambda and knock afterwards.",
    "Whoever rides or drives watches the road, never a screen: a second person runs the screen, "
    "or the run is looked at afterwards.",
    "Exhaust gas holds carbon monoxide, which kills unnoticed: run in the open or with extraction.",
    "Hot exhausts, belts, chains and wheels on a brake: keep hands, hair and clothes away.",
    "Emission, noise and road law of the place apply; changing the fuelling of a vehicle may need "
    "approval, and some places allow it only to licensed workshops.",
    "While learning, transient and protective fuel corrections are off. The vehicle is not ready "
    "for use until every one is back.",
)


@dataclass(frozen=True)
class Words:
    """Sentences under their heading. quiet: which alarms did not come."""

    alarms: list[str]
    quiet: list[str]
    good: list[str]
    weak: list[str]
    next_steps: list[str]


def summarise(data: ReportData) -> Words:
    """Return the summary's sentences."""
    alarms = data.summary.alarms
    return Words(
        [*alarm_lines(alarms), *data.alarms_before],
        [
            f"In the pass shown: {line}" if data.alarms_before else line
            for line in quiet_lines(alarms)
        ],
        list(_good(data)),
        list(_weak(data)),
        list(_next(data)),
    )


def _good(data: ReportData) -> Iterator[str]:
    for bank in data.banks:
        visited = int(bank.visited.sum())
        if not visited:
            yield f"Bank {bank.name}: nothing was learned; no sample could be used."
            continue
        before = weighted_rms(bank.correction, bank.coverage)
        error = weighted_rms(bank.standard_error, bank.coverage)
        about = error_text(error, "%", 2)
        well = int((bank.visited & (bank.standard_error <= WELL_PCT)).sum())
        yield (
            f"Bank {bank.name}: where it ran, the table was off by {before:.1f} % on average "
            f"(rms). Corrected, it is right to about {about} (one standard error; 19 times "
            f"in 20 to twice that). {visited} of {bank.coverage.size} cells were visited, {well} "
            f"of them are known to {WELL} or better."
        )


def _weak(data: ReportData) -> Iterator[str]:
    said: dict[str, list[str]] = {}
    for bank in data.banks:
        for text, mask in (
            ("never visited, so nothing is known there", ~bank.visited),
            (
                f"visited, but known to no better than {WELL}",
                bank.visited & (bank.standard_error > WELL_PCT),
            ),
        ):
            for place in _places(mask, data)[:MOST_LINES]:
                said.setdefault(f"{place}: {text}.", []).append(bank.name)
    for text, names in said.items():
        # What holds for every bank is said once.
        yield text if len(names) == len(data.banks) else f"Bank {', '.join(names)}, {text}"
    yield from _not_moved(data)


def _not_moved(data: ReportData) -> Iterator[str]:
    """Say how many cells a proposal could not move as it should."""
    for bank in data.banks:
        counts = bank.summary.cells
        if bank.decisions is not None and counts.get(HELD):
            yield (
                f"Bank {bank.name}: {counts[HELD]} cells were left as they were: they are too "
                "uncertain to be leaned out."
            )
        if bank.decisions is not None and counts.get(SATURATED):
            yield (
                f"Bank {bank.name}: {counts[SATURATED]} cells need more than the controller can "
                "store and stay lean. Running there is unsafe."
            )


def _places(mask: NDArray[np.bool_], data: ReportData) -> list[str]:
    """Describe marked cells as rectangles, largest first; small remains are left out."""
    left = mask.copy()
    found: list[str] = []
    while left.any():
        top, bottom, right, end = _largest(left)
        size = (bottom - top + 1) * (end - right + 1)
        if found and size < max(4, mask.size // 50):
            break
        speeds = band(data.speed_rpm, right, end, "rpm")
        loads = band(data.load, top, bottom, data.load_unit)
        found.append(f"{speeds} at {loads} ({size} {'cell' if size == 1 else 'cells'})")
        left[top : bottom + 1, right : end + 1] = False
    return found


def _largest(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """The largest rectangle of marked cells: first and last row, first and last column."""
    best, place = 0, (0, 0, 0, 0)
    rows, columns = mask.shape
    for top in range(rows):
        open_columns = np.ones(columns, dtype=np.bool_)
        for bottom in range(top, rows):
            open_columns &= mask[bottom]
            start = 0
            for column in range(columns + 1):
                if column < columns and open_columns[column]:
                    continue
                size = (bottom - top + 1) * (column - start)
                if size > best:
                    best, place = size, (top, bottom, start, column - 1)
                start = column + 1
    return place


def _next(data: ReportData) -> Iterator[str]:
    yield from _refusal_lines(data)
    link = data.summary.link
    frames = link.get("frames", 0)
    if link.get("lost", 0) > 0.01 * max(frames, 1):
        yield "More than 1 % of the frames were lost: check cable, grounding and baud rate."
    yield from port_lines(data.summary.port)
    where = _where_next(data)
    if where:
        yield f"Run where little is known next: {where}."
    if data.ready:
        yield (
            "The job is finished and the set-up was put back. Ground that was never learned is as "
            "it was: beware of it."
        )
    elif data.banks and data.banks[0].after is None:
        yield "Make a proposal from this pass: breathmap propose."
    elif any(line.startswith(UNSAFE) for line in data.summary.warnings):
        yield "Do not store these tables: look into the warning about their cause first."
    elif any(weighted_rms(bank.correction, bank.coverage) > 2.0 * WELL_PCT for bank in data.banks):
        yield (
            "Look through the decisions, store the proposed tables, and learn once more with them "
            "in the controller: a second pass shows whether the correction was right."
        )
    else:
        yield "The tables are nearly right where the engine ran: no further pass is needed there."
    if not data.ready:
        yield "Before the vehicle is used, put back everything that was switched off for learning."


def _refusal_lines(data: ReportData) -> Iterator[str]:
    for bank in data.banks:
        samples = max(bank.summary.samples, 1)
        for reason, count in bank.summary.refused.items():
            if count > COSTLY * samples and reason in EXPLANATIONS:
                meaning, remedy = EXPLANATIONS[reason]
                yield (
                    f"Bank {bank.name}: {100.0 * count / samples:.0f} % of the samples were "
                    f"refused because {meaning}: {remedy}."
                )


def _where_next(data: ReportData) -> str:
    """The largest badly known rectangle beside what was visited."""
    near = np.zeros((len(data.load), len(data.speed_rpm)), dtype=np.bool_)
    for bank in data.banks:
        near |= _beside(bank)
    places = _places(near, data)
    return places[0] if places else ""


def _beside(bank: BankReport) -> NDArray[np.bool_]:
    padded = np.pad(bank.visited, 1)
    rows, columns = bank.visited.shape
    near = np.zeros_like(bank.visited)
    for up in range(3):
        for right in range(3):
            near |= padded[up : up + rows, right : right + columns]
    return near & (bank.standard_error > WELL_PCT)


def delay_found(found: DelayFoundSummary) -> str:
    """Return in words what the search for the delay found for a bank."""
    if not found.told:
        why = found.why or "the drive does not excite it enough to tell"
        return f"The delay was looked for and not found: {why}."
    error_ms = 1000.0 * (found.delay_standard_error_s or 0.0)
    numbers = (
        f"{found.cycles:.2f} cycles, {found.exhaust_volume_cm3:.0f} cm3 of exhaust, a sensor lag "
        f"of {found.sensor_lag_s:.3f} s"
    )
    apart = "" if found.parameters_told_apart else ", which this drive tells only together"
    delay = value_text(1000.0 * (found.delay_s or 0.0), error_ms, "ms", 0)
    return (
        f"The delay was looked for: {delay} from "
        f"injection to reading ({numbers}{apart}); readings then scatter by "
        f"{found.noise_pct:.2f} %, and by {found.noise_described_pct:.2f} % with the delay "
        "described."
    )
