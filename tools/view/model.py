"""What those who show a run say of it: one model for the terminal's live view and the page.

Words are those of `breathmap.tools.view.words`, layers those of `layers`. Nothing is learned here,
and nothing is drawn.
"""

from dataclasses import dataclass

from breathmap.tools.run.alarm_words import clock
from breathmap.tools.run.observer import SILENT_S
from breathmap.tools.view.looking import Looking
from breathmap.tools.view.state import STOP, WAITING, Knowing, Snapshot, Watch, state_of
from breathmap.tools.view.words import (
    advice_lines,
    calm_words,
    ended_words,
    operator_words,
    spent_line,
    verdict_line,
)

Target = tuple[range, range]


@dataclass(frozen=True)
class Moment:
    """What is said now. verdict: is it learning and if not why not; what to do. state: LEARNING,
    WAITING or STOP. operator: the one word and one line of the operator's page; calm: the same as
    if no alarm were latched."""

    verdict: tuple[str, str]
    state: str
    operator: tuple[str, str]
    calm: tuple[str, str]
    spent: str


class Model:
    """Puts a run into words. has_keys: whoever reads them sits at the live view's keys."""

    def __init__(
        self, looking: Looking, watch: Watch, knowing: Knowing, has_keys: bool = True
    ) -> None:
        self.looking = looking
        self.watch = watch
        self.knowing = knowing
        self.has_keys = has_keys
        self.description = watch.session.description
        self.names = [bank.name for bank in self.description.bank]

    def moment(self, width: int) -> Moment:
        """Return what is said now; called under the lock. width: characters of a line."""
        looking = self.looking
        waits = (looking.silent_s, looking.no_sample_s)
        verdict = verdict_line(
            self.watch,
            self.names,
            looking.paused,
            *waits,
            port_state=looking.port_state,
            is_behind=looking.is_behind,
            has_keys=self.has_keys,
        )
        if looking.ended:
            verdict = ended_words(self.has_keys)
        state = state_of(self.watch)
        operator = operator_words(self.watch, self.names, looking.paused)
        calm = calm_words(self.watch, self.names, looking.paused)
        idle = looking.paused or looking.ended or looking.port_state or looking.is_behind
        if idle or max(waits) > SILENT_S:
            calm = (WAITING, verdict[0])
            if state != STOP:
                state, operator = WAITING, calm
        return Moment(verdict, state, operator, calm, spent_line(self.watch, width))

    def head(self) -> list[str]:
        """Return the operating point now: time, engine, lambdas, frames lost, pace."""
        watch = self.watch
        lambdas = " ".join(
            f"{name} {'-' if value != value else f'{value:.2f}'}"
            for name, value in zip(self.names, watch.lambdas, strict=False)
        )
        parts = [
            clock(watch.time_s),
            f"{watch.speed_rpm:.0f} rpm {watch.load:.0f} {self.description.axes.load_unit}",
            f"lambda {lambdas} (target {watch.target:.2f})",
            f"lost {watch.session.counters.lost}",
        ]
        if self.looking.speed is not None:
            parts.append(f"x{self.looking.speed:g}")
        return parts

    def advice(self, snapshot: Snapshot | None) -> list[str]:
        """Return where to go next, in two lines."""
        advice = snapshot.advice if snapshot is not None else None
        aside = snapshot.aside if snapshot is not None else 0
        return advice_lines(advice, self.description, aside, self.has_keys)


def advised_cells(snapshot: Snapshot | None) -> Target | None:
    """Return rows and columns of the ground advised next."""
    region = snapshot.advice.region if snapshot is not None else None
    if region is None:
        return None
    return range(region.row, region.row_end + 1), range(region.column, region.column_end + 1)
