"""`breathmap gather`: learn each recording on a worker, and add what they learned, exactly.

Sums are added in the order in which the recordings were given, whoever was done first: the same
bytes come out for any number of workers. A worker reads the recordings itself, by the path given,
so that with a scheduler on other machines the path must mean the same file there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from breathmap.learner.exact.agree import Agreement, agreement, without
from breathmap.learner.exact.moments import Moments, moments
from breathmap.learner.exact.prior import Prior, Scales
from breathmap.learner.exact.threads import one_thread
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.evidence import from_bytes, to_bytes
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import make_folder
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.version import software_version
from breathmap.tools.fleet.cluster import as_done, cluster
from breathmap.tools.run.evidence_files import add_snapshot, fitting, snapshot_of, without_earlier
from breathmap.tools.run.learning import OTHER_OUTPUT, load
from breathmap.tools.run.observer import Observer
from breathmap.tools.run.results import Outcome, write_results
from breathmap.tools.run.session import BankResult, Session
from breathmap.tools.run.sources import read_files

# A source is named odd where chance gives so much or more in one gathering of a hundred.
ODD_CHANCE = 0.01


@dataclass(frozen=True)
class Order:
    """What a worker needs: the engine, its tables, and where the recording is."""

    description: EngineDescription
    tables: list[list[float]]
    path: Path

    def __str__(self) -> str:
        """What a person calls it."""
        return str(self.path)


@dataclass(frozen=True)
class Piece:
    """What came of one source: its evidence as frames, or why there is none. version: of the
    software that learned it."""

    evidence: bytes = b""
    why_not: str = ""
    version: str = ""


@dataclass(frozen=True)
class Compared:
    """A source beside all the others. banks: by name. least_chance: of its banks. is_odd: that is
    less than chance explains."""

    source: str
    banks: dict[str, Agreement]
    least_chance: float
    is_odd: bool


@dataclass(frozen=True)
class Gathered:
    """What `gather` ended with. bad: sources that were left out, and why."""

    outcome: Outcome
    sources: list[Compared]
    bad: dict[str, str]


def learn_source(order: Order) -> Piece:
    """Learn one recording, on whatever machine this runs."""
    session, own = Session(order.description, order.tables), software_version()
    try:
        with one_thread():
            read_files([order.path], session, Stop(), Observer())
    except UserError as error:
        return Piece(why_not=str(error), version=own)
    if not session.samples:
        return Piece(why_not=f"{order.path}: it holds no sample", version=own)
    return Piece(to_bytes(snapshot_of(session)), version=own)


def gather(
    path: Path,
    paths: Sequence[Path],
    out: Path,
    screen: Screen,
    scheduler: str | None = None,
    workers: int | None = None,
    replace: bool = False,
    skip_bad: bool = False,
) -> Gathered:
    """Learn every recording, add them, write the same results as `replay`, and compare each source
    with the others.

    scheduler: address of a Dask scheduler; by default a cluster of this machine's cores is made.
    skip_bad: leave out recordings that cannot be learned. UserError names the first of them
    otherwise, with nothing written.
    """
    description, tables = load(path)
    if out.is_file() or (not replace and out.is_dir() and any(out.iterdir())):
        raise UserError(f"{out} exists and is not empty; {OTHER_OUTPUT}, or --replace its results")
    chosen = without_earlier([one.absolute() for one in dict.fromkeys(paths)])
    orders = [Order(description, tables, one) for one in chosen]
    pieces = _learned(orders, screen, scheduler, workers)
    bad = {str(o.path): p.why_not for o, p in zip(orders, pieces, strict=True) if p.why_not}
    if bad and not skip_bad:
        more = f" (and {len(bad) - 1} more recordings)" if len(bad) > 1 else ""
        raise UserError(f"{next(iter(bad.values()))}{more}; --skip-bad learns without")
    kept = {str(o.path): p.evidence for o, p in zip(orders, pieces, strict=True) if not p.why_not}
    if not kept:
        raise UserError(f"{chosen[0]}: no recording could be learned: {next(iter(bad.values()))}")
    session = Session(description, tables)
    for name, evidence in kept.items():
        add_snapshot(session, name, from_bytes(evidence))
    make_folder(out, replace, OTHER_OUTPUT)
    outcome = write_results(out, session, list(kept))
    return Gathered(outcome, compare(session, outcome.results, kept, screen), bad)


def _learned(
    orders: list[Order], screen: Screen, scheduler: str | None, workers: int | None
) -> list[Piece]:
    pieces = [Piece()] * len(orders)
    with cluster(scheduler, workers) as client, screen.progress("learning") as bar:
        for done, (number, piece) in enumerate(as_done(client, learn_source, orders), start=1):
            _check_version(orders[number], piece)
            pieces[number] = piece
            bar.update(done / len(orders))
    return pieces


def _check_version(order: Order, piece: Piece) -> None:
    """UserError where another version learned it: what it would add need not be the same."""
    here, there = software_version(), getattr(piece, "version", "")
    if there != here:
        raise UserError(
            f"{order}: a worker learned it with breathmap {there or 'before 0.2.0'}, and here is "
            f"{here}; install the same version on every machine"
        )


def compare(
    session: Session, results: list[BankResult], kept: dict[str, bytes], screen: Screen
) -> list[Compared]:
    """Compare each source with all the others. The one farthest off is set aside, and the rest
    compared again, as long as one is odd: it would make the others look odd, too. Nothing to
    compare one source with."""
    left = {source: _parts(session, source, evidence) for source, evidence in kept.items()}
    wholes = [moments(result.bank.evidence) for result in results]
    odd: dict[str, Compared] = {}
    found: dict[str, Compared] = {}
    # Each bank of each source is a try of its own.
    chance = ODD_CHANCE / (len(kept) * len(results))
    with one_thread(), screen.progress("comparing") as bar:
        while len(left) > 1:
            found = {}
            for done, (source, parts) in enumerate(left.items(), start=1):
                found[source] = _compared(source, parts, wholes, results, chance)
                bar.update(done / len(left))
            worst = min(found.values(), key=lambda one: one.least_chance)
            if not worst.is_odd:
                break
            odd[worst.source] = worst
            parts = left.pop(worst.source)
            wholes = [without(whole, part) for whole, part in zip(wholes, parts, strict=True)]
    return [odd.get(source) or found[source] for source in kept if len(kept) > 1]


def _parts(session: Session, source: str, evidence: bytes) -> list[Moments]:
    name = session.description.engine.name
    pieces = fitting(source, from_bytes(evidence), session.settings, name)
    return [moments(piece) for piece in pieces]


def _compared(
    source: str,
    parts: list[Moments],
    wholes: list[Moments],
    results: list[BankResult],
    chance: float,
) -> Compared:
    banks = {
        result.bank.name: _agreement(part, whole, result)
        for part, whole, result in zip(parts, wholes, results, strict=True)
    }
    least = min((one.chance for one in banks.values() if one.freedom), default=1.0)
    return Compared(source, banks, least, least < chance)


def _agreement(part: Moments, whole: Moments, result: BankResult) -> Agreement:
    bank, solution = result.bank, result.solution
    log_cells = np.log(result.old_pct.ravel())
    prior = Prior(bank.table.load_count, bank.table.speed_count, bank.evidence.n_terms, log_cells)
    scales = Scales(solution.table_sd, solution.roughness, solution.noise, solution.leaning)
    return agreement(part, without(whole, part), prior, scales, solution.widening)
