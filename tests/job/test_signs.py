"""What a drive shows of the learning set-up, sign by sign, just above and just below each limit.

The limits are the module's own (common practice, no source); what counts here is that each works
on its side only, and that what a drive could not show is never called looked for.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from job_bench import made_up_calibration

from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.wire import fields as wire
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.service import FrameStream
from breathmap.simulator.table import Axes, Table
from breathmap.tools.job.new import Origin, described
from breathmap.tools.job.setup import WIDEBAND_OFF, WORDS
from breathmap.tools.job.signs import (
    FLAGS,
    Look,
    drive_lines,
    learning_signs,
    missing_setup,
)

CALM = made_up_calibration(2, 5, 4, "map_kpa")
START = replace(
    CALM,
    # From 0.84 at the highest load to 1.00 at the lowest.
    target_lambda=tuple(1.0 - 0.16 * row / 3 for row in range(4) for _ in range(5)),
    settings=dict.fromkeys(WIDEBAND_OFF, 1.0),
)
TARGET = Table(Axes(START.speed_rpm, START.load), list(START.target_lambda or ()))
Change = Callable[[Sample, float], object]


def description(sensor: str = "wideband") -> EngineDescription:
    return described(Origin(displacement_cm3=1998.5, sensor=sensor), START)


def drive(*changes: Change, seconds: float = 70.0, step_s: float = 0.1) -> bytes:
    """Return a recording of a warm drive up and down the loads that follows the original target,
    throttle still; each change is told the sample and its time in s."""

    def samples() -> Iterator[Sample]:
        sample = Sample(2)
        for k in range(round(seconds / step_s) + 1):
            time_s = k * step_s
            sample.time_us, sample.flags = round(1e6 * time_s), 0
            sample.speed_rpm, sample.throttle_pct = 3000.0, 20.0
            low, high = START.load[0], START.load[-1]
            sample.map_kpa = low + (high - low) * abs(1.0 - time_s / 10.0 % 2.0)
            sample.coolant_c, sample.intake_c, sample.battery_v = 85.0, 25.0, 13.8
            sample.target_lambda = TARGET.value(sample.speed_rpm, sample.map_kpa)
            sample.measured_lambda[:2] = [1.06 * sample.target_lambda, 0.94 * sample.target_lambda]
            sample.sensor_state[:2] = [wire.SENSOR_READY] * 2
            for change in changes:
                change(sample, time_s)
            yield sample

    return b"".join(frame for _, frame in FrameStream(samples(), 2))


def setting(**values: float) -> Change:
    """Return a change to every sample."""

    def change(sample: Sample, time_s: float) -> None:
        for name, value in values.items():
            setattr(sample, name, value)

    return change


def flag(number: int, at_s: float = 5.0) -> Change:
    """Return a change: one sample carries a flag."""
    return lambda sample, time_s: setattr(
        sample, "flags", sample.flags | (number if abs(time_s - at_s) < 0.05 else 0)
    )


def throttle(times: int, step_pct: float) -> Change:
    """Return a change: the throttle jumps by a step within 0.1 s so many times, and creeps back."""

    def change(sample: Sample, time_s: float) -> None:
        jumps = int((time_s + 0.05) // 5.0)
        share = max(0.0, 1.0 - (time_s + 0.05) % 5.0 / 4.0) if 0 < jumps <= times else 0.0
        sample.throttle_pct = 50.0 + step_pct * share

    return change


def look(
    *changes: Change, start: Calibration = START, sensor: str = "wideband", **how: float
) -> Look:
    return learning_signs(drive(*changes, **how), start, description(sensor))


def word(name: str) -> str:
    return WORDS[name]


def test_a_still_drive_shows_only_what_it_can() -> None:
    """A warm drive with a still throttle on the original target: of the functions, only those that
    act by themselves are looked for, and they never did."""
    found = look()
    assert found.looked_for == [
        "target table",
        *[word(n) for n in WIDEBAND_OFF if n in ("closed_loop", "long_term_adaptation")],
    ]
    assert len(found.signs) == len(found.looked_for) - 1
    assert all("never acted" in line for line in found.signs)
    unseen = {line.partition(":")[0] for line in found.not_looked_for}
    assert unseen | set(found.looked_for) == {"target table", *map(word, WIDEBAND_OFF)}
    for name in WIDEBAND_OFF:
        if name not in FLAGS:
            assert f"{word(name)}: samples do not show it" in found.not_looked_for


@pytest.mark.parametrize("name", [n for n in WIDEBAND_OFF if n in FLAGS])
def test_a_function_that_acts_is_looked_for_and_no_sign(name: str) -> None:
    """One sample with a function's flag is enough, and it is that function's flag alone."""
    found = look(flag(FLAGS[name]))
    assert word(name) in found.looked_for
    assert not any(line.startswith(word(name)) for line in found.signs)
    others = sum(FLAGS.values()) - FLAGS[name]
    without = look(flag(others), throttle(4, 60.0))
    assert not any(
        line.startswith(word(other)) for line in without.signs for other in FLAGS if other != name
    )


@pytest.mark.parametrize(
    ("name", "direction"), [("acceleration_enrichment", 1.0), ("deceleration_enleanment", -1.0)]
)
@pytest.mark.parametrize(
    ("times", "step_pct", "is_call"), [(3, 8.3, True), (2, 30.0, False), (7, 8.0, False)]
)
def test_a_quick_throttle_calls_for_a_function(
    name: str, direction: float, times: int, step_pct: float, is_call: bool
) -> None:
    """Three moves above 80 % a second are a call; two, or seven slower ones, are none; and no move
    calls for the function of the other direction."""
    found = look(throttle(times, direction * step_pct))
    other = "deceleration_enleanment" if direction > 0.0 else "acceleration_enrichment"
    assert (word(name) in found.looked_for) == is_call
    assert any(line.startswith(word(name)) for line in found.signs) == is_call
    assert (f"{word(name)}: the drive did not call for it" in found.not_looked_for) != is_call
    assert word(other) not in found.looked_for


@pytest.mark.parametrize(
    ("throttle_pct", "wide_s", "is_call"),
    [(86.0, 2.3, True), (86.0, 1.7, False), (85.0, 60.0, False)],
)
def test_a_wide_throttle_calls_for_power_enrichment(
    throttle_pct: float, wide_s: float, is_call: bool
) -> None:
    """Above 85 % for more than two seconds."""

    def change(sample: Sample, time_s: float) -> None:
        sample.throttle_pct = throttle_pct if 5.0 <= time_s < 5.0 + wide_s else 20.0

    found = look(change)
    assert (word("power_enrichment") in found.looked_for) == is_call
    assert any(line.startswith(word("power_enrichment")) for line in found.signs) == is_call


@pytest.mark.parametrize(
    ("coolant_c", "seconds", "is_call"),
    [(71.0, 61.0, True), (71.0, 59.0, False), (70.0, 90.0, False), (60.0, 90.0, False)],
)
def test_a_warm_minute_calls_for_the_closed_loop(
    coolant_c: float, seconds: float, is_call: bool
) -> None:
    """Coolant above 70 °C for more than 60 s."""
    found = look(setting(coolant_c=coolant_c), seconds=seconds)
    for name in ("closed_loop", "long_term_adaptation"):
        assert (word(name) in found.looked_for) == is_call


def test_a_gap_in_a_recording_is_no_warm_minute() -> None:
    """Samples 2 s apart count for one second each."""
    assert word("closed_loop") not in look(seconds=110.0, step_s=2.0).looked_for
    assert word("closed_loop") in look(seconds=130.0, step_s=2.0).looked_for


def test_a_standing_engine_shows_nothing() -> None:
    """Below 600 rpm nothing runs: nothing was looked for."""
    nothing = ["anything: it holds no sample of a running engine"]
    assert look(setting(speed_rpm=600.0)) == Look([], [], nothing)
    assert look(setting(speed_rpm=601.0)).looked_for
    assert (
        missing_setup(drive(setting(speed_rpm=0.0, target_lambda=0.7)), START, description()) == []
    )


@pytest.mark.parametrize("ripple", [0.0, 0.002])
def test_a_flat_target_is_a_sign(ripple: float) -> None:
    """A target within 0.01 where the original one varies by 0.16."""
    found = look(lambda s, t: setattr(s, "target_lambda", 0.89 + ripple * np.sign(t % 2.0 - 1.0)))
    (sign,) = [line for line in found.signs if "target" in line]
    assert "stayed flat at lambda 0.89" in sign or "at lambda 0.888" in sign
    assert "target table" in found.looked_for


def test_a_target_that_moves_is_no_sign() -> None:
    """A range of 0.012 is not flat, and a few odd samples do not hide a flat one."""
    found = look(lambda s, t: setattr(s, "target_lambda", 0.89 + 0.006 * np.sign(t % 2.0 - 1.0)))
    assert not any("target" in line for line in found.signs)
    few = look(lambda s, t: setattr(s, "target_lambda", 0.5 if t < 0.25 else 0.89), seconds=90.0)
    assert any("stayed flat at lambda 0.890" in line for line in few.signs)


@pytest.mark.parametrize(("spread", "is_looked_for"), [(0.041, True), (0.039, False)])
def test_flat_ground_shows_no_target(spread: float, is_looked_for: bool) -> None:
    """Where the original target varies by less than 0.04, a flat one is no sign and not looked
    for."""
    target = tuple(1.0 - spread * row / 3 for row in range(4) for _ in range(5))
    start = replace(START, target_lambda=target)
    found = look(setting(target_lambda=0.9), start=start)
    assert ("target table" in found.looked_for) == is_looked_for
    assert any("target stayed flat" in line for line in found.signs) == is_looked_for
    said = "target table: the original one hardly varies on this ground"
    assert (said in found.not_looked_for) != is_looked_for


def test_what_is_not_known_is_not_looked_for() -> None:
    """No original target, no commanded one, settings unknown or off at the start: each is said."""
    unknown = look(start=replace(START, target_lambda=None, settings={}))
    assert "target table: the job does not know the original one" in unknown.not_looked_for
    assert (
        f"{word('closed_loop')}: the job does not know whether it was on" in unknown.not_looked_for
    )
    assert unknown.signs == unknown.looked_for == []
    silent = look(setting(target_lambda=float("nan")))
    said = "target table: the device does not tell the commanded lambda"
    assert said in silent.not_looked_for
    assert not any("target" in line for line in silent.signs)
    off = look(start=replace(START, settings=dict.fromkeys(WIDEBAND_OFF, 0.0)))
    assert f"{word('closed_loop')}: it was off at the start" in off.not_looked_for


def test_the_switching_method_cannot_see_the_spark() -> None:
    """Its own list of functions, and the spark that samples do not carry."""
    found = look(sensor="switching")
    assert not any("closed loop" in line for line in found.signs + found.looked_for)
    assert "spark retard against its table: samples do not carry it" in found.not_looked_for
    assert not any("spark" in line for line in look().not_looked_for)


def test_two_drives_tell_together() -> None:
    """What either looked for was looked for; signs of both are kept, nothing is told twice."""
    one = Look(["a sign"], ["target table"], ["closed loop: why", "power: not called for"])
    two = Look(["another"], ["target table", "closed loop"], ["power: not called for"])
    both = Look(["a sign", "another"], ["target table", "closed loop"], ["power: not called for"])
    assert one.and_of(two) == both


def test_a_set_up_that_is_not_in_is_told_while_learning() -> None:
    """The target that is not flat, and each function that acted, by its own method's list."""
    assert missing_setup(drive(setting(target_lambda=0.89)), START, description()) == []
    (target,) = missing_setup(drive(), START, description())
    assert "ran from lambda 0.84 to 1.00" in target
    narrow = drive(lambda s, t: setattr(s, "target_lambda", 0.89 + 0.019 * np.sign(t % 2 - 1)))
    assert missing_setup(narrow, START, description()) == []
    wider = drive(lambda s, t: setattr(s, "target_lambda", 0.89 + 0.021 * np.sign(t % 2 - 1)))
    assert len(missing_setup(wider, START, description())) == 1
    for name in FLAGS:
        acted = drive(setting(target_lambda=0.89), flag(FLAGS[name]))
        (line,) = missing_setup(acted, START, description())
        assert line == f"{word(name)} acted: it is not switched off as the sheet says."
    closed = drive(setting(target_lambda=0.89), flag(FLAGS["closed_loop"]))
    assert missing_setup(closed, START, description("switching")) == []


