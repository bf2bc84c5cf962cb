# Board-safe: runs on CPython and MicroPython alike.
"""Lean under load: lambda too far above the target, or above what is safe with any target.

A reading belongs to gas that was injected a while ago, so it is held against what accuses nobody
wrongly: the lowest load and the highest target of a window as long as gas and sensor may take,
however well the delay is described. While the fuel flow grows the film takes fuel, and in the
learning set-up nothing makes up for it: the limit above the target rises by what a film may take.
After a fuel cut, and while the controller leans out a closing throttle, nothing is judged.

How far above its limit a reading is counts as well as how long: lambda above the limit is summed
over time, and the sum raises the alarm. Only what two neighbouring readings both show is summed, so
one wild reading raises nothing at any rate. 13 % lean at full load is called within 0.3 s of the
first reading above the limit that is judged: load held for the window, from 0.5 s at 6,000 rpm to
1 s at 1,500 rpm; where gas and sensor bring it in slowly, a little later. `python -m
breathmap.tools.bench.alarms` measures that, and what healthy drives raise.
"""

from array import array

from breathmap.learner.core.settings import SWITCHING, Settings
from breathmap.protocol.wire.codes import DECELERATION_ENLEANMENT, FUEL_CUT, REV_LIMIT, SENSOR_READY
from breathmap.protocol.wire.sample import Sample

# No lambda is above it.
NONE = 99.0
STEP_S = 0.1
STEPS = 18
# How old the gas at a sensor may be, lag included. Common practice, no source: from a few to some
# eight engine cycles for exhaust and sensor position, and three lags of a wideband sensor.
WINDOW_S = 0.35
WINDOW_CYCLES = 8.0
# Time constant of the flow that the film has got used to, and the share of what is newer that a
# film may keep, warm and cold. Common practice, no source; held by the benchmark.
FILM_S = 0.5
FILM_WARM = 0.2
FILM_COLD = 0.35
WARM_C = 60.0
QUIET_AFTER_CUT_S = 2.0
# Lambda times seconds above the limit: 0.064 (13 % lean at a target of 0.88) takes 0.05 s, and
# three times that where gas and sensor bring it in slowly.
CALL = 0.0027
# Further above than this counts as this, or one or two wild readings would do.
MOST_ABOVE = 0.06
END_S = 1.0
# A longer silence breaks the window.
GAP_S = 1.0

# Places in `Lean.run`, SLOTS a bank.
SCORE = 0
ABOVE = 1
RUN_S = 2
LAST_S = 3
WORST = 4  # by how much it is above its limit; then lambda, limit, speed, load
SLOTS = 9

# Places in `Lean._kept` behind the ring.
_WHOLE = STEPS
_NEWEST = STEPS + 1
_ALL = STEPS + 2


def between(loads: "list[float]", values: "list[float]", load: float) -> float:
    """The value at a load, straight between neighbours; NONE below the first load."""
    if not load >= loads[0]:
        return NONE
    for k in range(len(loads) - 1):
        if load < loads[k + 1]:
            part = (load - loads[k]) / (loads[k + 1] - loads[k])
            return values[k] + part * (values[k + 1] - values[k])
    return values[len(loads) - 1]


def _join(kept: "array[float]", into: int, other: int, afresh: bool) -> None:
    """Widen one place by another; afresh: be the other."""
    a = 3 * into
    b = 3 * other
    if afresh or kept[b] < kept[a]:
        kept[a] = kept[b]
    for k in (1, 2):
        if afresh or kept[b + k] > kept[a + k]:
            kept[a + k] = kept[b + k]


