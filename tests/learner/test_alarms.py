"""The alarms: what raises one, what does not, and how long it stays."""

import math
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from processes import program

from breathmap.learner.core import alarms, episodes
from breathmap.learner.core.alarms import AlarmLimits, Alarms
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import SWITCHING, BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.fields import (
    DECELERATION_ENLEANMENT,
    FUEL_CUT,
    SENSOR_ABSENT,
    SENSOR_FAULT,
    SENSOR_READY,
    SENSOR_WARMING,
)
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.faults import fault
from breathmap.simulator.run import simulate
from breathmap.tools.bench import alarms as bench
from breathmap.tools.demo.simulating import parse_drive
from breathmap.tools.demo.teaching_bench import college_bench, college_description

SCRIPT = Path(__file__).with_name("alarms_script.py")


class Engine:
    """A made-up engine that is told what its sensors read, so many times a second."""

    def __init__(self, banks: int = 1, rate_hz: float = 25.0, **limits: object) -> None:
        self.rate_hz = rate_hz
        table = Table([1000.0, 6000.0], [20.0, 100.0], [80.0] * 4)
        self.settings = Settings([BankSettings(f"b{k}", table, DelayModel()) for k in range(banks)])
        self.limits = AlarmLimits()
        for name, value in limits.items():
            setattr(self.limits, name, value)
        self.alarms = Alarms(self.settings, self.limits)
        self.sample = Sample(banks)
        self.sample.speed_rpm, self.sample.map_kpa = 3000.0, 60.0
        self.sample.coolant_c, self.sample.target_lambda = 85.0, 0.95
        self.sample.measured_lambda = [0.95] * banks
        self.sample.sensor_state = [SENSOR_READY] * banks

    def run(self, seconds: float, lost: int = 0) -> int:
        """Go on for so long; return how many alarms were raised."""
        raised = 0
        for _ in range(round(seconds * self.rate_hz)):
            self.sample.time_us += round(1e6 / self.rate_hz)
            self.sample.lost_before = lost
            raised += self.alarms.take(self.sample)
        return raised


def latched(engine: Engine) -> list[str]:
    """Return the names of the latched alarms."""
    return [n for n, on in zip(alarms.NAMES, engine.alarms.latched, strict=True) if on]


def test_lean_under_load_is_called_within_a_quarter_of_a_second() -> None:
    """Lambda above the absolute limit for its load raises the alarm within 0.25 s and names the
    bank, with no target known."""
    engine = Engine(banks=2)
    engine.sample.map_kpa, engine.sample.target_lambda = 96.0, math.nan
    assert engine.run(2.0) == 0

    engine.sample.measured_lambda[1] = 1.25
    engine.run(0.24)

    assert latched(engine) == ["lean_under_load"]
    assert engine.alarms.bank[alarms.LEAN] == 1
    assert engine.alarms.value[alarms.LEAN] == 1.25


def test_the_same_lambda_at_low_load_is_no_alarm() -> None:
    """What is lean at full load may be harmless at part load."""
    engine = Engine()
    engine.sample.map_kpa = 40.0
    engine.sample.measured_lambda[0] = 1.15

    assert engine.run(3.0) == 0


def test_one_reading_is_no_alarm() -> None:
    """A single lean reading between good ones raises nothing."""
    engine = Engine()
    engine.sample.map_kpa = 96.0
    engine.run(2.0)
    for _ in range(10):
        engine.sample.measured_lambda[0] = 1.5
        assert engine.run(0.04) == 0
        engine.sample.measured_lambda[0] = 0.95
        assert engine.run(0.2) == 0


def test_air_after_a_fuel_cut_is_no_alarm() -> None:
    """The air that a fuel cut leaves in the exhaust raises nothing when the throttle opens."""
    engine = Engine()
    engine.run(2.0)
    engine.sample.flags = FUEL_CUT
    engine.sample.measured_lambda[0] = 3.0
    engine.run(1.0)
    engine.sample.flags = 0
    engine.sample.map_kpa = 98.0
    assert engine.run(1.5) == 0


@pytest.mark.parametrize("rate_hz", [10, 25, 50, 100])
def test_thirteen_per_cent_lean_at_full_load_is_called(rate_hz: int) -> None:
    """13 % lean at full load, below every absolute limit, is called within 0.3 s of the first lean
    reading on a sensor of 1 % noise, at 10 samples a second and more."""
    drawn = random.Random(1)
    for _ in range(20):
        engine = Engine(rate_hz=rate_hz)
        engine.sample.map_kpa, engine.sample.target_lambda = 98.0, 0.88
        engine.sample.measured_lambda[0] = 0.88
        assert engine.run(3.0) == 0
        steps = 0
        while not engine.alarms.latched[alarms.LEAN]:
            engine.sample.measured_lambda[0] = 0.88 * 1.13 * (1.0 + 0.01 * drawn.gauss(0.0, 1.0))
            engine.run(1.0 / rate_hz)
            steps += 1
        assert (steps - 1) / rate_hz <= 0.3


