"""A stuck sensor leaves nothing behind, and a healthy one is learned from as ever."""

from functools import cache

import pytest
from bench_streams import steady_stream, twin_settings

from breathmap.learner.core.settings import Settings
from breathmap.learner.core.stream import Learner
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.protocol.wire.codes import SENSOR_FAULT
from breathmap.protocol.wire.fields import REASONS
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.faults import fault
from breathmap.simulator.run import bench, simulate
from breathmap.tools.bench.convergence import describe

MINUTES = 2.0
STUCK = fault("sensor-stuck", bank=0, start_s=80.0, stop_s=110.0)
KEPT = ("cells", "border", "corner", "term_rhs", "term_x", "term_dot", "sums")


@cache
def driven(stuck: bool) -> tuple[list[Sample], Settings]:
    """The samples of a road ride of few minutes, and what is known of its engine."""
    parameters, controller = bench(seed=3)
    faults = [STUCK] if stuck else []
    samples = simulate(parameters, controller, RoadRide(60 * MINUTES, 3), 3, faults=faults)
    return list(samples), describe(parameters, controller)


def ride(stuck: bool) -> tuple[list[Sample], Learner, CarefulLearner]:
    """A road ride of few minutes, a plain learner and a careful one."""
    samples, settings = driven(stuck)
    return samples, Learner(settings), CarefulLearner(settings)


def numbers(learner: Learner) -> list[object]:
    """Everything that the banks' evidence is made of."""
    found: list[object] = []
    for bank in learner.banks:
        found += [list(getattr(bank.evidence, name)) for name in KEPT]
        found += [bank.evidence.noise, bank.evidence.open_square(), bank.used_count, bank.refused]
    return found


@pytest.mark.parametrize("typecode", ["d", "f"])
def test_a_stuck_sensor_leaves_nothing_behind(typecode: str) -> None:
    """30 s of a stuck sensor give the evidence, bit for bit, of a sensor that says at once that it
    has failed; its samples count as refused."""
    samples, warned, _ = ride(stuck=True)
    warned = Learner(warned.settings, typecode)
    learner = CarefulLearner(warned.settings, typecode)
    plain = Learner(warned.settings, typecode)
    last = float("nan")
    for sample in samples:
        learner.learn_one(sample)
        plain.learn_one(sample)
        measured, state = sample.measured_lambda[0], sample.sensor_state[0]
        if measured == last and STUCK.start_s < 1e-6 * sample.time_us < STUCK.stop_s + 0.1:
            sample.sensor_state[0] = SENSOR_FAULT
        warned.learn_one(sample)
        last, sample.sensor_state[0] = measured, state

    assert learner.taken_out[0] > 100
    assert learner.taken_out[1] == 0
    assert learner.banks[0].refused[REASONS.index("sensor_fault")] > 700
    assert list(learner.banks[0].evidence.cells) == list(warned.banks[0].evidence.cells)
    assert learner.banks[0].used_count == warned.banks[0].used_count
    assert numbers(learner)[:9] == numbers(warned)[:9]
    assert list(plain.banks[0].evidence.cells) != list(warned.banks[0].evidence.cells)


def test_a_healthy_ride_is_learned_as_ever() -> None:
    """Without a stuck sensor a careful learner's numbers are the plain one's, bit for bit."""
    samples, plain, careful = ride(stuck=False)
    for sample in samples:
        plain.learn_one(sample)
        careful.learn_one(sample)
    assert careful.taken_out == [0, 0]
    assert numbers(careful) == numbers(plain)


def test_a_reading_at_rest_teaches_on() -> None:
    """A coarse reading that repeats while nothing moves is no fault: all of it stays."""
    careful, plain = CarefulLearner(twin_settings()), Learner(twin_settings())
    for sample in steady_stream(30.0):
        careful.learn_one(sample)
        plain.learn_one(sample)
    assert careful.banks[0].used_count > 1000
    assert numbers(careful) == numbers(plain)


def test_evidence_added_on_the_way_stays() -> None:
    """What another origin adds while a reading repeats is not taken out with it."""
    samples, _, careful = ride(stuck=True)
    other = CarefulLearner(careful.settings)
    for sample in samples[:1500]:
        other.learn_one(sample)
    at = round(25 * (STUCK.start_s + 1.0))
    for sample in samples[:at]:
        careful.learn_one(sample)
    careful.keep_all()
    careful.banks[0].evidence.merge(other.banks[0].evidence)
    added = careful.banks[0].evidence.sums[0]
    for sample in samples[at : at + 700]:
        careful.learn_one(sample)
    assert careful.taken_out[0] > 0
    assert careful.banks[0].evidence.sums[0] == added
