"""The person at the handlebar or at the brake's desk: a driver model that turns a wanted road speed
into throttle, clutch, gear and wheel brake, or a wanted manifold pressure into throttle.

It acts as a person would: a first guess by feel, then correction, a hand of limited speed, gears
by engine speed. It sees only what a person sees (speeds and the pressure gauge).
"""

from math import pi, sqrt

from breathmap.simulator.engine import HEATING_J_PER_KG_AIR, Command, Engine
from breathmap.simulator.parameters import R_AIR, EngineParameters
from breathmap.simulator.physics import CHOKED_FLOW, flow_shape, held, throttle_for_area

FELT_VE = 0.8
FELT_KELVIN = 305.0
ROOT_AMBIENT = sqrt(293.0)
PER_CYCLE = 120.0 * R_AIR * FELT_KELVIN
# Mean indicated pressure over manifold pressure.
FELT_GAIN = HEATING_J_PER_KG_AIR * FELT_VE / (R_AIR * FELT_KELVIN)
SHIFT_S = 0.36
CLUTCH_OUT_RPM = 1150.0
PULLING_AWAY_RPM = 2100.0


def throttle_for_map(
    parameters: EngineParameters, map_kpa: float, speed_rpm: float, barometer_kpa: float
) -> float:
    """Return the throttle in per cent that about holds a manifold pressure at a speed."""
    ratio = map_kpa / barometer_kpa
    if ratio > 0.985:
        return 100.0
    air_kg_s = (
        FELT_VE * map_kpa * 1e3 * parameters.displacement_cm3 * 1e-6 * speed_rpm
        / PER_CYCLE
    )  # fmt: skip
    area = air_kg_s * ROOT_AMBIENT / (CHOKED_FLOW * barometer_kpa * 1e3 * flow_shape(ratio))
    return throttle_for_area(
        area - parameters.closed_throttle_mm2 * 1e-6, parameters.throttle_bore_mm
    )


def map_for_torque(
    parameters: EngineParameters, torque_nm: float, speed_rpm: float, barometer_kpa: float
) -> float:
    """Return the manifold pressure in kPa that about gives a brake torque."""
    loss = parameters.friction_kpa + parameters.friction_kpa_per_krpm * speed_rpm * 1e-3
    mean_kpa = torque_nm * 4.0 * pi / (parameters.displacement_cm3 * 1e-3)
    return (mean_kpa + loss + barometer_kpa) / (FELT_GAIN + 1.0)