def test_a_drive_is_measured_against_the_original_target() -> None:
    """The share of the time on the target, and each bank's lambda against it, of calm samples with
    a ready sensor."""
    said, left, right = drive_lines(drive(), START)
    assert said.endswith("in 100% of the time.")
    assert "Bank 1" in left
    assert "median +6.0 %, half of it within 6.0 %" in left
    assert "Bank 2" in right
    assert "median -6.0 %, half of it within 6.0 %" in right

    def half(sample: Sample, time_s: float) -> None:
        sample.target_lambda += 0.0 if time_s < 35.0 else 0.02
        sample.measured_lambda[0] *= 1.0 if time_s < 35.0 else 2.0

    for name in ("FUEL_CUT", "ACCELERATION_ENRICHMENT", "DECELERATION_ENLEANMENT",
                 "POWER_ENRICHMENT", "WARM_UP_ENRICHMENT"):  # fmt: skip
        number = getattr(wire, name)

        def disturbed(sample: Sample, time_s: float, number: int = number) -> None:
            sample.flags |= number if time_s >= 35.0 else 0

        said, left, _ = drive_lines(drive(half, disturbed), START)
        assert said.endswith("in 50% of the time.")
        assert "median +6.0 %" in left


@pytest.mark.parametrize(("seconds", "is_enough"), [(4.9, True), (4.8, False)])
def test_few_samples_are_no_measurement(seconds: float, is_enough: bool) -> None:
    """Fifty samples of a bank are the least; a sensor that is not ready gives none."""
    assert len(drive_lines(drive(seconds=seconds), START)) == (3 if is_enough else 1)


def test_a_sensor_that_is_not_ready_is_not_measured() -> None:
    """Nor is a job without an original target."""

    def change(sample: Sample, time_s: float) -> None:
        sample.sensor_state[0] = wire.SENSOR_WARMING

    assert [line[:6] for line in drive_lines(drive(change), START)] == ["Comman", "Bank 2"]
    assert drive_lines(drive(), replace(START, target_lambda=None)) == []
    assert drive_lines(drive(setting(speed_rpm=0.0)), START) == []
