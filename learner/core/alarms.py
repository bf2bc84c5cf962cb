# Board-safe: runs on CPython and MicroPython alike.
"""What must not wait: alarms from the samples as they come, latched until acknowledged.

Sans-I/O like the rest of the learner: samples and silences in, alarms out. An alarm looks at raw
readings, not at verdicts, so a sample that teaches nothing can still raise one. Each appearance of
a cause is an episode, counted and kept. Bounded memory. A small board watches the mixture alone
(`breathmap.learner.core.lean`).
"""

from breathmap.learner.core.episodes import Episodes
from breathmap.learner.core.lean import LAST_S, RUN_S, SLOTS, WORST, Lean
from breathmap.learner.core.settings import SWITCHING, Settings
from breathmap.protocol.wire.codes import SENSOR_READY, SENSOR_WARMING
from breathmap.protocol.wire.sample import NAN, Sample

# In order of rank: the first raised one is the one to shout.
LEAN = 0
HOT = 1
SENSOR_LOST = 2
LINK_LOST = 3
FRAMES_LOST = 4
NOT_RECORDING = 5
NAMES = (
    "lean_under_load",
    "engine_too_hot",
    "sensor_lost",
    "link_lost",
    "frames_being_lost",
    "not_recording",
)
# The first so many ask to stop now; the others ask for a look.
STOP_NOW = 2

BANDS_S = 5.0  # losses are counted over this and the span before
SENSOR_CONFIRM_S = 0.5
# A sensor that was never ready, with the engine running: one that says that it is warming may
# take its time (common practice, no source: under a minute), one that says anything else may not.
WARM_UP_S = 60.0
NEVER_READY_S = 5.0
AGAIN_S = 10.0  # an acknowledged alarm whose cause stays comes back after this
# A cause that comes back sooner belongs to the same episode (the mixture's: `lean.END_S`).
SAME_S = 10.0


class AlarmLimits:
    """Thresholds. Each default is common practice, no source. The first four: see
    `breathmap.learner.core.lean.Lean`."""

    def __init__(self) -> None:
        self.target_load = [60.0, 90.0]
        self.above_target = [0.07, 0.05]
        self.lean_load = [50.0, 75.0, 95.0]
        self.lean_lambda = [1.35, 1.2, 1.1]
        self.coolant_max_c = 112.0
        self.link_lost_s = 1.0
        self.frames_lost_pct = 5.0


