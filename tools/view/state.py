"""What the live view knows: fed by the learner's thread, read by the screen, behind one lock.

`Watch` looks at every sample and keeps little: the operating point, a minute of verdicts, where
observations landed, the alarms. `Knowing` solves copies now and then, for what takes long: standard
errors, the proposal, the advice where to go next.
"""

import threading
import time
from collections import Counter, deque
from copy import deepcopy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.alarms import NAMES, STOP_NOW
from breathmap.learner.core.gates import primary_reason
from breathmap.learner.core.kernel import WEIGHT, Evidence
from breathmap.learner.decide.guide import (
    Advice,
    Guide,
    Patience,
    Region,
    knowledge,
    reached_ground,
)
from breathmap.learner.decide.proposal import Rules, propose, rules_for
from breathmap.learner.exact.solve import Solution, solve
from breathmap.protocol.wire.fields import REASONS
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.run.session import Session
from breathmap.tools.view.causes import Causes

USED = "used"
STEP_S = 0.5
MINUTE_S = 60.0
NOW_S = 1.0
SOLVE_EVERY_S = 5.0
# Solving may take this share of one core.
SOLVE_SHARE = 0.05
EARLY_S = 15.0
# Advised for so long in all, with nothing landing there: it cannot be reached, or nobody wants to.
GIVE_UP_S = 90.0
LEARNING, WAITING, STOP = "LEARNING", "WAITING", "STOP"

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Snapshot:
    """What was known at one moment. Per bank: arrays (load_count, speed_count), in per cent."""

    solutions: list[Solution]
    proposed_pct: list[Array]
    advice: Advice
    aside: int


class Watch:
    """What every sample leaves for the screen.

    time_s: how long it has looked, gaps left out. speed_rpm, load, lambdas: now. landed[bank]: per
    cell, the watch's time when a used observation last landed there. alarms: the session's; what
    earlier sources raised has been seen. raised_s: of each latched alarm the watch's time when it
    was raised. came[kind], came_s[kind]: how often its cause has come, and
    when last.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.alarms = session.alarms
        self.alarms.acknowledge()
        self.raised_s: dict[int, float] = {}
        self.came = [0] * len(NAMES)
        self.came_s: dict[int, float] = {}
        self._was_active = [False] * len(NAMES)
        self.time_s = 0.0
        self.speed_rpm = self.load = float("nan")
        self.lambdas: list[float] = []
        self.target = float("nan")
        self.coolant_c = float("nan")
        banks = session.learner.banks
        shape = (banks[0].table.load_count, banks[0].table.speed_count)
        self.landed = [np.full(shape, -np.inf) for _ in banks]
        self.square_s = np.full((shape[0] - 1, shape[1] - 1), -np.inf)
        self._steps: deque[tuple[float, list[Counter[str]]]] = deque()
        self._last_us = -1

    def take(self, sample: Sample) -> None:
        """Look at a sample that was just learned."""
        self._look(sample)
        counts = self._counts()
        for bank, landed, count in zip(
            self.session.learner.banks, self.landed, counts, strict=True
        ):
            if bank.verdict:
                count[REASONS[primary_reason(bank.verdict)]] += 1
                continue
            count[USED] += 1
            row, column = divmod(bank.evidence.square, bank.table.speed_count)
            landed[row : row + 2, column : column + 2] = self.time_s
            self.square_s[row, column] = self.time_s

    def look(self, sample: Sample) -> None:
        """Look at a sample that is not learned: operating point and alarms only."""
        self.alarms.take(sample)
        self._look(sample)

    def silence(self, silent_s: float) -> None:
        """Nothing has arrived for so long."""
        self.alarms.silence(silent_s)
        self._note_raised()

    def recording(self, is_failing: bool) -> None:
        """The disk takes no more, or takes it again."""
        self.alarms.recording(is_failing)
        self._note_raised()

    def _note_raised(self) -> None:
        for kind, (latched, active) in enumerate(
            zip(self.alarms.latched, self.alarms.active, strict=True)
        ):
            is_new = latched and kind not in self.raised_s
            if is_new:
                self.raised_s[kind] = self.time_s
            elif not latched:
                self.raised_s.pop(kind, None)
            if is_new or (latched and active and not self._was_active[kind]):
                self.came[kind] += 1
                self.came_s[kind] = self.time_s
            self._was_active[kind] = active

    def _look(self, sample: Sample) -> None:
        step_s = (sample.time_us - self._last_us) * 1e-6 if self._last_us >= 0 else 0.0
        self._last_us = sample.time_us
        if 0.0 < step_s < 10.0:
            self.time_s += step_s
        throttle = self.session.settings.load_is_throttle
        self.speed_rpm = sample.speed_rpm
        self.load = sample.throttle_pct if throttle else sample.map_kpa
        self.lambdas = list(sample.measured_lambda[: sample.banks])
        self.target = sample.target_lambda
        self.coolant_c = sample.coolant_c
        self._note_raised()

    def _counts(self) -> list[Counter[str]]:
        if not self._steps or self.time_s - self._steps[-1][0] >= STEP_S:
            self._steps.append((self.time_s, [Counter() for _ in self.landed]))
            while self._steps[0][0] < self.time_s - MINUTE_S:
                self._steps.popleft()
        return self._steps[-1][1]

    def spent(self, bank: int | None = None, span_s: float = MINUTE_S) -> Counter[str]:
        """Return how the last samples were spent: "used" and reasons; all banks when None."""
        total: Counter[str] = Counter()
        for time_s, counts in self._steps:
            if time_s >= self.time_s - span_s:
                for count in counts if bank is None else [counts[bank]]:
                    total += count
        return total

    def verdict(self, bank: int) -> str:
        """Return what mostly becomes of a bank's samples now: "used", or a reason; "" for none."""
        spent = self.spent(bank, NOW_S)
        return spent.most_common(1)[0][0] if spent else ""


