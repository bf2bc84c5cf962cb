"""`breathmap report`: one HTML file with everything about a run or a job, for a person to read.

Bokeh draws (its core script, 1.2 MB, is put inside), Jinja2 fills the template, escaped. A content
security policy in the file forbids the reader's browser every connection, and every script but
those that are put inside here, each known by its hash.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from bokeh.document import Document
from bokeh.embed import components
from bokeh.model import Model
from bokeh.resources import Resources
from markupsafe import Markup

from breathmap.learner.decide.proposal import DECISIONS
from breathmap.learner.exact.film import CAUTION as FILM_CAUTION
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import write_text
from breathmap.tools.base.pages import check_place, environment, policy_of, scripts_in
from breathmap.tools.base.uncertain import PLUS_MINUS
from breathmap.tools.base.version import software_version
from breathmap.tools.job.folder import is_job
from breathmap.tools.report import plots
from breathmap.tools.report.data import (
    NOT_PROPOSED,
    BankReport,
    ReportData,
    read_folder,
    weighted_rms,
)
from breathmap.tools.report.job import read_job
from breathmap.tools.report.words import CAUTIONS, MARKS, delay_found, summarise
from breathmap.tools.run.alarm_words import SEEN, clock
from breathmap.tools.run.summary_text import film_share, film_time, typical_error

REPORT = "report.html"
TEMPLATES = Path(__file__).resolve().parent / "templates"
RESIDUALS = (
    ("speed_rpm", "speed, rpm"),
    ("load", ""),
    ("coolant_c", "coolant, °C"),
    ("intake_c", "intake air, °C"),
)


def write_report(folder: Path, out: Path | None = None) -> tuple[Path, dict[str, Any]]:
    """Write the report of an output or job folder; return its path and a summary of it."""
    if not folder.is_dir():
        what = "is a file" if folder.exists() else "does not exist"
        raise UserError(f"{folder} {what}; give the output folder of learn or replay, or a job")
    path = out or folder / REPORT
    check_place(path)
    data = _read(folder)
    write_text(path, render(data))
    return path, brief(data, path, path.stat().st_size)


def _read(folder: Path) -> ReportData:
    return read_job(folder) if is_job(folder) else read_folder(folder)


def brief(data: ReportData, path: Path, size: int) -> dict[str, Any]:
    """Return the report's main numbers, for --json."""
    words = summarise(data)
    return {
        "report": str(path),
        "bytes": size,
        "engine": data.engine,
        "banks": {
            bank.name: {
                "visited_cells": int(bank.visited.sum()),
                "cells": int(bank.coverage.size),
                "correction_rms_pct": _number(weighted_rms(bank.correction, bank.coverage)),
                "standard_error_pct": _number(weighted_rms(bank.standard_error, bank.coverage)),
            }
            for bank in data.banks
        },
        "alarms": [*words.alarms, *words.quiet],
        "how_good": words.good,
        "where_not": words.weak,
        "what_next": words.next_steps,
    }


def _number(value: float) -> float | None:
    return round(value, 3) if value == value else None


def render(data: ReportData) -> str:
    """Return the whole HTML file."""
    figures = _figures(data)
    drawn = {key: plot for key, plot in figures.items() if plot is not None}
    _in_one_document(drawn.values())
    script, divs = components(drawn) if drawn else ("", {})
    pages = environment(TEMPLATES)
    pages.filters["tight"] = _tight
    library = Resources(mode="inline", components=["bokeh"]).render_js()
    sorter = (TEMPLATES / "sort.js").read_text(encoding="utf-8")
    # Only what Bokeh itself wrote is trusted; every name and number of ours is escaped.
    return pages.get_template("report.html").render(
        data=data,
        words=summarise(data),
        cautions=CAUTIONS,
        clock=clock,
        seen=SEEN,
        version=software_version(),
        figures={key: Markup(div) for key, div in divs.items()},
        policy=policy_of([*scripts_in(library), *scripts_in(script), sorter]),
        library=Markup(library),
        sorter=Markup(sorter),
        script=Markup(script),
        cells=_cell_rows,
        delay_found=delay_found,
        marks=MARKS,
        film_share=film_share,
        film_time=film_time,
        film_caution=FILM_CAUTION,
        typical_error=typical_error,
        refused=_refused_rows,
        decision_texts=DECISIONS,
        residuals=[name for name, _ in RESIDUALS],
    )


def _in_one_document(plots: Iterable[Model]) -> None:
    """Put plots into a document of their own. Bokeh would do so, too, but then looks through all
    that are in it again for each that comes: more than half of a report's time."""
    document = Document()
    with document.models.freeze():
        for plot in plots:
            document.add_root(plot)


def _tight(text: str) -> str:
    """Keep a number and its sign and unit on one line."""
    return text.replace(f"{PLUS_MINUS} ", f"{PLUS_MINUS}\u00a0").replace(" %", "\u00a0%")


def _figures(data: ReportData) -> dict[str, Any]:
    found: dict[str, Any] = {"passes": plots.over_passes(data.passes)}
    for number, bank in enumerate(data.banks):
        maps = (
            ("before", bank.before, "VE before", "%"),
            ("after", bank.after, "VE proposed", "%"),
            ("correction", bank.correction, "correction", "%"),
            ("error", bank.standard_error, "standard error", "%"),
            ("coverage", bank.coverage, "coverage", "independent samples"),
        )
        for key, values, what, unit in maps:
            drawn = (
                None
                if values is None
                else plots.table_map(
                    data,
                    bank,
                    values,
                    what,
                    unit,
                    key == "correction",
                    key in ("error", "coverage"),
                )
            )
            found[f"{number}-{key}"] = drawn
        found[f"{number}-trace"] = plots.error_trace(bank)
        found[f"{number}-residual-time"] = plots.residual_over_time(bank)
        for key, label in RESIDUALS:
            found[f"{number}-residual-{key}"] = plots.residual_plot(
                bank, key, label or data.load_label
            )
        found[f"{number}-refusals"] = plots.refusals(bank)
    return found


def _cell_rows(data: ReportData, bank: BankReport) -> list[dict[str, Any]]:
    """One row per cell for the sortable table."""
    rows = []
    for j, load in enumerate(data.load):
        for i, speed in enumerate(data.speed_rpm):
            rows.append(
                {
                    "speed": speed,
                    "load": load,
                    "before": None if bank.before is None else bank.before[j, i],
                    "after": None if bank.after is None else bank.after[j, i],
                    "correction": bank.correction[j, i],
                    "error": bank.standard_error[j, i],
                    "coverage": bank.coverage[j, i],
                    "decision": NOT_PROPOSED if bank.decisions is None else bank.decisions[j][i],
                }
            )
    return rows


def _refused_rows(bank: BankReport) -> list[tuple[int, float, str, str]]:
    """Count, share in per cent, meaning and remedy of each reason, most frequent first."""
    total = max(bank.summary.samples, 1)
    ordered = sorted(bank.summary.refused.items(), key=lambda item: -item[1])
    return [
        (count, 100.0 * count / total, *EXPLANATIONS.get(name, (name, "")))
        for name, count in ordered
    ]
