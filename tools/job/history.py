"""`breathmap history`: the chain of what happened, and whether it still holds.

The chain itself is checked whenever a job is opened; `verify` also hashes every file that the
history names and learns every pass again, which must give each proposal again. Libraries and
processors round a little differently, so computed numbers may differ in their last printed digit;
what would be stored may not.
"""

import re
from decimal import Decimal
from pathlib import Path

from rich.table import Table

from breathmap.learner.decide.proposal import Rules
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.folder import (
    ACCEPTED,
    CHECKED,
    CREATED,
    DESCRIPTION,
    FINAL,
    FINISHED,
    LEARNED,
    PREPARED,
    PROPOSED,
    STORED,
    UNDONE,
    Job,
    Record,
    hash_file,
    sha256_of,
)
from breathmap.tools.job.propose import plan_for
from breathmap.tools.run.evidence_files import without_earlier
from breathmap.tools.run.learning import relearn
from breathmap.tools.run.session import Session


def history_table(job: Job) -> Table:
    """Return the chain, a line a record, with the first digits of the hashes that went in."""
    table = Table(title=f"History of {job.folder}", title_justify="left")
    for heading in ("", "when (UTC)", "what", "from"):
        table.add_column(heading, no_wrap=heading != "what")
    for record in job.records:
        what, source = _told(record)
        when = record["time"][:16].replace("T", " ")
        table.add_row(str(record["number"]), when, what, source)
    return table


def _short(digest: str) -> str:
    return digest[:8]


def _told(r: Record) -> tuple[str, str]:
    """Return what happened in words, and the short hashes of what went in."""
    what = r["what"]
    if what == CREATED:
        how = "read from the controller" if r["by_wire"] else "from files"
        return f"made, {how}; table 0", _short(r["description"])
    if what == PREPARED:
        how = "written to the controller" if r["by_wire"] else "sheet for a person"
        return f"prepared: {how}", _short(r["description"])
    if what == LEARNED:
        names = ", ".join(e["name"] for e in r["recordings"])
        digests = " ".join(_short(e["sha256"]) for e in r["recordings"])
        extra = " (taken in)" if r.get("recovered") else ""
        return f"pass {r['pass']} on table {r['table']}: {names}{extra}", digests
    if what == PROPOSED:
        choice = f", {r['choice']}" if r["choice"] else ""
        done = "; good enough to finish" if r["finished"] else ""
        digests = " ".join(_short(d) for d in [r["description"], *r["recordings"]])
        return f"proposal {r['proposal']} from pass {r['pass']}{choice}{done}", digests
    if what == ACCEPTED:
        digests = _short(sha256_of("".join(sorted(r["proposal_files"].values())).encode()))
        return f"table {r['table']} = proposal {r['proposal']} on table {r['from_table']}", digests
    if what == UNDONE:
        return f"back to table {r['table']} (was {r['from_table']})", ""
    if what == STORED:
        return f"table {r['table']} written to the controller, read back", ""
    if what == FINISHED:
        how = "controller read back" if r["verified"] else "not verified in the controller"
        return f"finished with table {r['table']}; {how}", ""
    if what == CHECKED:
        return "check drive: " + ("; ".join(r["signs"]) or "no sign of the learning set-up"), ""
    return what, ""


def verify_job(job: Job, screen: Screen) -> None:
    """Check every file and every proposal against the history; UserError at the first that fails.

    What a later step replaced (the sheet, an earlier `final`) is not looked for.
    """
    count = 0
    for record in job.records:
        count += _verify_files(job, record)
    proposals = [r for r in job.records if r["what"] == PROPOSED]
    rounded = 0
    for record in proposals:
        screen.say(f"learning pass {record['pass']} again for proposal {record['proposal']} ...")
        rounded += _compare_again(job, record, proposal_again(job, record, screen))
    how = "byte for byte" if not rounded else f"{rounded} files but for the last printed digit"
    noun = "proposal comes" if len(proposals) == 1 else "proposals come"
    screen.say(
        f"The chain of {len(job.records)} records holds; {count} files are as recorded; "
        f"{len(proposals)} {noun} out the same" + (f", {how}." if proposals else ".")
    )


def _compare_again(job: Job, record: Record, texts: dict[str, str]) -> int:
    """Return how many of a proposal's files differ in their last printed digit only; UserError at
    the first that differs by more."""
    folder = job.proposal_folder(record["proposal"])
    stored = {f"{bank.name}.csv" for bank in job.description().bank}
    rounded = 0
    for name, text in texts.items():
        if sha256_of(text.encode()) == record["files"].get(name):
            continue
        # The file on disk was found to be the one recorded.
        path = folder / name
        if (
            name in stored
            or not path.exists()
            or not same_but_rounding(path.read_text("utf-8"), text)
        ):
            raise UserError(
                f"proposal {record['proposal']}: learned again, {name} comes out otherwise; "
                f"it was made by version {record['software']}"
            )
        rounded += 1
    return rounded


def same_but_rounding(one: str, other: str) -> bool:
    """True when two tables have the same words, and numbers that differ by one unit of their last
    printed decimal at most."""
    pairs = (re.split("[,;\n]", one), re.split("[,;\n]", other))
    return len(pairs[0]) == len(pairs[1]) and all(map(_near, *pairs))


def _near(one: str, other: str) -> bool:
    if one == other:
        return True
    decimals = [entry.partition(".")[2] for entry in (one, other)]
    if not all(d.isdigit() for d in decimals) or len(decimals[0]) != len(decimals[1]):
        return False
    return abs(Decimal(one) - Decimal(other)) <= Decimal(1).scaleb(-len(decimals[0]))


def _verify_files(job: Job, record: Record) -> int:
    what = record["what"]
    places: dict[str, str] = {}
    if what in (CREATED, ACCEPTED):
        folder = job.table_folder(record["table"])
        places = {str(folder / n): h for n, h in record["files"].items()}
    elif what == PROPOSED:
        folder = job.proposal_folder(record["proposal"])
        places = {str(folder / n): h for n, h in record["files"].items()}
    elif what == LEARNED:
        folder = job.pass_folder(record["pass"])
        places = {str(folder / e["name"]): e["sha256"] for e in record["recordings"]}
    elif what == FINISHED and record is job.latest(FINISHED):
        places = {str(job.folder / FINAL / n): h for n, h in record["files"].items()}
    for path, wanted in places.items():
        if hash_file(Path(path)) != wanted:
            raise UserError(f"{path}: it is not what record {record['number']} names")
    return len(places)


def proposal_again(job: Job, record: Record, screen: Screen) -> dict[str, str]:
    """Return the texts of a proposal's tables, learned again from the recordings."""
    folder = job.proposal_folder(record["proposal"])
    description = read_description(folder / DESCRIPTION)
    base = job.table_folder(record["table"])
    session = Session(description, read_tables(base / DESCRIPTION, description))
    names = {
        entry["sha256"]: job.pass_folder(record["pass"]) / entry["name"]
        for entry in job.pass_recordings(record["pass"])
    }
    with Stop() as stop:
        # In the order of the folder, as the proposal was made.
        paths = sorted(
            [names[digest] for digest in record["recordings"]],
            key=lambda path: (path.name.startswith("board-"), path.name),
        )
        relearn(session, without_earlier(paths), screen, stop)
        if stop.asked:
            raise UserError("stopped")
    plan = plan_for(
        session,
        record["choice"],
        Rules(**record["rules"]),
        record["target"],
        job.calibration(record["table"]).displacement_cm3,
    )
    return plan.files
