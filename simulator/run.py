"""The simulator's door: run an engine through a drive and read samples as a bridge would.

`simulate` is the one loop; `bench` puts an engine and a controller with a wrong table together;
`fuelling_error` compares a table with the truth. Everything is repeatable from its seed. No I/O.
"""

import random
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from math import cos, inf, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.controller import STORED_MOST, VE_STEP_PCT, Controller
from breathmap.simulator.drives import Drive
from breathmap.simulator.engine import Engine
from breathmap.simulator.faults import Fault, FaultBox
from breathmap.simulator.noise import normals
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters, college_twin
from breathmap.simulator.physics import held
from breathmap.simulator.settings import Settings, learning_setup
from breathmap.simulator.table import Axes, Table
from breathmap.simulator.truth import Truth, cells_of

TICK_S = 0.02


class TruthTrace:
    """What nobody at the bench can see, one entry per sample; per bank where it says so.

    true_ve_pct[bank]: at the present operating point. cylinder_lambda[bank]: last cycle's, inf when
    cut. transport_s[bank]: age of the gas now at the sensor, from injection. delay_s[bank]:
    transport plus the mean lag of mixing and sensor.
    """

    def __init__(self) -> None:
        self.time_s = array("d")
        self.speed_rpm = array("d")
        self.map_kpa = array("d")
        self.vehicle_m_s = array("d")
        self.cylinder_lambda: list[array[float]] = []
        self.transport_s: list[array[float]] = []
        self.delay_s: list[array[float]] = []
        self.film_mg: list[array[float]] = []
        # Totals at the end of the run, mg per bank, for a balance.
        self.injected_mg: list[float] = []
        self.burned_mg: list[float] = []
        self.gear = array("b")
        self._truth: Truth | None = None
        self._true_ve_pct: list[array[float]] = []
        # Per bank: its cylinders, the volume in which gas is stirred, and what adds its entries.
        self._banks: list[tuple[list[int], float, tuple[Callable[[float], None], ...]]] = []

    @property
    def true_ve_pct(self) -> list["array[float]"]:
        """Found when it is asked for: most runs never do."""
        if self._truth is None:
            return []
        for bank, known in enumerate(self._true_ve_pct):
            points = zip(self.speed_rpm[len(known) :], self.map_kpa[len(known) :], strict=True)
            known.extend(self._truth.ve_pct(bank, max(speed, 1.0), load) for speed, load in points)
        return self._true_ve_pct

    def _begin(self, engine: Engine) -> None:
        p = engine.parameters
        self._truth = p.truth
        for column in (
            self._true_ve_pct, self.cylinder_lambda, self.transport_s, self.delay_s, self.film_mg
        ):  # fmt: skip
            column.extend(array("d") for _ in range(p.banks))
        cylinders = [
            [k for k, b in enumerate(p.cylinder_bank) if b == bank] for bank in range(p.banks)
        ]
        mixing_m3 = [e.mixing_volume_l * 1e-3 for e in p.exhausts]
        columns = zip(
            self.cylinder_lambda, self.transport_s, self.delay_s, self.film_mg, strict=True
        )
        adds = [tuple(column.append for column in of_bank) for of_bank in columns]
        self._banks = list(zip(cylinders, mixing_m3, adds, strict=True))

    def note(self, time_s: float, engine: Engine) -> None:
        """Add one entry."""
        if self._truth is None:
            self._begin(engine)
        part = engine.part_at(time_s)
        speed, pressure = engine.speed_before, engine.map_before
        self.time_s.append(time_s)
        self.speed_rpm.append(speed + part * (engine.speed_rpm - speed))
        self.map_kpa.append(pressure + part * (engine.map_kpa - pressure))
        self.vehicle_m_s.append(engine.vehicle_m_s)
        self.gear.append(engine.command.gear)
        self.injected_mg = engine.injected_mg[:]
        self.burned_mg = engine.burned_mg[:]
        period_s = max(engine.time_s - engine.before_s, 1e-6)
        for bank, (cylinders, mixing_m3, adds) in enumerate(self._banks):
            add_lambda, add_transport, add_delay, add_film = adds
            pipe, phi = engine.pipes[bank], engine.cylinder_phi[bank]
            add_lambda(1.0 / phi if phi > 0.0 else inf)
            age, flow_m3 = time_s - pipe.injected_s, pipe.flow_m3
            add_transport(age)
            stir = mixing_m3 / (flow_m3 / period_s) if flow_m3 > 0.0 else 0.0
            sensor = engine.sensors[engine.sensor_of_bank[bank]]
            add_delay(age + stir + sensor.parameters.lag_s * sensor.slow)
            add_film(sum([engine.film_mg[k] for k in cylinders]))


