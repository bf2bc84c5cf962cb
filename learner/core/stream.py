# Board-safe: runs on CPython and MicroPython alike.
"""The learner: samples in, verdicts out, a current estimate always at hand.

Per sample it does constant work: gates, history, delay, one observation per bank into that bank's
evidence. It does no I/O and keeps nothing of a sample. Equations: the observation

    d = measured lambda / commanded lambda (as seen through delay and lag) - 1 = sum(v_i x_i) + ...

with commanded lambda = target / closed-loop multiplier at injection; see
`breathmap.learner.core.kernel`.
"""

from array import array

from breathmap.learner.core import gates
from breathmap.learner.core.gates import Gates, LoopWatch
from breathmap.learner.core.history import History, Seen
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import SWITCHING, BankSettings, Settings
from breathmap.protocol.wire.codes import REASON_COUNT
from breathmap.protocol.wire.sample import NAN, Sample

# Two samples closer than this many sensor lags tell less than two independent ones: after two a
# first-order lag keeps 14 % of what was, as a correlation (common practice, no source).
INDEPENDENT_LAGS = 2.0

# What is not between these is no measurement: far outside of what any sensor reads.
TINY = 1e-3
HUGE = 1e6
COLDEST_C = -100.0
# Stand in where pressure or intake temperature is not measured: a middling part load, a mild day.
USUAL_MAP_KPA = 60.0
USUAL_INTAKE_C = 25.0

# For so many lags after an outlier, what is measured counts by this much only. It must be little:
# the tails of misfires all lie on the lean side. After four lags 2 % of the spike is left; both
# common practice, no source.
SPIKE_LAGS = 4.0
AFTER_SPIKE = 0.01
# Residuals of one block may be alike; those of different blocks are taken as independent: longer
# than any manoeuvre on the road (common practice, no source).
BLOCK_S = 20.0


class BankLearner:
    """One bank's evidence, its view of the engine, and its counters.

    verdict: what was done with the latest sample (0 used, else reason bits of
    `breathmap.learner.core.gates`).
    weight: the weight it was given. observation: its d. delay_s: its transport delay plus lag.
    seen_count, used_count, refused: samples given, used, and refused by primary reason.
    """

    def __init__(self, bank: BankSettings, number: int, settings: Settings, typecode: str) -> None:
        self.name = bank.name
        self.number = number
        self.table = bank.table
        self.delay = bank.delay
        self.seen = Seen(
            settings.film_s,
            settings.film_terms,
            settings.charge_lead,
            bank.table.load[bank.table.load_count - 1],
        )
        self.evidence = Evidence(
            bank.table.speed_count,
            bank.table.load_count,
            self.seen.n_terms,
            typecode,
            settings.noise,
        )
        self.verdict = gates.HISTORY_SHORT
        self.weight = 0.0
        self.observation = 0.0
        self.delay_s = 0.0
        self.loop = LoopWatch()
        self.spike_s = 0.0
        self.stuck_s = 0.0
        self.measured = 0.0
        self.seen_count = 0
        self.used_count = 0
        self.refused = [0] * REASON_COUNT

    def correction(self, speed_rpm: float, load: float) -> float:
        """Running estimate of the correction at a point, a fraction; clamped to the axes."""
        table = self.table
        table.locate(speed_rpm, load)
        return self.evidence.predict(table.index, table.v0, table.v1, table.v2, table.v3)


