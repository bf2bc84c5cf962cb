# Board-safe: runs on CPython and MicroPython alike.
"""Which samples may teach: reasons for refusal, and how much a moving one is worth.

A verdict is an integer with one bit per reason (bit number = reason number of the protocol); zero
means used. Explanations and remedies for people stand in `breathmap.learner.words.reasons`, which
a board need not load.
"""

from breathmap.learner.core.history import Seen
from breathmap.learner.core.settings import SWITCHING, Settings
from breathmap.protocol.wire.codes import (
    ACCELERATION_ENRICHMENT,
    CLOSED_LOOP,
    DECELERATION_ENLEANMENT,
    FUEL_CUT,
    LONG_TERM_ADAPTATION,
    POWER_ENRICHMENT,
    REV_LIMIT,
    SENSOR_FAULT,
    SENSOR_READY,
    WARM_UP_ENRICHMENT,
)
from breathmap.protocol.wire.sample import Sample

ENGINE_NOT_RUNNING = 1
COOLANT_COLD = 2
ENGINE_TOO_HOT = 4
BATTERY_LOW = 8
SENSOR_NOT_READY = 16
SENSOR_FAULTY = 32
LAMBDA_OUT_OF_RANGE = 64
FUEL_IS_CUT = 128
FUEL_CUT_RECOVERY = 256
ENRICHMENT = 512
OTHER_ENRICHMENT = 1024
THROTTLE_MOVING = 2048
PRESSURE_MOVING = 4096
SPEED_MOVING = 8192
OUTSIDE_NOW = 16384
OUTSIDE_AT_INJECTION = 32768
CLOSED_LOOP_WRONG = 65536
TARGET_CHANGED = 131072
HISTORY_SHORT = 262144
FRAMES_LOST = 524288
VALUE_MISSING = 1048576
LOOP_NOT_SETTLED = 2097152

# Longer ago than any delay or recovery: eleven days.
LONG_AGO_S = 1e6
# A turn of the closed loop later than this many usual ones means that it is on its way: halves of
# one swing differ, but not by a factor of two (common practice, no source) ...
LATE_TURNS = 1.8
# ... and what is usual follows each turn by this share (by more while turns are few): a memory of
# some 20 turns (common practice, no source).
TURN_SHARE = 0.05


def primary_reason(verdict: int) -> int:
    """The number of the first reason in a refusing verdict; reasons stand in order of rank."""
    number = 0
    while not verdict & 1:
        verdict >>= 1
        number += 1
    return number


def reason_names(verdict: int) -> "list[str]":
    """Names of all reasons in a verdict; empty for a used sample."""
    # Here, because a board need not load them.
    from breathmap.protocol.wire.names import REASONS

    return [REASONS[k] for k in range(len(REASONS)) if verdict >> k & 1]


class LoopWatch:
    """Whether a switching sensor's loop has found the mixture: its multiplier turns back and forth.

    While the integrator still travels towards a new operating point, its multiplier says nothing
    but "further"; once lambda swings about the target, it turns back with every switch of the
    sensor. How often is learned, because it differs from controller to controller.
    """

    def __init__(self) -> None:
        self.usual_s = 0.0
        self._turns = 0
        self._value = 0.0
        self._rising = False
        self._since_turn_s = LONG_AGO_S
        self._since_turn_before_s = LONG_AGO_S

    def settled(self, multiplier: float, dt_s: float, maximum_s: float) -> bool:
        """Follow one sample; True when the last two turns came in time.

        maximum_s: a longer time between turns is no swing of the loop.
        """
        self._since_turn_s += dt_s
        self._since_turn_before_s += dt_s
        if multiplier != self._value:
            rising = multiplier > self._value
            if rising != self._rising:
                if self._since_turn_s < maximum_s:
                    self._turns += 1
                    share = 1.0 / self._turns
                    if share < TURN_SHARE:
                        share = TURN_SHARE
                    self.usual_s += share * (self._since_turn_s - self.usual_s)
                self._since_turn_before_s = self._since_turn_s
                self._since_turn_s = 0.0
            self._rising = rising
            self._value = multiplier
        in_time_s = LATE_TURNS * self.usual_s
        if in_time_s > maximum_s:
            in_time_s = maximum_s
        # Two turns may take twice as long.
        return self._since_turn_s <= in_time_s and self._since_turn_before_s <= 2.0 * in_time_s


