"""The simulated engine controller: a speed-density computer with tables on its own stored bytes.

Fuel per injection = VE(N, p) · p · V / (R · T) / (AFR · target lambda) · corrections, delivered as
a pulse width through its belief about the injector. `inject` runs once per injection, `tick` at a
fixed slow rate for everything that is not per cycle. It knows nothing of the truth.
"""

from collections.abc import Sequence
from math import exp, isfinite

from breathmap.protocol.host.calibration import stored
from breathmap.protocol.wire import fields as wire
from breathmap.simulator.parameters import R_AIR, EngineParameters, Injector
from breathmap.simulator.settings import Settings, learning_setup
from breathmap.simulator.table import Axes, Table

VE_STEP_PCT = 0.4
LAMBDA_STEP = 0.005
STORED_MOST = 255
STOICHIOMETRIC = (0.99, 1.01)

# Long-term adaptation keeps one number per bank and per square of this coarse net.
ADAPTATION_RPM = (2500.0, 4500.0)
ADAPTATION_KPA = (40.0, 65.0)


def to_bytes(cells: Sequence[float], axes: Axes, step: float, name: str) -> bytearray:
    """Round cells to counts of `step`, a byte each. Raises ValueError naming what does not fit."""
    if len(cells) != axes.size:
        raise ValueError(f"{name}: the axes have {axes.size} cells, got {len(cells)}")
    stored = bytearray(axes.size)
    for k, value in enumerate(cells):
        if not isfinite(value) or not 0 <= (count := int(value / step + 0.5)) <= STORED_MOST:
            raise ValueError(f"{name}: cell {k} must be 0 to {STORED_MOST * step:g}, got {value:g}")
        stored[k] = count
    return stored


