"""Every fault shows in its own signal, goes again when its time is over, and repeats by seed."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from breathmap.protocol.host.link import LinkReader
from breathmap.protocol.wire import fields as wire
from breathmap.protocol.wire.device import build_frame, encode_sample
from breathmap.protocol.wire.events import NEED_DATA, FrameEvent
from breathmap.protocol.wire.fields import SAMPLE
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.drives import BrakeSweep, RoadRide
from breathmap.simulator.faults import FAULTS, Cable, fault
from breathmap.simulator.parameters import college_twin
from breathmap.simulator.run import TruthTrace, bench, simulate

DRIVE = ((3000.0,), (45.0,))


Point = tuple[tuple[float, ...], tuple[float, ...]]


def steady(
    name: str | None, magnitude: float | None = None, point: Point = DRIVE
) -> dict[str, Any]:
    """Means over the end of 20 s at one point of the brake, noise off, with one fault from 0 s."""
    parameters, controller = bench(seed=2)
    faults = [fault(name, magnitude, bank=1 if FAULTS[name].per_bank else 0)] if name else []
    drive = BrakeSweep(*point, hold_s=20.0)
    samples = list(simulate(parameters.quiet(), controller, drive, faults=faults))[-250:]
    return {
        "lambda": [np.mean([s.measured_lambda[b] for s in samples]) for b in range(2)],
        "spread": [np.std([s.measured_lambda[b] for s in samples]) for b in range(2)],
        "map_kpa": np.mean([s.map_kpa for s in samples]),
        "intake_c": np.mean([s.intake_c for s in samples]),
        "multiplier": np.mean([s.fuel_multiplier[0] for s in samples]),
        "target": np.mean([s.target_lambda for s in samples]),
        "state": samples[-1].sensor_state,
        "flags": samples[-1].flags,
    }


@pytest.fixture(scope="module")
def healthy() -> dict:  # type: ignore[type-arg]
    return steady(None)


def test_every_fault_is_described() -> None:
    """Each fault has a line of text and a default within its range."""
    for name, kind in FAULTS.items():
        assert kind.text
        assert kind.low <= kind.default <= kind.high
        assert fault(name).magnitude == kind.default


def test_leak_reads_lean_at_low_flow_only() -> None:
    """A leak shows lean at low flow and hardly at high flow, on its own bank."""
    low, high = ((1300.0,), (30.0,)), ((5000.0,), (90.0,))
    at_low = steady("exhaust-leak", point=low)["lambda"][1] / steady(None, point=low)["lambda"][1]
    at_high = (
        steady("exhaust-leak", point=high)["lambda"][1] / steady(None, point=high)["lambda"][1]
    )

    assert at_low > 1.08
    assert abs(at_high - 1.0) < 0.02


def test_misfire_spikes_lean(healthy: dict) -> None:  # type: ignore[type-arg]
    """A misfiring cylinder gives lean spikes on its bank and none on the other."""
    sick = steady("misfire", 0.05)

    assert sick["spread"][1] > 10 * healthy["spread"][1]
    assert sick["lambda"][1] > 1.01 * healthy["lambda"][1]
    # The other cylinder only feels the speed waver a little.
    assert sick["lambda"][0] == pytest.approx(healthy["lambda"][0], rel=5e-3)


def test_slow_sensor_smooths() -> None:
    """A slow sensor shows less of the same changes."""
    parameters, controller = bench(seed=2)
    parameters = parameters.quiet()
    spread = {}
    for slow in (False, True):
        faults = [fault("sensor-slow", 8.0, bank=0)] if slow else []
        samples = list(simulate(parameters, controller, RoadRide(90.0, 5), 5, faults=faults))
        spread[slow] = np.std(np.diff([s.measured_lambda[0] for s in samples]))

    assert spread[True] < 0.5 * spread[False]


def test_biased_sensor_reads_off(healthy: dict) -> None:  # type: ignore[type-arg]
    """A biased sensor adds its offset, on its own bank."""
    sick = steady("sensor-biased", 0.05)

    assert sick["lambda"][1] - healthy["lambda"][1] == pytest.approx(0.05, abs=1e-3)
    assert sick["lambda"][0] == pytest.approx(healthy["lambda"][0], abs=1e-3)


def test_stuck_sensor_never_moves_and_says_ready() -> None:
    """A stuck sensor repeats one reading and claims to be ready."""
    parameters, controller = bench()
    stuck = fault("sensor-stuck", bank=1, start_s=5.0)
    samples = list(simulate(parameters, controller, RoadRide(30.0, 1), faults=[stuck]))
    late = {s.measured_lambda[1] for s in samples[130:]}

    assert len(late) == 1
    assert len({s.measured_lambda[1] for s in samples[:120]}) > 100
    assert samples[-1].sensor_state[1] == wire.SENSOR_READY


def test_unplugged_sensor_has_no_reading() -> None:
    """An unplugged wideband reports a fault and no number; plugged in again it reads."""
    parameters, controller = bench()
    out = fault("sensor-unplugged", bank=0, start_s=2.0, stop_s=4.0)
    samples = list(simulate(parameters, controller, RoadRide(6.0, 1), faults=[out]))

    assert samples[75].measured_lambda[0] != samples[75].measured_lambda[0]  # NaN
    assert samples[75].sensor_state == [wire.SENSOR_FAULT, wire.SENSOR_READY]
    assert samples[140].measured_lambda[0] > 0.5
    assert samples[140].sensor_state[0] == wire.SENSOR_READY


def test_swapped_sensors_read_the_other_bank(healthy: dict) -> None:  # type: ignore[type-arg]
    """With the sensors swapped each channel shows the other bank's mixture."""
    sick = steady("sensors-swapped")

    assert abs(healthy["lambda"][0] - healthy["lambda"][1]) > 0.01
    assert sick["lambda"] == pytest.approx(healthy["lambda"][::-1], abs=2e-3)


