"""Each source of a gathering beside all the others, on the workers.

A worker makes the sums of the others from what travels anyway, evidence as frames, in the same
order on every machine: the same numbers come out for any number of workers. How sources are shared
out among orders changes nothing, for each is compared by itself.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from breathmap.learner.core.settings import Settings
from breathmap.learner.exact.agree import Agreement, agreement, without
from breathmap.learner.exact.moments import Moments, moments
from breathmap.learner.exact.prior import Prior, Scales
from breathmap.learner.exact.threads import one_thread
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.evidence import from_bytes, to_bytes
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.version import software_version
from breathmap.tools.fleet.cluster import as_done, check_version
from breathmap.tools.run.evidence_files import fitting, snapshot_of
from breathmap.tools.run.session import BankResult, Session

if TYPE_CHECKING:
    from distributed import Client

# A source is named odd where chance gives so much or more in one gathering of a hundred.
ODD_CHANCE = 0.01
# Sources that share one making of the others' sums.
AT_ONCE = 8


@dataclass(frozen=True)
class Compared:
    """A source beside all the others. banks: by name. least_chance: of its banks. is_odd: that is
    less than chance explains."""

    source: str
    banks: dict[str, Agreement]
    least_chance: float
    is_odd: bool


@dataclass(frozen=True)
class Merged:
    """All sources together, as a worker needs it. whole: their evidence as frames. removed: the
    evidence that is taken out of it, in this order. scales: prior, noise and widening of each
    bank's solution."""

    description: EngineDescription
    tables: list[list[float]]
    whole: bytes
    scales: tuple[tuple[Scales, float], ...]
    removed: tuple[bytes, ...] = ()


@dataclass(frozen=True)
class Order:
    """What one worker compares: sources' names and evidence."""

    merged: Merged
    sources: tuple[tuple[str, bytes], ...]

    def __str__(self) -> str:
        """What a person calls it."""
        return ", ".join(name for name, _ in self.sources)


@dataclass(frozen=True)
class Judged:
    """What came of an order: for each source each bank's agreement. version: of the software."""

    agreements: list[list[Agreement]]
    version: str = ""


def compare_sources(order: Order) -> Judged:
    """Compare some sources with all the others, on whatever machine this runs."""
    merged = order.merged
    settings = merged.description.settings(merged.tables)
    name = merged.description.engine.name

    def sums(evidence: bytes) -> list[Moments]:
        pieces = fitting("", from_bytes(evidence), settings, name, is_ours=True)
        return [moments(piece) for piece in pieces]

    with one_thread():
        wholes = sums(merged.whole)
        for evidence in merged.removed:
            parts = sums(evidence)
            wholes = [without(whole, part) for whole, part in zip(wholes, parts, strict=True)]
        found = [
            list(_agreements(sums(evidence), wholes, settings, merged.scales))
            for _, evidence in order.sources
        ]
    return Judged(found, software_version())


def _agreements(
    parts: list[Moments],
    wholes: list[Moments],
    settings: Settings,
    scales: Sequence[tuple[Scales, float]],
) -> Iterator[Agreement]:
    for bank, part, whole, (found, widening) in zip(
        settings.banks, parts, wholes, scales, strict=True
    ):
        table = bank.table
        log_cells = np.log(np.asarray(table.cells, dtype=np.float64))
        n_terms = len(settings.term_names())
        prior = Prior(table.load_count, table.speed_count, n_terms, log_cells)
        yield agreement(part, without(whole, part), prior, found, widening)


def merged_of(session: Session, results: list[BankResult]) -> Merged:
    """Return what workers need of a session and its solutions."""
    scales = tuple(
        (Scales(one.table_sd, one.roughness, one.noise, one.leaning), one.widening)
        for one in (result.solution for result in results)
    )
    whole = to_bytes(snapshot_of(session))
    return Merged(session.description, session.tables, whole, scales)


def compare(
    client: "Client", merged: Merged, kept: dict[str, bytes], screen: Screen
) -> list[Compared]:
    """Compare each source with all the others. The one farthest off is set aside, and the rest
    compared again, as long as one is odd: it would make the others look odd, too. Nothing to
    compare one source with."""
    left = dict(kept)
    odd: dict[str, Compared] = {}
    found: dict[str, Compared] = {}
    # Each bank of each source is a try of its own.
    chance = ODD_CHANCE / (len(kept) * len(merged.scales))
    with screen.progress("comparing") as bar:
        while len(left) > 1:
            found = {one.source: one for one in _round(client, merged, left, chance, bar.update)}
            worst = min((found[source] for source in left), key=lambda one: one.least_chance)
            if not worst.is_odd:
                break
            odd[worst.source] = worst
            merged = replace(merged, removed=(*merged.removed, left.pop(worst.source)))
    return [odd.get(source) or found[source] for source in kept if len(kept) > 1]


def _round(
    client: "Client",
    merged: Merged,
    left: dict[str, bytes],
    chance: float,
    update: Callable[[float], None],
) -> Iterator[Compared]:
    """Yield what is left of the sources, compared once."""
    sources = list(left.items())
    orders = [
        Order(merged, tuple(sources[k : k + AT_ONCE])) for k in range(0, len(sources), AT_ONCE)
    ]
    names = [bank.name for bank in merged.description.settings(merged.tables).banks]
    for done, (number, judged) in enumerate(as_done(client, compare_sources, orders), start=1):
        check_version(orders[number], judged)
        for (source, _), agreements in zip(orders[number].sources, judged.agreements, strict=True):
            least = min((one.chance for one in agreements if one.freedom), default=1.0)
            banks = dict(zip(names, agreements, strict=True))
            yield Compared(source, banks, least, least < chance)
        update(done / len(orders))
