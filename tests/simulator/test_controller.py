"""The simulated controller: what it stores, and that each of its functions does something."""

from dataclasses import replace
from typing import Any

import pytest

from breathmap.protocol.wire import fields as wire
from breathmap.simulator.controller import VE_STEP_PCT, Controller
from breathmap.simulator.parameters import TWIN_AXES, Injector, college_twin
from breathmap.simulator.settings import SWITCHES, Settings, learning_setup, normal_setup

IDLE = {
    "interval_s": 0.02,
    "running_s": 1e4,
    "speed_rpm": 2500.0,
    "map_kpa": 45.0,
    "throttle_pct": 10.0,
    "coolant_c": 85.0,
    "intake_c": 26.85,
    "battery_v": 13.5,
    "readings": (0.88, 0.88),
    "ready": (True, True),
}


def controller(settings: Settings | None = None) -> Controller:
    return Controller(college_twin(), TWIN_AXES, [[80.0] * TWIN_AXES.size] * 2, settings)


def tick(unit: Controller, times: int = 1, **changes: object) -> None:
    for _ in range(times):
        unit.tick(**(IDLE | changes))  # type: ignore[arg-type]


def fuel(unit: Controller, bank: int = 0) -> float:
    """Pulse without the dead time, at a fixed operating point."""
    return unit.inject(bank, 2500.0, 45.0) - unit.injector.dead_time_at(13.5)


@pytest.mark.parametrize(
    ("ve", "map_kpa", "kelvin", "fuel_mg"),
    [
        # Worked: m = VE·p·V/(R·T)/14.7 at lambda 1, 2.0 l, 4 cylinders, R 287.05287 J/(kg·K).
        (100.0, 101.325, 288.15, 41.6667),
        (84.8, 100.0, 300.0, 33.4939),
        (80.0, 60.0, 305.0, 18.6480),
        (50.0, 30.0, 310.0, 5.7335),
    ],
)
def test_fuel_mass(ve: float, map_kpa: float, kelvin: float, fuel_mg: float) -> None:
    """The controller meters the worked speed-density fuel mass."""
    twin = college_twin()
    parameters = replace(
        twin,
        displacement_cm3=2000.0,
        cylinder_bank=(0, 1, 0, 1),
        stoichiometric_afr=14.7,
        injector=Injector(flow_mg_per_ms=1.0, dead_time_ms=0.0, resolution_us=1e-3),
    )
    unit = Controller(
        parameters, TWIN_AXES, [[ve] * TWIN_AXES.size] * 2, Settings(target_lambda=1.0)
    )
    tick(unit, intake_c=kelvin - 273.15)

    assert unit.inject(0, 3000.0, map_kpa) == pytest.approx(fuel_mg, abs=1e-4)


def test_tables_are_bytes() -> None:
    """VE cells are stored at 0.4 % a step, per bank, and read back rounded."""
    unit = controller()
    unit.write_ve(1, [80.5] * TWIN_AXES.size)

    assert unit.read_ve(1) == pytest.approx([80.4] * TWIN_AXES.size)
    assert unit.read_ve(0) == [80.0] * TWIN_AXES.size
    assert VE_STEP_PCT == 0.4


@pytest.mark.parametrize("value", [102.3, -1.0, float("nan"), float("inf")])
def test_what_does_not_fit_a_byte_is_refused(value: float) -> None:
    """A cell beyond the byte, or no number, is refused by cell and the table stays as it was."""
    unit = controller()
    cells = [80.0] * TWIN_AXES.size
    cells[17] = value

    with pytest.raises(ValueError, match=r"VE table of bank 0: cell 17 must be 0 to 102"):
        unit.write_ve(0, cells)
    assert unit.read_ve(0) == [80.0] * TWIN_AXES.size


def test_tables_of_the_wrong_shape_are_refused() -> None:
    """A table needs as many cells as the axes have."""
    with pytest.raises(ValueError, match="the axes have 192 cells, got 3"):
        controller().write_ve(0, [80.0] * 3)
    with pytest.raises(ValueError, match="the engine has 2 banks, got 1"):
        Controller(college_twin(), TWIN_AXES, [[80.0] * TWIN_AXES.size])


