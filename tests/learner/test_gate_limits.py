"""Every limit of the gates to the last digit: on it a sample passes, beyond it none does."""

import math
from types import SimpleNamespace
from typing import Any

import pytest
from bench_streams import healthy_sample, twin_settings
from hypothesis import given
from hypothesis import strategies as st

from breathmap.learner.core import gates
from breathmap.learner.core.gates import Gates, LoopWatch
from breathmap.learner.core.settings import SWITCHING, Limits
from breathmap.protocol.wire import fields
from breathmap.protocol.wire.fields import SENSOR_ABSENT, SENSOR_FAULT, SENSOR_READY, SENSOR_WARMING
from breathmap.protocol.wire.names import REASONS

NAN = math.nan
# Of a later protocol version, perhaps; any that is not READY.
UNKNOWN_STATE = 9
LIMITS = Limits()


def beyond(value: float, up: bool) -> float:
    """Return the next number above or below."""
    return math.nextafter(value, math.inf if up else -math.inf)


def engine_verdict(changed: dict[str, Any], load: float = 55.0, closed_loop: bool = False) -> int:
    """Return what the gates say of one sample that differs from a healthy one."""
    judge = Gates(twin_settings(closed_loop=closed_loop))
    return judge.judge_engine(healthy_sample(**changed), load, 0.02, gap=False)


@pytest.mark.parametrize(
    ("name", "limit", "up", "reason"),
    [
        ("speed_rpm", LIMITS.speed_min_rpm, False, gates.ENGINE_NOT_RUNNING),
        ("coolant_c", LIMITS.coolant_min_c, False, gates.COOLANT_COLD),
        ("coolant_c", LIMITS.coolant_max_c, True, gates.ENGINE_TOO_HOT),
        ("battery_v", LIMITS.battery_min_v, False, gates.BATTERY_LOW),
    ],
)
def test_a_value_on_its_limit_passes(name: str, limit: float, up: bool, reason: int) -> None:
    """A value on its limit passes, the next number beyond is refused for its reason alone."""
    assert engine_verdict({name: limit}) == 0
    assert engine_verdict({name: beyond(limit, up)}) == reason
    assert engine_verdict({name: beyond(limit, not up)}) == 0


def test_what_is_not_measured_is_missing_where_it_is_needed() -> None:
    """Without speed or load nothing is learned; an engine may lack the other sensors."""
    not_running = gates.ENGINE_NOT_RUNNING | gates.VALUE_MISSING
    assert engine_verdict({"speed_rpm": NAN}) == not_running
    assert engine_verdict({}, load=NAN) == gates.VALUE_MISSING
    assert engine_verdict({"coolant_c": NAN, "battery_v": NAN}) == 0


@pytest.mark.parametrize("closed_loop", [False, True])
@pytest.mark.parametrize("flags", [0, fields.CLOSED_LOOP, fields.LONG_TERM_ADAPTATION, 64 | 256])
def test_the_loop_must_be_as_described(closed_loop: bool, flags: int) -> None:
    """A loop that is closed where it should be open, or the other way round, refuses, and so does
    any adaptation."""
    wrong = bool(flags & fields.CLOSED_LOOP) != closed_loop
    wrong |= bool(flags & fields.LONG_TERM_ADAPTATION)
    expected = gates.CLOSED_LOOP_WRONG if wrong else 0
    assert engine_verdict({"flags": flags}, closed_loop=closed_loop) & ~0x3FF == expected


# Flag, the reason while it is there, the reason after it, and for how long.
PAST = [
    (fields.FUEL_CUT, gates.FUEL_IS_CUT, gates.FUEL_CUT_RECOVERY, LIMITS.fuel_cut_recovery_s),
    (fields.REV_LIMIT, gates.FUEL_IS_CUT, gates.FUEL_CUT_RECOVERY, LIMITS.fuel_cut_recovery_s),
    (fields.ACCELERATION_ENRICHMENT, 0, gates.ENRICHMENT, LIMITS.enrichment_recovery_s),
    (fields.DECELERATION_ENLEANMENT, 0, gates.ENRICHMENT, LIMITS.enrichment_recovery_s),
    (fields.POWER_ENRICHMENT, 0, gates.OTHER_ENRICHMENT, LIMITS.enrichment_recovery_s),
    (fields.WARM_UP_ENRICHMENT, 0, gates.OTHER_ENRICHMENT, LIMITS.enrichment_recovery_s),
    (0, 0, gates.FRAMES_LOST, 0.0),
]


