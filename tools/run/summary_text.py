"""A run's summary as tables on the terminal, or as JSON when asked for."""

from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.tools.base.screen import Screen, Table, number, share_of
from breathmap.tools.base.uncertain import error_text, value_text
from breathmap.tools.run.alarm_words import alarm_lines, quiet_lines
from breathmap.tools.run.port_words import port_lines
from breathmap.tools.run.summary import BankSummary, FilmSummary, Summary

FILM_UNKNOWN = "not told; change the load more"


def show_summary(screen: Screen, summary: Summary) -> None:
    """Print a run's summary: JSON on stdout when asked for, else tables."""
    if screen.result(summary.as_dict()):
        return
    screen.show(banks_table(summary))
    refused = refusals_table(summary)
    if refused.row_count:
        screen.show(refused)
    for line in alarm_lines(summary.alarms):
        screen.warn(line)
    for line in quiet_lines(summary.alarms):
        screen.say(line)
    for line in port_lines(summary.port):
        screen.say(line)
    for line in summary.warnings:
        screen.warn(line)


def banks_table(summary: Summary) -> Table:
    """What was learned, a column per bank."""
    table = Table(title="What was learned", title_justify="left")
    table.add_column("")
    for name in summary.banks:
        table.add_column(name, justify="right")
    for title, cells in banks_rows(summary):
        table.add_row(title, *cells)
    return table


def banks_rows(summary: Summary) -> list[tuple[str, list[str]]]:
    """Return what was learned: titles, each with a text per bank."""
    each = list(summary.banks.values())
    rows = [
        ("samples", [f"{b.samples:,}" for b in each]),
        ("used", [share_of(b.used, b.samples) for b in each]),
        ("scatter of one reading", [f"{b.noise_pct:.2f} %" for b in each]),
        (
            "standard error, median of visited cells",
            [typical_error(b) or "-" for b in each],
        ),
        (
            "delay, injection to reading, mean",
            [number(b.delay.mean_s, "{:.3f} s") for b in each],
        ),
    ]
    if each[0].film_is_learned:
        film = [b.film for b in each]
        rows.append(("fuel film: share of the fuel, at half load", [film_share(f) for f in film]))
        rows.append(("fuel film: given back in", [film_time(f) for f in film]))
    for name in each[0].cells:
        counts = [b.cells[name] for b in each]
        if any(counts):
            rows.append((f"cells: {name}", [f"{n:,}" for n in counts]))
    return rows


def typical_error(bank: BankSummary) -> str:
    """Return the median standard error of the visited cells, "" before any was visited."""
    error_pct = bank.median_standard_error_pct
    return "" if error_pct is None else error_text(error_pct, "%", 2)


def film_share(film: FilmSummary | None) -> str:
    """Return the film's share of the fuel with its standard error, or what it takes to tell it."""
    if film is None or not film.told:
        return FILM_UNKNOWN
    return value_text(100.0 * film.share, 100.0 * film.share_standard_error, "%", 0)


def film_time(film: FilmSummary | None) -> str:
    """Return the film's time constant with its standard error, or a dash."""
    if film is None or not film.told:
        return "-"
    return value_text(film.time_s, film.time_standard_error_s, "s", 2)


def refusals_table(summary: Summary) -> Table:
    """What was refused, why, and what to do."""
    table = Table(title="What was refused, and what to do", title_justify="left")
    table.add_column("samples", justify="right")
    table.add_column("reason")
    table.add_column("what to do")
    total: dict[str, int] = {}
    for bank in summary.banks.values():
        for name, count in bank.refused.items():
            total[name] = total.get(name, 0) + count
    for name, count in sorted(total.items(), key=lambda item: -item[1]):
        meaning, remedy = EXPLANATIONS[name]
        table.add_row(f"{count:,}", meaning, remedy)
    return table
