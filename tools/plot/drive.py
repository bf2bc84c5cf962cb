"""What a plot shows of one drive: a session's samples beside what its tables predict of them.

The predicted lambda is what the controller commanded, seen through delay and lag, times 1 + the
table's correction there + the global terms (film, charge lead): the estimator's own equation, see
`breathmap.learner.core.kernel`. With the old table the correction is 0, so that the two differ by
the table alone.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.alarms import NAMES
from breathmap.learner.core.episodes import Episode
from breathmap.learner.core.gates import ENGINE_NOT_RUNNING, HISTORY_SHORT, VALUE_MISSING
from breathmap.learner.core.settings import SWITCHING
from breathmap.learner.exact.replay import BankReplay
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.plot.keeper import Keeper
from breathmap.tools.run.alarm_words import SEEN, clock
from breathmap.tools.run.learning import relearn
from breathmap.tools.run.session import BankResult, Session

Array = NDArray[np.float64]
# Where the engine stands, or nobody knows what it ran on before, nothing is predicted.
UNPREDICTED = ENGINE_NOT_RUNNING | HISTORY_SHORT | VALUE_MISSING


@dataclass(frozen=True)
class BankLines:
    """One bank over time, arrays (n,): lambda measured, predicted with the learned table, that
    one's standard error, predicted with the old table; verdicts, 0 or reason bits."""

    name: str
    measured: Array
    learned: Array
    error: Array
    old: Array
    verdicts: NDArray[np.int32]

    def left_pct(self, predicted: Array) -> float | None:
        """Return the rms of measured against predicted over the used samples, per cent; None where
        there is none."""
        used = self.verdicts == 0
        left = 100.0 * (self.measured[used] / predicted[used] - 1.0)
        left = left[np.isfinite(left)]
        return float(np.sqrt(np.mean(left * left))) if len(left) else None


@dataclass(frozen=True)
class Alarm:
    """An alarm: when, in seconds of the drive, and in words."""

    from_s: float
    to_s: float
    what: str
    detail: str


@dataclass(frozen=True)
class Drive:
    """One drive over time, arrays (n,). time_s: since its first sample. parts: when each of its
    sources began, and its name. is_switching: of sensors that tell rich from lean only, so that the
    measured lambda is the one that the closed loop holds."""

    title: str
    time_s: Array
    speed_rpm: Array
    load: Array
    load_unit: str
    banks: list[BankLines]
    alarms: list[Alarm]
    parts: list[tuple[float, str]]
    is_switching: bool = False


def drive_of(title: str, session: Session, paths: list[Path], screen: Screen) -> Drive:
    """Learn from files into a fresh session and return the drive as it saw it. UserError where they
    hold no sample, or what `relearn` raises."""
    keeper = Keeper(len(session.description.bank))
    session.witness = keeper
    begun: dict[str, int] = {}
    with Stop() as stop:
        for path in paths:
            begun[str(path)] = keeper.seen
            relearn(session, [path], screen, stop)
        if stop.asked:
            raise UserError("stopped; nothing was plotted")
    if not keeper.kept:
        raise UserError(f"{title}: it holds no sample; there is nothing to plot")
    samples = keeper.samples()
    time_s = (samples["time_us"] - samples["time_us"][0]) * 1e-6
    # Of drives of a day and more the beginning is not kept.
    first = keeper.seen - keeper.kept
    starts = {
        name: float(time_s[place - first])
        for name, place in begun.items()
        if first <= place < keeper.seen
    }
    load_axis = session.description.axes.load_axis
    return Drive(
        title,
        time_s,
        samples["speed_rpm"],
        samples[load_axis],
        session.description.axes.load_unit,
        [
            _lines(session, samples, result, keeper.verdicts(number))
            for number, result in enumerate(session.solve())
        ],
        _alarms(session, starts),
        [(start_s, Path(name).name) for name, start_s in starts.items()],
        session.settings.sensor_kind == SWITCHING,
    )


def _lines(
    session: Session, samples: NDArray[np.void], result: BankResult, verdicts: NDArray[np.int32]
) -> BankLines:
    bank, solution = result.bank, result.solution
    replay = BankReplay(samples, bank.number, session.settings)
    transport_s = replay.transport_s(bank.delay)
    lag_s = bank.delay.sensor_lag_s
    seen = replay.observe_at(transport_s, lag_s)
    commanded = replay.seen_at(replay.commanded, transport_s, lag_s)
    steps = np.array([0, 1, bank.table.speed_count, bank.table.speed_count + 1])
    corners = seen.index[:, None] + steps
    moved = (seen.shares * solution.correction.ravel()[corners]).sum(axis=1)
    # As if neighbours erred alike: never too small.
    error = (seen.shares * solution.standard_error.ravel()[corners]).sum(axis=1)
    terms = 1.0 + seen.terms @ solution.term_values
    unknown = (verdicts & UNPREDICTED) != 0
    for column in (commanded, error):
        column[unknown] = np.nan
    measured = np.asarray(replay.measured, dtype=np.float64)
    return BankLines(
        bank.name, measured, commanded * (terms + moved), commanded * error,
        commanded * terms, verdicts,
    )  # fmt: skip


def _alarms(session: Session, starts: dict[str, float]) -> list[Alarm]:
    names = [bank.name for bank in session.description.bank]
    unit = session.description.axes.load_unit
    found = [
        _alarm(episode, starts[episode.source], names, unit)
        for episode in session.alarms.episodes.kept
        if episode.source in starts
    ]
    return sorted(found, key=lambda alarm: alarm.from_s)


def _alarm(episode: Episode, start_s: float, names: list[str], unit: str) -> Alarm:
    what, worst_unit = SEEN[NAMES[episode.kind]]
    bank = f", bank {names[episode.bank]}" if episode.bank >= 0 else ""
    limit = f", limit {episode.limit:.2f}" if episode.limit == episode.limit else ""
    from_s = start_s + episode.time_s
    detail = (
        f"at {clock(from_s)} for {episode.duration_s:.1f} s, at worst {episode.worst:.2f} "
        f"{worst_unit}{limit}, at {episode.speed_rpm:.0f} rpm and {episode.load:.0f} {unit}"
    )
    return Alarm(from_s, from_s + episode.duration_s, f"{what}{bank}", detail)