def test_rebase_keeps_the_fuel() -> None:
    """Raising the displacement constant and dividing the cells by the same leaves the fuel."""
    unit = controller()
    before = fuel(unit)
    unit.write_displacement(unit.displacement_cm3 * 1.25)
    unit.write_ve(0, [64.0] * TWIN_AXES.size)
    tick(unit)

    tick(unit)
    assert fuel(unit) == pytest.approx(before, abs=0.02)


def test_settings_read_back_as_written() -> None:
    """Settings and target read back; switching set-ups and back restores everything."""
    unit = controller(normal_setup(TWIN_AXES))
    original = unit.read_settings()
    unit.write_settings(learning_setup("wideband"))
    assert unit.read_target() == pytest.approx([0.88] * TWIN_AXES.size)
    unit.write_settings(original)

    assert unit.read_settings() == original
    assert all(getattr(original, name) for name in SWITCHES)
    assert min(unit.read_target()) < 0.9 < 1.0 == max(unit.read_target())


def test_unknown_settings_are_refused() -> None:
    """Unknown methods and senseless numbers are refused by name."""
    with pytest.raises(ValueError, match="method must be"):
        learning_setup("by ear")
    with pytest.raises(ValueError, match="rev_limit_rpm must be finite"):
        Settings(rev_limit_rpm=float("nan"))
    with pytest.raises(ValueError, match=r"below lambda 0.5"):
        controller().write_target(0.2)


@pytest.mark.parametrize("on", [False, True])
def test_acceleration_enrichment(on: bool) -> None:
    """A throttle opening fast adds fuel and its flag, then decays; switched off, neither."""
    unit = controller(learning_setup().changed(acceleration_enrichment=on))
    tick(unit)
    before = fuel(unit)
    tick(unit, throttle_pct=14.0)
    assert (fuel(unit) > 1.05 * before) == on
    assert bool(unit.flags & wire.ACCELERATION_ENRICHMENT) == on
    tick(unit, 200, throttle_pct=14.0)

    assert fuel(unit) == pytest.approx(before, abs=0.01)
    assert unit.flags == 0


@pytest.mark.parametrize("on", [False, True])
def test_deceleration_enleanment(on: bool) -> None:
    """A throttle closing fast takes fuel away; switched off, it does not."""
    unit = controller(learning_setup().changed(deceleration_enleanment=on))
    tick(unit, throttle_pct=20.0)
    before = fuel(unit)
    tick(unit, throttle_pct=14.0)

    assert (fuel(unit) < 0.95 * before) == on
    assert bool(unit.flags & wire.DECELERATION_ENLEANMENT) == on


@pytest.mark.parametrize("on", [False, True])
def test_power_enrichment(on: bool) -> None:
    """An open throttle adds fuel only when power enrichment is on."""
    unit = controller(learning_setup().changed(power_enrichment=on))
    before = fuel(unit)
    tick(unit, throttle_pct=90.0)

    assert fuel(unit) / before == pytest.approx(1.06 if on else 1.0, abs=0.005)
    assert bool(unit.flags & wire.POWER_ENRICHMENT) == on


@pytest.mark.parametrize("on", [False, True])
def test_overrun_cut_and_recovery(on: bool) -> None:
    """A closed throttle at speed stops the fuel until speed falls; then it recovers rich."""
    unit = controller(learning_setup().changed(overrun_fuel_cut=on))
    tick(unit)
    before = fuel(unit)
    tick(unit, 30, throttle_pct=0.0, speed_rpm=3000.0)
    assert (unit.inject(0, 3000.0, 22.0) == 0.0) == on
    assert bool(unit.flags & wire.FUEL_CUT) == on
    tick(unit, throttle_pct=0.0, speed_rpm=1600.0)
    assert (fuel(unit) > 1.05 * before) == on
    tick(unit, 50, throttle_pct=5.0, speed_rpm=1600.0)

    assert fuel(unit) == pytest.approx(before, abs=0.01)
    assert unit.flags == 0


@pytest.mark.parametrize("on", [False, True])
def test_rev_limit(on: bool) -> None:
    """Above the limit the fuel stops when the limiter is on."""
    unit = controller(learning_setup().changed(rev_limiter=on))
    tick(unit, speed_rpm=8000.0)

    assert (unit.inject(0, 8000.0, 90.0) == 0.0) == on
    assert bool(unit.flags & wire.REV_LIMIT) == on


