"""The run as a whole: repeatable, sampled when asked, honest about its noise."""

import numpy as np
import pytest

from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import BrakeSweep, Idle, RoadRide
from breathmap.simulator.parameters import TWIN_AXES, random_engine
from breathmap.simulator.run import TruthTrace, bench, perturbed_table, simulate


def rows(samples: list[Sample]) -> list[tuple]:  # type: ignore[type-arg]
    return [
        (s.time_us, s.flags, s.speed_rpm, s.map_kpa, *s.measured_lambda, *s.fuel_multiplier)
        for s in samples
    ]


@pytest.mark.parametrize("method", ["wideband", "switching"])
def test_same_seed_same_run(method: str) -> None:
    """The same seed gives the same samples to the last bit; another seed does not."""
    drive = RoadRide(40.0, 1)
    runs = [rows(list(simulate(*bench(method, seed=4), drive, seed))) for seed in (9, 9, 10)]

    assert runs[0] == runs[1]
    assert runs[0] != runs[2]


def test_a_run_leaves_nothing_in_the_controller() -> None:
    """Running twice with the same controller gives the same samples."""
    parameters, controller = bench("switching")
    first = rows(list(simulate(parameters, controller, RoadRide(20.0, 1), 1)))
    second = rows(list(simulate(parameters, controller, RoadRide(20.0, 1), 1)))

    assert first == second


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 100.0])
def test_samples_come_at_the_asked_rate(rate_hz: float) -> None:
    """Samples lie exactly one period apart, from time 0 to the drive's end."""
    samples = list(simulate(*bench(), Idle(4.0), sample_rate_hz=rate_hz))

    assert len(samples) == int(4 * rate_hz)
    assert [s.time_us for s in samples] == [round(k * 1e6 / rate_hz) for k in range(len(samples))]


def test_rate_out_of_range_is_refused() -> None:
    """A senseless sample rate is refused at the call."""
    with pytest.raises(ValueError, match=r"sample_rate_hz must be 0.1 to 1000, got 0"):
        simulate(*bench(), Idle(1.0), sample_rate_hz=0.0)


def test_fresh_or_reused_samples() -> None:
    """Samples are fresh objects unless reuse is asked for; both show the same values."""
    fresh = list(simulate(*bench(), RoadRide(4.0), 1))
    reused = [(id(s), rows([s])[0]) for s in simulate(*bench(), RoadRide(4.0), 1, reuse=True)]

    assert len({id(s) for s in fresh}) == len(fresh)
    assert len({i for i, _ in reused}) == 1
    assert [r for _, r in reused] == rows(fresh)


def test_sensor_noise_is_what_is_stated() -> None:
    """At rest the reading scatters by 1 % of white noise on top of what the engine does."""
    parameters, controller = bench()
    drive = BrakeSweep((3500,), (50,), hold_s=60.0)
    readings = np.array(
        [s.measured_lambda[0] for s in simulate(parameters, controller, drive)][500:]
    )
    # Half the variance of differences two samples apart, less what the cycles give, is the noise.
    quick = np.std(np.diff(readings)) / np.sqrt(2.0) / np.mean(readings)

    assert 0.009 < quick < 0.0125


def test_cycle_scatter_is_correlated() -> None:
    """Without sensor noise the reading still wavers from cycle to cycle, slowly."""
    parameters, controller = bench()
    quiet = parameters.quiet()
    parameters = type(parameters)(
        truth=parameters.truth, sensors=quiet.sensors, noise=parameters.noise
    )
    drive = BrakeSweep((3500,), (50,), hold_s=60.0)
    readings = np.array(
        [s.measured_lambda[0] for s in simulate(parameters, controller, drive)][500:]
    )
    wavers = readings - np.mean(readings)
    neighbours = np.mean(wavers[1:] * wavers[:-1]) / np.mean(wavers**2)

    assert 0.002 < np.std(wavers) < 0.012
    assert neighbours > 0.4


def test_trace_runs_along() -> None:
    """The trace has one entry per sample, at the same time and near the same readings."""
    trace = TruthTrace()
    samples = list(simulate(*bench(), RoadRide(30.0, 2), 2, trace=trace))
    speeds = np.array([s.speed_rpm for s in samples])
    loads = np.array([s.map_kpa for s in samples])

    assert len(trace.time_s) == len(samples) == len(trace.delay_s[1])
    assert np.max(np.abs(speeds / np.array(trace.speed_rpm) - 1.0)) < 0.006
    assert np.max(np.abs(loads - np.array(trace.map_kpa))) < 0.8


def test_switching_method_carries_the_error_in_the_multiplier() -> None:
    """In closed loop on the switching sensor the mean multiplier is true VE over table VE."""
    parameters, controller = bench("switching", seed=3)
    drive = BrakeSweep((3000, 4700), (40, 60), hold_s=15.0)
    trace = TruthTrace()
    samples = list(simulate(parameters, controller, drive, trace=trace))
    for k in range(1, len(drive.points) + 1):
        window = range(k * 375 - 240, k * 375 - 5)
        for bank in range(2):
            needed = np.mean(
                [
                    trace.true_ve_pct[bank][i]
                    / controller.ve_at(bank, trace.speed_rpm[i], trace.map_kpa[i])
                    for i in window
                ]
            )
            seen = np.mean([samples[i].fuel_multiplier[bank] for i in window])

            assert seen == pytest.approx(needed, rel=6e-3)


def test_random_engines_all_run() -> None:
    """Many different engines idle, pull away and ride without stalling or running away."""
    for seed in range(12):
        parameters = random_engine(seed)
        tables = [perturbed_table(parameters.truth, b, TWIN_AXES, 0.08, seed) for b in range(2)]
        controller = Controller(parameters, TWIN_AXES, tables)
        trace = TruthTrace()
        for _ in simulate(parameters, controller, RoadRide(60.0, seed), seed, trace=trace):
            pass
        speed = np.array(trace.speed_rpm)

        assert np.min(speed) > 450.0
        assert np.max(speed) < 8000.0
        assert max(trace.vehicle_m_s) > 5.0