@pytest.mark.parametrize(("flag", "now", "after", "recovery_s"), PAST)
def test_a_disturbance_is_over_after_window_and_recovery(
    flag: int, now: int, after: int, recovery_s: float
) -> None:
    """A disturbance refuses until window and recovery are over, to the sample, and no other reason
    is given for it."""
    judge = Gates(twin_settings())
    window_s, step_s = 0.5, 0.125
    assert judge.judge_past(window_s) == 0
    assert judge.judge_engine(healthy_sample(flags=flag), 55.0, step_s, gap=not flag) == now
    assert judge.judge_past(window_s) == (0 if now else after)
    refused = []
    for _ in range(40):
        assert judge.judge_engine(healthy_sample(), 55.0, step_s, gap=False) == 0
        refused.append(judge.judge_past(window_s))
    steps = round((window_s + recovery_s) / step_s)
    assert refused == [after] * steps + [0] * (40 - steps)


def sensor_verdict(sensor_kind: int = 0, **changed: Any) -> int:
    """Return what the gates say of the sensor of one sample."""
    return Gates(twin_settings(sensor_kind=sensor_kind)).judge_sensor(healthy_sample(**changed), 0)


def test_the_sensors_state_and_reading() -> None:
    """Only a ready sensor teaches, a wideband one within its range, ends included."""
    low, high = LIMITS.lambda_min, LIMITS.lambda_max
    readings = {
        0.9: 0,
        low: 0,
        beyond(low, False): gates.LAMBDA_OUT_OF_RANGE,
        high: 0,
        beyond(high, True): gates.LAMBDA_OUT_OF_RANGE,
    }
    for reading, verdict in readings.items():
        assert sensor_verdict(measured_lambda=reading) == verdict
    assert sensor_verdict(measured_lambda=NAN) == gates.VALUE_MISSING
    assert sensor_verdict(sensor_state=SENSOR_FAULT) == gates.SENSOR_FAULTY
    for state in (SENSOR_WARMING, SENSOR_ABSENT, UNKNOWN_STATE):
        assert sensor_verdict(sensor_state=state) == gates.SENSOR_NOT_READY


def test_a_switching_sensor_teaches_by_its_multiplier() -> None:
    """With a switching sensor the reading does not matter; its loop's multiplier must be there."""
    ready = {"sensor_state": SENSOR_READY, "measured_lambda": NAN}
    assert sensor_verdict(SWITCHING, fuel_multiplier=1e-9, **ready) == 0
    assert sensor_verdict(SWITCHING, fuel_multiplier=1.7, **ready) == 0
    for multiplier in (0.0, -1.0, NAN):
        verdict = sensor_verdict(SWITCHING, fuel_multiplier=multiplier, **ready)
        assert verdict == gates.VALUE_MISSING


@pytest.mark.parametrize(
    ("name", "limit", "reason"),
    [
        ("throttle_travel", LIMITS.throttle_travel_max_pct, gates.THROTTLE_MOVING),
        ("load_travel", LIMITS.load_travel_max, gates.PRESSURE_MOVING),
        ("speed_travel", LIMITS.speed_travel_max_rpm, gates.SPEED_MOVING),
    ],
)
def test_travel_on_its_limit_passes(name: str, limit: float, reason: int) -> None:
    """Travel on its limit passes, and beyond it is refused for its reason alone."""
    judge = Gates(twin_settings())
    seen: Any = SimpleNamespace(throttle_travel=0.0, load_travel=0.0, speed_travel=0.0)
    assert judge.judge_motion(seen) == 0
    setattr(seen, name, limit)
    assert judge.judge_motion(seen) == 0
    setattr(seen, name, beyond(limit, True))
    assert judge.judge_motion(seen) == reason


@given(st.floats(0.0, 30.0), st.floats(0.0, 2000.0), st.floats(-1.0, 1.0))
def test_the_weight_of_motion_is_the_documents(load: float, speed: float, film: float) -> None:
    """The weight is 1/((1 + (load/3)² + (speed/150)²) (1 + (film/0.1)²)), as DEVELOPERS.md says."""
    seen: Any = SimpleNamespace(load_travel=load, speed_travel=speed, film_size=film)
    expected = 1.0 / (1.0 + (load / 3.0) ** 2 + (speed / 150.0) ** 2) / (1.0 + (film / 0.1) ** 2)
    assert Gates(twin_settings()).weigh_motion(seen) == pytest.approx(expected, rel=1e-12)


@given(st.integers(1, 2 ** len(REASONS) - 1))
def test_reasons_are_the_bits(verdict: int) -> None:
    """The names of a verdict are those of its bits, the first of them the primary one."""
    names = [name for k, name in enumerate(REASONS) if verdict & 2**k]
    assert gates.reason_names(verdict) == names
    assert REASONS[gates.primary_reason(verdict)] == names[0]
    assert gates.reason_names(0) == []


