"""The lean limits between their loads, and what is kept of a run of lean readings."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.lean import NONE, RUN_S, SLOTS, WORST, Lean, between
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.fields import SENSOR_READY
from breathmap.protocol.wire.sample import Sample

LOADS = [30.0, 50.0, 80.0, 100.0]
VALUES = [1.3, 1.15, 1.0, 0.95]


@given(st.floats(30.0, 140.0))
def test_a_limit_is_straight_between_its_loads(load: float) -> None:
    """As numpy's interp has it, with the last value beyond the last load."""
    assert between(LOADS, VALUES, load) == pytest.approx(float(np.interp(load, LOADS, VALUES)))


@pytest.mark.parametrize("load", [29.999, -1.0, float("nan")])
def test_below_the_first_load_there_is_no_limit(load: float) -> None:
    """Nor where the load is not known."""
    assert between(LOADS, VALUES, load) == NONE


class Steady:
    """An engine held at one load, target known, whose sensor reads what it is told."""

    def __init__(self, load_kpa: float) -> None:
        table = Table([1000.0, 6000.0], [20.0, 100.0], [80.0] * 4)
        settings = Settings([BankSettings("a", table, DelayModel())])
        self.lean = Lean(settings, LOADS, VALUES, [60.0], [0.07])
        self.sample = Sample(1)
        self.sample.speed_rpm, self.sample.map_kpa = 3000.0, load_kpa
        self.sample.coolant_c, self.sample.target_lambda = 85.0, 0.9
        self.sample.sensor_state[0] = SENSOR_READY
        self.reads(0.9, 2.0)

    def reads(self, measured: float, seconds: float) -> int:
        """Go on for so long at 50 Hz; return how many alarms came."""
        before = self.lean.count
        for _ in range(round(seconds * 50.0)):
            self.sample.time_us += 20_000
            self.sample.measured_lambda[0] = measured
            self.lean.take(self.sample)
        return self.lean.count - before


@pytest.mark.parametrize(
    ("load_kpa", "limit"),
    # Straight between 1.15 at 50 and 1.0 at 80 kPa; from 60 kPa on 0.07 above the target of 0.9.
    [(56.0, 1.12), (66.0, 0.97), (90.0, 0.97), (100.0, 0.95)],
)
def test_the_lower_of_both_limits_calls(load_kpa: float, limit: float) -> None:
    """Held 0.01 below its limit nothing is called however long; 0.02 above it within seconds."""
    engine = Steady(load_kpa)
    assert engine.reads(limit - 0.01, 60.0) == 0
    assert engine.reads(limit + 0.02, 10.0) == 1


def test_the_worst_reading_of_a_run_is_kept() -> None:
    """The highest above its limit, whatever comes after it, with its lambda, limit, speed, load."""
    engine = Steady(90.0)
    for measured in (1.0, 1.08, 1.01, 1.06):
        engine.reads(measured, 0.5)
    worst = list(engine.lean.run[WORST:SLOTS])
    assert worst == pytest.approx([0.11, 1.08, 0.97, 3000.0, 90.0], rel=1e-5)


def test_nothing_is_judged_before_the_window_is_full() -> None:
    """After a break in time the first readings belong to an operating point that nobody saw."""
    engine = Steady(100.0)
    judged_s = engine.lean.judged_s
    engine.sample.time_us += 60_000_000
    engine.sample.measured_lambda[0] = 1.2
    assert engine.lean.take(engine.sample) == 0.0
    assert engine.lean.low == -1.0
    assert engine.lean.run[1] == -1.0
    assert engine.lean.judged_s == judged_s
    assert engine.reads(1.2, 5.0) == 1


def test_a_break_ends_a_run_of_lean_readings() -> None:
    """What comes after a longer silence is no part of it, on either bank."""
    engine = Steady(90.0)
    engine.reads(1.05, 0.04)
    assert engine.lean.run[RUN_S] >= 0.0
    engine.lean.restart()
    assert engine.lean.run[RUN_S] == -1.0


def test_time_is_counted_from_the_second_sample_on() -> None:
    """Whatever the first one's time; and so is what could have raised an alarm."""
    for first_us in (0, 20_000):
        lean, sample = fresh()
        sample.time_us = first_us
        assert lean.judged_s == 0.0
        assert lean.take(sample) == 0.0
        sample.time_us += 20_000
        assert lean.take(sample) == pytest.approx(0.02)


def fresh() -> tuple[Lean, Sample]:
    """A watch that has seen nothing, and a sample of one bank that reads its target."""
    table = Table([500.0, 6000.0], [20.0, 100.0], [80.0] * 4)
    sample = Sample(1)
    sample.coolant_c, sample.sensor_state[0] = 85.0, SENSOR_READY
    sample.measured_lambda[0] = sample.target_lambda = 0.9
    settings = Settings([BankSettings("a", table, DelayModel())])
    return Lean(settings, LOADS, VALUES, [60.0], [0.07]), sample


@pytest.mark.parametrize("speed_rpm", [700.0, 1500.0, 3000.0, 6000.0])
def test_the_window_is_as_long_as_gas_and_sensor_may_take(speed_rpm: float) -> None:
    """Nothing is judged before it is full, within a step; then readings are held against its lowest
    load and highest target and nothing older, as a search through all samples finds them."""
    lean, sample = fresh()
    sample.speed_rpm = speed_rpm
    window_s = 0.35 + 8.0 * 120.0 / speed_rpm
    rng = np.random.default_rng(int(speed_rpm))
    loads, targets, judged = [], [], []
    for k in range(600):
        # Mostly steady, with single dips and peaks.
        sample.map_kpa = 90.0 if rng.random() > 0.02 else float(rng.uniform(62.0, 80.0))
        sample.target_lambda = 0.9 if rng.random() > 0.02 else float(rng.uniform(0.92, 1.0))
        sample.time_us = 20_000 * k
        loads.append(sample.map_kpa)
        targets.append(sample.target_lambda)
        lean.take(sample)
        judged.append(lean.low >= 0.0)
        if judged[-1]:
            # Samples in the window for certain, and at most.
            least, most = round(50.0 * (window_s - 0.1)), round(50.0 * (window_s + 0.25))
            low = lean.low + 1e-3
            assert min(loads[-most:]) <= low
            assert lean.low - 1e-3 <= min(loads[-least:])
            # The film's share is above one while the flow grows.
            assert lean.base >= max(targets[-least:]) - 1e-5
            assert lean.base <= max(targets[-most:]) * 1.2
    first_s = 0.02 * judged.index(True)
    assert min(window_s - 0.05, 1.65) <= first_s <= window_s + 0.1
