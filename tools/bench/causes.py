"""How honest the odds of causes are: a confusion table over random engines, sick and healthy.

    python -m breathmap.tools.bench.causes [--engines 2] [--healthy 6] [--minutes 20] [--write]
        [--keep ROWS.jsonl]

Each engine has tables 2 % or 8 % off and a road ride. Healthy: nothing may be likely. With each of
the simulator's faults at its default size: the right cause, or its named look-alikes together,
should come first where the data can tell, which is taken to be where its own odds are better than
20 to 1; elsewhere nothing may be named. Again against an earlier healthy pass on the same table.
Faults that the samples say outright are ridden on one of the two tables. It takes long: --keep
notes each engine when it is done, and goes on from there (only while the code is the same). --write
puts the table into DEVELOPERS.md. Thresholds were looked for with other seeds (101 to 103, 201 to
212, 300, 400 to 405), two rules with the first two sick engines, too (DEVELOPERS.md says which).
"""

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from functools import partial
from math import log
from pathlib import Path

from rich.console import Console

from breathmap.learner.causes.diagnose import (
    CANNOT_TELL,
    LIKELY,
    ODDS_LIKELY,
    SEEN,
    Diagnosis,
    diagnose,
)
from breathmap.learner.causes.since import Earlier, earlier_of
from breathmap.learner.causes.witness import Witness
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.learner.fast.many import learn_many
from breathmap.protocol.host.bulk import samples_table
from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.faults import Fault, fault
from breathmap.simulator.parameters import TWIN_AXES, random_engine
from breathmap.simulator.run import perturbed_table, simulate
from breathmap.simulator.settings import learning_setup
from breathmap.tools.bench.convergence import describe, run_all

FIRST_SICK, FIRST_HEALTHY = 500, 600
RMS = (0.02, 0.08)
# Each fault's cause in the catalogue; those that take odds, then those that are facts.
BY_ODDS = {
    "exhaust-leak": "exhaust-leak",
    "sensor-slow": "sensor-slow",
    "sensor-biased": "sensor-biased",
    "sensors-swapped": "sensors-swapped",
    "map-offset": "pressure-offset",
    "dead-time-wrong": "dead-time",
    "fuel-pressure-wrong": "fuel-factor",
    # The simulator's sensor reads high by the same everywhere: one factor, under another name.
    "intake-soaked": "fuel-factor",
}
BY_FACT = {
    "misfire": "misfire",
    "sensor-stuck": "sensor-stuck",
    "sensor-unplugged": "sensor-dead",
    "forgot-acceleration": "forgot-transient",
    "forgot-closed-loop": "forgot-closed-loop",
    "forgot-adaptation": "forgot-adaptation",
    "forgot-fuel-cut": "forgot-fuel-cut",
    "forgot-target": "forgot-target",
}
STUCK_FROM_S = 120.0
# How a diagnosis can come out for a fault.
NAMED, UNSURE, SILENT, WRONG = "first", "cannot tell", "no sign", "another first"
PAGE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- causes: begin -->", "<!-- causes: end -->"


@dataclass(frozen=True)
class Row:
    """One ride's diagnosis. can_tell: the right cause's own odds are better than 20 to 1. said:
    what came first, "" for nothing."""

    name: str
    rms: float
    since: bool
    outcome: str
    can_tell: bool
    said: str


def learn(
    seed: int, rms: float, drive: int, minutes: float, faults: Iterable[Fault] = ()
) -> tuple[CarefulLearner, Witness]:
    """Ride a random engine on tables `rms` off."""
    parameters = random_engine(seed)
    tables = [perturbed_table(parameters.truth, bank, TWIN_AXES, rms, seed) for bank in (0, 1)]
    controller = Controller(parameters, TWIN_AXES, tables, learning_setup("wideband"))
    learner, witness = CarefulLearner(describe(parameters, controller)), Witness(2)
    ride = RoadRide(60.0 * minutes, drive)
    samples = simulate(parameters, controller, ride, drive, faults=faults, reuse=True)
    table = samples_table(samples, parameters.banks)
    witness.take_many(learner, table, learn_many(learner, table))
    return learner, witness


