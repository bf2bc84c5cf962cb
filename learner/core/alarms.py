# Board-safe: runs on CPython and MicroPython alike.
"""What must not wait: alarms from the samples as they come, latched until acknowledged.

Sans-I/O like the rest of the learner: samples and silences in, alarms out. An alarm looks at raw
readings, not at verdicts, so a sample that teaches nothing can still raise one. Bounded memory.
"""

from breathmap.learner.core.settings import SWITCHING, Settings
from breathmap.protocol.wire.codes import FUEL_CUT, REV_LIMIT, SENSOR_READY, SENSOR_WARMING
from breathmap.protocol.wire.sample import Sample

# In order of rank: the first raised one is the one to shout.
LEAN = 0
RISING = 1
HOT = 2
SENSOR_LOST = 3
LINK_LOST = 4
FRAMES_LOST = 5
NAMES = (
    "lean_under_load",
    "lambda_rising_with_load",
    "engine_too_hot",
    "sensor_lost",
    "link_lost",
    "frames_being_lost",
)
# The first so many ask to stop now; the others ask for a look.
STOP_NOW = 3

STEP_S = 0.1
STEPS = 12  # the rise is judged over so many steps, and the lowest load over half as many
BANDS_S = 5.0  # losses are counted over this and the span before
QUIET_AFTER_CUT_S = 2.0
CONFIRM_S = 0.12  # a single reading can be noise
RISE_CONFIRM_S = 0.25
SENSOR_CONFIRM_S = 0.5
# A sensor that was never ready, with the engine running: one that says that it is warming may
# take its time (common practice, no source: under a minute), one that says anything else may not.
WARM_UP_S = 60.0
NEVER_READY_S = 5.0
AGAIN_S = 10.0  # an acknowledged alarm whose cause stays comes back after this


class AlarmLimits:
    """Thresholds. Each default is common practice, no source.

    lean_load, lean_lambda: lambda above which the mixture is too lean, at loads in the load axis's
    unit, linear between. rise_load, rise_lambda: rises within about a second that together alarm.
    """

    def __init__(self) -> None:
        self.lean_load = [50.0, 75.0, 95.0]
        self.lean_lambda = [1.35, 1.2, 1.1]
        self.rise_load = 15.0
        self.rise_lambda = 0.08
        self.coolant_max_c = 112.0
        self.link_lost_s = 1.0
        self.frames_lost_pct = 5.0

    def lean_at(self, load: float) -> float:
        """The lambda that is too lean at a load; nothing is below the first load."""
        loads = self.lean_load
        if load < loads[0]:
            return 99.0
        last = len(loads) - 1
        for k in range(last):
            if load < loads[k + 1]:
                part = (load - loads[k]) / (loads[k + 1] - loads[k])
                return self.lean_lambda[k] + part * (self.lean_lambda[k + 1] - self.lean_lambda[k])
        return self.lean_lambda[last]