class SampleReader:
    """The sensors as controller and bridge read them, each with its own noise."""

    def __init__(self, engine: Engine, seed: int) -> None:
        self._engine = engine
        self._normal = normals(random.Random(f"sensors {seed}"))
        self._sample = Sample(engine.parameters.banks)

    def tick(self, interval_s: float) -> None:
        """Let the controller read its sensors and run its slow functions."""
        engine, normal = self._engine, self._normal
        controller = engine.controller
        readings: Sequence[float] = ()
        ready: Sequence[bool] = ()
        if controller.settings.closed_loop:
            readings = [s.reading(1.0, normal) for s in engine.sensors]
            ready = [r == r for r in readings]
        throttle = engine.command.throttle_pct + engine.parameters.noise.throttle_pct * normal()
        controller.tick(
            interval_s,
            engine.running_s,
            engine.speed_rpm,
            engine.sensed_map_kpa,
            throttle if throttle > 0.0 else 0.0,
            engine.coolant_c,
            engine.sensed_intake_c + engine.intake_offset_c,
            engine.battery_v,
            readings,
            ready,
        )

    def read(self, time_s: float, reuse: bool) -> Sample:
        """Return what the bridge reads at a moment the engine has just reached or passed."""
        engine = self._engine
        controller = engine.controller
        noise = engine.parameters.noise
        normal = self._normal
        banks = controller.banks
        sample = self._sample if reuse else Sample(banks)
        part = engine.part_at(time_s)
        sample.time_us = int(time_s * 1e6 + 0.5)
        sample.flags = controller.flags
        speed = engine.speed_before
        speed += part * (engine.speed_rpm - speed)
        sample.speed_rpm = speed * (1.0 + noise.speed_fraction * normal())
        pressure = engine.map_before
        pressure += part * (engine.map_kpa - pressure)
        sample.map_kpa = pressure + engine.map_offset_kpa + noise.map_kpa * normal()
        throttle = engine.command.throttle_pct + noise.throttle_pct * normal()
        sample.throttle_pct = held(throttle, 0.0, 100.0)
        sample.coolant_c = engine.coolant_c + noise.temperature_c * normal()
        intake_c = engine.sensed_intake_c + engine.intake_offset_c
        sample.intake_c = intake_c + noise.temperature_c * normal()
        sample.battery_v = engine.battery_v + noise.battery_v * normal()
        sample.pulse_width_ms = sum(controller.pulse_ms) / banks
        sample.target_lambda = controller.target_lambda
        for bank, sensor in enumerate(engine.sensors):
            sample.measured_lambda[bank] = sensor.bridge_lambda(part, normal)
            sample.sensor_state[bank] = sensor.state
        sample.fuel_multiplier[:] = controller.fuel_multiplier
        return sample


def simulate(
    parameters: EngineParameters,
    controller: Controller,
    drive: Drive,
    seed: int = 0,
    sample_rate_hz: float = 25.0,
    faults: Iterable[Fault] = (),
    trace: TruthTrace | None = None,
    warm: bool = True,
    reuse: bool = False,
) -> Iterator[Sample]:
    """Run the drive and yield one Sample per 1/sample_rate_hz, from time 0.

    A fresh Sample each time, or one and the same object again and again when `reuse`. warm: start
    with a hot, running engine and ready sensors, else cold and standing. trace: filled in parallel.
    faults: from `breathmap.simulator.faults`; those of the cable do nothing here. Faults in the
    set-up are taken out of the controller again at the end. ValueError when sample_rate_hz is not
    0.1 to 1000 or a fault does not fit the engine.
    """
    if not 0.1 <= sample_rate_hz <= 1000.0:
        raise ValueError(f"sample_rate_hz must be 0.1 to 1000, got {sample_rate_hz}")
    controller.reset()
    engine = Engine(parameters, controller, seed, warm)
    box = FaultBox(faults, engine)
    return _run(engine, SampleReader(engine, seed), drive, sample_rate_hz, box, trace, reuse)