class Rider:
    """Follows a road speed.

    up_rpm, down_rpm: where gears change. hand_pct_per_s: fastest throttle movement.
    maximum_throttle_pct: how far this rider opens.
    """

    def __init__(self, up_rpm: float = 4200.0, down_rpm: float = 1900.0) -> None:
        self.up_rpm = up_rpm
        self.down_rpm = down_rpm
        self.hand_pct_per_s = 120.0
        self.maximum_throttle_pct = 100.0
        self._trim_m_s2 = 0.0
        self._shift_s = 0.0
        self._next_gear = 0
        self._since_shift_s = 10.0

    def follow(
        self, engine: Engine, target_m_s: float, target_m_s2: float, interval_s: float
    ) -> None:
        """Write into the engine's command what follows a speed and its rate of change."""
        command = engine.command
        if target_m_s < 0.3 and target_m_s2 <= 0.0 and engine.vehicle_m_s < 1.2:
            self._stand(command, interval_s)
            return
        vehicle_m_s = engine.vehicle_m_s
        error = target_m_s - vehicle_m_s
        self._trim_m_s2 = trim = held(self._trim_m_s2 + 0.15 * error * interval_s, -1.0, 1.0)
        wanted_m_s2 = target_m_s2 + 0.9 * error + trim
        self._since_shift_s += interval_s
        if self._shift_s > 0.0:
            self._shift(engine, interval_s)
            return
        if command.gear == 0:
            command.gear = 1
            command.clutch = 0.0
        command.wheel_brake_n = 0.0
        force = engine.parameters.vehicle.mass_kg * wanted_m_s2 + engine.road_load_n()
        ratio, _ = engine.gears[command.gear - 1]
        torque = force / ratio
        wheel_rpm = vehicle_m_s * ratio * 9.5493
        locked = engine.locked
        slow_rpm = CLUTCH_OUT_RPM if locked else PULLING_AWAY_RPM - 500.0
        if command.gear == 1 and wheel_rpm < slow_rpm and (force < 0.0 or locked):
            # Too slow for first gear: clutch out before the engine labours, and roll.
            command.clutch = 0.0
            self._hand(command, 0.0, interval_s)
            command.wheel_brake_n = max(0.0, -force)
            return
        if not locked:
            self._pull_away(engine, torque, wheel_rpm, interval_s)
            return
        command.clutch = 1.0
        throttle = self._throttle_for(engine, torque)
        if throttle <= 0.0:
            self._brake(engine, force, ratio)
        self._hand(command, throttle, interval_s)
        self._choose_gear(engine, throttle)

    def _stand(self, command: Command, interval_s: float) -> None:
        command.gear = 0
        command.clutch = 0.0
        command.wheel_brake_n = 400.0
        self._trim_m_s2 = 0.0
        self._shift_s = 0.0
        self._hand(command, 0.0, interval_s)

    def _throttle_for(self, engine: Engine, torque_nm: float) -> float:
        parameters, command = engine.parameters, engine.command
        speed, ambient = engine.speed_rpm, command.barometer_kpa
        pressure = map_for_torque(parameters, torque_nm, speed, ambient)
        if pressure < 16.0:
            return 0.0
        if speed < 800.0:
            speed = 800.0
        throttle = throttle_for_map(parameters, pressure, speed, ambient)
        return min(throttle, self.maximum_throttle_pct)

    def _brake(self, engine: Engine, force_n: float, ratio: float) -> None:
        """What the engine's drag does not take off, the wheel brake does."""
        missing = min(0.0, engine.torque_nm) * ratio - force_n
        engine.command.wheel_brake_n = max(0.0, missing)

    def _hand(self, command: Command, throttle_pct: float, interval_s: float) -> None:
        most = self.hand_pct_per_s * interval_s
        now = command.throttle_pct
        step = held((throttle_pct - now) * min(1.0, interval_s / 0.12), -most, most)
        now = held(now + step, 0.0, 100.0)
        command.throttle_pct = 0.0 if throttle_pct <= 0.0 and now < 0.3 else now

    def _pull_away(
        self, engine: Engine, torque_nm: float, wheel_rpm: float, interval_s: float
    ) -> None:
        """Let the clutch slip at a steady engine speed until wheel and engine turn together."""
        command = engine.command
        vehicle = engine.parameters.vehicle
        if command.gear > 1 or wheel_rpm > PULLING_AWAY_RPM - 500.0:
            # Coming back from a gear change, or nearly there: simply close the clutch.
            command.clutch = min(1.0, command.clutch + interval_s / 0.25)
            pulling = max(0.0, torque_nm)
        else:
            bite = min(max(torque_nm, 0.0) / vehicle.clutch_torque_nm, 0.35)
            spare = min(max((engine.speed_rpm - 1200.0) / 600.0, 0.0), 1.0)
            command.clutch = max(bite, 0.06) * spare
            hold = (PULLING_AWAY_RPM - engine.speed_rpm) * 0.02
            pulling = command.clutch * vehicle.clutch_torque_nm + hold
        self._hand(command, self._throttle_for(engine, pulling), interval_s)

    def _shift(self, engine: Engine, interval_s: float) -> None:
        """Carry on a gear change."""
        command = engine.command
        self._shift_s -= interval_s
        command.clutch = 0.0
        up = self._next_gear > command.gear
        if self._shift_s < SHIFT_S / 2.0:
            command.gear = self._next_gear
        # Upwards the throttle snaps shut; downwards the rider blips to meet the lower gear's speed.
        snap = max(interval_s * 500.0, 1.0)
        goal = 0.0 if up else 6.0
        command.throttle_pct += min(max(goal - command.throttle_pct, -snap), snap)
        if self._shift_s <= 0.0:
            command.clutch = 0.3
            self._since_shift_s = 0.0

    def _choose_gear(self, engine: Engine, throttle_pct: float) -> None:
        command = engine.command
        if self._since_shift_s < 1.0:
            return
        ratios = engine.parameters.vehicle.overall_ratios
        if engine.speed_rpm > self.up_rpm and command.gear < len(ratios) and throttle_pct > 0.0:
            wanted = command.gear + 1
        elif command.gear > 1 and engine.speed_rpm < self._lower_limit(throttle_pct):
            wanted = command.gear - 1
            if engine.speed_rpm * ratios[wanted - 1] / ratios[wanted] > self.up_rpm:
                return
        else:
            return
        self._next_gear = wanted
        self._shift_s = SHIFT_S

    def _lower_limit(self, throttle_pct: float) -> float:
        return self.down_rpm + (400.0 if throttle_pct > 60.0 else 0.0)


class BrakeHand:
    """Holds manifold pressure by throttle at a speed that the brake holds."""

    def __init__(self) -> None:
        self._trim = 1.0

    def hold(self, engine: Engine, map_kpa: float, interval_s: float) -> None:
        """Move the throttle towards what gives `map_kpa`."""
        command = engine.command
        ambient = command.barometer_kpa
        error = min(max(map_kpa / engine.map_kpa - 1.0, -0.2), 0.2)
        self._trim = min(max(self._trim + 0.4 * error * interval_s, 0.7), 1.4)
        wanted = min(map_kpa * self._trim, 0.99 * ambient)
        throttle = throttle_for_map(engine.parameters, wanted, engine.speed_rpm, ambient)
        most = 60.0 * interval_s
        step = (throttle - command.throttle_pct) * min(1.0, interval_s / 0.25)
        command.throttle_pct += min(max(step, -most), most)
