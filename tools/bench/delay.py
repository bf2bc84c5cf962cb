"""How well the delay is found from a recording: many random engines, on the road and on a brake.

Each engine is driven for ten minutes; the search starts from an exhaust volume and a sensor lag
wrong by a factor of 3, up for one bank and down for the other. Compared with the trace: the delay
over bins of speed and load, and its median over all usable samples, with its stated error.

    python -m breathmap.tools.bench.delay [--engines 12] [--first 300]
"""

import argparse
import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table as RichTable

from breathmap.learner.core.history import DelayModel
from breathmap.learner.exact.delay import TOLERANCE, TOLERANCE_S, find_delay
from breathmap.learner.exact.replay import BankReplay
from breathmap.protocol.host.bulk import samples_table
from breathmap.simulator.drives import BrakeSweep, Drive, RoadRide
from breathmap.simulator.run import TruthTrace, simulate
from breathmap.tools.bench.convergence import describe, random_bench, run_all

Array = NDArray[np.float64]
MINUTES = 10.0
# Some 90 points in the ten minutes.
BRAKE_HOLD_S = 6.8
DRIVES = ("road", "brake")
FACTORS = (3.0, 1.0 / 3.0)
# Bins of the ground: single samples see the sawtooth of the engine's cycle.
BIN_RPM, BIN_KPA, BIN_LEAST = 1000, 20, 150


@dataclass(frozen=True)
class Found:
    """One search: true and found median delay, stated error, share of the ground within bounds."""

    drive: str
    true_s: float
    found_s: float
    error_s: float
    known: bool
    within: float


def run_engine(order: tuple[int, str]) -> list[Found]:
    """Both banks of one engine; top level so that a pool can call it."""
    seed, name = order
    parameters, controller = random_bench(seed, "continuous")
    drive: Drive = RoadRide(60.0 * MINUTES, seed)
    if name == "brake":
        drive = BrakeSweep(hold_s=BRAKE_HOLD_S, mode="step")
    trace = TruthTrace()
    samples = []
    for sample in simulate(parameters, controller, drive, seed, trace=trace):
        samples.append(sample)
        if len(samples) >= 25 * 60 * MINUTES:
            break
    table = samples_table(samples, parameters.banks)
    settings = describe(parameters, controller)
    results = []
    for bank, factor in enumerate(FACTORS):
        nominal = settings.banks[bank].delay
        start = DelayModel(
            cycles=nominal.cycles,
            exhaust_volume_cm3=nominal.exhaust_volume_cm3 * factor,
            sensor_lag_s=nominal.sensor_lag_s * factor,
            exhaust_temp_k=nominal.exhaust_temp_k,
            swept_cm3=nominal.swept_cm3,
        )
        replay = BankReplay(table, bank, settings)
        found = find_delay(replay, start)
        rows = np.flatnonzero(replay.usable)
        true_s = np.array(trace.delay_s[bank])[: len(table)]
        model_s = replay.transport_s(found.model) + found.model.sensor_lag_s
        results.append(
            Found(
                name,
                float(np.median(true_s[rows])),
                found.delay_s,
                found.delay_error_s,
                found.known,
                share_within(table[rows], true_s[rows], model_s[rows]),
            )
        )
    return results


def share_within(table: NDArray[np.void], true_s: Array, model_s: Array) -> float:
    """Share of the ground, by samples, whose mean delay is within the tolerance."""
    key = (table["speed_rpm"] // BIN_RPM) * 100 + table["map_kpa"] // BIN_KPA
    good = total = 0
    for value in np.unique(key):
        part = key == value
        count = int(part.sum())
        if count < BIN_LEAST:
            continue
        wanted_s = float(true_s[part].mean())
        off_s = abs(float(model_s[part].mean()) - wanted_s)
        good += count * (off_s <= max(TOLERANCE_S, TOLERANCE * wanted_s))
        total += count
    return good / total if total else 0.0


def summarise(results: list[Found], console: Console) -> None:
    """Print one line a drive."""
    table = RichTable(title="The delay found from ten minutes, starting wrong by a factor of 3")
    for title in (
        "drive",
        "banks",
        "delays, s",
        "told",
        "within",
        "ground",
        "rms off",
        "off/stated",
    ):
        table.add_column(title, justify="left" if title == "drive" else "right")
    for drive in DRIVES:
        part = [r for r in results if r.drive == drive]
        true_s = np.array([r.true_s for r in part])
        off_s = np.array([r.found_s for r in part]) - true_s
        good = np.abs(off_s) <= np.maximum(TOLERANCE_S, TOLERANCE * true_s)
        table.add_row(
            drive,
            str(len(part)),
            f"{true_s.min():.2f}-{true_s.max():.2f}",
            f"{sum(r.known for r in part)}",
            f"{good.sum()}",
            f"{100 * np.mean([r.within for r in part]):.1f} %",
            f"{100 * np.sqrt(np.mean((off_s / true_s) ** 2)):.1f} %",
            f"{np.sqrt(np.mean((off_s / [r.error_s for r in part]) ** 2)):.2f}",
        )
    console.print(table)
    console.print(
        f"told: the search says that the drive tells the delay. within: its median is within "
        f"{1e3 * TOLERANCE_S:.0f} ms or {100 * TOLERANCE:.0f} %, whichever is larger. ground: "
        "share of the ground on which the delay is. rms off: of the median delay, a part of it. "
        "off/stated: rms of its errors over the stated ones."
    )


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--engines", type=int, default=12, help="random engines (default 12)")
    parser.add_argument("--first", type=int, default=300, help="seed of the first (default 300)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    given = parser.parse_args(arguments)
    orders = [(given.first + k, drive) for k in range(given.engines) for drive in DRIVES]
    results: list[Found] = []
    for some in run_all(run_engine, orders, given.jobs):
        results += some
    summarise(results, Console())
    return 0


if __name__ == "__main__":
    sys.exit(main())
