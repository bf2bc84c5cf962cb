"""An edit in words, for history and report."""

from breathmap.tools.base.texts import visible
from breathmap.tools.job.records import Edited

MOST_CELLS = 8


def edit_text(record: Edited) -> str:
    """Return how many cells were edited, in which way."""
    count = len(record.cells)
    return f"{count} cell{'' if count == 1 else 's'} edited ({record.how})"


def edit_lines(record: Edited) -> list[str]:
    """Return what a report says of an edit: who says so, and the cells, the riskiest first."""
    how = "against the rule, " if record.despite else ""
    lines = [f"{edit_text(record)}, {how}by: {visible(record.says)}"]
    ranked = sorted(record.cells, key=lambda cell: -(cell.risk or 0.0))
    for cell in ranked[:MOST_CELLS]:
        if cell.risk is None:
            known = "nothing was learned there"
        else:
            known = f"{100.0 * cell.risk:.1f} % risk of a mixture leaner than tolerated"
        lines.append(
            f"edited: {cell.bank}, {cell.speed_rpm:g} rpm, load {cell.load:g}: "
            f"{cell.before_pct:g} to {cell.after_pct:g} %; {known}"
        )
    if len(ranked) > MOST_CELLS:
        lines.append(f"edited: and {len(ranked) - MOST_CELLS} more cells")
    return lines
