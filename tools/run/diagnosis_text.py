"""A diagnosis for people: what is likely, what the data cannot tell, what was not looked at."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from breathmap.learner.causes.catalogue import CAUSES
from breathmap.learner.causes.diagnose import (
    CANNOT_TELL,
    LIKELY,
    NO_SIGN,
    NOT_LOOKED_AT,
    ODDS_AGAINST,
    ODDS_LIKELY,
    SEEN,
    Diagnosis,
    Finding,
)
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_text
from breathmap.tools.base.screen import Screen, Table

# How a warning begins that tells of a cause which makes tables unsafe.
UNSAFE = "do not store these tables"


def place(finding: Finding) -> str:
    """The bank that a finding is about, or all."""
    return finding.bank or "all"


def title_line(finding: Finding) -> str:
    """One line about what was seen or is likely."""
    where = "" if finding.bank is None else f"{finding.bank}: "
    if finding.state == SEEN:
        return f"{where}{finding.cause.text}: {finding.text}"
    return f"{where}{finding.text}"


def unsafe_line(finding: Finding) -> str:
    """One line about what makes a table unsafe to store."""
    return f"{UNSAFE}: {title_line(finding)}; check: {finding.cause.check}"


def detail_lines(finding: Finding) -> list[str]:
    """What a person needs beside that line: look-alikes, how much of it, what to check."""
    lines = []
    if finding.alike:
        lines.append(f"the data cannot tell it from: {', '.join(finding.alike)}")
    if finding.explains is not None:
        lines.append(
            "the table has taken it in; this one number alone explains "
            f"{100.0 * finding.explains:.0f} % of the mean square correction"
        )
    lines.append(f"check: {finding.cause.check}")
    if finding.cause.apart:
        lines.append(f"to tell it apart: {finding.cause.apart}")
    return lines


def summary_line(diagnosis: Diagnosis) -> str:
    """One line: the likeliest, or that nothing is, and how much could not be told."""
    if diagnosis.likely:
        more = len(diagnosis.likely) - 1
        return title_line(diagnosis.likely[0]) + (f" (and {more} more)" if more else "")
    open_ = len({finding.cause.name for finding in diagnosis.of(CANNOT_TELL)})
    missing = len({finding.cause.name for finding in diagnosis.of(NOT_LOOKED_AT)})
    return (
        f"nothing beside VE is likely; of {open_} causes the data cannot tell, {missing} could "
        "not be looked at"
    )


def show_diagnosis(screen: Screen, diagnosis: Diagnosis) -> None:
    """Print all of it."""
    what = "What has changed, beside VE" if diagnosis.since else "What else could explain it"
    if diagnosis.since:
        screen.say(f"Against {diagnosis.since}: a cause must explain what has changed since.")
    if not diagnosis.likely:
        screen.say(f"{what}: {summary_line(diagnosis)}.")
    for finding in diagnosis.likely:
        screen.warn(title_line(finding))
        for line in detail_lines(finding):
            screen.say(f"  {line}")
    rest = [*diagnosis.of(CANNOT_TELL), *diagnosis.of(NO_SIGN)]
    if rest:
        screen.show(_table(rest))
    missing = _by_reason(diagnosis.of(NOT_LOOKED_AT))
    if missing:
        screen.say("Not looked at:")
        for reason, names in missing.items():
            screen.say(f"- {', '.join(names)}: {reason}")
    screen.say(
        "Odds are against the table alone being wrong, tempered by what healthy engines show by "
        f"chance. Likely is better than {ODDS_LIKELY:g} to 1, no sign worse than {ODDS_AGAINST:g} "
        "to 1 against; between these the data cannot tell."
    )


def show_brief(
    screen: Screen, diagnosis: Diagnosis, source: str, is_unsafe_said: bool = False
) -> None:
    """Print what is likely with what to check, or one line that nothing is; and where to read all
    of it. source: what stands behind `breathmap diagnose`. is_unsafe_said: what makes tables unsafe
    has been said already."""
    if not diagnosis.likely:
        screen.say(f"What else could explain it: {summary_line(diagnosis)}.")
    for finding in diagnosis.likely:
        if is_unsafe_said and finding.is_unsafe:
            continue
        screen.warn(f"What else could explain it: {title_line(finding)}")
        for line in detail_lines(finding):
            screen.say(f"  {line}")
    screen.say(f"All that was looked for, and what could not be: breathmap diagnose {source}")


def _table(findings: Sequence[Finding]) -> Table:
    table = Table(title="The rest of what was looked for", title_justify="left")
    for heading in ("cause", "bank", "", "what was seen"):
        table.add_column(heading, no_wrap=heading == "cause")
    for finding in findings:
        table.add_row(finding.cause.name, place(finding), finding.state, finding.text)
    return table


def cause_lines(path: Path) -> list[str]:
    """Return a line for each state of what a written diagnosis says; none where there is no file.

    UserError where it is none of ours.
    """
    if not path.is_file():
        return []
    try:
        findings = [dict(one) for one in json.loads(read_text(path, "diagnosis"))["findings"]]
        lines = [
            f"{one['bank'] or 'All'}: {one['state']}: {_text_of(one)}. Check: {one['check']}."
            for one in findings
            if one["state"] in (SEEN, LIKELY)
        ]
        said = _weakest(findings)
        for state in (CANNOT_TELL, NO_SIGN, NOT_LOOKED_AT):
            if names := [name for name, of in said.items() if of == state]:
                lines.append(f"{state.capitalize()}: {', '.join(names)}.")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise UserError(
            f"{path}: is no diagnosis of this version; run propose, learn or replay again"
        ) from None
    return lines


def _weakest(findings: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return of each cause the least that may be said of it, bank by bank: there is no sign of one
    only where each bank was looked at and shows none."""
    rank = (SEEN, LIKELY, CANNOT_TELL, NOT_LOOKED_AT, NO_SIGN)
    found: dict[str, str] = {}
    for one in findings:
        name = one["cause"]
        found[name] = min(found.get(name, NO_SIGN), one["state"], key=rank.index)
    return found


def _text_of(one: dict[str, Any]) -> str:
    """What a written finding says; a fact's figures go behind its cause's sentence."""
    cause = CAUSES.get(one["cause"]) if one["state"] == SEEN else None
    return str(one["text"]) if cause is None else f"{cause.text}: {one['text']}"


def _by_reason(findings: Sequence[Finding]) -> dict[str, list[str]]:
    reasons: dict[str, list[str]] = {}
    for finding in findings:
        names = reasons.setdefault(finding.text, [])
        if finding.cause.name not in names:
            names.append(finding.cause.name)
    return reasons