class Controller:
    """One controller for one engine.

    ve_pct: per bank a flat list of cells, index = load_index * speed_count + speed_index.
    injector: its belief; the engine's own may differ (that is a fault).
    """

    def __init__(
        self,
        parameters: EngineParameters,
        axes: Axes,
        ve_pct: Sequence[Sequence[float]],
        settings: Settings | None = None,
        injector: Injector | None = None,
    ) -> None:
        if len(ve_pct) != parameters.banks:
            raise ValueError(f"the engine has {parameters.banks} banks, got {len(ve_pct)} tables")
        self.axes = axes
        self.banks = parameters.banks
        self.injector = injector or parameters.injector
        self._cylinders = len(parameters.cylinder_bank)
        self._afr = parameters.stoichiometric_afr
        self._tables = [
            Table(axes, to_bytes(cells, axes, VE_STEP_PCT, f"VE table of bank {b}"), VE_STEP_PCT)
            for b, cells in enumerate(ve_pct)
        ]
        self._target = Table(axes, bytearray(axes.size), LAMBDA_STEP)
        self.displacement_cm3 = parameters.displacement_cm3
        self.write_settings(settings or learning_setup())
        self.reset()

    # -- what a person reads and writes --------------------------------------------------------

    def read_ve(self, bank: int) -> list[float]:
        """Return the stored VE cells of a bank, per cent."""
        return list(stored(VE_STEP_PCT, self._tables[bank].cells))

    def write_ve(self, bank: int, cells_pct: Sequence[float]) -> None:
        """Store VE cells, rounded to the storage step. ValueError when one does not fit a byte."""
        self._tables[bank].cells = to_bytes(
            cells_pct, self.axes, VE_STEP_PCT, f"VE table of bank {bank}"
        )

    def write_axes(self, axes: Axes) -> None:
        """Put other breakpoints, as many as now, under every table; stored counts stay as they are.
        ValueError for another number."""
        counts = [(len(one.speed_rpm), len(one.load_kpa)) for one in (axes, self.axes)]
        if counts[0] != counts[1]:
            raise ValueError(f"the controller has {counts[1]} breakpoints, got {counts[0]}")
        self.axes = axes
        self._tables = [Table(axes, table.cells, VE_STEP_PCT) for table in self._tables]
        self._target = Table(axes, self._target.cells, LAMBDA_STEP)

    def ve_at(self, bank: int, speed_rpm: float, map_kpa: float) -> float:
        """Return the VE in per cent that the controller uses at an operating point."""
        return self._tables[bank].value(speed_rpm, map_kpa)

    def read_target(self) -> list[float]:
        """Return the stored target lambda cells."""
        return list(stored(LAMBDA_STEP, self._target.cells))

    def write_target(self, target_lambda: float | Sequence[float]) -> None:
        """Store a flat target (one number) or a whole table of them."""
        if isinstance(target_lambda, (int, float)):
            cells: Sequence[float] = [float(target_lambda)] * self.axes.size
        else:
            cells = target_lambda
        stored = to_bytes(cells, self.axes, LAMBDA_STEP, "target table")
        if min(stored) * LAMBDA_STEP < 0.5:
            raise ValueError("target table: a target below lambda 0.5 cannot burn")
        self._target.cells = stored
        self.settings_target = (
            target_lambda if isinstance(target_lambda, float) else tuple(self.read_target())
        )
        # A flat target needs no look-up per injection.
        self._flat_target = stored[0] * LAMBDA_STEP if min(stored) == max(stored) else 0.0

    def read_settings(self) -> Settings:
        """Return the settings in force, target included."""
        return self.settings.changed(target_lambda=self.settings_target)

    def write_settings(self, settings: Settings) -> None:
        """Put settings in force, target included; the loops start afresh."""
        self.write_target(settings.target_lambda)
        self.settings = settings
        self.fuel_multiplier = [1.0] * self.banks
        self.adaptation = [[1.0] * 9 for _ in range(self.banks)]

    def write_displacement(self, displacement_cm3: float) -> None:
        """Change the displacement that fuel is computed from (a rebase of the tables needs it)."""
        if not (isfinite(displacement_cm3) and displacement_cm3 > 0):
            raise ValueError(f"displacement_cm3 must be above 0, got {displacement_cm3}")
        self._displacement_cm3 = displacement_cm3
        # mg of stoichiometric fuel per (kPa / K) and per cent of VE, one cylinder
        volume_m3 = displacement_cm3 * 1e-6 / self._cylinders
        self._fuel_constant = 1e3 * volume_m3 / R_AIR / self._afr * 1e6 / 100.0

    @property
    def displacement_cm3(self) -> float:
        """Displacement that fuel is computed from."""
        return self._displacement_cm3

    @displacement_cm3.setter
    def displacement_cm3(self, value: float) -> None:
        self.write_displacement(value)

    # -- running -------------------------------------------------------------------------------

    def reset(self) -> None:
        """Start as after switching on: no loop has moved, no enrichment acts."""
        self.flags = 0
        self.cut = False
        self.target_lambda = self._flat_target or 1.0
        self.bypass_mm2 = 0.0
        self.pulse_ms = [0.0] * self.banks
        self.fuel_multiplier = [1.0] * self.banks
        self._common = 1.0
        self._dead_ms = self.injector.dead_time_at(13.5)
        self._per_kelvin = self._fuel_constant / 300.0
        self._per_ms = 1.0 / self.injector.flow_mg_per_ms
        self._step_ms = self.injector.resolution_us * 1e-3
        self._throttle = -1.0
        self._transient = 0.0
        self._closed_for_s = 0.0
        self._recovery_s = 0.0
        self._idle_mm2 = 0.0
        self._since_cut_s = 10.0
        self._rich = [True] * self.banks
        self._total = [1.0] * self.banks

    def inject(self, bank: int, speed_rpm: float, map_kpa: float) -> float:
        """Return the pulse width in ms for one injection; 0 when the fuel is cut."""
        target = self._flat_target or self._target.value(speed_rpm, map_kpa)
        self.target_lambda = target
        if self.cut:
            self.pulse_ms[bank] = 0.0
            return 0.0
        ve = self._tables[bank].value(speed_rpm, map_kpa)
        fuel_mg = ve * map_kpa * self._per_kelvin / target * self._total[bank]
        step = self._step_ms
        pulse = int((fuel_mg * self._per_ms + self._dead_ms) / step + 0.5) * step
        self.pulse_ms[bank] = pulse
        return pulse

    def tick(
        self,
        interval_s: float,
        running_s: float,
        speed_rpm: float,
        map_kpa: float,
        throttle_pct: float,
        coolant_c: float,
        intake_c: float,
        battery_v: float,
        readings: Sequence[float],
        ready: Sequence[bool],
    ) -> None:
        """Run the slow functions once.

        running_s: time since the start. readings: per bank lambda (wideband) or volts (switching).
        """
        settings = self.settings
        self._dead_ms = self.injector.dead_time_at(battery_v)
        self._per_kelvin = self._fuel_constant / (intake_c + 273.15)

        flags = self._transients(interval_s, throttle_pct)
        common = 1.0 + self._transient
        if settings.power_enrichment and throttle_pct > settings.power_throttle_pct:
            common *= 1.0 + settings.power_fuel
            flags |= wire.POWER_ENRICHMENT
        if settings.warm_up_enrichment:
            extra = self._warm_up(running_s, coolant_c)
            if extra > 0.002:
                common *= 1.0 + extra
                flags |= wire.WARM_UP_ENRICHMENT
        flags |= self._cuts(interval_s, speed_rpm, throttle_pct)
        if self._recovery_s > 0.0:
            common *= 1.0 + settings.recovery_fuel * self._recovery_s / settings.recovery_s
            self._recovery_s -= interval_s
        idles = throttle_pct < settings.cut_throttle_pct and speed_rpm < 1.6 * settings.idle_rpm
        if settings.idle_speed_control:
            flags |= self._idle(interval_s, idles, speed_rpm)
        else:
            self.bypass_mm2 = 0.0
        if settings.idle_heat_protection and idles and coolant_c > settings.idle_hot_c:
            common *= 1.0 + settings.idle_hot_fuel
            flags |= wire.IDLE_CONTROL
        self._common = common
        if settings.closed_loop or settings.long_term_adaptation:
            flags |= self._loops(interval_s, speed_rpm, map_kpa, coolant_c, readings, ready)
        else:
            self._total = [common] * self.banks
        self.flags = flags

    def _transients(self, interval_s: float, throttle_pct: float) -> int:
        """Fuel for a moving throttle: added while opening, taken while closing, then decaying."""
        settings = self.settings
        before, self._throttle = self._throttle, throttle_pct
        adds, takes = settings.acceleration_enrichment, settings.deceleration_enleanment
        if not (adds or takes or self._transient):
            return 0
        rate = (throttle_pct - before) / interval_s if before >= 0.0 else 0.0
        self._transient *= 1.0 - min(1.0, interval_s / settings.transient_decay_s)
        wanted = settings.transient_gain_s * rate
        if adds and rate > settings.transient_pct_per_s:
            self._transient = max(self._transient, min(wanted, settings.transient_maximum))
        elif takes and rate < -settings.transient_pct_per_s:
            self._transient = min(self._transient, max(0.5 * wanted, -settings.transient_maximum))
        if self._transient > 0.004:
            return wire.ACCELERATION_ENRICHMENT
        if self._transient < -0.004:
            return wire.DECELERATION_ENLEANMENT
        return 0

    def _warm_up(self, running_s: float, coolant_c: float) -> float:
        settings = self.settings
        cold = 1.0 - coolant_c / settings.warm_up_until_c
        extra = settings.warm_up_fuel_at_0c * cold if cold > 0.0 else 0.0
        if running_s < 250.0 * settings.after_start_s:  # else nothing is left of it, e^-750
            extra += settings.after_start_fuel * exp(-running_s / (settings.after_start_s / 3.0))
        return extra

    def _cuts(self, interval_s: float, speed_rpm: float, throttle_pct: float) -> int:
        """Over-run cut with recovery, and the limiter; both stop injection."""
        settings = self.settings
        closed = throttle_pct < settings.cut_throttle_pct
        self._closed_for_s = self._closed_for_s + interval_s if closed else 0.0
        before = self.cut
        overrun = settings.overrun_fuel_cut and closed
        if overrun and not before:
            overrun = (
                speed_rpm > settings.cut_above_rpm and self._closed_for_s > settings.cut_after_s
            )
        elif overrun:
            overrun = speed_rpm > settings.cut_below_rpm
        # 150 rpm of hysteresis on the limiter
        limit = settings.rev_limit_rpm - (150.0 if before else 0.0)
        limited = settings.rev_limiter and speed_rpm > limit
        self.cut = cut = overrun or limited
        if not cut:
            self._since_cut_s += interval_s
            if before:
                self._recovery_s = settings.recovery_s
            return 0
        self._since_cut_s = 0.0
        return wire.FUEL_CUT | (wire.REV_LIMIT if limited else 0)

    def _idle(self, interval_s: float, idles: bool, speed_rpm: float) -> int:
        if not idles:
            return 0
        settings = self.settings
        error = settings.idle_rpm - speed_rpm
        gain = settings.idle_gain_mm2
        self._idle_mm2 += 0.5 * gain * error * interval_s
        self._idle_mm2 = min(max(self._idle_mm2, -4.0), settings.idle_most_mm2)
        self.bypass_mm2 = self._idle_mm2 + gain * error
        return wire.IDLE_CONTROL

    def _loops(
        self,
        interval_s: float,
        speed_rpm: float,
        map_kpa: float,
        coolant_c: float,
        readings: Sequence[float],
        ready: Sequence[bool],
    ) -> int:
        """Closed loop and long-term adaptation, per bank; leaves the whole factor in `_total`."""
        settings = self.settings
        common = self._common
        allowed = (
            settings.closed_loop
            and coolant_c > settings.loop_coolant_c
            and map_kpa < settings.loop_most_kpa
            and self._since_cut_s > 0.5
            and speed_rpm > 500.0
        )
        if settings.sensor == "switching":
            allowed = allowed and STOICHIOMETRIC[0] < self.target_lambda < STOICHIOMETRIC[1]
        square = (
            3 * sum(map_kpa > edge for edge in ADAPTATION_KPA)
            + sum(speed_rpm > edge for edge in ADAPTATION_RPM)
        )  # fmt: skip
        flags = wire.LONG_TERM_ADAPTATION if settings.long_term_adaptation else 0
        for bank in range(self.banks):
            acts = allowed and ready[bank]
            if acts:
                flags |= wire.CLOSED_LOOP
                short = self._short_term(bank, interval_s, readings[bank])
            else:
                short = 1.0
            self.fuel_multiplier[bank] = short
            slow = 1.0
            if settings.long_term_adaptation:
                learned = self.adaptation[bank]
                if acts:
                    most = settings.adaptation_maximum
                    moved = learned[square] + settings.adaptation_per_s * (short - 1.0) * interval_s
                    learned[square] = min(max(moved, 1.0 - most), 1.0 + most)
                slow = learned[square]
            self._total[bank] = common * short * slow
        return flags

    def _short_term(self, bank: int, interval_s: float, reading: float) -> float:
        """One step of the closed-loop integrator: by error (wideband) or by side (switching)."""
        settings = self.settings
        factor = self.fuel_multiplier[bank]
        if settings.sensor == "switching":
            rich = reading > 0.45
            jump = settings.switching_jump if rich != self._rich[bank] else 0.0
            self._rich[bank] = rich
            move = settings.switching_ramp_per_s * interval_s + jump
            factor += -move if rich else move
        else:
            error = reading / self.target_lambda - 1.0
            factor += settings.loop_gain_per_s * min(max(error, -0.2), 0.2) * interval_s
        return min(max(factor, settings.loop_minimum), settings.loop_maximum)
