"""Which samples teach, why the others do not, and where in the table an observation goes."""

import math
import random
from collections import deque
from typing import Any

import numpy as np
import pytest
from bench_streams import (
    healthy_sample,
    learn_all,
    road_stream,
    steady_stream,
    twin_delay,
    twin_learner,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from breathmap.learner.core import gates
from breathmap.learner.core.history import History
from breathmap.learner.core.kernel import COVERAGE, PER_CELL, X
from breathmap.learner.core.settings import SWITCHING
from breathmap.learner.exact.solve import solve
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.protocol.wire import fields
from breathmap.protocol.wire.fields import REASONS, SENSOR_ABSENT, SENSOR_FAULT, SENSOR_WARMING
from breathmap.protocol.wire.sample import ClockUnwrapper

# The ring


def filled_ring(size, count, dt_s=0.02):
    """A ring after `count` points whose speed is 1000 + their number."""
    ring = History(size, 1)
    for k in range(count):
        ring.push(dt_s if k else 0.0, 1000.0 + k, 50.0, 20.0, 1.0, [1.0], [1.0], [100.0])
    return ring


@pytest.mark.parametrize("count", [30, 32, 33, 64, 1000])
def test_the_ring_finds_what_it_holds(count):
    """Before and after it wraps, the ring gives every point it still holds, and between them."""
    ring = filled_ring(32, count)
    held = min(count, 32)
    for ago in np.arange(0.0, held - 1, 0.25):
        assert ring.find(ago * 0.02)
        assert ring.at(ring.speed_rpm) == pytest.approx(1000.0 + count - 1 - ago, abs=1e-6)


@pytest.mark.parametrize("count", [1, 5, 32, 100])
def test_the_ring_says_what_is_out_of_reach(count):
    """Before the oldest point it holds the ring answers False, and it holds no more than its
    size."""
    ring = filled_ring(32, count)
    reach_s = (min(count, 32) - 1) * 0.02
    assert ring.find(reach_s - 1e-9)
    assert not ring.find(reach_s + 1e-6)
    ring.clear()
    assert not ring.find(0.0)


def test_the_rings_clock_is_set_back_unnoticed():
    """After hours, when its clock has been set back many times, the ring finds as exactly."""
    ring = filled_ring(64, 64)
    for k in range(64, 200_000):
        ring.push(0.02, 1000.0 + k, 50.0, 20.0, 1.0, [1.0], [1.0], [100.0])
        if k % 12_805 == 0 or ring.now_s < 0.5:
            assert ring.find(0.605)
            assert ring.at(ring.speed_rpm) == pytest.approx(1000.0 + k - 30.25, abs=1e-6)
    assert ring.now_s < 600.0


def test_the_ring_keeps_uneven_time():
    """With gaps and jitter the ring interpolates over the times at which the points were taken."""
    rng = random.Random(4)
    times, speeds = [0.0], [1000.0]
    ring = History(200, 1)
    ring.push(0.0, 1000.0, 50.0, 20.0, 1.0, [1.0], [1.0], [100.0])
    for _ in range(150):
        dt_s = rng.choice([0.01, 0.02, 0.05, 0.2])
        times.append(times[-1] + dt_s)
        speeds.append(rng.uniform(1000, 6000))
        ring.push(dt_s, speeds[-1], 50.0, 20.0, 1.0, [1.0], [1.0], [100.0])
    for ago_s in (0.0, 0.013, 0.3, 1.0, 2.0):
        assert ring.find(ago_s)
        expected = np.interp(times[-1] - ago_s, times, speeds)
        assert ring.at(ring.speed_rpm) == pytest.approx(expected)


def test_the_ring_keeps_what_each_bank_was_commanded():
    """The commanded lambda is the target over each bank's own multiplier at the same instant."""
    ring = History(8, 3)
    ones = [1.0, 1.0, 1.0]
    ring.push(0.0, 3000.0, 50.0, 20.0, 0.9, [1.0, 0.9, 1.25], ones, ones)
    ring.push(0.1, 3000.0, 50.0, 20.0, 1.0, ones, ones, ones)
    ring.find(0.1)
    assert [ring.at(column) for column in ring.commanded] == pytest.approx([0.9, 1.0, 0.72])


def test_travel_is_largest_minus_smallest():
    """Travel over a span looks at that span only."""
    ring = History(40, 1)
    for k, target in enumerate([0.7, 1.0, 0.9, 1.0, 1.0, 1.1]):
        ring.push(0.1 if k else 0.0, 3000.0, 50.0, 20.0, target, [1.0], [1.0], [100.0])
    assert ring.travel(ring.target, 0.15) == pytest.approx(0.1)
    assert ring.travel(ring.target, 0.35) == pytest.approx(0.2)
    assert ring.travel(ring.target, 9.0) == pytest.approx(0.4)


# How far back the gas at the sensor was injected


def drive_of_gas(n=1500, dt_s=0.02, seed=5):
    """Time (s), speed (rpm) and gas per cycle (cm3) of a lively drive."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(n) * dt_s
    wave = np.sin(time_s[:, None] * [0.7, 1.9, 3.1] + rng.uniform(0, 6, 3)).mean(axis=1)
    other = np.sin(time_s[:, None] * [0.9, 2.3, 2.9] + rng.uniform(0, 6, 3)).mean(axis=1)
    return time_s, 3000.0 + 2000.0 * wave, 250.0 + 200.0 * other


def test_the_look_back_follows_the_gas():
    """While speed and flow change, the look-back is the time in which the exhaust between valve and
    sensor was filled once, and the cycles before it turned: against scipy's quadrature."""
    cycles, volume_cm3 = 1.3, 700.0
    time_s, speed_rpm, gas_cm3 = drive_of_gas()
    ring = History(200, 2)
    cycles_s = CubicSpline(time_s, speed_rpm / 120.0)
    flow_cm3_s = CubicSpline(time_s, gas_cm3 * speed_rpm / 120.0)
    for k in range(len(time_s)):
        ring.push(
            0.02 if k else 0.0,
            speed_rpm[k],
            50.0,
            20.0,
            1.0,
            [1.0] * 2,
            [1.0] * 2,
            [1.0, gas_cm3[k]],
        )
        if k < 200 or k % 7:
            continue
        ago_s = ring.look_back(1, cycles, volume_cm3)
        now_s = time_s[k]
        assert ring.at(ring.speed_rpm) == pytest.approx(
            np.interp(now_s - ago_s, time_s, speed_rpm), abs=1e-6
        )

        def too_much_cm3(t_s, now_s=now_s):
            return float(flow_cm3_s.integrate(t_s, now_s)) - volume_cm3

        opened_s = brentq(too_much_cm3, now_s - 3.0, now_s)
        turned = cycles_s.integrate(now_s - ago_s, opened_s)
        assert turned == pytest.approx(cycles, abs=0.004)


def test_the_look_back_of_a_steady_engine_is_the_delay_models():
    """At rest the look-back equals cycles and volume over the steady flow, also after hours."""
    delay = twin_delay()
    speed_rpm, map_kpa, ve_pct = 2700.0, 55.0, 80.0
    gas_cm3 = delay.gas_cm3(speed_rpm, map_kpa, ve_pct, 25.0)
    steady_s = delay.transport_s(speed_rpm, map_kpa, ve_pct, 25.0)
    ring = History(100, 1)
    for k in range(120_000):
        ring.push(0.02 if k else 0.0, speed_rpm, map_kpa, 20.0, 1.0, [1.0], [1.0], [gas_cm3])
        if k > 20 and (k % 12_805 == 0 or ring.now_s < 0.14 or k > 119_990):
            ago_s = ring.look_back(0, delay.cycles, delay.exhaust_volume_cm3)
            assert ago_s == pytest.approx(steady_s, abs=1e-9)


def test_a_look_back_out_of_reach_says_so():
    """A sensor further away than the ring remembers gives -1, by volume or by cycles."""
    ring = filled_ring(32, 100)
    assert ring.look_back(0, 1.0, 100.0) > 0.0
    assert ring.look_back(0, 1.0, 1e5) == -1.0
    assert ring.look_back(0, 1e3, 1.0) == -1.0
    assert ring.look_back(0, 0.0, 0.0) == 0.0
    ring.clear()
    assert ring.look_back(0, 0.0, 0.0) == -1.0


# Where the observation goes


@pytest.mark.parametrize("volume_cm3", [400.0, 6000.0])
@pytest.mark.parametrize("rate_hz", [25.0, 100.0])
def test_a_step_of_load_is_seen_a_delay_later(volume_cm3, rate_hz):
    """A step of load at time t moves the observation's place at t plus the transport delay."""
    delay = twin_delay(exhaust_volume_cm3=volume_cm3, sensor_lag_s=0.02)
    learner = twin_learner(delay=delay, sample_rate_hz=rate_hz)
    bank = learner.banks[0]
    learn_all(learner, steady_stream(3.0, rate_hz, map_kpa=50.0))
    assert bank.verdict == 0
    when = []
    for sample in steady_stream(3.0, rate_hz, start_s=3.0, map_kpa=56.0):
        learner.learn_one(sample)
        when.append((sample.time_us * 1e-6 - 3.0, bank.seen.load, bank.delay_s - 0.02))
    time_s, load, transport_s = np.array(when).T
    assert load[0] == 50.0
    assert load[-1] == pytest.approx(56.0)
    # Half of the step: the lag's 0.69 time constants after it, and it lies half a sample early.
    passed_s = np.interp(53.0, load, time_s) - 0.02 * math.log(2.0) + 0.5 / rate_hz
    # All of the way this gas was pushed by the new flow.
    assert passed_s == pytest.approx(transport_s[-1], abs=0.3 / rate_hz)
    assert transport_s[-1] < transport_s[0]


def test_the_observation_is_measured_over_commanded_at_injection():
    """After target and multiplier change, the new ones count only a delay and a lag later."""
    learner = twin_learner(closed_loop=True)
    learner.settings.limits.target_change_max = 1.0
    bank = learner.banks[0]
    common: dict[str, Any] = {"flags": fields.CLOSED_LOOP, "measured_lambda": 0.99}
    learn_all(learner, steady_stream(3.0, target_lambda=1.0, fuel_multiplier=1.0, **common))
    assert bank.observation == pytest.approx(-0.01)
    found = []
    for sample in steady_stream(3.0, start_s=3.0, target_lambda=0.9, fuel_multiplier=1.1, **common):
        learner.learn_one(sample)
        found.append((sample.time_us * 1e-6 - 3.0, bank.observation))
    time_s, observation = np.array(found).T
    after = 0.99 / (0.9 / 1.1) - 1.0
    transport_s = bank.delay_s - bank.delay.sensor_lag_s
    assert np.abs(observation[time_s < transport_s - 0.02] + 0.01).max() < 1e-9
    assert observation[-1] == pytest.approx(after, abs=1e-6)
    # 63.2 % after one time constant, as the sensor itself.
    at = np.interp(transport_s + 0.07, time_s, 0.99 / (observation + 1.0))
    assert at == pytest.approx(1.0 + (0.9 / 1.1 - 1.0) * (1 - math.exp(-1)), abs=0.03)


def test_learning_goes_to_the_cells_of_the_injection():
    """While the engine jumps between two points and the sensor answers a delay later, each point
    learns its own correction."""
    delay = twin_delay(exhaust_volume_cm3=8000.0, sensor_lag_s=0.01)
    learner = twin_learner(delay=delay, film_terms=0, charge_lead=False)
    limits = learner.settings.limits
    limits.load_travel_max = limits.load_travel_half = 1e6
    bank = learner.banks[0]
    corrections = {46.0: 0.05, 75.0: -0.05}
    load, flow_cm3, head = 46.0, 0.0, 46.0
    in_cylinder: deque[tuple[int, float]] = deque()
    in_pipe: deque[tuple[float, float]] = deque()
    for k in range(6_000):
        if k % 40 == 0:
            load = 121.0 - load
        # Gas in plugs, first in, first out: let out a number of cycles after its injection, pushed
        # on by what follows.
        learner.banks[0].table.locate(3000.0, load)
        flow_cm3 += delay.gas_cm3(3000.0, load, bank.table.ve_pct, 25.0) * 3000.0 / 120.0 * 0.02
        in_cylinder.append((k, load))
        while in_cylinder and (k - in_cylinder[0][0]) * 0.02 * 3000.0 / 120.0 >= delay.cycles:
            in_pipe.append((flow_cm3, in_cylinder.popleft()[1]))
        while in_pipe and flow_cm3 - in_pipe[0][0] >= delay.exhaust_volume_cm3:
            head = in_pipe.popleft()[1]
        learner.learn_one(
            healthy_sample(
                time_us=round(k * 0.02 * 1e6),
                map_kpa=load,
                measured_lambda=1.0 + corrections[head],
            )
        )
    for load, correction in corrections.items():
        assert bank.correction(3000.0, load) == pytest.approx(correction, abs=0.01)


# Reasons


def values(**changed):
    """A second of samples that differ from the healthy ones."""
    return lambda start_s: steady_stream(1.0, start_s=start_s, **changed)


def ramp(name, start, stop, seconds=0.5):
    """Samples in which one value runs from start to stop."""

    def stream(start_s):
        for k, sample in enumerate(steady_stream(seconds, start_s=start_s)):
            setattr(sample, name, start + (stop - start) * k / (seconds * 50.0))
            yield sample

    return stream


def one_sample(**changed):
    """A single sample that differs, then healthy ones."""

    def stream(start_s):
        for k, sample in enumerate(steady_stream(1.0, start_s=start_s)):
            for name, value in changed.items():
                setattr(sample, name, value if k == 0 else getattr(sample, name))
            yield sample

    return stream


def nothing(start_s):
    return iter(())


def silence(start_s):
    return steady_stream(1.0, start_s=start_s + 0.6)


NAN = math.nan
# reason, what the stream is at first, what happens then, what is counted after that
CASES = [
    ("engine_not_running", {}, nothing, values(speed_rpm=300.0)),
    ("engine_not_running", {}, nothing, values(speed_rpm=0.0)),
    ("coolant_cold", {}, nothing, values(coolant_c=40.0)),
    ("engine_too_hot", {}, nothing, values(coolant_c=125.0)),
    ("battery_low", {}, nothing, values(battery_v=10.4)),
    ("sensor_not_ready", {}, nothing, values(sensor_state=SENSOR_WARMING)),
    ("sensor_not_ready", {}, nothing, values(sensor_state=SENSOR_ABSENT)),
    ("sensor_fault", {}, nothing, values(sensor_state=SENSOR_FAULT)),
    ("lambda_out_of_range", {}, nothing, values(measured_lambda=1.6)),
    ("lambda_out_of_range", {}, nothing, values(measured_lambda=0.55)),
    ("fuel_cut", {}, nothing, values(flags=fields.FUEL_CUT)),
    ("fuel_cut", {}, nothing, values(flags=fields.REV_LIMIT)),
    ("fuel_cut_recovery", {}, values(flags=fields.FUEL_CUT), values()),
    ("acceleration_enrichment", {}, nothing, values(flags=fields.ACCELERATION_ENRICHMENT)),
    ("acceleration_enrichment", {}, values(flags=fields.DECELERATION_ENLEANMENT), values()),
    ("other_enrichment", {}, nothing, values(flags=fields.POWER_ENRICHMENT)),
    ("other_enrichment", {}, values(flags=fields.WARM_UP_ENRICHMENT), values()),
    ("throttle_moving", {}, nothing, ramp("throttle_pct", 20.0, 95.0)),
    ("pressure_moving", {}, nothing, ramp("map_kpa", 55.0, 104.0)),
    ("speed_moving", {}, nothing, ramp("speed_rpm", 3000.0, 5200.0)),
    ("outside_axes_now", {"speed_rpm": 6950.0}, nothing, values(speed_rpm=7050.0)),
    ("outside_axes_now", {"map_kpa": 103.0}, nothing, values(map_kpa=107.0)),
    (
        "outside_axes_at_injection",
        {"speed_rpm": 6950.0},
        values(speed_rpm=7050.0),
        values(speed_rpm=6950.0),
    ),
    ("closed_loop_wrong", {}, nothing, values(flags=fields.CLOSED_LOOP)),
    ("closed_loop_wrong", {}, nothing, values(flags=fields.LONG_TERM_ADAPTATION)),
    ("target_changed", {}, nothing, values(target_lambda=0.98)),
    ("frames_lost", {}, nothing, one_sample(lost_before=3)),
    ("frames_lost", {}, nothing, silence),
    ("value_missing", {}, nothing, values(measured_lambda=NAN)),
    ("value_missing", {}, nothing, values(map_kpa=NAN)),
    ("value_missing", {}, nothing, values(target_lambda=NAN)),
    ("value_missing", {}, nothing, values(fuel_multiplier=NAN)),
    ("history_short", {}, values(target_lambda=NAN), values()),
]


def primaries(learner, stream):
    """First-ranking reason of each sample of a stream, None where it was used."""
    found = []
    for sample in stream:
        learner.learn_one(sample)
        verdict = learner.banks[0].verdict
        found.append(REASONS[gates.primary_reason(verdict)] if verdict else None)
    return found


@pytest.mark.parametrize(("reason", "at_first", "cause", "counted"), CASES)
def test_each_reason_is_given_for_its_cause_only(reason, at_first, cause, counted):
    """A stream made for one reason is refused for that one first, and for no other."""
    learner = twin_learner()
    before = primaries(learner, steady_stream(4.0, **at_first))
    assert before[-50:] == [None] * 50
    primaries(learner, cause(4.0))
    found = primaries(learner, counted(5.0 if cause is not nothing else 4.0))
    assert set(found) - {None} == {reason}


def swinging(seconds, start_s=0.0, mean=1.07, swing=0.02, half_s=0.3, **common):
    """Samples of a switching sensor's closed loop: the multiplier is a triangle about its mean."""
    common = {"flags": fields.CLOSED_LOOP, "measured_lambda": NAN} | common
    for k, sample in enumerate(steady_stream(seconds, start_s=start_s, **common)):
        phase = (k / 50.0 / half_s) % 2.0
        sample.fuel_multiplier = [mean + swing * (abs(phase - 1.0) - 0.5)]
        yield sample


def test_a_loop_on_its_way_does_not_teach():
    """While a switching sensor's loop travels one way it is refused, and taught by again after."""
    learner = twin_learner(sensor_kind=SWITCHING)
    settled = primaries(learner, swinging(4.0))
    assert settled[-50:] == [None] * 50

    travelling = []
    for k, sample in enumerate(steady_stream(2.0, start_s=4.0, flags=fields.CLOSED_LOOP)):
        sample.fuel_multiplier = [1.07 + 0.001 * k]
        travelling += primaries(learner, [sample])
    again = primaries(learner, swinging(4.0, start_s=6.0, mean=1.17))

    assert set(travelling[-60:]) == {"loop_not_settled"}
    assert again[-50:] == [None] * 50


def test_every_reason_has_its_stream():
    """No reason of the protocol is without a stream that brings it about."""
    shown_above = {"loop_not_settled"}
    assert {case[0] for case in CASES} | shown_above == set(REASONS)


def test_a_stream_begins_with_a_short_history():
    """At first the history is too short for the delay and three lags; then learning begins."""
    learner = twin_learner()
    found = primaries(learner, steady_stream(2.0))
    begun = found.index(None)
    assert set(found[:begun]) == {"history_short"}
    assert set(found[begun:]) == {None}
    bank = learner.banks[0]
    assert begun / 50.0 == pytest.approx(bank.delay_s + 2.0 * 0.07, abs=0.06)


def test_a_healthy_stream_is_used():
    """After the start a steady healthy stream is used to the last sample, at full weight."""
    learner = twin_learner()
    learn_all(learner, steady_stream(10.0))
    bank = learner.banks[0]
    assert bank.seen_count - bank.used_count == bank.refused[REASONS.index("history_short")] < 30
    assert bank.weight == 1.0


@pytest.mark.parametrize("counts", [("lost_before", 1), ("gap", 0.5)])
def test_a_gap_refuses_for_the_delay_and_no_longer(counts):
    """After lost frames samples are refused until the gap lies a delay and three lags back."""
    kind, size = counts
    learner = twin_learner(delay=twin_delay(exhaust_volume_cm3=5000.0))
    learn_all(learner, steady_stream(3.0))
    start_s = 3.0 + (size if kind == "gap" else 0.0)
    refused = []
    for k, sample in enumerate(steady_stream(3.0, start_s=start_s)):
        sample.lost_before = size if kind == "lost_before" and k == 0 else 0
        learner.learn_one(sample)
        refused.append(bool(learner.banks[0].verdict & gates.FRAMES_LOST))
    window_s = learner.banks[0].delay_s + 2.0 * 0.07
    assert refused.index(False) / 50.0 == pytest.approx(window_s, abs=0.03)
    assert not any(refused[refused.index(False) :])


def test_a_long_silence_starts_afresh():
    """After a silence longer than the history nothing from before it is used."""
    learner = twin_learner()
    learn_all(learner, steady_stream(3.0, map_kpa=40.0))
    found = primaries(learner, steady_stream(3.0, start_s=60.0, map_kpa=90.0))
    assert found[0] == "history_short"
    assert found[-1] is None
    assert learner.banks[0].seen.load == pytest.approx(90.0)


def test_the_numbers_of_the_reasons_are_the_protocols():
    """Each reason's bit is at the reason's number in the protocol, and names come back."""
    bits = [
        gates.ENGINE_NOT_RUNNING,
        gates.COOLANT_COLD,
        gates.ENGINE_TOO_HOT,
        gates.BATTERY_LOW,
        gates.SENSOR_NOT_READY,
        gates.SENSOR_FAULTY,
        gates.LAMBDA_OUT_OF_RANGE,
        gates.FUEL_IS_CUT,
        gates.FUEL_CUT_RECOVERY,
        gates.ENRICHMENT,
        gates.OTHER_ENRICHMENT,
        gates.THROTTLE_MOVING,
        gates.PRESSURE_MOVING,
        gates.SPEED_MOVING,
        gates.OUTSIDE_NOW,
        gates.OUTSIDE_AT_INJECTION,
        gates.CLOSED_LOOP_WRONG,
        gates.TARGET_CHANGED,
        gates.HISTORY_SHORT,
        gates.FRAMES_LOST,
        gates.VALUE_MISSING,
        gates.LOOP_NOT_SETTLED,
    ]
    assert bits == [1 << k for k in range(len(REASONS))]
    for number, bit in enumerate(bits):
        assert gates.primary_reason(bit) == number
        assert gates.reason_names(bit) == [REASONS[number]]
    assert gates.reason_names(0) == []
    assert gates.primary_reason(bits[3] | bits[17]) == 3
    assert gates.reason_names(bits[17] | bits[3]) == [REASONS[3], REASONS[17]]


def test_every_reason_is_explained():
    """Each reason of the protocol, and no other, has an explanation and a remedy in one line."""
    assert list(EXPLANATIONS) == list(REASONS)
    for texts in EXPLANATIONS.values():
        assert len(texts) == 2
        assert all(text and "\n" not in text and not text.endswith(".") for text in texts)


def test_remedies_name_limits_that_exist():
    """Every limit that an explanation names can be set."""
    words = " ".join(" ".join(texts) for texts in EXPLANATIONS.values()).replace(",", " ").split()
    named = [word.removeprefix("limits.") for word in words if word.startswith("limits.")]
    assert len(named) >= 3
    assert all(hasattr(twin_learner().settings.limits, name) for name in named)


def test_motion_costs_weight():
    """A travel of load or speed by the half-weight limit halves the weight and both make a third;
    a film at its own limit halves it once more."""
    learner = twin_learner()
    seen, limits = learner.banks[0].seen, learner.settings.limits
    moved = [(0, 0, 0), (1, 0, 0), (0, 1, 0), (1, 1, 0), (3, 0, 0), (0, 0, 1), (1, 1, 1)]
    found = []
    for load, speed, film in moved:
        seen.load_travel = load * limits.load_travel_half
        seen.speed_travel = speed * limits.speed_travel_half_rpm
        seen.film_size = film * limits.film_half
        found.append(learner.gates.weigh_motion(seen))
    assert found == pytest.approx([1.0, 1 / 2, 1 / 2, 1 / 3, 1 / 10, 1 / 2, 1 / 6])


def test_a_moving_point_weighs_less():
    """On a drive the film and the motion take weight from samples; at rest nothing does."""
    learner = twin_learner()
    weights = []
    for sample in road_stream(30.0, seed=2, noise=1e-4):
        learner.learn_one(sample)
        weights.append(learner.banks[0].weight)
    assert 0.0 < min(w for w in weights if w) < 0.2
    learn_all(learner, steady_stream(8.0, start_s=30.0))
    assert learner.banks[0].weight == pytest.approx(1.0, abs=1e-3)


# Hostile streams

BAD_NUMBERS = [NAN, math.inf, -math.inf, 0.0, -1.0, 1e300, 5e-324]
NEEDED = ["speed_rpm", "map_kpa", "target_lambda", "measured_lambda", "fuel_multiplier"]
OTHERS = ["throttle_pct", "coolant_c", "intake_c", "battery_v", "pulse_width_ms"]


def evidence_bytes(learner):
    parts = ("cells", "border", "corner", "term_rhs", "term_x", "term_dot", "sums")
    return [bytes(getattr(bank.evidence, part)) for bank in learner.banks for part in parts] + [
        bank.evidence.noise for bank in learner.banks
    ]


@pytest.mark.parametrize("name", NEEDED)
@pytest.mark.parametrize("value", [NAN, math.inf, -math.inf, 0.0, -1.0])
def test_a_needed_value_that_is_none_teaches_nothing(name, value):
    """A sample without a value that is needed is refused and changes no evidence."""
    learner = twin_learner()
    learn_all(learner, steady_stream(3.0))
    before = evidence_bytes(learner)
    without: dict[str, Any] = {name: value}
    for sample in steady_stream(0.5, start_s=3.0, **without):
        learner.learn_one(sample)
        assert learner.banks[0].verdict
    assert evidence_bytes(learner) == before


@pytest.mark.parametrize("name", OTHERS)
def test_an_engine_may_lack_what_is_not_needed(name):
    """A stream without throttle, temperatures, battery voltage or pulse width is used as it is."""
    learner = twin_learner()
    without: dict[str, Any] = {name: NAN}
    learn_all(learner, steady_stream(5.0, **without))
    assert learner.banks[0].used_count > 200
    assert learner.banks[0].correction(3000.0, 55.0) == pytest.approx(0.04, abs=1e-3)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 199), st.sampled_from(NEEDED + OTHERS), st.sampled_from(BAD_NUMBERS)
        ),
        max_size=12,
    )
)
@settings(max_examples=40, deadline=None)
def test_no_value_anywhere_breaks_learning(damage):
    """Whatever stands in whatever values, nothing is raised, all numbers stay finite, the counters
    add up, and the stream is learned from again once it is healthy."""
    learner = twin_learner()
    samples = list(road_stream(8.0))
    for place, name, value in damage:
        whole = isinstance(getattr(samples[place], name), list)
        setattr(samples[place], name, [value] if whole else value)
    learn_all(learner, samples)
    bank = learner.banks[0]
    assert all(map(math.isfinite, [*bank.evidence.cells, *bank.evidence.sums, bank.evidence.noise]))
    assert all(map(math.isfinite, [*bank.evidence.border, *bank.evidence.term_x]))
    assert bank.used_count + sum(bank.refused) == bank.seen_count == len(samples)
    used = bank.used_count
    learn_all(learner, steady_stream(5.0, 25.0, start_s=8.0))
    assert bank.used_count > used + 60


