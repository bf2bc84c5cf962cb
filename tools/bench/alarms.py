"""How often healthy engines raise an alarm, and how soon a lean one does: many random engines.

Healthy: tables right within 1 % rms, as a finished job leaves them; set up for learning and for
use, warm and cold, on roads, on a brake, on a schedule, at altitude, switched off hot; and with one
lambda sensor unplugged, at the start or on the way, whose own alarm is none too many. Lean: on a
brake at full load the fuel pressure falls at once to what gives 13 % too little.

    python -m breathmap.tools.bench.alarms [--hours 10] [--lean 6]
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from rich.console import Console

from breathmap.learner.core.alarms import NAMES, SENSOR_LOST, AlarmLimits, Alarms
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.lean import CALL, RUN_S, SCORE, SLOTS
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import BrakeSweep, Drive
from breathmap.simulator.faults import Fault, fault
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters, random_engine
from breathmap.simulator.run import perturbed_table, simulate
from breathmap.simulator.settings import learning_setup, normal_setup
from breathmap.tools.bench.convergence import run_all
from breathmap.tools.demo.simulating import parse_drive

RATE_HZ = 25.0
HEALTHY_RMS = 0.01
LEAN_BY = 0.13
WANTED_S = 0.3
# (drive, minutes, set-up, warm, fault)
DRIVES = (
    ("road", 30.0, "learning", True, ""),
    ("road", 30.0, "normal", False, ""),
    ("brake", 0.0, "learning", True, ""),
    ("european", 0.0, "normal", False, ""),
    ("road", 15.0, "learning", False, ""),
    ("altitude", 20.0, "normal", True, ""),
    ("ramp", 0.0, "normal", True, ""),
    ("soak", 0.0, "normal", True, ""),
    ("road", 10.0, "learning", True, "unplugged at the start"),
    ("road", 10.0, "normal", True, "unplugged on the way"),
)
HOLD_S, LEAN_FROM_S, LEAN_TO_S = 8.0, 4.0, 6.5
LEAN_SPEEDS_RPM = (2000, 2700, 3500, 4300, 5200, 6200)


@dataclass(frozen=True)
class Healthy:
    """One healthy drive: running and watched time, false alarms by kind, and how near to a lean
    alarm it came, a share of what raises one."""

    running_s: float
    watched_s: float
    false: dict[str, int]
    nearest: float


@dataclass(frozen=True)
class LeanHolds:
    """One lean engine: per hold and bank how long the alarm took, seconds: from the first reading
    above the limit, and from the fall of the pressure. missed: holds that raised none."""

    from_reading_s: list[float] = field(default_factory=list)
    from_fall_s: list[float] = field(default_factory=list)
    missed: int = 0


def engine_of(seed: int, setup: str) -> tuple[EngineParameters, Controller]:
    """Return a random engine whose controller has good tables."""
    parameters = random_engine(seed)
    tables = [
        perturbed_table(parameters.truth, bank, TWIN_AXES, HEALTHY_RMS, seed)
        for bank in range(parameters.banks)
    ]
    settings = learning_setup() if setup == "learning" else normal_setup(TWIN_AXES)
    return parameters, Controller(parameters, TWIN_AXES, tables, settings)


def alarms_of(parameters: EngineParameters) -> Alarms:
    """Return the alarms at their defaults; they know nothing else of the engine."""
    table = Table([1000.0, 6000.0], [20.0, 100.0], [80.0] * 4)
    banks = [BankSettings(str(bank), table, DelayModel()) for bank in range(parameters.banks)]
    return Alarms(Settings(banks), AlarmLimits())


def healthy(order: tuple[int, int]) -> Healthy:
    """Drive number order[1] of engine order[0]; top level so that a pool can call it."""
    seed, number = order
    name, minutes, setup, warm, trouble = DRIVES[number]
    parameters, controller = engine_of(seed, setup)
    faults = []
    if trouble:
        start_s = 0.0 if trouble.endswith("start") else 200.0
        faults = [fault("sensor-unplugged", None, seed % 2, start_s)]
    watch = alarms_of(parameters)
    nearest = 0.0
    drive = parse_drive(name, minutes, seed)
    for sample in _samples(parameters, controller, drive, seed, faults, warm):
        watch.take(sample)
        nearest = max(nearest, *(watch.lean.run[SCORE::SLOTS]))
    counts = dict(zip(NAMES, watch.episodes.counts, strict=True))
    if trouble:
        counts[NAMES[SENSOR_LOST]] -= 1
    return Healthy(watch.running_s, watch.lean.judged_s, counts, nearest / CALL)


def _samples(
    parameters: EngineParameters,
    controller: Controller,
    drive: Drive,
    seed: int,
    faults: list[Fault],
    warm: bool = True,
) -> Iterator[Sample]:
    return simulate(parameters, controller, drive, seed, RATE_HZ, faults, warm=warm, reuse=True)


def lean(seed: int) -> LeanHolds:
    """Full load on a brake, the fuel pressure falling during each hold; top level for a pool."""
    parameters, controller = engine_of(seed, "learning")
    drive = BrakeSweep(LEAN_SPEEDS_RPM, (60.0, 97.0), HOLD_S)
    falls_s = [k * HOLD_S + LEAN_FROM_S for k, (_, load) in enumerate(drive.points) if load > 90.0]
    # Flow goes with the root of the pressure.
    weak = (1.0 + LEAN_BY) ** -2
    last_s = LEAN_TO_S - LEAN_FROM_S
    faults = [fault("fuel-pressure-wrong", weak, 0, at_s, at_s + last_s) for at_s in falls_s]
    watch = alarms_of(parameters)
    found = LeanHolds()
    was_on = [False] * parameters.banks
    called = set()
    for sample in _samples(parameters, controller, drive, seed, faults):
        watch.take(sample)
        now_s = sample.time_us * 1e-6
        for bank in range(parameters.banks):
            on = watch.lean.on[bank]
            # A throttle opened without enrichment may lean out the first step: that is no hold.
            if on and not was_on[bank] and now_s > falls_s[0]:
                fall_s = max(at_s for at_s in falls_s if at_s < now_s)
                called.add((fall_s, bank))
                found.from_reading_s.append(watch.lean.run[bank * SLOTS + RUN_S])
                found.from_fall_s.append(now_s - fall_s)
            was_on[bank] = on
    missed = len(falls_s) * parameters.banks - len(called)
    return LeanHolds(found.from_reading_s, found.from_fall_s, missed)


def orders_for(hours: float, first: int) -> list[tuple[int, int]]:
    """Return (engine, drive) of so many hours of driving or a little more."""
    orders, left_s = [], 3600.0 * hours
    seed = first
    while left_s > 0.0:
        for number, (name, minutes, *_) in enumerate(DRIVES):
            orders.append((seed, number))
            left_s -= parse_drive(name, minutes or 1.0, seed).duration_s
            if left_s <= 0.0:
                break
        seed += 1
    return orders


def say_healthy(results: list[Healthy], console: Console) -> int:
    """Print what healthy drives raised; return how many alarms that were."""
    total: Counter[str] = Counter()
    for result in results:
        total.update(result.false)
    hours = sum(r.running_s for r in results) / 3600.0
    watched = sum(r.watched_s for r in results) / 3600.0
    false = sum(total.values())
    console.print(
        f"healthy: {len(results)} drives, {hours:.1f} h of running, {watched:.1f} h of it loaded "
        f"enough for a lean alarm: {false} false alarms, the nearest sum at "
        f"{100 * max(r.nearest for r in results):.0f} % of an alarm's"
        + (f" ({', '.join(f'{n} {k}' for k, n in total.items() if n)})" if false else "")
    )
    return false


def say_lean(results: list[LeanHolds], console: Console) -> tuple[int, float]:
    """Print how soon lean holds were called; return (missed, longest time from the reading)."""
    missed = sum(r.missed for r in results)
    for text, values in (
        ("first reading above the limit", [t for r in results for t in r.from_reading_s]),
        ("fall of the fuel pressure", [t for r in results for t in r.from_fall_s]),
    ):
        times = np.array(values)
        console.print(
            f"{100 * LEAN_BY:.0f} % lean at full load, alarm after the {text}: {len(times)} "
            f"times, median {np.median(times):.2f} s, 95 % within {np.quantile(times, 0.95):.2f} "
            f"s, longest {times.max():.2f} s"
        )
    console.print(f"missed: {missed} (wanted: none, and at most {WANTED_S:g} s from the reading)")
    return missed, max(max(r.from_reading_s, default=0.0) for r in results)


def main(arguments: list[str] | None = None) -> int:
    """Print what was measured; exit code 1 when it is not as promised."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=float, default=10.0, help="healthy driving (default 10)")
    parser.add_argument("--lean", type=int, default=6, help="lean engines (default 6)")
    parser.add_argument("--first", type=int, default=700, help="seed of the first (default 700)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    given = parser.parse_args(arguments)
    console = Console()
    drives = list(run_all(healthy, orders_for(given.hours, given.first), given.jobs))
    false = say_healthy(drives, console)
    engines = range(given.first, given.first + given.lean)
    missed, longest_s = say_lean(list(run_all(lean, list(engines), given.jobs)), console)
    return 0 if not false and not missed and longest_s <= WANTED_S else 1


if __name__ == "__main__":
    sys.exit(main())
