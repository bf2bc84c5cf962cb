"""`breathmap gather`: learn each recording on a worker, and add what they learned, exactly.

Sums are added in the order in which the recordings were given, whoever was done first: the same
bytes come out for any number of workers. A worker reads the recordings itself, by the path given,
so that with a scheduler on other machines the path must mean the same file there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from breathmap.learner.exact.threads import one_thread
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.evidence import from_bytes, to_bytes
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import make_folder
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.version import software_version
from breathmap.tools.fleet.cluster import as_done, check_version, cluster
from breathmap.tools.fleet.comparing import Compared, compare, merged_of
from breathmap.tools.run.evidence_files import (
    SWEEPS,
    add_snapshot,
    snapshot_of,
    without_earlier,
)
from breathmap.tools.run.learning import OTHER_OUTPUT, load
from breathmap.tools.run.observer import Observer
from breathmap.tools.run.results import Outcome, write_results
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import read_files

if TYPE_CHECKING:
    from distributed import Client


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
    with cluster(scheduler, workers) as client:
        pieces = _learned(client, orders, screen)
        kept, bad = _sorted(orders, pieces, skip_bad)
        session = Session(description, tables)
        for number, (name, evidence) in enumerate(kept.items(), start=1):
            # The running estimate is wanted of all together only.
            sweeps = SWEEPS if number == len(kept) else 0
            add_snapshot(session, name, from_bytes(evidence), is_ours=True, sweeps=sweeps)
        make_folder(out, replace, OTHER_OUTPUT)
        outcome = write_results(out, session, list(kept))
        merged = merged_of(session, outcome.results)
        try:
            compared = compare(client, merged, kept, screen)
        except UserError as error:
            raise UserError(
                f"{error}. What all sources say together is in {out}, whole; whether they agree is "
                "not known: run it again with --replace"
            ) from None
        return Gathered(outcome, compared, bad)


def _sorted(
    orders: list[Order], pieces: list[Piece], skip_bad: bool
) -> tuple[dict[str, bytes], dict[str, str]]:
    """Return the evidence of each source, and why there is none of the others. UserError where
    those are not to be left out, or nothing is left."""
    bad = {str(o.path): p.why_not for o, p in zip(orders, pieces, strict=True) if p.why_not}
    if bad and not skip_bad:
        more = f" (and {len(bad) - 1} more recordings)" if len(bad) > 1 else ""
        raise UserError(f"{next(iter(bad.values()))}{more}; --skip-bad learns without")
    kept = {str(o.path): p.evidence for o, p in zip(orders, pieces, strict=True) if not p.why_not}
    if not kept:
        first, why_not = next(iter(bad.items()))
        raise UserError(f"{first}: no recording could be learned: {why_not}")
    return kept, bad


def _learned(client: "Client", orders: list[Order], screen: Screen) -> list[Piece]:
    pieces = [Piece()] * len(orders)
    with screen.progress("learning") as bar:
        for done, (number, piece) in enumerate(as_done(client, learn_source, orders), start=1):
            check_version(orders[number], piece)
            pieces[number] = piece
            bar.update(done / len(orders))
    return pieces
