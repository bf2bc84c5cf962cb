"""What came of a run, for the page: the words and rows of the terminal's summary."""

from typing import Any

from breathmap.tools.run.alarm_words import alarm_lines, quiet_lines
from breathmap.tools.run.port_words import port_lines
from breathmap.tools.run.results import Outcome
from breathmap.tools.run.summary_text import banks_rows
from breathmap.tools.view.causes import cause_line


def outcome_part(outcome: Outcome, where: str) -> dict[str, Any]:
    """Return an outcome's rows (a title, then a text a bank), warnings and lines. where: the folder
    of the results."""
    summary = outcome.summary
    cause = cause_line(outcome.diagnosis, has_keys=False)
    return {
        "rows": [["", *summary.banks], *([title, *cells] for title, cells in banks_rows(summary))],
        "warnings": [*alarm_lines(summary.alarms), *summary.warnings, *([cause] if cause else [])],
        "lines": [
            *quiet_lines(summary.alarms),
            *port_lines(summary.port),
            f"Written to {where}.",
        ],
    }