class Alarms:
    """Watches the samples of one engine.

    latched[k]: alarm k (see NAMES) was raised and nobody has acknowledged it. active[k]: its cause
    is there now. bank[k]: the bank it was raised for, -1 for none. value[k]: what was seen then,
    for a lost sensor the state that it tells.
    """

    def __init__(self, settings: Settings, limits: AlarmLimits) -> None:
        self.settings = settings
        self.limits = limits
        count = len(settings.banks)
        self.latched = [False] * len(NAMES)
        self.active = [False] * len(NAMES)
        self.bank = [-1] * len(NAMES)
        self.value = [0.0] * len(NAMES)
        self._quiet_s = [0.0] * len(NAMES)
        self._banks = count
        self._lean_s = [0.0] * count
        self._rise_s = [0.0] * count
        self._gone_s = [0.0] * count
        self._warming_s = [0.0] * count
        self._was_ready = [False] * count
        self._load = [0.0] * STEPS
        self._lambda = [0.0] * (STEPS * count)
        self._steps = 0
        self._step_s = 0.0
        self._since_cut_s = 0.0
        self._last_us = -1
        self._span_s = 0.0
        self._came = [0, 0]
        self._lost = [0, 0]

    def take(self, sample: Sample) -> int:
        """Look at one sample; return how many alarms it raised that were not latched before."""
        dt_s = (sample.time_us - self._last_us) * 1e-6 if self._last_us >= 0 else 0.0
        self._last_us = sample.time_us
        if not 0.0 <= dt_s < 1.0:
            self._steps = 0
            dt_s = 0.0
        before = self._count()
        self._age(dt_s)
        self._set(LINK_LOST, False, -1, 0.0)
        load = sample.throttle_pct if self.settings.load_is_throttle else sample.map_kpa
        cut = sample.flags & (FUEL_CUT | REV_LIMIT)
        self._since_cut_s = 0.0 if cut else self._since_cut_s + dt_s
        running = sample.speed_rpm >= self.settings.limits.speed_min_rpm
        self._watch_sensors(sample, running, dt_s)
        if load == load:
            self._keep(sample, load, dt_s)
            self._watch_mixture(sample, running, dt_s)
        hot = sample.coolant_c > self.limits.coolant_max_c
        self._set(HOT, hot, -1, sample.coolant_c)
        self._count_losses(sample.lost_before, dt_s)
        return self._count() - before

    def silence(self, silent_s: float) -> int:
        """Tell that nothing has arrived for so long; return how many alarms that raised."""
        before = self._count()
        self._set(LINK_LOST, silent_s >= self.limits.link_lost_s, -1, silent_s)
        return self._count() - before

    def acknowledge(self) -> None:
        """Somebody has seen what is latched. A cause that stays comes back after AGAIN_S."""
        for k in range(len(NAMES)):
            self.latched[k] = False
            self._quiet_s[k] = AGAIN_S

    def worst(self) -> int:
        """The latched alarm of highest rank, -1 for none."""
        for k in range(len(NAMES)):
            if self.latched[k]:
                return k
        return -1

    def _count(self) -> int:
        return sum(1 for k in range(len(NAMES)) if self.latched[k])

    def _set(self, kind: int, is_active: bool, bank: int, value: float) -> None:
        # A new appearance of the cause is news, even soon after an acknowledgement.
        is_news = not self.active[kind] or self._quiet_s[kind] <= 0.0
        if is_active and is_news and not self.latched[kind]:
            self.latched[kind] = True
            self.bank[kind] = bank
            self.value[kind] = value
        self.active[kind] = is_active

    def _age(self, dt_s: float) -> None:
        for k in range(len(NAMES)):
            self._quiet_s[k] -= dt_s

    def _keep(self, sample: Sample, load: float, dt_s: float) -> None:
        """Remember load and lambda, one entry per STEP_S, newest last."""
        self._step_s += dt_s
        if self._steps and self._step_s < STEP_S:
            return
        self._step_s = 0.0
        for k in range(STEPS - 1):
            self._load[k] = self._load[k + 1]
        self._load[STEPS - 1] = load
        for bank in range(self._banks):
            base = bank * STEPS
            for k in range(base, base + STEPS - 1):
                self._lambda[k] = self._lambda[k + 1]
            self._lambda[base + STEPS - 1] = sample.measured_lambda[bank]
        if self._steps < STEPS:
            self._steps += 1

    def _watch_mixture(self, sample: Sample, running: bool, dt_s: float) -> None:
        lean = rising = -1
        judged = (
            running
            and self._steps > STEPS // 2
            and self._since_cut_s >= QUIET_AFTER_CUT_S
            and self.settings.sensor_kind != SWITCHING
        )
        # The reading is older than the load: the lowest load of late accuses nobody wrongly.
        lowest = min(self._load[STEPS // 2 :])
        limit = self.limits.lean_at(lowest)
        for bank in range(self._banks):
            value = sample.measured_lambda[bank]
            seen = judged and sample.sensor_state[bank] == SENSOR_READY
            if seen and value > limit:
                self._lean_s[bank] += dt_s
            else:
                self._lean_s[bank] = 0.0
            if seen and self._rises(bank, sample.target_lambda, value):
                self._rise_s[bank] += dt_s
            else:
                self._rise_s[bank] = 0.0
            if self._lean_s[bank] >= CONFIRM_S and lean < 0:
                lean = bank
            if self._rise_s[bank] >= RISE_CONFIRM_S and rising < 0:
                rising = bank
        self._set(LEAN, lean >= 0, lean, sample.measured_lambda[lean])
        self._set(RISING, rising >= 0, rising, sample.measured_lambda[rising])

    def _rises(self, bank: int, target: float, value: float) -> bool:
        """True when load and lambda have both risen, and lambda to above the target."""
        if self._steps < STEPS or not value > target * (1.0 + self.limits.rise_lambda):
            return False
        base = bank * STEPS
        old = (self._lambda[base] + self._lambda[base + 1] + self._lambda[base + 2]) / 3.0
        old_load = (self._load[0] + self._load[1] + self._load[2]) / 3.0
        newest = min(self._load[STEPS - 3 :])
        return value - old >= self.limits.rise_lambda and newest - old_load >= self.limits.rise_load

    def _watch_sensors(self, sample: Sample, running: bool, dt_s: float) -> None:
        gone = -1
        for bank in range(self._banks):
            value = sample.measured_lambda[bank]
            measures = value == value or self.settings.sensor_kind == SWITCHING
            ready = sample.sensor_state[bank] == SENSOR_READY and measures
            if ready:
                self._was_ready[bank] = True
                self._gone_s[bank] = self._warming_s[bank] = 0.0
            elif not running:
                # A standing engine's heater may be off: it may warm up again after the start.
                self._was_ready[bank] = False
                self._gone_s[bank] = self._warming_s[bank] = 0.0
            else:
                self._age_sensor(bank, sample.sensor_state[bank] == SENSOR_WARMING, dt_s)
                if gone < 0 and self._is_gone(bank):
                    gone = bank
        self._set(SENSOR_LOST, gone >= 0, gone, float(sample.sensor_state[gone]))

    def _age_sensor(self, bank: int, warming: bool, dt_s: float) -> None:
        if warming and not self._was_ready[bank]:
            self._warming_s[bank] += dt_s
            self._gone_s[bank] = 0.0
        else:
            self._gone_s[bank] += dt_s

    def _is_gone(self, bank: int) -> bool:
        patience_s = SENSOR_CONFIRM_S if self._was_ready[bank] else NEVER_READY_S
        return self._gone_s[bank] >= patience_s or self._warming_s[bank] >= WARM_UP_S

    def _count_losses(self, lost: int, dt_s: float) -> None:
        self._came[1] += 1
        self._lost[1] += lost
        self._span_s += dt_s
        total = self._came[0] + self._came[1] + self._lost[0] + self._lost[1]
        gone = self._lost[0] + self._lost[1]
        share_pct = 100.0 * gone / total
        # Three and more: one bad moment is no trouble yet.
        bad = gone >= 3 and share_pct > self.limits.frames_lost_pct
        self._set(FRAMES_LOST, bad, -1, share_pct)
        if self._span_s >= BANDS_S:
            self._span_s = 0.0
            self._came = [self._came[1], 0]
            self._lost = [self._lost[1], 0]