def test_slightly_too_lean_takes_longer() -> None:
    """A fifth above the limit at full load is called, too, but takes longer."""
    engine = Engine()
    engine.sample.map_kpa = 98.0
    engine.run(2.0)
    engine.sample.measured_lambda[0] = 0.95 + 1.2 * 0.05
    assert engine.run(0.2) == 0
    assert engine.run(0.3) == 1


def test_the_limit_above_the_target_needs_load_and_a_target() -> None:
    """13 % lean below the first load raises nothing, nor with a target that is not known."""
    low, unknown = Engine(), Engine()
    low.sample.map_kpa = 58.0
    unknown.sample.map_kpa, unknown.sample.target_lambda = 98.0, math.nan
    for engine in (low, unknown):
        engine.sample.measured_lambda[0] = 0.95 * 1.13
        assert engine.run(5.0) == 0


def test_readings_older_than_the_operating_point_accuse_nobody() -> None:
    """When load and target step to full load, old readings of the leaner target raise nothing; when
    they stay, the alarm comes."""
    engine = Engine()
    engine.sample.map_kpa, engine.sample.target_lambda = 50.0, 1.0
    engine.sample.measured_lambda[0] = 1.0
    engine.run(3.0)
    engine.sample.map_kpa, engine.sample.target_lambda = 98.0, 0.88
    assert engine.run(0.6) == 0
    engine.run(3.0)
    assert latched(engine) == ["lean_under_load"]


def test_fuel_that_the_film_takes_is_no_alarm() -> None:
    """While the load has just risen a film may take a fifth of what is new; a reading that stays as
    lean is called."""
    engine = Engine()
    engine.sample.map_kpa = 62.0
    engine.run(3.0)
    for k in range(25):
        engine.sample.map_kpa = 62.0 + 1.4 * k
        engine.sample.measured_lambda[0] = 1.03
        assert engine.run(0.04) == 0
    engine.run(3.0)
    assert latched(engine) == ["lean_under_load"]


def test_a_closing_throttle_may_be_leaned_out() -> None:
    """What a controller takes away while the throttle closes raises nothing, nor just after."""
    engine = Engine()
    engine.sample.map_kpa = 98.0
    engine.run(2.0)
    engine.sample.flags = DECELERATION_ENLEANMENT
    engine.sample.measured_lambda[0] = 1.08
    assert engine.run(2.0) == 0
    engine.sample.flags = 0
    assert engine.run(0.4) == 0


def test_an_episode_tells_when_how_long_how_bad_and_where() -> None:
    """Two stretches of lean on one bank, one on the other: each with its beginning, its duration
    and the operating point of its worst reading."""
    engine = Engine(banks=2)
    engine.alarms.begin_source("ride.bin")
    engine.sample.map_kpa, engine.sample.speed_rpm = 98.0, 5000.0
    engine.run(4.0)
    for bank, lean in ((1, 1.07), (1, 1.04), (0, 1.05)):
        engine.sample.speed_rpm = 5000.0
        engine.sample.measured_lambda[bank] = lean
        engine.run(0.6)
        engine.sample.speed_rpm = 4900.0
        engine.sample.measured_lambda[bank] = lean + 0.02
        engine.run(0.04)
        engine.sample.measured_lambda[bank] = 0.95
        engine.run(2.36)

    found = engine.alarms.episodes.kept
    assert engine.alarms.episodes.counts[alarms.LEAN] == len(found) == 3
    assert [e.bank for e in found] == [1, 1, 0]
    assert [e.source for e in found] == ["ride.bin"] * 3
    assert [e.time_s for e in found] == pytest.approx([4.0, 7.0, 10.0], abs=0.001)
    assert [e.duration_s for e in found] == pytest.approx([0.6] * 3, abs=0.001)
    assert [e.worst for e in found] == pytest.approx([1.09, 1.06, 1.07], abs=1e-6)
    assert [e.limit for e in found] == pytest.approx([1.0] * 3, abs=0.005)
    assert [e.speed_rpm for e in found] == [4900.0] * 3
    assert [e.load for e in found] == [98.0] * 3
    assert all(e.over for e in found)


def test_every_source_counts_its_own_time() -> None:
    """Episodes of a second source count from its first sample, and the first source's end with
    it."""
    engine = Engine()
    engine.sample.coolant_c = 120.0
    for name in ("one", "two"):
        engine.alarms.begin_source(name)
        engine.run(1.0)
    found = engine.alarms.episodes.kept
    assert [(e.source, e.time_s, e.over) for e in found] == [
        ("one", 0.0, True),
        ("two", 0.0, False),
    ]