def healthy_row(order: tuple[int, float, float]) -> list[Row]:
    """One healthy engine; top level so that a pool can call it."""
    seed, rms, minutes = order
    found = diagnose(*learn(seed, rms, seed, minutes))
    said = ", ".join(sorted({finding.cause.name for finding in found.likely}))
    return [Row("healthy", rms, False, WRONG if said else SILENT, False, said)]


def sick_rows(order: tuple[int, float, float]) -> list[Row]:
    """One engine with each fault, by itself and against a healthy pass before; for a pool, too."""
    seed, rms, minutes = order
    learner, _ = learn(seed, rms, seed, minutes)
    tables = [bank.table.cells for bank in learner.banks]
    before = earlier_of("pass 1", tables, [bank.evidence for bank in learner.banks])
    healthy = diagnose(*learn(seed, rms, seed + 1000, minutes), before)
    said = ", ".join(sorted({finding.cause.name for finding in healthy.likely}))
    rows = [Row("healthy", rms, True, WRONG if said else SILENT, False, said)]
    odd = (seed + RMS.index(rms)) % 2
    for name, cause in (*BY_ODDS.items(), *list(BY_FACT.items())[odd::2]):
        start_s = STUCK_FROM_S if name == "sensor-stuck" else 0.0
        faulty = learn(seed, rms, seed + 2000, minutes, [fault(name, start_s=start_s)])
        earlier: Earlier | None
        for earlier in (None, before) if name in BY_ODDS else (None,):
            rows.append(judge(name, cause, rms, diagnose(*faulty, earlier)))
    return rows


def judge(name: str, cause: str, rms: float, found: Diagnosis) -> Row:
    """Say how a diagnosis came out for a fault whose cause is known."""
    first = found.likely[0] if found.likely else None
    # Causes are shared, or sit on the first bank, as faults do by default.
    own = [f for f in found.findings if f.cause.name == cause and f.bank in (None, "bank0")]
    can_tell = any(
        f.state in (SEEN, LIKELY) or (f.log_odds or 0.0) >= log(ODDS_LIKELY) for f in own
    )
    labels = {cause, f"{cause} (bank0)"}
    if first is None:
        outcome = UNSURE if any(f.state == CANNOT_TELL for f in own) else SILENT
    elif (first.cause.name == cause and first.bank in (None, "bank0")) or labels & set(first.alike):
        outcome = NAMED
    elif cause in {f.cause.name for f in found.of(SEEN)}:
        outcome = NAMED  # facts have no order among themselves
    else:
        outcome = WRONG
    said = "" if first is None else first.cause.name
    return Row(name, rms, bool(found.since), outcome, can_tell, said)


def table_lines(rows: list[Row]) -> list[str]:
    """The confusion table as markdown: how many rides of each fault came out how."""
    lines = [
        "| fault, at its default size | tables off by | rides | first | cannot tell | no sign | "
        "another first |",
        "|---|---|---|---|---|---|---|",
    ]
    for since in (False, True):
        for name in ("healthy", *BY_ODDS, *BY_FACT):
            for rms in RMS:
                part = [r for r in rows if (r.name, r.rms, r.since) == (name, rms, since)]
                if not part:
                    continue
                count = Counter(row.outcome for row in part)
                wrong = Counter(row.said for row in part if row.outcome == WRONG)
                others = ", ".join(f"{what} {n}" for what, n in wrong.most_common())
                off = f"{100 * rms:.0f} %" + (", healthy pass before" if since else "")
                lines.append(
                    f"| {name} | {off} | {len(part)} | {count[NAMED]} | {count[UNSURE]} | "
                    f"{count[SILENT]} | {count[WRONG]}{f' ({others})' if others else ''} |"
                )
    return lines