class Learner:
    """Learns the tables of all banks of one engine from a stream of samples.

    settings: the engine. typecode: "d" or "f", how evidence and history are stored.
    """

    def __init__(self, settings: Settings, typecode: str = "d") -> None:
        self.settings = settings
        count = len(settings.banks)
        self.banks = [BankLearner(settings.banks[k], k, settings, typecode) for k in range(count)]
        size = int(settings.history_s * settings.sample_rate_hz) + 4
        self.history = History(size, count, typecode)
        # Per bank, of the newest sample: air drawn in and exhaust gas of one cycle.
        self._air = array("d", [0.0] * count)
        self._gas_cm3 = array("d", [0.0] * count)
        self.gates = Gates(settings)
        self._last_us = -1
        self._block_s = 0.0

    def learn_one(self, sample: Sample) -> None:
        """Take one sample; each bank's `verdict` and `weight` then say what was done with it.

        The sample is neither changed nor kept. Raises ValueError when it has too few banks.
        """
        if sample.banks < len(self.banks):
            raise ValueError(
                "the sample carries %d banks, the engine has %d" % (sample.banks, len(self.banks))
            )
        limits = self.settings.limits
        dt_s = (sample.time_us - self._last_us) * 1e-6 if self._last_us >= 0 else 0.0
        if self._last_us >= 0 and dt_s <= 0.0:
            # The same instant twice, or a clock that went back: nothing can be learned from it.
            self._refuse_all(gates.HISTORY_SHORT)
            if dt_s < 0.0:
                self._restart(sample)
            return
        gap = sample.lost_before > 0 or dt_s > limits.gap_max_s
        self._last_us = sample.time_us

        load = sample.throttle_pct if self.settings.load_is_throttle else sample.map_kpa
        common = self.gates.judge_engine(sample, load, dt_s, gap)
        if not self._push(sample, load, dt_s, gap):
            for bank in self.banks:
                bank.seen.reset()
            self._refuse_all(common | gates.VALUE_MISSING)
            return
        for bank in self.banks:
            self._learn_bank(bank, sample, load, common, dt_s)
        self._block_s += dt_s
        if self._block_s >= BLOCK_S:
            self._block_s = 0.0
            for bank in self.banks:
                bank.evidence.close_block()

    def _push(self, sample: Sample, load: float, dt_s: float, gap: bool) -> bool:
        """Add the sample's operating point to the history; False when values are missing."""
        multipliers = sample.fuel_multiplier
        # A closed throttle is a load of 0; a manifold without pressure is none.
        lowest = -HUGE if self.settings.load_is_throttle else TINY
        # Written so that NaN and infinity fail.
        usable = (
            TINY < sample.speed_rpm < HUGE
            and lowest < load < HUGE
            and TINY < sample.target_lambda < HUGE
        )
        for bank in self.banks:
            usable = usable and TINY < multipliers[bank.number] < HUGE
        if not usable:
            self.history.clear()
            return False
        if gap and dt_s > self.settings.history_s:
            self.history.clear()
            for bank in self.banks:
                bank.seen.reset()
        # A throttle-axis engine may lack the pressure sensor; it and the intake's temperature
        # matter for the delay alone.
        map_kpa = sample.map_kpa if TINY < sample.map_kpa < HUGE else USUAL_MAP_KPA
        intake_c = sample.intake_c if COLDEST_C < sample.intake_c < HUGE else USUAL_INTAKE_C
        speed_rpm = sample.speed_rpm
        for bank in self.banks:
            table = bank.table
            table.locate(speed_rpm, load)
            air = table.ve_pct
            self._gas_cm3[bank.number] = bank.delay.gas_cm3(speed_rpm, map_kpa, air, intake_c)
            self._air[bank.number] = air if self.settings.load_is_throttle else air * load
        self.history.push(
            dt_s,
            sample.speed_rpm,
            load,
            sample.throttle_pct if -HUGE < sample.throttle_pct < HUGE else NAN,
            sample.target_lambda,
            multipliers,
            self._air,
            self._gas_cm3,
        )
        return True

    def _learn_bank(
        self, bank: BankLearner, sample: Sample, load: float, verdict: int, dt_s: float
    ) -> None:
        history = self.history
        limits = self.settings.limits
        table = bank.table
        seen = bank.seen
        lag_s = bank.delay.sensor_lag_s

        if not table.inside(sample.speed_rpm, load):
            verdict |= gates.OUTSIDE_NOW
        transport_s = history.look_back(
            bank.number, bank.delay.cycles, bank.delay.exhaust_volume_cm3
        )
        in_reach = transport_s >= 0.0
        if in_reach:
            bank.delay_s = transport_s + lag_s
        else:
            transport_s = self.settings.history_s
        # Three lags leave 5 % of what came before.
        window_s = transport_s + 3.0 * lag_s
        verdict |= self.gates.judge_past(window_s)
        verdict |= self.gates.judge_sensor(sample, bank.number)
        if self.settings.sensor_kind == SWITCHING and not bank.loop.settled(
            sample.fuel_multiplier[bank.number], dt_s, limits.loop_turn_max_s
        ):
            verdict |= gates.LOOP_NOT_SETTLED

        if self._is_stuck(bank, sample.measured_lambda[bank.number], dt_s):
            verdict |= gates.SENSOR_FAULTY

        weight = 0.0
        if in_reach:
            seen.update(history, bank.number, transport_s, dt_s, lag_s)
            if seen.primed_s < 3.0 * lag_s:
                verdict |= gates.HISTORY_SHORT
            verdict |= self.gates.judge_motion(seen)
            weight = self.gates.weigh_motion(seen)
            if history.travel(history.target, window_s) > limits.target_change_max:
                verdict |= gates.TARGET_CHANGED
            if not table.locate(seen.speed_rpm, seen.load):
                verdict |= gates.OUTSIDE_AT_INJECTION
        else:
            seen.reset()
            verdict |= gates.HISTORY_SHORT

        bank.seen_count += 1
        bank.verdict = verdict
        if verdict:
            bank.weight = 0.0
            bank.refused[gates.primary_reason(verdict)] += 1
        else:
            bank.used_count += 1
            self._use(bank, sample, weight, dt_s)

    def _use(self, bank: BankLearner, sample: Sample, weight: float, dt_s: float) -> None:
        """Add what a sample shows, at the table's cursor, to a bank's evidence."""
        table = bank.table
        seen = bank.seen
        lag_s = bank.delay.sensor_lag_s
        if self.settings.sensor_kind == SWITCHING:
            # The integrator holds the mean of lambda at the target.
            measured = sample.target_lambda
        else:
            measured = sample.measured_lambda[bank.number]
        bank.observation = measured / seen.commanded - 1.0
        share = dt_s / (INDEPENDENT_LAGS * lag_s) if lag_s > 0.0 else 1.0
        if bank.spike_s > 0.0:
            bank.spike_s -= dt_s
            weight *= AFTER_SPIKE
        bank.evidence.learn_one(
            table.index,
            table.v0,
            table.v1,
            table.v2,
            table.v3,
            bank.observation,
            weight,
            share if share < 1.0 else 1.0,
            seen.terms,
        )
        bank.weight = bank.evidence.weight
        if bank.evidence.outlier:
            # What follows a spike is the spike's own tail through the sensor's lag.
            bank.spike_s = SPIKE_LAGS * lag_s

    def _is_stuck(self, bank: BankLearner, measured: float, dt_s: float) -> bool:
        """True when a wideband reading has not changed at all while the engine moved about."""
        limits = self.settings.limits
        if measured != bank.measured or self.settings.sensor_kind == SWITCHING:
            bank.measured = measured
            bank.stuck_s = 0.0
        elif bank.seen.load_travel > limits.load_travel_half:
            bank.stuck_s += dt_s
        return bank.stuck_s > limits.stuck_after_s

    def _refuse_all(self, verdict: int) -> None:
        for bank in self.banks:
            bank.seen_count += 1
            bank.verdict = verdict
            bank.weight = 0.0
            bank.refused[gates.primary_reason(verdict)] += 1

    def _restart(self, sample: Sample) -> None:
        self._last_us = sample.time_us
        self.history.clear()
        for bank in self.banks:
            bank.seen.reset()