@pytest.mark.parametrize("on", [False, True])
def test_idle_speed_control(on: bool) -> None:
    """Too low an idle opens the bypass when idle speed control is on."""
    unit = controller(learning_setup().changed(idle_speed_control=on))
    tick(unit, 100, throttle_pct=0.0, speed_rpm=1000.0)

    assert (unit.bypass_mm2 > 0.5) == on
    assert bool(unit.flags & wire.IDLE_CONTROL) == on


@pytest.mark.parametrize("on", [False, True])
def test_idle_heat_protection(on: bool) -> None:
    """A hot engine gets extra fuel at idle, and only there, when idle heat protection is on."""
    unit = controller(learning_setup().changed(idle_heat_protection=on))
    idle: dict[str, Any] = {"throttle_pct": 0.0, "speed_rpm": 1200.0}
    tick(unit, coolant_c=90.0, **idle)
    warm = fuel(unit)
    tick(unit, coolant_c=108.0, throttle_pct=20.0, speed_rpm=1200.0)
    assert fuel(unit) == pytest.approx(warm)
    tick(unit, coolant_c=108.0, **idle)

    assert fuel(unit) == pytest.approx(warm * (1.06 if on else 1.0), abs=0.01)
    assert bool(unit.flags & wire.IDLE_CONTROL) == on


@pytest.mark.parametrize("on", [False, True])
def test_warm_up_and_after_start(on: bool) -> None:
    """A cold engine and a fresh start get extra fuel when warm-up enrichment is on."""
    unit = controller(learning_setup().changed(warm_up_enrichment=on))
    before = fuel(unit)
    tick(unit, coolant_c=10.0)
    cold = fuel(unit)
    tick(unit, running_s=1.0)
    started = fuel(unit)

    assert (cold > 1.2 * before) == on
    assert (started > 1.1 * before) == on
    assert bool(unit.flags & wire.WARM_UP_ENRICHMENT) == on


def test_closed_loop_wideband_integrates_to_its_limit() -> None:
    """A lean reading raises the bank's multiplier, steadily and up to the limit; the other bank's
    stays."""
    unit = controller(learning_setup().changed(closed_loop=True))
    tick(unit, readings=(0.92, 0.88))
    first = unit.fuel_multiplier[0]
    tick(unit, 1000, readings=(0.92, 0.88))

    assert 1.0 < first < 1.01
    assert unit.fuel_multiplier == [1.25, pytest.approx(1.0)]
    assert unit.flags & wire.CLOSED_LOOP
    assert fuel(unit, 0) == pytest.approx(1.25 * fuel(unit, 1), abs=0.01)


@pytest.mark.parametrize(
    "changes",
    [
        {"coolant_c": 30.0},
        {"map_kpa": 95.0},
        {"ready": (False, False)},
    ],
)
def test_closed_loop_waits_for_its_conditions(changes: dict[str, object]) -> None:
    """Cold, at full load or without a ready sensor the loop stays open at exactly 1."""
    unit = controller(learning_setup().changed(closed_loop=True, warm_up_enrichment=False))
    tick(unit, 50, readings=(0.95, 0.95), **changes)

    assert unit.fuel_multiplier == [1.0, 1.0]
    assert not unit.flags & wire.CLOSED_LOOP


def test_closed_loop_switching_hunts_by_side() -> None:
    """A rich voltage ramps the fuel down, a lean one jumps and ramps it up."""
    unit = controller(learning_setup("switching"))
    unit.inject(0, 2500.0, 45.0)
    tick(unit, 10, readings=(0.8, 0.8))
    low = unit.fuel_multiplier[0]
    tick(unit, readings=(0.1, 0.8))

    assert 0.98 < low < 1.0
    assert unit.fuel_multiplier[0] > low + 0.015
    assert unit.fuel_multiplier[1] < low


@pytest.mark.parametrize("on", [False, True])
def test_long_term_adaptation(on: bool) -> None:
    """A standing closed-loop correction moves over into the long-term factor, if that is on."""
    settings = learning_setup().changed(closed_loop=True, long_term_adaptation=on)
    unit = controller(settings)
    tick(unit, 500, readings=(0.92, 0.88))

    assert (max(unit.adaptation[0]) > 1.05) == on
    assert unit.adaptation[1] == pytest.approx([1.0] * 9)
    assert bool(unit.flags & wire.LONG_TERM_ADAPTATION) == on