def figure_lines(rows: list[Row]) -> list[str]:
    """What the table comes to, a line each."""
    lines = []
    for since in (False, True):
        for rms in RMS:
            part = [r for r in rows if (r.rms, r.since) == (rms, since)]
            lines += _figures(part, f"{100 * rms:.0f} %" + (", pass before" if since else ""))
    return lines


def _figures(part: list[Row], title: str) -> list[str]:
    well = [row for row in part if row.name == "healthy"]
    sick = [row for row in part if row.name in BY_ODDS]
    facts = [row for row in part if row.name in BY_FACT]
    clear = [row for row in sick if row.can_tell]
    unclear = [row for row in sick if not row.can_tell]
    lines = [
        f"{title}: something likely on a healthy engine: {_of(well, WRONG)}",
        f"{title}: right cause or its named look-alikes first, where odds can tell: "
        f"{_of(clear, NAMED)}; of all: {_of(sick, NAMED)}",
        f"{title}: where they cannot, said so, or the right one named: "
        f"{_of(unclear, UNSURE, NAMED)}",
    ]
    return [*lines, f"{title}: facts: {_of(facts, NAMED)}"] if facts else lines


def _of(rows: list[Row], *outcomes: str) -> str:
    count = sum(row.outcome in outcomes for row in rows)
    return f"{count} of {len(rows)}" + (f" ({100 * count / len(rows):.0f} %)" if rows else "")


def write(lines: list[str], order: str) -> None:
    """Put the table and the figures between their marks in DEVELOPERS.md."""
    page = PAGE.read_text("utf-8")
    before, _, rest = page.partition(BEGIN)
    _, _, after = rest.partition(END)
    body = "\n".join([BEGIN, f"Written by `{order}`:", "", *lines, END])
    PAGE.write_text(before + body + after, "utf-8")


Order = tuple[int, float, float]
Work = Callable[[Order], list[Row]]


def _with_order(work: Work, order: Order) -> tuple[Order, list[Row]]:
    """Top level so that a pool can call it."""
    return order, work(order)


def measured(work: Work, orders: list[Order], jobs: int, keep: Path | None) -> list[Row]:
    """Return the rows of all orders: those that a file has kept, and those that it lacks."""
    lines = keep.read_text("utf-8").splitlines() if keep is not None and keep.exists() else []
    done = {tuple(one["order"]): one["rows"] for one in map(json.loads, lines)}
    rows = [Row(**row) for order in orders for row in done.get(order, [])]
    missing = [order for order in orders if order not in done]
    for order, some in run_all(partial(_with_order, work), missing, jobs):
        rows += some
        for row in some:
            sys.stderr.write(f"{row}\n")
        if keep is not None:
            with keep.open("a", encoding="utf-8") as file:
                kept = {"order": order, "rows": [asdict(row) for row in some]}
                file.write(json.dumps(kept) + "\n")
    return rows


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--engines", type=int, default=2, help="engines with every fault")
    parser.add_argument("--healthy", type=int, default=6, help="engines without any")
    parser.add_argument("--minutes", type=float, default=20.0, help="of road")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--keep", type=Path, help="file of rows to go on from, and to add to")
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    given = parser.parse_args(arguments)
    rows: list[Row] = []
    for first, count, work in (
        (FIRST_HEALTHY, given.healthy, healthy_row),
        (FIRST_SICK, given.engines, sick_rows),
    ):
        orders = [(first + k, rms, given.minutes) for k in range(count) for rms in RMS]
        rows += measured(work, orders, given.jobs, given.keep)
    console = Console(width=140)
    lines = [*table_lines(rows), "", *(f"- {line}" for line in figure_lines(rows))]
    for line in lines:
        console.print(line, markup=False, highlight=False)
    if given.write:
        counts = f"--engines {given.engines} --healthy {given.healthy}"
        write(lines, f"python -m breathmap.tools.bench.causes {counts} --write")
    return 0


if __name__ == "__main__":
    sys.exit(main())