class Alarms:
    """Watches the samples of one engine.

    latched[k]: alarm k (see NAMES) was raised and nobody has acknowledged it. active[k]: its cause
    is there now. bank[k]: the bank it was raised for, -1 for none. value[k]: what was seen then,
    for a lost sensor the state that it tells. episodes: every appearance of a cause that samples
    show. running_s: how long the engine has run.
    """

    def __init__(self, settings: Settings, limits: AlarmLimits) -> None:
        self.settings = settings
        self.limits = limits
        count = len(settings.banks)
        self.latched = [False] * len(NAMES)
        self.active = [False] * len(NAMES)
        self.bank = [-1] * len(NAMES)
        self.value = [0.0] * len(NAMES)
        self.episodes = Episodes(len(NAMES))
        self.lean = Lean(
            settings,
            limits.lean_load,
            limits.lean_lambda,
            limits.target_load,
            limits.above_target,
        )
        self.running_s = 0.0
        self._quiet_s = [0.0] * len(NAMES)
        self._banks = count
        self._gone_s = [0.0] * count
        self._warming_s = [0.0] * count
        self._was_ready = [False] * count
        self._last_us = -1
        self._span_s = 0.0
        self._came = [0, 0]
        self._lost = [0, 0]

    def begin_source(self, name: str) -> None:
        """What follows comes from another source, whose clock starts afresh."""
        self.episodes.begin_source(name)
        self.restart()

    def restart(self) -> None:
        """What follows does not follow on what was."""
        self.lean.restart()
        self._last_us = -1

    def take(self, sample: Sample) -> int:
        """Look at one sample; return how many alarms it raised that were not latched before."""
        step_s = (sample.time_us - self._last_us) * 1e-6 if self._last_us >= 0 else 0.0
        self._last_us = sample.time_us
        self.episodes.time_s += max(0.0, step_s)
        dt_s = self.lean.take(sample)
        before = self._count()
        self._age(dt_s)
        self._set(LINK_LOST, False, -1, 0.0)
        load = sample.throttle_pct if self.settings.load_is_throttle else sample.map_kpa
        running = sample.speed_rpm >= self.settings.limits.speed_min_rpm
        if running:
            self.running_s += dt_s
        self._watch_sensors(sample, load, running, dt_s)
        self._watch_lean(sample)
        hot = sample.coolant_c > self.limits.coolant_max_c
        if self._set(HOT, hot, -1, sample.coolant_c):
            self._see(HOT, -1, sample, load, sample.coolant_c, self.limits.coolant_max_c)
        self._count_losses(sample, load, dt_s)
        return self._count() - before

    def silence(self, silent_s: float) -> int:
        """Tell that nothing has arrived for so long; return how many alarms that raised."""
        before = self._count()
        self._set(LINK_LOST, silent_s >= self.limits.link_lost_s, -1, silent_s)
        return self._count() - before

    def recording(self, is_failing: bool) -> int:
        """Tell whether the recording fails; return how many alarms that raised."""
        before = self._count()
        self._set(NOT_RECORDING, is_failing, -1, 0.0)
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

    def _set(self, kind: int, is_active: bool, bank: int, value: float) -> bool:
        """Say whether a cause is there now; returns the same."""
        # A new appearance of the cause is news, even soon after an acknowledgement.
        is_news = not self.active[kind] or self._quiet_s[kind] <= 0.0
        if is_active and is_news and not self.latched[kind]:
            self.latched[kind] = True
            self.bank[kind] = bank
            self.value[kind] = value
        self.active[kind] = is_active
        return is_active

    def _see(
        self, kind: int, bank: int, sample: Sample, load: float, value: float, limit: float
    ) -> None:
        """Keep what shows of a cause that is there now."""
        episode = self.episodes.of(kind, bank)
        episode.duration_s = self.episodes.age_s(episode)
        episode.see(value, limit, sample.speed_rpm, load)

    def _age(self, dt_s: float) -> None:
        for k in range(len(NAMES)):
            self._quiet_s[k] -= dt_s
        episodes = self.episodes
        for episode in list(episodes.going):
            if episodes.age_s(episode) - episode.duration_s > SAME_S:
                episodes.end(episode)

    def _watch_lean(self, sample: Sample) -> None:
        lean = self.lean
        first = -1
        for bank in range(self._banks):
            if lean.on[bank]:
                at = bank * SLOTS
                episode = self.episodes.of(LEAN, bank, lean.run[at + RUN_S])
                episode.duration_s = lean.run[at + LAST_S]
                at += WORST + 1
                episode.see(lean.run[at], lean.run[at + 1], lean.run[at + 2], lean.run[at + 3])
                first = bank if first < 0 else first
        for episode in list(self.episodes.going):
            if episode.kind == LEAN and not lean.on[episode.bank]:
                self.episodes.end(episode)
        self._set(LEAN, first >= 0, first, sample.measured_lambda[first])

    def _watch_sensors(self, sample: Sample, load: float, running: bool, dt_s: float) -> None:
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
                if self._is_gone(bank):
                    self._see(SENSOR_LOST, bank, sample, load, sample.sensor_state[bank], NAN)
                    gone = bank if gone < 0 else gone
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

    def _count_losses(self, sample: Sample, load: float, dt_s: float) -> None:
        self._came[1] += 1
        self._lost[1] += sample.lost_before
        self._span_s += dt_s
        total = self._came[0] + self._came[1] + self._lost[0] + self._lost[1]
        gone = self._lost[0] + self._lost[1]
        share_pct = 100.0 * gone / total
        # Three and more: one bad moment is no trouble yet.
        bad = gone >= 3 and share_pct > self.limits.frames_lost_pct
        if self._set(FRAMES_LOST, bad, -1, share_pct):
            self._see(FRAMES_LOST, -1, sample, load, share_pct, self.limits.frames_lost_pct)
        if self._span_s >= BANDS_S:
            self._span_s = 0.0
            self._came = [self._came[1], 0]
            self._lost = [self._lost[1], 0]