@given(st.lists(st.sampled_from([0, 0, 20_000, -20_000, 400_000, -(10**7), 4 * 10**6]), max_size=8))
@settings(max_examples=40, deadline=None)
def test_a_clock_that_jumps_is_survived(jumps):
    """Repeated, jumping and backward device times raise nothing, are counted, and learning goes
    on."""
    learner = twin_learner()
    time_us = 10**8
    count = 0
    for jump in [*jumps, 1]:
        time_us += jump
        for sample in steady_stream(1.0):
            sample.time_us += time_us
            learner.learn_one(sample)
            count += 1
        time_us += 10**6
    bank = learner.banks[0]
    assert bank.seen_count == count == bank.used_count + sum(bank.refused)
    assert bank.verdict == 0
    assert all(map(math.isfinite, bank.evidence.cells))


def test_a_repeated_time_teaches_once():
    """A sample that comes twice is learned once."""
    once, twice = twin_learner(), twin_learner()
    for sample in road_stream(20.0):
        once.learn_one(sample)
        twice.learn_one(sample)
        twice.learn_one(sample)
    assert evidence_bytes(once) == evidence_bytes(twice)
    assert twice.banks[0].seen_count == 2 * once.banks[0].seen_count


def test_the_device_clocks_wrap_is_not_noticed():
    """Across the wrap of the 32-bit device clock the learner learns what it would have anyway."""
    plain, wrapped, clock = twin_learner(), twin_learner(), ClockUnwrapper()
    for sample in road_stream(20.0):
        plain.learn_one(sample)
        sample.time_us = clock.unwrap((sample.time_us + 2**32 - 7_000_000) & 0xFFFFFFFF)
        wrapped.learn_one(sample)
    assert evidence_bytes(plain) == evidence_bytes(wrapped)