def _run(
    engine: Engine,
    reader: SampleReader,
    drive: Drive,
    sample_rate_hz: float,
    box: FaultBox,
    trace: TruthTrace | None,
    reuse: bool,
) -> Iterator[Sample]:
    drive.start(engine)
    ticks = samples = 0
    tick_s = sample_s = 0.0
    end_s, step, slow_step, tick = drive.duration_s, drive.step, engine.slow_step, reader.tick
    try:
        while tick_s < end_s or sample_s < end_s:
            if tick_s <= sample_s:
                engine.advance(tick_s)
                box.update(tick_s)
                step(tick_s, TICK_S, engine)
                slow_step(TICK_S)
                tick(TICK_S)
                ticks += 1
                tick_s = ticks * TICK_S
            else:
                engine.advance(sample_s)
                if trace is not None:
                    trace.note(sample_s, engine)
                yield reader.read(sample_s, reuse)
                samples += 1
                sample_s = samples / sample_rate_hz
    finally:
        box.clear()


def perturbed_table(
    truth: Truth, bank: int, axes: Axes, rms: float = 0.08, seed: int = 0
) -> list[float]:
    """Return a starting table for a bank, wrong against the truth by `rms` (a fraction) over its
    cells: mostly smooth over speed and load, partly cell by cell, with a bias; rounded to what a
    byte stores.
    """
    if not 0.0 <= rms <= 0.3:
        raise ValueError(f"rms must be 0 to 0.3, got {rms}")
    rng = random.Random(f"table {seed} {bank}")
    low, high = axes.speed_rpm[0], axes.speed_rpm[-1]
    bottom, top = axes.load_kpa[0], axes.load_kpa[-1]
    waves = [
        (rng.gauss(0.0, 1.0), rng.uniform(0.2, 2.2), rng.uniform(0.0, 1.5), rng.uniform(0, 2 * pi))
        for _ in range(5)
    ]
    bias = rng.gauss(0.0, 0.6)
    errors = []
    for p in axes.load_kpa:
        for n in axes.speed_rpm:
            u, v = (n - low) / (high - low), (p - bottom) / (top - bottom)
            smooth = sum(a * cos(pi * (fu * u + fv * v) + phase) for a, fu, fv, phase in waves)
            errors.append(bias + smooth + rng.gauss(0.0, 0.35))
    size = sqrt(sum(e * e for e in errors) / len(errors))
    true_cells = cells_of(truth, bank, axes)
    return [
        min(round(t * (1.0 + rms * e / size) / VE_STEP_PCT), STORED_MOST) * VE_STEP_PCT
        for t, e in zip(true_cells, errors, strict=True)
    ]


def bench(
    method: str = "wideband",
    truth: str = "continuous",
    seed: int = 0,
    rms: float = 0.08,
    axes: Axes = TWIN_AXES,
    settings: Settings | None = None,
) -> tuple[EngineParameters, Controller]:
    """Return the college's twin and a controller with starting tables wrong by `rms`, set up for
    learning by a method ("wideband", "switching") unless `settings` say otherwise."""
    parameters = college_twin(truth, method, axes)
    tables = [
        perturbed_table(parameters.truth, b, axes, rms, seed) for b in range(parameters.banks)
    ]
    return parameters, Controller(parameters, axes, tables, settings or learning_setup(method))


def fuelling_error(
    truth: Truth,
    bank: int,
    axes: Axes,
    table_pct: Sequence[float],
    speed_rpm: Sequence[float] | NDArray[np.float64],
    map_kpa: Sequence[float] | NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the fractional fuelling error, table VE / true VE − 1, at n points, shape (n,).

    Positive is rich. The table is looked up as the controller does: bilinear, clamped.
    """
    true_pct = true_ve(truth, bank, speed_rpm, map_kpa)
    return error_beside(true_pct, axes, table_pct, speed_rpm, map_kpa)


def true_ve(
    truth: Truth,
    bank: int,
    speed_rpm: Sequence[float] | NDArray[np.float64],
    map_kpa: Sequence[float] | NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the true VE of a bank at n points, per cent, shape (n,)."""
    points = zip(np.asarray(speed_rpm).tolist(), np.asarray(map_kpa).tolist(), strict=True)
    return np.array([truth.ve_pct(bank, n, p) for n, p in points])


def error_beside(
    true_pct: NDArray[np.float64],
    axes: Axes,
    table_pct: Sequence[float],
    speed_rpm: Sequence[float] | NDArray[np.float64],
    map_kpa: Sequence[float] | NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return `fuelling_error` where the true VE of the points is known already."""
    speed, load = (np.asarray(one, dtype=np.float64) for one in (speed_rpm, map_kpa))
    return np.asarray(Table(axes, list(table_pct)).values(speed, load) / true_pct - 1.0)