def test_map_offset_reads_high_and_fuels_rich(healthy: dict) -> None:  # type: ignore[type-arg]
    """A pressure sensor reading high shows in the pressure and makes the mixture rich."""
    sick = steady("map-offset", 3.0)

    assert sick["map_kpa"] - healthy["map_kpa"] == pytest.approx(3.0, abs=0.5)
    assert sick["lambda"][0] < 0.97 * healthy["lambda"][0]


def test_wrong_dead_time_leans_short_pulses_most(healthy: dict) -> None:  # type: ignore[type-arg]
    """Injectors that open late lean the mixture, small pulses more than large ones."""
    low = steady("dead-time-wrong")["lambda"][0] / healthy["lambda"][0]
    full = ((3000.0,), (95.0,))
    high = (
        steady("dead-time-wrong", point=full)["lambda"][0] / steady(None, point=full)["lambda"][0]
    )

    assert low > 1.03
    assert 1.005 < high < 1.0 + 0.7 * (low - 1.0)


def test_wrong_fuel_pressure_scales_by_its_root(healthy: dict) -> None:  # type: ignore[type-arg]
    """Flow goes with the square root of pressure, lambda with its inverse."""
    # Orifice flow, elementary.
    sick = steady("fuel-pressure-wrong", 0.81)

    assert sick["lambda"][0] / healthy["lambda"][0] == pytest.approx(1 / 0.9, rel=3e-3)


def test_soaked_intake_sensor_reads_hot_and_fuels_lean(healthy: dict) -> None:  # type: ignore[type-arg]
    """An intake sensor in hot metal makes the controller believe in thin air."""
    sick = steady("intake-soaked", 20.0)
    kelvin = healthy["intake_c"] + 273.15

    assert sick["intake_c"] - healthy["intake_c"] == pytest.approx(20.0, abs=0.5)
    assert sick["lambda"][0] / healthy["lambda"][0] == pytest.approx(
        (kelvin + 20) / kelvin, rel=3e-3
    )


def test_forgotten_closed_loop_hides_the_error(healthy: dict) -> None:  # type: ignore[type-arg]
    """Closed loop left on drives lambda to the target and shows in flag and multiplier."""
    sick = steady("forgot-closed-loop")

    assert abs(healthy["lambda"][0] / 0.88 - 1.0) > 0.01
    assert sick["lambda"][0] == pytest.approx(0.88, rel=3e-3)
    assert sick["flags"] & wire.CLOSED_LOOP
    assert abs(sick["multiplier"] - 1.0) > 0.01


def test_forgotten_adaptation_hides_it_from_the_multiplier() -> None:
    """With long-term adaptation left on the multiplier returns to 1 and the error is hidden."""
    alone = steady("forgot-closed-loop")
    sick = steady("forgot-adaptation")

    assert abs(sick["multiplier"] - 1.0) < 0.8 * abs(alone["multiplier"] - 1.0)
    assert sick["flags"] & wire.LONG_TERM_ADAPTATION


def test_forgotten_acceleration_and_cut_show_their_flags() -> None:
    """Functions left on act on the road and say so by their flags; the set-up is then restored."""
    parameters, controller = bench()
    before = controller.read_settings()
    faults = [fault("forgot-acceleration"), fault("forgot-fuel-cut")]
    seen = 0
    for sample in simulate(parameters, controller, RoadRide(90.0, 3), 3, faults=faults):
        seen |= sample.flags

    assert seen & wire.ACCELERATION_ENRICHMENT
    assert seen & wire.FUEL_CUT
    assert controller.read_settings() == before