def test_the_throttle_gate_survives_a_missing_value():
    """One missing throttle reading neither opens nor disables the gate on throttle movement."""
    learner = twin_learner()
    learn_all(learner, steady_stream(3.0))
    learn_all(learner, steady_stream(0.02, start_s=3.0, throttle_pct=NAN))
    found = primaries(learner, steady_stream(1.0, start_s=3.02, throttle_pct=20.0))
    assert set(found) == {None}
    found = primaries(learner, steady_stream(1.0, start_s=4.02, throttle_pct=70.0))
    assert "throttle_moving" in found


def test_a_throttle_that_moves_while_not_read_is_noticed():
    """A throttle that comes back elsewhere after missing readings counts as having moved."""
    learner = twin_learner()
    learn_all(learner, steady_stream(3.0))
    learn_all(learner, steady_stream(0.1, start_s=3.0, throttle_pct=NAN))
    found = primaries(learner, steady_stream(1.0, start_s=3.1, throttle_pct=70.0))
    assert "throttle_moving" in found


# Kinds of engines


def test_a_throttle_axis_needs_no_pressure():
    """An engine whose load axis is the throttle learns without a pressure sensor."""
    learner = twin_learner(loads=[5.0, 15.0, 30.0, 45.0, 60.0, 80.0, 100.0], load_is_throttle=True)
    learn_all(learner, steady_stream(6.0, map_kpa=NAN, throttle_pct=37.0))
    bank = learner.banks[0]
    assert bank.used_count > 250
    assert bank.seen.load == pytest.approx(37.0)
    assert bank.correction(3000.0, 37.0) == pytest.approx(0.04, abs=1e-3)
    learner.learn_one(healthy_sample(time_us=6_000_000, map_kpa=50.0, throttle_pct=NAN))
    assert bank.verdict & gates.VALUE_MISSING


