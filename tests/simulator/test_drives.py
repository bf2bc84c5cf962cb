"""Drives: published schedules, and speeds and loads that a person would recognise."""

import numpy as np
import pytest

from breathmap.protocol.wire.fields import SENSOR_READY, SENSOR_WARMING, WARM_UP_ENRICHMENT
from breathmap.simulator.drives import (
    Altitude,
    BrakeSweep,
    Chain,
    HotSoak,
    Idle,
    RoadRide,
    SpeedSchedule,
    barometer_kpa,
    european_schedule,
    schedule,
)
from breathmap.simulator.run import TruthTrace, bench, simulate


def ride(drive: object, seed: int = 1, **options: object) -> tuple[TruthTrace, list]:  # type: ignore[type-arg]
    parameters, controller = bench()
    trace = TruthTrace()
    samples = list(simulate(parameters, controller, drive, seed, trace=trace, **options))  # type: ignore[arg-type]
    return trace, samples


def test_european_schedule_as_published() -> None:
    """The schedule has the published length, distance and top speeds."""
    # UN R83 Type I as printed by transportpolicy.net: 780 + 400 s, 4 x 1.013 + 6.955 = 11.007 km,
    # 50 and 120 km/h.
    drive = european_schedule()

    assert drive.duration_s == 1180.0
    assert drive.distance_m() == pytest.approx(11007.0, rel=2e-3)
    assert max(drive.speeds_kmh) == 120.0
    assert max(drive.speed_kmh(t) for t in range(780)) == 50.0


def test_european_schedule_against_an_independent_copy() -> None:
    """Second by second the breakpoints give the trace that the wltp package carries."""
    nedc = pytest.importorskip("wltp.cycles.nedc", reason="the package wltp is not installed")
    trace = nedc.cycle_data()["cycle"]
    drive = european_schedule()
    # The copy gives for each second the speed at its end.
    apart = [abs(drive.speed_kmh(t + 1) - v) for t, v in enumerate(trace)]

    assert max(apart) < 0.01


@pytest.mark.parametrize(
    ("name", "duration_s", "distance_m", "top_kmh"),
    [
        # UN GTR 15 Annex 1: sums of the published traces.
        ("wltc-2", 1800, 22649.1, 123.1),
        ("wltc-3a", 1800, 23193.6, 131.3),
        ("wltc-3b", 1800, 23266.3, 131.3),
    ],
)
def test_wltc_as_published(name: str, duration_s: int, distance_m: float, top_kmh: float) -> None:
    """The WLTC classes have the published length, distance and top speed."""
    pytest.importorskip("wltp.cycles", reason="the package wltp is not installed")
    drive = schedule(name)

    assert drive.duration_s == duration_s
    assert drive.distance_m() == pytest.approx(distance_m, rel=1e-4)
    assert max(drive.speeds_kmh) == top_kmh


def test_unknown_schedule_is_refused() -> None:
    """An unknown schedule's message lists what there is."""
    with pytest.raises(ValueError, match="schedule must be european, wltc-1"):
        schedule("moon")
    with pytest.raises(ValueError, match="must start at 0 and ascend"):
        SpeedSchedule((0, 5, 5), (0, 10, 20))


def test_rider_follows_the_schedule() -> None:
    """The vehicle's speed stays near the schedule's, and the engine's where a rider keeps it."""
    drive = european_schedule()
    trace, _ = ride(drive)
    wanted = np.array([drive.speed_kmh(t) / 3.6 for t in trace.time_s])
    apart = np.array(trace.vehicle_m_s) - wanted

    assert np.sqrt(np.mean(apart**2)) < 0.6
    assert np.percentile(np.abs(apart), 99) < 2.0
    assert np.min(trace.speed_rpm) > 800.0
    assert np.max(trace.speed_rpm) < 6000.0
    assert sum(trace.vehicle_m_s) / 25.0 == pytest.approx(drive.distance_m(), rel=0.02)


def test_road_ride_is_recognisable() -> None:
    """A ride covers 1,100 to 6,500 rpm and 25 to 100 kPa, mostly in the middle, with all gears and
    some stops."""
    trace, _ = ride(RoadRide(900.0, 3), 3)
    speed, pressure = np.array(trace.speed_rpm), np.array(trace.map_kpa)

    assert np.mean((speed > 1100) & (speed < 6600)) > 0.97
    assert 2400 < np.median(speed) < 4200
    assert np.percentile(speed, 95) > 4600
    assert np.mean((pressure > 18) & (pressure < 101.4)) > 0.97
    assert 35 < np.median(pressure) < 60
    assert 0.02 < np.mean(pressure > 92) < 0.20
    assert set(trace.gear) == {0, 1, 2, 3, 4, 5, 6}
    assert 0.0 < np.mean(np.array(trace.vehicle_m_s) < 0.5) < 0.2
    assert np.max(trace.vehicle_m_s) < 50.0