class Gates:
    """What holds for all banks of one sample, and how long ago each disturbance was."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.since_cut_s = LONG_AGO_S
        self.since_enrichment_s = LONG_AGO_S
        self.since_other_s = LONG_AGO_S
        self.since_gap_s = LONG_AGO_S

    def judge_engine(self, sample: Sample, load: float, dt_s: float, gap: bool) -> int:
        """Verdict bits that do not depend on the bank.

        load: in the units of the load axis. dt_s: since the sample before. gap: samples are
        known or seen to be missing between that one and this.
        """
        limits = self.settings.limits
        verdict = 0
        # Comparisons are written so that NaN (not measured) refuses where the value is needed
        # and passes where an engine may lack the sensor.
        if not sample.speed_rpm >= limits.speed_min_rpm:
            verdict |= ENGINE_NOT_RUNNING
        if sample.coolant_c < limits.coolant_min_c:
            verdict |= COOLANT_COLD
        if sample.coolant_c > limits.coolant_max_c:
            verdict |= ENGINE_TOO_HOT
        if sample.battery_v < limits.battery_min_v:
            verdict |= BATTERY_LOW
        if not (load == load and sample.speed_rpm == sample.speed_rpm):
            verdict |= VALUE_MISSING

        flags = sample.flags
        self.since_cut_s = 0.0 if flags & (FUEL_CUT | REV_LIMIT) else self.since_cut_s + dt_s
        enriched = flags & (ACCELERATION_ENRICHMENT | DECELERATION_ENLEANMENT)
        self.since_enrichment_s = 0.0 if enriched else self.since_enrichment_s + dt_s
        other = flags & (POWER_ENRICHMENT | WARM_UP_ENRICHMENT)
        self.since_other_s = 0.0 if other else self.since_other_s + dt_s
        self.since_gap_s = 0.0 if gap else self.since_gap_s + dt_s
        if self.since_cut_s == 0.0:
            verdict |= FUEL_IS_CUT
        if self.settings.closed_loop != bool(flags & CLOSED_LOOP) or flags & LONG_TERM_ADAPTATION:
            verdict |= CLOSED_LOOP_WRONG
        return verdict

    def judge_past(self, window_s: float) -> int:
        """Verdict bits for disturbances within `window_s` (delay and lag) before now."""
        limits = self.settings.limits
        verdict = 0
        if 0.0 < self.since_cut_s <= window_s + limits.fuel_cut_recovery_s:
            verdict |= FUEL_CUT_RECOVERY
        if self.since_enrichment_s <= window_s + limits.enrichment_recovery_s:
            verdict |= ENRICHMENT
        if self.since_other_s <= window_s + limits.enrichment_recovery_s:
            verdict |= OTHER_ENRICHMENT
        if self.since_gap_s <= window_s:
            verdict |= FRAMES_LOST
        return verdict

    def judge_sensor(self, sample: Sample, bank: int) -> int:
        """Verdict bits of one bank's sensor."""
        state = sample.sensor_state[bank]
        if state == SENSOR_FAULT:
            return SENSOR_FAULTY
        if state != SENSOR_READY:
            return SENSOR_NOT_READY
        if self.settings.sensor_kind == SWITCHING:
            return 0 if sample.fuel_multiplier[bank] > 0.0 else VALUE_MISSING
        limits = self.settings.limits
        measured = sample.measured_lambda[bank]
        if measured != measured:
            return VALUE_MISSING
        if not limits.lambda_min <= measured <= limits.lambda_max:
            return LAMBDA_OUT_OF_RANGE
        return 0

    def judge_motion(self, seen: Seen) -> int:
        """Verdict bits for an operating point that moved too far of late, as the sensor saw it."""
        limits = self.settings.limits
        verdict = 0
        if seen.throttle_travel > limits.throttle_travel_max_pct:
            verdict |= THROTTLE_MOVING
        if seen.load_travel > limits.load_travel_max:
            verdict |= PRESSURE_MOVING
        if seen.speed_travel > limits.speed_travel_max_rpm:
            verdict |= SPEED_MOVING
        return verdict

    def weigh_motion(self, seen: Seen) -> float:
        """Weight of a moving operating point: what delay, film and lag leave unexplained grows with
        the travel, so the weight falls with its square."""
        limits = self.settings.limits
        load = seen.load_travel / limits.load_travel_half
        speed = seen.speed_travel / limits.speed_travel_half_rpm
        film = seen.film_size / limits.film_half
        return 1.0 / ((1.0 + load * load + speed * speed) * (1.0 + film * film))