class Lean:
    """Watches the mixture of one engine.

    lean_load, lean_lambda: lambda that is too lean whatever the target. target_load, above_target:
    how far above the target is too lean. Both at loads in the load axis's unit, straight in between
    and nothing below the first.

    on[bank]: the alarm is on. count: alarms so far, all banks. judged_s: how long a reading could
    have raised one. run: per bank SLOTS numbers: the sum, the newest reading's distance above its
    limit, seconds since the first lean reading of this run (-1: none) and from that to the last,
    and the worst reading: distance, lambda, limit, speed, and the load it was held against.
    low, base: what the newest readings are held against, the window's lowest load (-1: they cannot
    be judged) and its highest target with the film's share (NONE: the target is not known).
    """

    def __init__(
        self,
        settings: Settings,
        lean_load: "list[float]",
        lean_lambda: "list[float]",
        target_load: "list[float]",
        above_target: "list[float]",
    ) -> None:
        self.settings = settings
        self.lean_load = lean_load
        self.lean_lambda = lean_lambda
        self.target_load = target_load
        self.above_target = above_target
        self.on = [False] * len(settings.banks)
        self.count = 0
        self.judged_s = 0.0
        self.low = -1.0
        self.base = NONE
        self.run = array("f", [0.0] * (SLOTS * len(settings.banks)))
        # Lowest load, highest target and most that is new to the film: of each step in a ring, then
        # of the window's whole steps, of the newest sample, and of the whole window.
        self._kept = array("f", [0.0] * (3 * (STEPS + 3)))
        self._at = 0
        self.restart()

    def restart(self) -> None:
        """What follows does not follow on what was: another source, or a gap."""
        self._last_us = -1
        self._steps = 0
        self._step_s = 0.0
        self._flow = 0.0
        self._quiet_s = 0.0
        for bank in range(len(self.on)):
            self.on[bank] = False
            self.run[bank * SLOTS + SCORE] = 0.0
            self.run[bank * SLOTS + ABOVE] = -1.0
            self.run[bank * SLOTS + RUN_S] = -1.0

    def take(self, sample: Sample) -> float:
        """Look at one sample; return the seconds since the one before, 0 after a break."""
        dt_s = (sample.time_us - self._last_us) * 1e-6 if self._last_us >= 0 else 0.0
        if not 0.0 <= dt_s < GAP_S:
            self.restart()
            dt_s = 0.0
        self._last_us = sample.time_us
        load = sample.throttle_pct if self.settings.load_is_throttle else sample.map_kpa
        self._follow(sample, load, dt_s)
        limit = self._limit()
        judged = False
        for bank in range(len(self.on)):
            value = sample.measured_lambda[bank]
            above = -1.0
            if limit < NONE and sample.sensor_state[bank] == SENSOR_READY and value == value:
                judged = True
                above = value - limit
            self._judge(bank * SLOTS, bank, above, dt_s)
            if above > 0.0 and above >= self.run[bank * SLOTS + WORST]:
                self._note(bank * SLOTS + WORST, above, value, limit, sample.speed_rpm)
        if judged:
            self.judged_s += dt_s
        return dt_s

    def _follow(self, sample: Sample, load: float, dt_s: float) -> None:
        """Move the window on, and find what the newest readings are held against."""
        self.low = -1.0
        self.base = NONE
        speed_rpm = sample.speed_rpm
        self._quiet_s -= dt_s
        if not (speed_rpm >= self.settings.limits.speed_min_rpm and load > 0.0):
            self._steps = 0
            return
        window_s = WINDOW_S + WINDOW_CYCLES * 120.0 / speed_rpm
        if sample.flags & (FUEL_CUT | REV_LIMIT):
            self._quiet_s = QUIET_AFTER_CUT_S
        elif sample.flags & DECELERATION_ENLEANMENT and self._quiet_s < window_s:
            self._quiet_s = window_s
        # The newest step is not whole.
        steps = min(2 + int(window_s / STEP_S), STEPS)
        self._keep(load, sample.target_lambda, load * speed_rpm, dt_s, steps)
        if self._steps < steps or self._quiet_s > 0.0 or self.settings.sensor_kind == SWITCHING:
            return
        kept = self._kept
        self.low = kept[3 * _ALL]
        target = kept[3 * _ALL + 1]
        if target < NONE:
            film = FILM_COLD if sample.coolant_c < WARM_C else FILM_WARM
            self.base = target * (1.0 + film * kept[3 * _ALL + 2])

    def _keep(self, load: float, target: float, flow: float, dt_s: float, steps: int) -> None:
        """Remember the operating point in the newest step, and what `steps` of them say."""
        if self._steps == 0:
            self._flow = flow
        self._flow += (flow - self._flow) * dt_s / (dt_s + FILM_S)
        kept = self._kept
        kept[3 * _NEWEST] = load
        kept[3 * _NEWEST + 1] = target if target == target else NONE
        kept[3 * _NEWEST + 2] = max(0.0, 1.0 - self._flow / flow)
        self._step_s += dt_s
        begins = self._steps == 0 or self._step_s >= STEP_S
        if begins:
            self._step_s = 0.0
            self._steps += 1
            for k in range(min(steps, self._steps) - 1):
                _join(kept, _WHOLE, (self._at + STEPS - k) % STEPS, k == 0)
            self._at = (self._at + 1) % STEPS
        _join(kept, self._at, _NEWEST, begins)
        _join(kept, _ALL, _WHOLE, True)
        _join(kept, _ALL, self._at, False)

    def _limit(self) -> float:
        """The lambda that is too lean now, NONE where nothing is."""
        limit = between(self.lean_load, self.lean_lambda, self.low)
        above = between(self.target_load, self.above_target, self.low)
        return min(limit, self.base + above)

    def _judge(self, at: int, bank: int, above: float, dt_s: float) -> None:
        """Add one reading to its bank's sum; above: its distance above the limit, -1 for none."""
        run = self.run
        both = max(-MOST_ABOVE, min(above, run[at + ABOVE], MOST_ABOVE))
        run[at + ABOVE] = above
        score = max(0.0, run[at + SCORE] + both * dt_s)
        run[at + SCORE] = score
        if run[at + RUN_S] >= 0.0:
            run[at + RUN_S] += dt_s
        elif above > 0.0:
            run[at + RUN_S] = run[at + WORST] = 0.0
        if above > 0.0:
            run[at + LAST_S] = run[at + RUN_S]
        if self.on[bank]:
            if run[at + RUN_S] - run[at + LAST_S] >= END_S:
                self.on[bank] = False
                run[at + SCORE] = 0.0
                run[at + RUN_S] = -1.0
        elif score >= CALL:
            self.on[bank] = True
            self.count += 1
        elif score <= 0.0 and above <= 0.0:
            run[at + RUN_S] = -1.0

    def _note(self, at: int, above: float, value: float, limit: float, speed_rpm: float) -> None:
        run = self.run
        run[at] = above
        run[at + 1] = value
        run[at + 2] = limit
        run[at + 3] = speed_rpm
        run[at + 4] = self.low