def test_forgotten_target_is_not_flat() -> None:
    """A target table left sloped shows as a target that moves with load."""
    low = steady("forgot-target", point=((3000.0,), (35.0,)))["target"]
    high = steady("forgot-target", point=((3000.0,), (90.0,)))["target"]

    assert low - high > 0.05


@pytest.mark.parametrize(
    ("name", "options", "says"),
    [
        ("gremlins", {}, "there is no fault gremlins; there are exhaust-leak"),
        ("misfire", {"magnitude": 1.5}, "magnitude must be 0 to 1 chance per firing, got 1.5"),
        ("misfire", {"magnitude": float("nan")}, "magnitude must be"),
        ("map-offset", {"bank": -1}, "bank must be 0 or more"),
        ("map-offset", {"start_s": 5.0, "stop_s": 2.0}, "start_s must be"),
    ],
)
def test_senseless_faults_are_refused(name: str, options: dict, says: str) -> None:  # type: ignore[type-arg]
    """A fault that does not exist or fit is refused with what is allowed."""
    with pytest.raises(ValueError, match=says):
        fault(name, **options)


def test_fault_on_a_missing_bank_is_refused() -> None:
    """A fault for a bank that the engine does not have is refused before anything runs."""
    parameters, controller = bench()

    with pytest.raises(ValueError, match="the engine has 2 banks, got bank 4"):
        simulate(parameters, controller, RoadRide(1.0), faults=[fault("sensor-slow", bank=4)])


def frames(count: int) -> list[bytes]:
    sample = Sample(2)
    sample.speed_rpm = 3000.0
    return [build_frame(SAMPLE.number, k, k * 40000, encode_sample(sample)) for k in range(count)]


def test_a_good_cable_changes_nothing() -> None:
    """Without a fault of its own the cable carries every byte."""
    cable = Cable([fault("misfire")])

    assert all(cable.carry(f, 0.0) == f for f in frames(20))


def test_cable_noise_damages_at_its_rate_and_nothing_false_gets_through() -> None:
    """Noise damages about as many bytes as asked; what the link accepts was sent."""
    sent = frames(4000)
    cable = Cable([fault("cable-noise", 1e-3)], seed=3)
    arrived = b"".join(cable.carry(f, 0.0) for f in sent)
    reader = LinkReader()
    reader.feed(arrived)
    accepted = []
    while (event := reader.next_event()) is not NEED_DATA:
        if isinstance(event, FrameEvent):
            accepted.append((event.sequence, event.payload))
    payload = encode_sample_of(sent)
    rate = cable.bytes_damaged / sum(map(len, sent))

    assert rate == pytest.approx(1e-3, rel=0.25)
    assert 0.9 * 4000 < len(accepted) < 4000
    assert all(p == payload for _, p in accepted)
    assert Cable([fault("cable-noise", 1e-3)], seed=3).carry(sent[0] * 99, 0.0) == Cable(
        [fault("cable-noise", 1e-3)], seed=3
    ).carry(sent[0] * 99, 0.0)


def encode_sample_of(sent: list[bytes]) -> bytes:
    """The one payload of all frames, read back over a clean link."""
    reader = LinkReader()
    reader.feed(sent[0])
    event = reader.next_event()
    assert isinstance(event, FrameEvent)
    return event.payload


def test_lost_frames_are_lost_whole_within_their_time() -> None:
    """Frames vanish whole, at the asked rate, only while the fault acts."""
    cable = Cable([fault("frames-lost", 0.1, start_s=10.0, stop_s=90.0)], seed=1)
    sent = frames(100) * 30
    early = [cable.carry(f, 5.0) for f in sent]
    arrived = [cable.carry(f, 50.0) for f in sent]

    assert early == sent
    assert cable.frames_lost == arrived.count(b"")
    assert arrived.count(b"") == pytest.approx(300, abs=70)
    assert all(a in (b"", s) for a, s in zip(arrived, sent, strict=True))


def test_misfire_at_random_is_traced() -> None:
    """The engine's own misfire chance acts without any fault."""
    _, controller = bench()
    sick = replace(college_twin().quiet(), misfire=0.05)
    trace = TruthTrace()
    samples = list(simulate(sick, controller, BrakeSweep(*DRIVE, hold_s=10.0), trace=trace))

    assert np.std([s.measured_lambda[0] for s in samples[100:]]) > 0.01