def test_memory_is_bounded_and_the_worst_is_kept() -> None:
    """Of more episodes than are kept every one is counted, and the worst is among the kept."""
    engine = Engine()
    count = episodes.KEPT + 50
    for k in range(count):
        engine.alarms.begin_source(str(k))
        engine.sample.coolant_c = 130.0 if k == count - 20 else 113.0
        engine.run(0.08)
    found = engine.alarms.episodes
    assert found.counts[alarms.HOT] == count
    assert len(found.kept) == episodes.KEPT
    assert max(e.worst for e in found.kept) == 130.0


def test_heat_sensor_and_losses_are_called() -> None:
    """A hot engine, a sensor that goes, and frames that go missing each raise their own alarm."""
    hot = Engine()
    hot.sample.coolant_c = 113.0
    hot.run(0.1)
    gone = Engine(banks=2)
    gone.run(1.0)
    gone.sample.sensor_state[1] = SENSOR_FAULT
    gone.run(0.6)
    dumb = Engine()
    dumb.run(1.0)
    dumb.sample.measured_lambda[0] = math.nan
    dumb.run(0.6)
    losing = Engine()
    losing.run(2.0, lost=1)

    assert latched(hot) == ["engine_too_hot"]
    assert latched(gone) == latched(dumb) == ["sensor_lost"]
    assert gone.alarms.bank[alarms.SENSOR_LOST] == 1
    assert latched(losing) == ["frames_being_lost"]


@pytest.mark.parametrize("state", [SENSOR_ABSENT, SENSOR_FAULT, SENSOR_READY])
def test_a_sensor_unplugged_before_the_start_is_called(state: int) -> None:
    """A sensor that was never there is no alarm on a standing engine, and one within 6 s of running
    whatever it says of itself, so long as it does not say that it is warming."""
    engine = Engine(banks=2)
    engine.sample.sensor_state[1], engine.sample.measured_lambda[1] = state, math.nan
    engine.sample.speed_rpm = 0.0
    assert engine.run(120.0) == 0

    engine.sample.speed_rpm = 1200.0
    assert engine.run(3.0) == 0
    engine.run(3.0)

    assert latched(engine) == ["sensor_lost"]
    assert engine.alarms.bank[alarms.SENSOR_LOST] == 1
    assert engine.alarms.value[alarms.SENSOR_LOST] == state


def test_a_sensor_may_warm_up_but_not_for_ever() -> None:
    """Warming for 40 s after a start raises nothing, nor after a second start; warming for more
    than a minute does."""
    engine = Engine()
    for _ in range(2):
        engine.sample.speed_rpm = 0.0
        engine.sample.sensor_state[0] = SENSOR_WARMING
        engine.run(5.0)
        engine.sample.speed_rpm = 1200.0
        assert engine.run(40.0) == 0
        engine.sample.sensor_state[0] = SENSOR_READY
        assert engine.run(5.0) == 0
    engine.sample.speed_rpm = 0.0
    engine.sample.sensor_state[0] = SENSOR_WARMING
    engine.run(5.0)
    engine.sample.speed_rpm = 1200.0
    engine.run(61.0)
    assert latched(engine) == ["sensor_lost"]


def test_a_sensor_unplugged_on_the_simulated_bench_is_called() -> None:
    """On a cold bench with one sensor unplugged from the first moment its alarm comes, and none
    for the other, which warms up."""
    parameters, controller = college_bench()
    description = college_description(parameters, "wideband")
    watch = Alarms(
        description.settings([controller.read_ve(0), controller.read_ve(1)]),
        description.alarm_limits(),
    )
    drive = parse_drive("road", 1.0, 1)
    unplugged = [fault("sensor-unplugged", None, 1)]
    raised = set()
    for sample in simulate(parameters, controller, drive, faults=unplugged, warm=False, reuse=True):
        if watch.take(sample):
            raised.add((alarms.NAMES[watch.worst()], watch.bank[watch.worst()]))
    assert raised == {("sensor_lost", 1)}


def test_a_board_raises_the_same_alarms(package_folder: Path) -> None:
    """The real MicroPython and CPython raise the same alarms at the same samples, of every kind."""
    board, host = (
        subprocess.run(
            [interpreter, SCRIPT, package_folder],
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        ).stdout
        for interpreter in (program("micropython"), sys.executable)
    )
    assert board == host
    # A board keeps no recording.
    for name in alarms.NAMES[: alarms.NOT_RECORDING]:
        assert name in board


def test_silence_is_called_and_ends_with_the_next_frame() -> None:
    """A silent link raises its alarm after the limit; the banner stays when frames come again."""
    engine = Engine()
    engine.run(1.0)

    assert engine.alarms.silence(0.9) == 0
    assert engine.alarms.silence(1.0) == 1
    assert engine.alarms.silence(2.0) == 0
    engine.run(0.1)
    assert latched(engine) == ["link_lost"]
    assert not engine.alarms.active[alarms.LINK_LOST]


