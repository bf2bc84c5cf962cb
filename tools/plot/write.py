"""`breathmap plot`: one HTML file with drives over time, to be read without a network.

The drawing is done by a script of ours on a canvas (templates/plot.js); the data stands beside it
as 16-bit numbers. Every name is escaped, and a content security policy lets no other script run.
"""

import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from breathmap.learner.core.gates import primary_reason, reason_names
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.protocol.wire.fields import REASONS
from breathmap.tools.base.files import write_text
from breathmap.tools.base.pages import check_place, environment, policy_of
from breathmap.tools.base.screen import number
from breathmap.tools.base.texts import visible
from breathmap.tools.base.version import software_version
from breathmap.tools.plot.drive import BankLines, Drive
from breathmap.tools.plot.thin import Buckets, buckets_of, packed, packed_times, packed_verdicts
from breathmap.tools.run.alarm_words import clock

TEMPLATES = Path(__file__).resolve().parent / "templates"
MOST_DRIVES = 4
# 16-bit numbers in a page, all drives together: 3.6 MB of text, an hour at 25 Hz with two banks.
BUDGET = 1_350_000
# The colours of Okabe and Ito (2008), made for people of every colour sight, but for those that
# lines have; of the most frequent reasons first. All others are grey.
COLOURS = ("#e69f00", "#56b4e9", "#cc79a7", "#f0e442", "#d55e00", "#0072b2")
OTHER_COLOUR = "#999999"
USED_COLOUR = "#cfe6dc"


def write_plot(
    drives: Sequence[Drive], out: Path, is_beside: bool = False
) -> tuple[Path, dict[str, Any]]:
    """Write the page; return its path and a summary for --json. UserError where `out` is no name
    for a page."""
    check_place(out)
    write_text(out, render(drives, is_beside))
    return out, {
        "plot": str(out),
        "bytes": out.stat().st_size,
        "drives": [brief(drive) for drive in drives],
    }


def brief(drive: Drive) -> dict[str, Any]:
    """Return a drive's main numbers."""
    return {
        "source": drive.title,
        "samples": len(drive.time_s),
        "duration_s": round(float(drive.time_s[-1]), 2),
        "alarms": len(drive.alarms),
        "banks": {
            bank.name: {
                "used": int((bank.verdicts == 0).sum()),
                "refused": refusals(bank),
                "off_old_table_pct": _number(bank.left_pct(bank.old)),
                "off_learned_table_pct": _number(bank.left_pct(bank.learned)),
            }
            for bank in drive.banks
        },
    }


def refusals(bank: BankLines) -> dict[str, int]:
    """Return how many samples were refused for each reason, the first of each counting."""
    counts: Counter[str] = Counter()
    for mask in bank.verdicts[bank.verdicts != 0].tolist():
        counts[REASONS[primary_reason(mask)]] += 1
    return dict(counts.most_common())


def _number(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def render(drives: Sequence[Drive], is_beside: bool) -> str:
    """Return the whole HTML file."""
    script = (TEMPLATES / "plot.js").read_text(encoding="utf-8")
    reasons = _reasons(drives)
    colours = {row["name"]: row["colour"] for row in reasons}
    share = BUDGET // len(drives)
    data = {
        "used": USED_COLOUR,
        "drives": [_page_data(drive, share, colours) for drive in drives],
    }
    return (
        environment(TEMPLATES)
        .get_template("plot.html")
        .render(
            drives=drives,
            briefs=[brief(drive) for drive in drives],
            is_beside=is_beside,
            reasons=reasons,
            used_colour=USED_COLOUR,
            version=software_version(),
            clock=clock,
            number=number,
            policy=policy_of([script]),
            script=Markup(script),
            data=_embedded(data),
        )
    )


def _embedded(data: Any) -> Markup:
    """Return data as JSON that cannot end the element that it stands in."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c"))


def _reasons(drives: Sequence[Drive]) -> list[dict[str, Any]]:
    """Return every reason that there is, most frequent first: name, colour, words, and its samples
    in each bank of each drive."""
    columns = [refusals(bank) for drive in drives for bank in drive.banks]
    totals: Counter[str] = Counter()
    for column in columns:
        totals.update(column)
    rows = []
    for place, (name, _) in enumerate(totals.most_common()):
        means, remedy = EXPLANATIONS.get(name, (name, ""))
        rows.append({
            "name": name,
            "colour": COLOURS[place] if place < len(COLOURS) else OTHER_COLOUR,
            "means": means,
            "remedy": remedy,
            "counts": [column.get(name, 0) for column in columns],
        })  # fmt: skip
    return rows


def _page_data(drive: Drive, budget: int, colours: dict[str, str]) -> dict[str, Any]:
    """Return a drive as the script takes it."""
    # The time counts as two, being of 32 bits.
    channels = 4 + 5 * len(drive.banks)
    buckets = buckets_of(len(drive.time_s), channels, budget)
    tracks = [
        _track("speed, rpm", 0, [_line("speed", "ink", drive.speed_rpm, buckets)]),
        _track(f"load, {drive.load_unit}", 1, [_line("load", "ink", drive.load, buckets)]),
    ]
    for bank in drive.banks:
        tracks += _bank_tracks(bank, buckets, colours, "held" if drive.is_switching else "measured")
    return {
        "title": visible(drive.title),
        "perPoint": round(buckets.count / len(buckets.starts), 2),
        "time": packed_times(drive.time_s, buckets),
        "tracks": tracks,
        "alarms": [
            {"from": a.from_s, "to": a.to_s, "text": visible(f"{a.what}, {a.detail}")}
            for a in drive.alarms
        ],
        "parts": [{"at": at, "name": visible(name)} for at, name in drive.parts],
    }


def _track(label: str, digits: int, lines: list[dict[str, Any]]) -> dict[str, Any]:
    return {"kind": "lines", "label": visible(label), "digits": digits, "lines": lines}


def _line(name: str, style: str, values: Any, buckets: Buckets) -> dict[str, Any]:
    return {"name": visible(name), "style": style, **packed(values, buckets)}


def _bank_tracks(
    bank: BankLines, buckets: Buckets, colours: dict[str, str], measured: str
) -> list[dict[str, Any]]:
    """Return the track of a bank's lambdas and the one of its verdicts."""
    lines = [
        _line("old table", "old", bank.old, buckets),
        _line("learned table", "learned", bank.learned, buckets)
        | {"error": packed(bank.error, buckets)},
        _line(measured, "ink", bank.measured, buckets),
    ]
    masks, codes = packed_verdicts(bank.verdicts, buckets)
    verdicts = [
        {
            "colour": colours[REASONS[primary_reason(mask)]] if mask else USED_COLOUR,
            "texts": [EXPLANATIONS.get(name, (name, ""))[0] for name in reason_names(mask)],
        }
        for mask in masks
    ]
    band = {"kind": "verdicts", "label": visible(bank.name), "verdicts": verdicts, "codes": codes}
    return [_track(f"lambda, bank {bank.name}", 3, lines), band]