def test_a_stuck_reading_is_a_fault():
    """A reading that never changes while the load moves about is refused as a sensor fault; at
    rest the same reading teaches on."""
    learner = twin_learner()
    assert primaries(learner, steady_stream(30.0))[-1] is None
    moving = road_stream(60.0, seed=2, noise=0.0)
    found = primaries(twin_learner(), moving)
    assert "sensor_fault" in found
    assert set(found[found.index("sensor_fault") :]) == {"sensor_fault"}


def test_what_follows_a_spike_counts_little():
    """After a misfire's spike the next samples, its tail through the lag, weigh next to
    nothing."""
    learner = twin_learner()
    bank = learner.banks[0]
    rng = np.random.default_rng(4)
    for sample in steady_stream(40.0):
        sample.measured_lambda = [sample.measured_lambda[0] * (1 + 0.01 * rng.standard_normal())]
        learner.learn_one(sample)
    calm = bank.correction(3000.0, 55.0)
    tail = []
    for k, sample in enumerate(steady_stream(1.0, start_s=40.0)):
        sample.measured_lambda = [sample.measured_lambda[0] * (1.0 + 0.25 * math.exp(-k / 3.5))]
        learner.learn_one(sample)
        tail.append(bank.weight)

    assert max(tail[:10]) <= 0.02
    assert tail[-1] == pytest.approx(1.0)
    assert bank.correction(3000.0, 55.0) == pytest.approx(calm, abs=3e-4)


