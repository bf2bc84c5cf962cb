"""The alarms: what raises one, what does not, and how long it stays."""

import math
import subprocess
import sys
from pathlib import Path

import pytest

from breathmap.learner.core import alarms
from breathmap.learner.core.alarms import AlarmLimits, Alarms
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import SWITCHING, BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.fields import (
    FUEL_CUT,
    SENSOR_ABSENT,
    SENSOR_FAULT,
    SENSOR_READY,
    SENSOR_WARMING,
)
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.faults import fault
from breathmap.simulator.run import simulate
from breathmap.tools.demo.simulating import parse_drive
from breathmap.tools.demo.teaching_bench import college_bench, college_description

STEP_US = 40_000
ROOT = Path(__file__).resolve().parents[2]
SCRIPT = Path(__file__).with_name("alarms_script.py")


class Engine:
    """A made-up engine that is told what its sensors read, 25 times a second."""

    def __init__(self, banks: int = 1, **limits: object) -> None:
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
        for _ in range(round(seconds * 25)):
            self.sample.time_us += STEP_US
            self.sample.lost_before = lost
            raised += self.alarms.take(self.sample)
        return raised


def latched(engine: Engine) -> list[str]:
    """Return the names of the latched alarms."""
    return [n for n, on in zip(alarms.NAMES, engine.alarms.latched, strict=True) if on]


def test_lean_under_load_is_called_within_a_quarter_of_a_second() -> None:
    """Lambda above the limit for its load raises the alarm within 0.25 s, and names the bank."""
    engine = Engine(banks=2)
    engine.sample.map_kpa = 96.0
    assert engine.run(2.0) == 0

    engine.sample.measured_lambda[1] = 1.15
    engine.run(0.24)

    assert latched(engine) == ["lean_under_load"]
    assert engine.alarms.bank[alarms.LEAN] == 1
    assert engine.alarms.value[alarms.LEAN] == 1.15


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


def test_lambda_that_rises_while_load_rises_is_called() -> None:
    """Lambda climbing together with load raises its alarm below the lean limit."""
    engine = Engine(lean_lambda=[3.0, 3.0, 3.0])
    engine.run(2.0)
    for _ in range(35):
        engine.sample.map_kpa += 1.0
        engine.sample.measured_lambda[0] += 0.01
        engine.run(0.04)
    assert latched(engine) == ["lambda_rising_with_load"]


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


def test_a_board_raises_the_same_alarms(board_program: str, package_folder: Path) -> None:
    """The real MicroPython and CPython raise the same alarms at the same samples, of every kind."""
    board, host = (
        subprocess.run(
            [program, SCRIPT, package_folder],
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        ).stdout
        for program in (board_program, sys.executable)
    )
    assert board == host
    for name in alarms.NAMES:
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


@pytest.mark.parametrize("drive", ["road", "brake"])
def test_a_healthy_engine_raises_none(drive: str) -> None:
    """Three minutes on the simulated bench, tables 8 % wrong, raise no alarm."""
    parameters, controller = college_bench()
    description = college_description(parameters, "wideband")
    watch = Alarms(
        description.settings([controller.read_ve(0), controller.read_ve(1)]),
        description.alarm_limits(),
    )
    seconds = 0.0
    for sample in simulate(parameters, controller, parse_drive(drive, 3.0, 1), reuse=True):
        assert watch.take(sample) == 0, alarms.NAMES[watch.worst()]
        seconds = sample.time_us / 1e6
        if seconds > 180.0:
            break
    assert seconds > 170.0


def test_failing_fuel_pressure_is_called() -> None:
    """Fuel pressure that falls to 0.7 of nominal is called out when the engine is loaded."""
    parameters, controller = college_bench()
    description = college_description(parameters, "wideband")
    watch = Alarms(
        description.settings([controller.read_ve(0), controller.read_ve(1)]),
        description.alarm_limits(),
    )
    weak = [fault("fuel-pressure-wrong", 0.7)]
    drive = parse_drive("road", 2.0, 1)
    for sample in simulate(parameters, controller, drive, faults=weak, reuse=True):
        watch.take(sample)
    assert watch.latched[alarms.LEAN] or watch.latched[alarms.RISING]