class Knowing:
    """What takes long to find, found now and then on copies. Not running: `look` does it once.

    causes: what beside VE could explain it, which takes longer, and is looked for by itself."""

    def __init__(self, session: Session, watch: Watch, lock: threading.Lock) -> None:
        self._session = session
        self._watch = watch
        self._lock = lock
        table = session.learner.banks[0].table
        goal = session.description.goal
        self._guide = Guide(table.load_count, table.speed_count, goal.error_pct / 100.0)
        self._wanted = wanted_squares(session)
        self._all_wanted = goal.speed_rpm is not None and goal.load is not None
        self._patience = Patience(table.load_count, table.speed_count, GIVE_UP_S)
        self._advised: Region | None = None
        self._looked_s = 0.0
        self.latest: Snapshot | None = None
        self.causes = Causes(session, lock)
        self.pause_s = SOLVE_EVERY_S
        self._one_at_a_time = threading.Lock()

    def look(self) -> Snapshot:
        """Solve what there is now and keep it as `latest`; one thread after another."""
        with self._one_at_a_time:
            return self._look()

    def _look(self) -> Snapshot:
        began = time.thread_time()
        with self._lock:
            evidences = [deepcopy(bank.evidence) for bank in self._session.learner.banks]
            time_s = self._watch.time_s
            square_s = self._watch.square_s.copy()
        description, tables = self._session.description, self._session.tables
        solutions = [
            solve(evidence, cells_pct=cells)
            for evidence, cells in zip(evidences, tables, strict=True)
        ]
        rules = rules_for(description, Rules())
        proposed = [
            propose(cells, solution, description.storage, description.axes, rules).cells_pct
            for cells, solution in zip(tables, solutions, strict=True)
        ]
        self._patience.take(self._advised, time_s - self._looked_s, square_s >= self._looked_s)
        self._looked_s = time_s
        advice = self._advise(evidences, solutions, time_s)
        self._advised = advice.region
        self.latest = Snapshot(solutions, proposed, advice, int(self._patience.aside.sum()))
        cost_s = time.thread_time() - began
        # The first answers come soon: somebody has just sat down before an empty table.
        self.pause_s = 1.5 if time_s < EARLY_S else max(SOLVE_EVERY_S, cost_s / SOLVE_SHARE)
        return self.latest

    def set_aside(self) -> None:
        """Leave the advised region out from now on."""
        region = self._advised
        if region is not None:
            self._patience.aside[region.row : region.row_end, region.column : region.column_end] = (
                True
            )

    def bring_back(self) -> None:
        """Take what was set aside in again."""
        self._patience.bring_back()

    def _advise(
        self, evidences: list[Evidence], solutions: list[Solution], time_s: float
    ) -> Advice:
        banks = [knowledge(e, s) for e, s in zip(evidences, solutions, strict=True)]
        ground = self._wanted if self._all_wanted else reached_ground(banks, self._wanted)
        ground = ground & ~self._patience.aside
        weight = sum(e.sums[WEIGHT] for e in evidences) / len(evidences)
        # What a minute of running has brought so far; a plausible figure in the first moments.
        per_minute = weight / max(time_s / 60.0, 0.2) if weight > 100.0 else 500.0
        return self._guide.advise(banks, ground, ground, per_minute)


def wanted_squares(session: Session) -> Mask:
    """Return the squares that the description's goal names, of shape
    (load_count - 1, speed_count - 1)."""
    axes, goal = session.description.axes, session.description.goal
    inside = []
    for points, ends in ((axes.load, goal.load), (axes.speed_rpm, goal.speed_rpm)):
        values = np.asarray(points)
        low, high = (ends[0], ends[-1]) if ends else (values[0], values[-1])
        inside.append((values[1:] > low) & (values[:-1] < high))
    return np.asarray(np.outer(inside[0], inside[1]))


def state_of(watch: Watch) -> str:
    """Return the one word: STOP, LEARNING (every bank is) or WAITING."""
    return STOP if 0 <= watch.alarms.worst() < STOP_NOW else calm_state_of(watch)


def calm_state_of(watch: Watch) -> str:
    """Return the same as if no alarm were latched."""
    banks = range(len(watch.landed))
    return LEARNING if all(watch.verdict(bank) == USED for bank in banks) else WAITING