def test_a_closed_throttle_is_a_load():
    """On a throttle axis that begins at 0 % a closed throttle teaches; below the axis it is
    outside, not missing."""
    loads = [0.0, 15.0, 30.0, 45.0, 60.0, 80.0, 100.0]
    learner = twin_learner(loads=loads, load_is_throttle=True)
    learn_all(learner, steady_stream(6.0, throttle_pct=0.0))
    assert learner.banks[0].used_count > 250
    learner = twin_learner(loads=[5.0, *loads[1:]], load_is_throttle=True)
    found = primaries(learner, steady_stream(2.0, throttle_pct=0.0))
    assert set(found) == {"outside_axes_now"}


def test_a_switching_sensor_teaches_by_the_multiplier():
    """With a switching sensor in closed loop the observation is the fuel multiplier less one."""
    learner = twin_learner(sensor_kind=SWITCHING)
    bank = learner.banks[0]
    learn_all(learner, swinging(20.0))
    assert bank.used_count > 800
    assert bank.observation == pytest.approx(0.07, abs=0.011)
    assert bank.correction(3000.0, 55.0) == pytest.approx(0.07, abs=2e-3)
    # What the sensor reads must not matter: it only switches.
    for k, sample in enumerate(swinging(2.0, start_s=20.0)):
        sample.measured_lambda = [0.7 if k % 2 else 1.3]
        learner.learn_one(sample)
        assert bank.observation == pytest.approx(0.07, abs=0.011)
    found = primaries(learner, swinging(0.5, start_s=22.0, flags=0))
    assert set(found) == {"closed_loop_wrong"}