# The loop of a switching sensor

STEP_S = 1.0 / 64.0


class Swinging:
    """A loop of which nothing is known, and the multiplier that it turns."""

    def __init__(self, maximum_s: float = 1.5) -> None:
        self.loop = LoopWatch()
        self.maximum_s = maximum_s
        self.multiplier = 1.0
        self.step = 0.001
        # It comes, and stands for longer than any swing.
        self.loop.settled(1.0, STEP_S, maximum_s)
        self.loop.settled(1.0, 2.0 * maximum_s, maximum_s)

    def turn(self, *halves_s: float) -> list[bool]:
        """Turn, go that way for a time, and again; return whether it was settled, step by step."""
        settled = []
        for half_s in halves_s:
            self.step = -self.step
            for _ in range(round(half_s / STEP_S)):
                self.multiplier += self.step
                settled.append(self.loop.settled(self.multiplier, STEP_S, self.maximum_s))
        return settled


def test_what_is_usual_is_the_mean_of_the_first_turns() -> None:
    """Over the first twenty turns the usual time between two is their mean; then it follows by a
    twentieth each."""
    swinging = Swinging()
    halves_s = [0.25 + k / 64.0 for k in range(20)]
    swinging.turn(halves_s[0])
    assert swinging.loop.usual_s == 0.0
    for count in range(1, 20):
        swinging.turn(halves_s[count])
        assert swinging.loop.usual_s == pytest.approx(sum(halves_s[:count]) / count)
    swinging.turn(1.0)
    before_s = swinging.loop.usual_s
    assert before_s == pytest.approx(sum(halves_s) / 20)
    swinging.turn(STEP_S)
    assert swinging.loop.usual_s == pytest.approx(before_s + 0.05 * (1.0 - before_s))


def test_a_turn_in_time_is_settled_and_a_late_one_is_not() -> None:
    """After two turns in time the loop is settled for 1.8 usual times after the last one; after a
    long way it takes two turns to be so again."""
    swinging = Swinging()
    swinging.turn(*[0.5] * 30)
    assert swinging.loop.usual_s == 0.5
    # The first step is the turn itself, 0 s after it.
    assert swinging.turn(2.5) == [k / 64.0 <= 0.9 for k in range(160)]
    assert swinging.turn(0.25) == [False] * 16
    assert swinging.turn(0.25) == [True] * 16


def test_two_turns_may_take_twice_as_long() -> None:
    """A loop is settled while the turn before the last is at most 3.6 usual times ago."""
    for way_s, settled in ((1.75, True), (1.84375, False)):
        swinging = Swinging(maximum_s=1.0)
        swinging.turn(*[0.5] * 30)
        swinging.turn(way_s)
        assert swinging.loop.usual_s == 0.5
        assert swinging.turn(STEP_S) == [settled]


def test_the_longest_swing_bounds_what_is_in_time() -> None:
    """However slow a loop is used to be, a turn later than the maximum is none; and a time as long
    as that teaches nothing of what is usual."""
    swinging = Swinging()
    swinging.turn(*[1.0] * 30)
    swinging.maximum_s = 1.25
    assert swinging.turn(1.5) == [k / 64.0 <= 1.25 for k in range(96)]
    swinging.turn(1.25)
    swinging.turn(1.25 - STEP_S)
    assert swinging.loop.usual_s == 1.0
    swinging.turn(STEP_S)
    assert swinging.loop.usual_s == pytest.approx(1.0 + 0.05 * (0.25 - STEP_S))


def test_a_fresh_loop_and_a_still_one_are_not_settled() -> None:
    """Nothing is settled before two turns, nor while the multiplier stands still."""
    swinging = Swinging()
    assert swinging.turn(1.0) == [False] * 64
    assert swinging.turn(0.25)[-1]
    still = [swinging.loop.settled(swinging.multiplier, 0.1, 1.5) for _ in range(20)]
    assert still == [0.234375 + 0.1 * (k + 1) <= 1.5 for k in range(20)]
    assert not any(LoopWatch().settled(1.0, 0.1, 1.5) for _ in range(50))


def test_each_reason_is_its_own_bit() -> None:
    """The gates' constants, in the order in which they stand, are the bits of the wire's reasons:
    what a status frame or a board counts under a name is what the gate refused."""
    first = list(vars(gates)).index("ENGINE_NOT_RUNNING")
    bits = list(vars(gates).values())[first : first + len(REASONS)]
    assert bits == [1 << k for k in range(len(REASONS))]