def test_an_alarm_stays_until_acknowledged_and_comes_back_while_its_cause_stays() -> None:
    """The latch outlives its cause; acknowledged with the cause still there, it comes again."""
    engine = Engine()
    engine.sample.coolant_c = 120.0
    engine.run(0.1)
    engine.sample.coolant_c = 90.0
    engine.run(60.0)
    assert latched(engine) == ["engine_too_hot"]

    engine.alarms.acknowledge()
    assert engine.alarms.worst() == -1
    engine.sample.coolant_c = 120.0
    engine.run(0.1)
    engine.alarms.acknowledge()
    assert engine.run(9.0) == 0
    assert engine.run(2.0) == 1


def test_a_switching_sensor_raises_no_mixture_alarm() -> None:
    """A switching sensor says nothing of how lean it is, and is not asked."""
    engine = Engine()
    engine.settings.sensor_kind = SWITCHING
    engine.sample.map_kpa, engine.sample.measured_lambda[0] = 98.0, 1.9
    assert engine.run(3.0) == 0


def test_healthy_engines_raise_nothing_and_lean_ones_are_called() -> None:
    """Twenty minutes on a brake, on the road with a sensor unplugged and switched off hot raise no
    alarm; an engine 13 % lean is called at every full load, most in 0.3 s from the reading."""
    for order in ((701, 6), (702, 8), (703, 7)):
        assert not sum(bench.healthy(order).false.values())
    found = bench.lean(704)
    assert not found.missed
    assert np.median(found.from_reading_s) <= 0.3
    assert max(found.from_reading_s) <= 0.4


def test_failing_fuel_pressure_is_called_on_the_road() -> None:
    """Fuel pressure at 0.7 of nominal is called when the road loads the engine."""
    parameters, controller = college_bench()
    description = college_description(parameters, "wideband")
    watch = Alarms(
        description.settings([controller.read_ve(0), controller.read_ve(1)]),
        description.alarm_limits(),
    )
    weak = [fault("fuel-pressure-wrong", 0.7)]
    for sample in simulate(parameters, controller, parse_drive("road", 2.0, 1), faults=weak):
        watch.take(sample)
    assert watch.latched[alarms.LEAN]


def test_the_share_of_lost_frames_is_counted_exactly_and_forgotten() -> None:
    """What is told is the share of all frames of the last moments, also across the place where
    they begin anew, of no bank; ten seconds after the last loss the cause is gone."""
    engine = Engine(rate_hz=30.0)
    for _ in range(5):
        assert engine.run(1.2) == 0
        assert engine.run(1 / 30, lost=1) == 0
    came, lost = 5 * 37, 5
    while not engine.alarms.latched[alarms.FRAMES_LOST]:
        engine.run(1 / 30, lost=1)
        came, lost = came + 1, lost + 1
    assert engine.alarms.value[alarms.FRAMES_LOST] == pytest.approx(100 * lost / (came + lost))
    assert engine.alarms.bank[alarms.FRAMES_LOST] == -1
    (episode,) = engine.alarms.episodes.kept
    assert (episode.kind, episode.bank) == (alarms.FRAMES_LOST, -1)
    engine.run(10.0, lost=1)
    engine.run(10.2)
    assert not engine.alarms.active[alarms.FRAMES_LOST]


def test_what_concerns_the_whole_engine_is_of_no_bank() -> None:
    """Before anything was raised, and of heat, silence and a recording that fails."""
    engine = Engine(banks=2)
    watch = engine.alarms
    assert watch.bank == [-1] * len(alarms.NAMES)
    engine.sample.coolant_c = 125.0
    engine.run(0.1)
    watch.silence(3.0)
    watch.recording(is_failing=True)
    assert latched(engine) == ["engine_too_hot", "link_lost", "not_recording"]
    assert watch.bank == [-1] * len(alarms.NAMES)
    worst = [watch.value[kind] for kind in (alarms.HOT, alarms.LINK_LOST, alarms.NOT_RECORDING)]
    assert worst == [125.0, 3.0, 0.0]
    assert [(one.kind, one.bank) for one in watch.episodes.kept] == [(alarms.HOT, -1)]


def test_a_sensor_that_drops_out_for_a_moment_is_no_alarm() -> None:
    """Under half a second; a little longer it is one, and its bank is named."""
    engine = Engine(banks=2)
    assert engine.run(2.0) == 0
    for seconds, raised in ((0.4, 0), (0.6, 1)):
        engine.sample.sensor_state[1] = SENSOR_FAULT
        assert engine.run(seconds) == raised
        engine.sample.sensor_state[1] = SENSOR_READY
        engine.run(1.0)
    assert engine.alarms.bank[alarms.SENSOR_LOST] == 1