def test_a_wideband_in_closed_loop_adds_the_trim():
    """In closed loop with a wideband the observation counts trim and remaining error together."""
    learner = twin_learner(closed_loop=True)
    common: dict[str, Any] = {
        "flags": fields.CLOSED_LOOP,
        "fuel_multiplier": 1.05,
        "measured_lambda": 0.99,
    }
    learn_all(learner, steady_stream(4.0, **common))
    assert learner.banks[0].observation == pytest.approx(0.99 * 1.05 - 1.0)


def test_eight_banks_learn_apart():
    """Eight banks on one stream each learn their own; a failing one disturbs no other."""
    learner = twin_learner(banks=8)
    readings = [1.0 + 0.01 * (k - 4) for k in range(8)]
    states = [fields.SENSOR_READY] * 8
    states[5] = SENSOR_FAULT
    learn_all(learner, steady_stream(5.0, banks=8, measured_lambda=readings, sensor_state=states))
    for k, bank in enumerate(learner.banks):
        expected = 0.0 if k == 5 else readings[k] - 1.0
        assert bank.correction(3000.0, 55.0) == pytest.approx(expected, abs=1e-3)
        assert (bank.used_count > 200) == (k != 5)


def test_a_sample_with_too_few_banks_is_refused():
    """A sample that carries fewer banks than the engine has is an error in one line."""
    learner = twin_learner(banks=2)
    with pytest.raises(ValueError, match="the sample carries 1 banks, the engine has 2"):
        learner.learn_one(healthy_sample(1))
    assert learner.banks[0].seen_count == 0


