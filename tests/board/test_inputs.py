"""A board's own inputs: volts and tooth times to values with units."""

import math

import pytest

from breathmap.protocol.wire.codes import SENSOR_FAULT, SENSOR_READY
from breathmap.tools.board.inputs import Inputs, Line, Points, ToothWheel


def test_a_line_goes_through_its_two_points():
    """Both calibration points come out exactly, in whichever order they are given."""
    for points in (((0.5, 20.0), (4.5, 115.0)), ((4.5, 115.0), (0.5, 20.0))):
        line = Line(*points)
        assert line.value(0.5) == 20.0
        assert line.value(4.5) == pytest.approx(115.0)
        assert line.value(2.5) == pytest.approx(67.5)


def test_a_broken_wire_is_no_measurement():
    """Volts well outside the calibration give NaN, not a plausible number."""
    line = Line((0.5, 20.0), (4.5, 115.0))
    for volts in (0.0, 5.0, math.nan):
        assert math.isnan(line.value(volts))
    assert math.isnan(Points([[1.0, 90.0], [3.0, 20.0]]).value(0.9))


def test_a_curve_is_straight_between_its_points():
    """A thermistor's table interpolates, whatever order its points are in."""
    curve = Points([[3.0, 20.0], [1.0, 90.0], [2.0, 50.0]])
    assert curve.value(1.5) == 70.0
    assert curve.value(2.5) == 35.0
    assert curve.value(3.0) == 20.0


def test_calibrations_that_are_none_are_refused():
    """Two points at the same volts, one point, or an input without a calibration raise."""
    with pytest.raises(ValueError, match="different volts"):
        Line((1.0, 2.0), (1.0, 3.0))
    with pytest.raises(ValueError, match="two points"):
        Points([[1.0, 2.0]])
    with pytest.raises(ValueError, match="map_kpa"):
        Inputs(ToothWheel(4), {"map_kpa": lambda: 1.0}, {}, 1, 0.9)


def test_speed_is_that_of_the_last_revolution():
    """A wheel with a gap gives the true speed once it has turned once, and 0 at standstill."""
    wheel = ToothWheel(3)
    assert math.isnan(wheel.speed_rpm(0))
    for turn in range(3):
        # 20 ms a revolution is 3000 rpm; the fourth tooth is missing.
        for tooth in range(3):
            wheel.tooth(20_000 * turn + 5_000 * tooth)
    assert wheel.speed_rpm(51_000) == pytest.approx(3000.0)
    assert wheel.speed_rpm(2_000_000) == 0.0
    wheel.tooth(2_100_000)
    assert math.isnan(wheel.speed_rpm(2_100_000))


def test_inputs_fill_a_sample_and_say_what_is_missing():
    """What is wired has its value, what is not is NaN, and a dead lambda sensor is a fault."""
    volts = {"map_kpa": 2.5, "measured_lambda_0": 2.5, "measured_lambda_1": 9.0}
    scale = {
        "map_kpa": Line((0.5, 20.0), (4.5, 115.0)),
        "measured_lambda_0": Line((0.0, 0.68), (5.0, 1.36)),
        "measured_lambda_1": Line((0.0, 0.68), (5.0, 1.36)),
    }
    read = {name: (lambda value=value: value) for name, value in volts.items()}
    sample = Inputs(ToothWheel(3), read, scale, 2, 0.9).take(1000)
    assert sample.time_us == 1000
    assert sample.map_kpa == pytest.approx(67.5)
    assert sample.target_lambda == 0.9
    assert math.isnan(sample.coolant_c)
    assert sample.measured_lambda[0] == pytest.approx(1.02)
    assert math.isnan(sample.measured_lambda[1])
    assert sample.sensor_state == [SENSOR_READY, SENSOR_FAULT]
