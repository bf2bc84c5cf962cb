"""The simulated engine: state per crank event, from throttle to lambda sensor and to the road.

One step is one firing interval (720° / cylinders, at least two a cycle). A mean-value manifold is
filled through the throttle and emptied by the true VE; fuel passes injector and wall film; each
cycle's mixture leaves as a plug of gas that travels by volume to its sensor. Pressure pulsations
within a cycle and gas back-flow are not modelled. Sizes come from `parameters`; no I/O.
"""

import random
from itertools import cycle
from math import exp, pi, sqrt

from breathmap.simulator.controller import Controller
from breathmap.simulator.noise import normals
from breathmap.simulator.parameters import R_AIR, EngineParameters
from breathmap.simulator.physics import (
    CHOKED_FLOW,
    ExhaustPipe,
    Plug,
    air_mg,
    equilibrium_ratio,
    film_constants,
    film_step,
    flow_shape,
    held,
    throttle_area_m2,
)
from breathmap.simulator.sensors import FittedSensor

# Indicated work per kg of air, stoichiometric or richer: 43 MJ/kg / 14.3 · 0.34 (common practice).
HEATING_J_PER_KG_AIR = 1.02e6
LEAN_LIMIT_PHI, RICH_LIMIT_PHI = 0.62, 1.75
COMBUSTION_STALL_RPM = 350.0
CRANKING_RPM = 250.0
STANDING_RPM = CRANKING_RPM * 0.9
CYCLE_RAD = 4.0 * pi
GRAVITY, AIR_DENSITY = 9.80665, 1.2
SWITCHED_OFF_STEP_S = 0.04
# Fuel over air of the gas in a warm engine's exhaust before the first event.
BURNED_PHI = 1.0 / 0.95


class Command:
    """What rider, brake and weather ask of the engine; a drive writes it, the engine reads it.

    imposed_rpm: speed held by the brake, 0 when the vehicle decides. clutch: 0 open to 1 engaged.
    """

    def __init__(self) -> None:
        self.throttle_pct = 0.0
        self.imposed_rpm = 0.0
        self.gear = 0
        self.clutch = 0.0
        self.wheel_brake_n = 0.0
        self.grade = 0.0
        self.barometer_kpa = 101.3
        self.ambient_c = 20.0
        self.ignition = True
        self.cooling = 1.0


def _firing_order(cylinders: int, slots: int) -> list[tuple[int, int]]:
    """Return for each slot of a cycle the cylinder whose intake closes and the one half a cycle
    away; -1 where there is none."""
    fired = [k if k < cylinders else -1 for k in range(slots)]
    half = (slots + 1) // 2
    return [(fired[k], fired[(k + half) % slots]) for k in range(slots)]