def test_the_sample_rate_hardly_matters():
    """At 10, 25, 50 and 100 Hz a minute's drive gives the same correction and coverage."""
    coverages = []
    for rate_hz in (10.0, 25.0, 50.0, 100.0):
        learner = twin_learner(sample_rate_hz=100.0)
        stream = road_stream(120.0, 100.0, seed=6, correction=0.05, noise=0.005)
        step = round(100.0 / rate_hz)
        learn_all(learner, (sample for k, sample in enumerate(stream) if k % step == 0))
        bank = learner.banks[0]
        coverages.append(sum(bank.evidence.cells[COVERAGE::PER_CELL]))
        assert bank.correction(3000.0, 55.0) == pytest.approx(0.05, abs=0.004)
    assert coverages == pytest.approx([np.mean(coverages)] * 4, rel=0.1)


def test_a_drive_corrects_all_it_visits():
    """After five minutes over an engine 4 % off everywhere, all well-visited cells say so: within
    half a per cent when solved, within 2 % rms in the running estimate."""
    evidence = learn_all(twin_learner(), road_stream(300.0, seed=2)).banks[0].evidence
    cells = np.array(evidence.cells).reshape(-1, PER_CELL)
    visited = cells[:, COVERAGE] > 10.0
    assert visited.sum() > 25
    solved = solve(evidence).correction.ravel()
    assert np.abs(solved[visited] - 0.04).max() < 0.005
    assert np.sqrt(np.mean((cells[visited, X] - 0.04) ** 2)) < 0.02