def test_rides_differ_by_seed() -> None:
    """Another seed is another ride."""
    first, _ = ride(RoadRide(60.0, 1))
    second, _ = ride(RoadRide(60.0, 2))

    assert first.speed_rpm != second.speed_rpm


@pytest.mark.parametrize("mode", ["step", "ramp"])
def test_brake_holds_its_points(mode: str) -> None:
    """The brake reaches every speed, the operator every load, to a few per cent."""
    drive = BrakeSweep((2000, 4000), (35, 60, 90), hold_s=6.0, mode=mode)
    trace, _ = ride(drive)
    for k, (speed, load) in enumerate(drive.points[:-1]):
        i = int((k + 1) * 6.0 * 25) - 3 if mode == "step" else int(k * 6.0 * 25)
        if k == 0 and mode == "ramp":
            continue

        assert trace.speed_rpm[i] == pytest.approx(speed, rel=0.03)
        assert trace.map_kpa[i] == pytest.approx(load, rel=0.06)


def test_ramp_moves_gently() -> None:
    """In a ramp the load moves a little with every sample and never jumps."""
    trace, _ = ride(BrakeSweep((3000,), (35, 90), hold_s=20.0, mode="ramp"))
    steps = np.abs(np.diff(trace.map_kpa[250:500]))

    assert np.max(steps) < 1.0
    assert trace.map_kpa[490] - trace.map_kpa[260] > 20.0


def test_full_throttle_cannot_exceed_ambient() -> None:
    """A load out of reach ends just below ambient pressure."""
    trace, _ = ride(BrakeSweep((3000,), (120,), hold_s=5.0))

    assert 96.0 < trace.map_kpa[-1] <= 101.3


def test_altitude() -> None:
    """At the top of the climb pressure is the standard atmosphere's and full load is lower."""
    # ISO 2533: 79.4952 kPa at 2,000 m, 95.46084 kPa at 500 m.
    assert barometer_kpa(2000.0) == pytest.approx(79.4952, abs=2e-3)
    assert barometer_kpa(500.0) == pytest.approx(95.46084, abs=2e-3)
    trace, _ = ride(Altitude(BrakeSweep((3000,), (110,), hold_s=60.0), top_m=2000.0))
    pressure = np.array(trace.map_kpa)

    assert np.max(pressure) > 95.0
    assert pressure[len(pressure) // 2] == pytest.approx(78.6, abs=1.5)


def test_hot_soak() -> None:
    """A hot engine that stands heats its intake air, loses its gas to free air, starts again."""
    _, samples = ride(Chain(Idle(20.0), HotSoak(120.0, 30.0)))
    at_stop, before_start, end = samples[495], samples[3450], samples[-1]

    assert before_start.speed_rpm == 0.0
    assert before_start.map_kpa == pytest.approx(101.3, abs=1.0)
    assert before_start.intake_c > at_stop.intake_c + 5.0
    assert before_start.coolant_c < at_stop.coolant_c
    assert end.speed_rpm > 900.0
    # The heaters were off: the sensors warm up again.
    assert samples[3550].sensor_state[0] == SENSOR_WARMING
    assert end.sensor_state[0] == SENSOR_READY
    assert any(s.flags & WARM_UP_ENRICHMENT for s in samples[3500:])


def test_cold_start() -> None:
    """A cold engine is cranked, starts, is enriched while cold and warms up."""
    _, samples = ride(Chain(Idle(30.0), RoadRide(400.0, 2)), warm=False)

    assert samples[0].speed_rpm < 100.0
    assert samples[250].speed_rpm > 900.0
    assert samples[250].flags & WARM_UP_ENRICHMENT
    assert samples[0].sensor_state == [SENSOR_WARMING] * 2
    assert samples[0].measured_lambda[0] != samples[0].measured_lambda[0]  # NaN
    assert samples[100].coolant_c < 30.0
    assert samples[-1].coolant_c > 70.0
    assert samples[-1].flags == 0


def test_chain_runs_its_drives_in_turn() -> None:
    """A chain lasts as long as its parts and hands the running engine over."""
    trace, samples = ride(Chain(Idle(5.0), BrakeSweep((3000,), (50,), hold_s=5.0)))

    assert len(samples) == 250
    assert trace.speed_rpm[120] < 2000.0
    assert trace.speed_rpm[-1] == pytest.approx(3000.0, rel=0.02)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Idle(0.0),
        lambda: RoadRide(float("nan")),
        lambda: BrakeSweep(mode="jump"),
        lambda: BrakeSweep(speeds_rpm=()),
        lambda: Altitude(Idle(1.0), top_m=20000.0),
        lambda: Chain(),
    ],
)
def test_senseless_drives_are_refused(make) -> None:  # type: ignore[no-untyped-def]
    """A drive that cannot be driven is refused when it is made."""
    with pytest.raises(ValueError, match=r"must|needs"):
        make()