class Engine:
    """An engine running under a controller. Faults act through the public attributes."""

    def __init__(
        self,
        parameters: EngineParameters,
        controller: Controller,
        seed: int = 0,
        warm: bool = True,
        ambient_c: float = 20.0,
    ) -> None:
        p = parameters
        self.parameters = p
        self.controller = controller
        self.rng = random.Random(f"engine run {seed}")
        self._normal = normals(self.rng)
        self.command = Command()
        self.command.ambient_c = ambient_c

        self._begin(warm, ambient_c)
        self._fit_vehicle()
        self._fit_sensors(warm)
        self._fit_cylinders(BURNED_PHI if warm else 0.0)
        self._be_healthy()
        self.slow_step(0.0)

    def _begin(self, warm: bool, ambient_c: float) -> None:
        """State before the first event: a warm engine idles, a cold one stands."""
        self.time_s = 0.0
        self.before_s = 0.0
        self.running_s = 1e4 if warm else 0.0
        self.speed_rpm = self.speed_before = 1300.0 if warm else 0.0
        self.map_kpa = self.map_before = 38.0 if warm else 101.3
        self.vehicle_m_s = 0.0
        self.distance_m = 0.0
        self.coolant_c = 85.0 if warm else ambient_c
        self.intake_c = ambient_c + (8.0 if warm else 0.0)
        self.battery_v = 13.8
        self.locked = False
        self.cranking = not warm
        self.torque_nm = 0.0

    def _fit_vehicle(self) -> None:
        """What road load is made of: drag N per (m/s)², weight and rolling resistance N; and of
        each gear its ratio, crank rad per m of road, and the mass that it moves, kg."""
        v = self.parameters.vehicle
        ratios = [overall / v.wheel_radius_m for overall in v.overall_ratios]
        self.gears = [(r, v.mass_kg + v.inertia_kg_m2 * r * r) for r in ratios]
        self._drag = 0.5 * AIR_DENSITY * v.drag_area_m2
        self._weight_n = v.mass_kg * GRAVITY
        self._rolling_n = v.mass_kg * GRAVITY * v.rolling

    def _fit_sensors(self, warm: bool) -> None:
        """What sensors show to the controller and the bridge."""
        self.sensed_map_kpa = self.map_kpa
        self.sensed_intake_c = self.intake_c
        self.sensors = [FittedSensor(s, warm) for s in self.parameters.sensors]

    def _fit_cylinders(self, phi: float) -> None:
        """Cylinders and exhausts, full of the gas that fuel over air `phi` leaves."""
        p = self.parameters
        cylinders = len(p.cylinder_bank)
        self.slots = max(2, cylinders)
        self._cylinder_m3 = p.displacement_cm3 * 1e-6 / cylinders
        self._manifold_m3 = p.manifold_volume_l * 1e-3
        # At full flow: kg per cycle of a cylinder times rpm.
        self._most_flow = 0.9 * 101325.0 / (R_AIR * 300.0) * self._cylinder_m3 * 7500.0
        self._firing = cycle(_firing_order(cylinders, self.slots))
        self.pipes = [ExhaustPipe(e, cylinders, self.slots, phi) for e in p.exhausts]
        for sensor in self.sensors:
            sensor.phi = sensor.before = phi
        self.ve = [
            0.01 * p.truth.ve_pct(b, self.speed_rpm or 300.0, self.map_kpa) for b in p.cylinder_bank
        ]
        self._ve_sum = sum(self.ve)
        self.film_mg = [0.0] * cylinders
        self._pending_mg = [0.0] * cylinders
        self._pending_s = [0.0] * cylinders
        self._gas: list[Plug] = [(0.0, phi, 0.0)] * cylinders
        self._fit_banks(phi)

    def _fit_banks(self, phi: float) -> None:
        """What is summed by bank, and what `slow_step` moves."""
        p = self.parameters
        self.cylinder_phi = [phi] * p.banks
        self.injected_mg = [0.0] * p.banks
        self.burned_mg = [0.0] * p.banks
        self._gas_k = [e.cool_k for e in p.exhausts]
        self._film = (p.film.fraction, p.film.time_s)
        self._dead_ms = p.injector.dead_time_ms
        self._flow_mg_per_ms = p.injector.flow_mg_per_ms
        self._fill: float = 0.0

    def _be_healthy(self) -> None:
        """What faults write to."""
        p = self.parameters
        self.leak_share = [0.0] * p.banks
        self.misfire = [p.misfire] * len(p.cylinder_bank)
        self.map_offset_kpa = 0.0
        self.intake_offset_c = 0.0
        self.dead_time_error_ms = 0.0
        self.fuel_pressure_ratio = 1.0
        self.sensor_of_bank = list(range(p.banks))

    # -- slow: once per tick -------------------------------------------------------------------

    def slow_step(self, interval_s: float) -> None:
        """Move what changes slowly (temperatures, battery) and take over the command."""
        p, c = self.parameters, self.command
        running = self.speed_rpm > COMBUSTION_STALL_RPM
        if not c.ignition:
            self.running_s = 0.0
        elif running:
            self.running_s += interval_s
        self._temperatures(interval_s, running)
        self._charge(interval_s, running)
        injector = p.injector
        self._dead_ms = injector.dead_time_at(self.battery_v) + self.dead_time_error_ms
        self._flow_mg_per_ms = injector.flow_mg_per_ms * sqrt(self.fuel_pressure_ratio)
        self._film = film_constants(p.film, self.coolant_c, self.map_kpa)
        # dp/dt through the throttle when choked, kPa/s
        self._fill = (
            CHOKED_FLOW * self._open_area_m2() * c.barometer_kpa / sqrt(c.ambient_c + 273.15)
            * R_AIR * (self.intake_c + 273.15) / self._manifold_m3
        )  # fmt: skip
        self.locked = self.locked and c.clutch > 0.95 and c.gear > 0
        on = c.ignition
        for sensor in self.sensors:
            sensor.heated_s = sensor.heated_s + interval_s if on else 0.0

    def _open_area_m2(self) -> float:
        """Where air comes in: throttle, its gap when closed, over-run valve and idle bypass."""
        p = self.parameters
        extra_mm2 = p.closed_throttle_mm2
        above_krpm = self.speed_rpm / 1000.0 - 2.0
        if above_krpm > 0.0:
            extra_mm2 += p.overrun_air_mm2_per_krpm * above_krpm
        extra_mm2 += self.controller.bypass_mm2
        area_m2 = throttle_area_m2(self.command.throttle_pct, p.throttle_bore_mm)
        return area_m2 + (extra_mm2 if extra_mm2 > 1.0 else 1.0) * 1e-6

    def _temperatures(self, interval_s: float, running: bool) -> None:
        ambient_c, coolant_c = self.command.ambient_c, self.coolant_c
        speed, pressure = self.speed_rpm, self.map_kpa
        heat = 0.9 + 1.3 * speed * pressure / (4000.0 * 50.0) if running else 0.0
        # A thermostat opens between 82 and 90 °C; moving air carries more away.
        opening = held((coolant_c - 82.0) / 8.0, 0.0, 1.0)
        away = (0.002 + 0.06 * opening * self.command.cooling) * (coolant_c - ambient_c)
        coolant_c += 0.1 * (heat - away) * interval_s
        self.coolant_c = coolant_c
        # Intake air: warmed by the engine bay, less so the faster it flows.
        air_flow = speed * pressure / (3000.0 * 50.0) + 0.02 * self.vehicle_m_s
        bay = (coolant_c - ambient_c) * (0.10 + 0.30 / (1.0 + 3.0 * air_flow))
        intake_c = self.intake_c
        intake_c += (ambient_c + bay - intake_c) * interval_s / (90.0 + interval_s)
        self.intake_c = intake_c
        part = interval_s / (self.parameters.intake_sensor_lag_s + interval_s)
        self.sensed_intake_c += (intake_c - self.sensed_intake_c) * part

    def _charge(self, interval_s: float, running: bool) -> None:
        """The battery: charged by a running engine, a little less below 1,800 rpm; it wanders."""
        full_v = 12.3
        if running:
            slow = 1.0 - self.speed_rpm / 1800.0
            full_v = 13.9 - 0.5 * slow if slow > 0.0 else 13.9
        wander_v = self.parameters.noise.battery_wander_v * self._normal()
        self.battery_v += (full_v - self.battery_v) * interval_s / 30.0 + wander_v * sqrt(
            2.0 * interval_s / 30.0
        )

    # -- fast: once per crank event ------------------------------------------------------------

    def advance(self, until_s: float) -> None:
        """Run events until the engine's time reaches `until_s` (it may pass it by one event)."""
        while self.time_s < until_s:
            if self.speed_rpm < STANDING_RPM:
                self._without_events()
            else:
                self._event()

    def _without_events(self) -> None:
        """One step with the crank standing still: air finds its way in; a starter may turn it."""
        dt = SWITCHED_OFF_STEP_S
        self._mark()
        self.time_s += dt
        self.map_kpa += (self.command.barometer_kpa - self.map_kpa) * (1.0 - exp(-dt / 0.2))
        self.sensed_map_kpa = self.map_kpa + self.map_offset_kpa
        for pipe, sensor in zip(self.pipes, self.sensors, strict=True):
            pipe.phi *= exp(-dt / 4.0)
            sensor.expose(pipe.phi, dt)
        self._evaporate(dt)
        self.speed_rpm = max(0.0, self.speed_rpm - 2000.0 * dt)
        if self.command.ignition or self.command.imposed_rpm > 0.0:
            self.speed_rpm = CRANKING_RPM
            self.cranking = True
        self._coast(dt)

    def _evaporate(self, dt: float) -> None:
        """Film dries off a standing engine; that fuel is lost to the intake, not burned."""
        for k, film in enumerate(self.film_mg):
            kept = film * exp(-dt / 20.0)
            self.burned_mg[self.parameters.cylinder_bank[k]] += film - kept
            self.film_mg[k] = kept

    def _mark(self) -> None:
        self.before_s = self.time_s
        self.speed_before = self.speed_rpm
        self.map_before = self.map_kpa

    def _event(self) -> None:
        """One firing interval: manifold, intake, injection, exhaust, crank."""
        before = self.before_s = self.time_s
        speed = self.speed_before = self.speed_rpm
        dt = 120.0 / (speed * self.slots)
        self.time_s = before + dt
        pressure = self._manifold(dt, speed)
        cylinder, other = next(self._firing)
        work_j = self._intake(cylinder, pressure, speed) if cylinder >= 0 else 0.0
        if other >= 0:
            self._open_and_inject(other, speed)
        for pipe, leak, sensor in zip(self.pipes, self.leak_share, self.sensor_of_bank):  # noqa: B905
            phi = pipe.flow()
            if leak > 0.0:
                # Air drawn in between pulses; a strong flow leaves no time for it.
                phi *= 1.0 - leak * exp(-pipe.flow_m3 / (dt * 0.006))
            self.sensors[sensor].expose(phi, dt)
        self._crank(dt, work_j, pressure)

    def _open_and_inject(self, cylinder: int, speed: float) -> None:
        """Half a cycle from its intake a cylinder lets its gas out and receives its fuel."""
        bank = self.parameters.cylinder_bank[cylinder]
        self.pipes[bank].push(cylinder, self._gas[cylinder])
        if self.command.ignition:
            pulse = self.controller.inject(bank, speed, self.sensed_map_kpa)
            open_ms = pulse - self._dead_ms
            if open_ms > 0.0:
                fuel = open_ms * self._flow_mg_per_ms
                self._pending_mg[cylinder] += fuel
                self.injected_mg[bank] += fuel
        self._pending_s[cylinder] = self.time_s

    def _manifold(self, dt: float, speed: float) -> float:
        """Advance manifold pressure by dt and return it, kPa.

        Towards the equilibrium of throttle and pumping at the present rate (a secant): exact when
        the throttle is choked, and never past the equilibrium however stiff a wide throttle is.
        """
        pressure = self.map_before = self.map_kpa
        ambient = self.command.barometer_kpa
        fill = self._fill
        pumping = self._ve_sum * self._cylinder_m3 / self._manifold_m3 * speed / 120.0
        final = ambient * equilibrium_ratio(pumping * ambient / fill)
        gap = final - pressure
        if gap > 1e-6 or gap < -1e-6:
            rate = fill * flow_shape(pressure / ambient) - pumping * pressure
            per_s = rate / gap
            pressure = final - gap * exp(-per_s * dt) if per_s > 0.0 else final
        self.map_kpa = pressure
        lag, offset = self.parameters.map_sensor_lag_s, self.map_offset_kpa
        sensed = self.sensed_map_kpa - offset
        self.sensed_map_kpa = sensed + (pressure - sensed) * dt / (dt + lag) + offset
        return pressure

    def _intake(self, cylinder: int, pressure: float, speed: float) -> float:
        """Close one cylinder's intake, burn what is in it; return the work, J."""
        p = self.parameters
        bank = p.cylinder_bank[cylinder]
        ve = 0.01 * p.truth.ve_pct(bank, speed, pressure)
        self._ve_sum += ve - self.ve[cylinder]
        self.ve[cylinder] = ve
        air = air_mg(ve, pressure, self._cylinder_m3, self.intake_c + 273.15)
        noise = p.noise
        if noise.cycle_air > 0.0:
            air *= 1.0 + noise.cycle_air * self._normal()
        fraction, time_s = self._film
        self.film_mg[cylinder], fuel = film_step(
            self.film_mg[cylinder], self._pending_mg[cylinder], fraction, time_s, 120.0 / speed
        )
        self._pending_mg[cylinder] = 0.0
        phi = fuel * p.stoichiometric_afr / air
        self.burned_mg[bank] += fuel
        self.cylinder_phi[bank] = phi
        work = 0.0
        command = self.command
        if LEAN_LIMIT_PHI < phi < RICH_LIMIT_PHI and command.ignition:
            work = HEATING_J_PER_KG_AIR * air * 1e-6 * (phi if phi < 1.0 else 1.0)
            if noise.cycle_work > 0.0:
                work *= 1.0 + noise.cycle_work * self._normal()
            misfire = self.misfire[cylinder]
            if misfire > 0.0 and self.rng.random() < misfire:
                work = 0.0
                # Oxygen passes unburned; only part of the fuel reacts at the hot sensor.
                phi *= 0.45
        exhaust = p.exhausts[bank]
        share = air * 1e-6 * speed / self._most_flow
        hot_k = exhaust.cool_k + exhaust.rise_k * sqrt(share) if work > 0.0 else 480.0
        gas_k = self._gas_k[bank]
        gas_k = self._gas_k[bank] = gas_k + 0.1 * (hot_k - gas_k)
        volume_m3 = (air + fuel) * 1e-9 * R_AIR * gas_k / command.barometer_kpa
        self._gas[cylinder] = (volume_m3, phi, self._pending_s[cylinder])
        return work

    def _crank(self, dt: float, work_j: float, pressure: float) -> None:
        """Turn the crank: torque, clutch, vehicle, brake."""
        p, c = self.parameters, self.command
        speed = self.speed_rpm
        loss_kpa = (
            p.friction_kpa + p.friction_kpa_per_krpm * speed * 1e-3 + c.barometer_kpa - pressure
        )
        torque = (work_j * self.slots - loss_kpa * p.displacement_cm3 * 1e-3) / CYCLE_RAD
        self.torque_nm = torque
        if c.imposed_rpm > 0.0:
            # The brake holds speed; its regulator lets a little of the torque's ripple through.
            most = 900.0 * dt
            step = held((c.imposed_rpm - speed) * min(1.0, dt / 0.15), -most, most)
            self.speed_rpm = max(CRANKING_RPM, speed + step + 0.05 * torque * dt)
            self._coast(dt)
            return
        if self.cranking:
            self.speed_rpm = max(CRANKING_RPM, speed + torque * dt / 0.06 * 9.5493)
            if self.speed_rpm > 900.0 or not c.ignition:
                self.cranking = False
            self._coast(dt)
            return
        if c.gear == 0 or c.clutch <= 0.0:
            self.locked = False
            self.speed_rpm = speed + torque * dt / p.vehicle.inertia_kg_m2 * 9.5493
            self._coast(dt)
        else:
            self._drive_train(dt, torque)
        if self.speed_rpm < CRANKING_RPM and c.ignition:
            self.cranking = True
            self.speed_rpm = CRANKING_RPM

    def road_load_n(self) -> float:
        """Return drag, rolling resistance, grade and wheel brake together, N."""
        m_s, c = self.vehicle_m_s, self.command
        force = self._drag * m_s * m_s + self._weight_n * c.grade
        if m_s > 0.01:
            force += self._rolling_n + c.wheel_brake_n
        return force

    def _coast(self, dt: float) -> None:
        vehicle = self.parameters.vehicle
        if self.vehicle_m_s > 0.0 or self.command.grade < -0.02:
            moved = self.vehicle_m_s - self.road_load_n() / vehicle.mass_kg * dt
            self.vehicle_m_s = max(0.0, moved)
            self.distance_m += self.vehicle_m_s * dt

    def _drive_train(self, dt: float, torque: float) -> None:
        """Engine and wheel through gear and clutch: locked they turn together, else it slips."""
        ratio, mass_kg = self.gears[self.command.gear - 1]
        if not self.locked:
            self._slip(dt, torque, ratio)
            self.distance_m += self.vehicle_m_s * dt
            return
        m_s = self.vehicle_m_s + (torque * ratio - self.road_load_n()) / mass_kg * dt
        self.vehicle_m_s = m_s = m_s if m_s > 0.0 else 0.0
        self.speed_rpm = m_s * ratio * 9.5493
        self.distance_m += m_s * dt

    def _slip(self, dt: float, torque: float, ratio: float) -> None:
        """The clutch slips; where the two sides meet within the step, it takes hold."""
        v, c = self.parameters.vehicle, self.command
        slip = self.speed_rpm - self.vehicle_m_s * ratio * 9.5493
        grip = c.clutch * v.clutch_torque_nm * (1.0 if slip > 0.0 else -1.0)
        load = self.road_load_n()
        engine = self.speed_rpm + (torque - grip) * dt / v.inertia_kg_m2 * 9.5493
        vehicle_m_s = self.vehicle_m_s + (grip * ratio - load) / v.mass_kg * dt
        if (engine - vehicle_m_s * ratio * 9.5493) * slip <= 0.0:
            # Common speed by conservation of momentum.
            inertia = v.inertia_kg_m2 * ratio
            momentum = v.mass_kg * self.vehicle_m_s + inertia * self.speed_rpm / 9.5493
            momentum += (torque * ratio - load) * dt
            vehicle_m_s = momentum / (v.mass_kg + inertia * ratio)
            engine = vehicle_m_s * ratio * 9.5493
            self.locked = c.clutch > 0.95
        self.vehicle_m_s = max(0.0, vehicle_m_s)
        self.speed_rpm = engine

    # -- for whoever reads sensors ---------------------------------------------------------------

    def part_at(self, time_s: float) -> float:
        """Return where a moment lies between the last two events, 0 to 1."""
        span = self.time_s - self.before_s
        if span <= 0.0:
            return 1.0
        return held((time_s - self.before_s) / span, 0.0, 1.0)
