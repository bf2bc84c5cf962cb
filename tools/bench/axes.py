"""Advised axes against those that a controller came with, over random engines.

    python -m breathmap.tools.bench.axes --engines 12

Each engine has evenly spaced axes, 8 to 14 speeds and 6 to 10 loads, and tables 6 to 10 % wrong. It
is recorded on the road. At some minutes the recording is asked for advice, and tables on both axes
are made of it alike. They are scored on a fresh drive over the ground that was learned. Axes that
the advice does not call worth it are scored, too, and those that it does once more by themselves.

The first table has a row for each time and each of these tables:

- as stored: learned, decided by the standard rule, in the controller's own steps.
- worth it: of these the engines whose advice says so.
- as learned: under no rule, and in steps so fine that rounding does not show.
- best: what the axes themselves leave. The tables that fit the true breathing best at the fresh
  drive's own points: nothing was learned, so that there is no noise, no rule and no rounding.
- oracle: `--oracle` adds the axes that the true breathing would advise, beside the present.

Its columns: the median rms of all banks on the present axes and on the others; the median and the
largest of their ratio, bank by bank; how many banks are worse of how many, and how many of them by
more than what the stated gain's error allows.

The second table holds what the advice states against the truth: how many engines it calls worth it;
the median of stated over true gain, where the true one is of the best tables by the weights of what
was learned; and how many gains are stated too high and too low beyond their 95 %.
"""

import argparse
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table as RichTable

from breathmap.learner.axes.advice import WORTH_IT, Z95
from breathmap.learner.axes.grid import Grid, hats
from breathmap.learner.axes.limit import Surfaces, fit
from breathmap.learner.axes.search import Search, Steps
from breathmap.learner.decide.proposal import FREE, Rules, propose
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import EngineDescription, Storage, parse_description
from breathmap.simulator.controller import VE_STEP_PCT, Controller
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.parameters import EngineParameters, random_engine
from breathmap.simulator.run import fuelling_error, perturbed_table, simulate, true_ve
from breathmap.simulator.service import FrameStream
from breathmap.simulator.settings import learning_setup
from breathmap.simulator.table import Axes as SimulatedAxes
from breathmap.simulator.truth import Truth
from breathmap.tools.base.screen import Screen
from breathmap.tools.bench.convergence import EXHAUST_TEMP_K, run_all
from breathmap.tools.demo.accuracy import fresh_points
from breathmap.tools.run.axes import Advised, Ordered, advise_on, learned_on

Array = NDArray[np.float64]
SPEED_RPM = (1000.0, 7500.0)
LOAD_KPA = (20.0, 105.0)
RATE_HZ = 25.0
# Fine and wide, so that rounding does not hide the axes.
FINE_STORAGE = Storage(step_pct=0.05, max_pct=400.0)
QUIET = Screen(quiet=True)


@dataclass(frozen=True)
class Made:
    """Tables on one grid, rms on the fresh drive, %, of each bank: as stored, as learned, and the
    best that the grid allows."""

    stored: list[float]
    learned: list[float]
    best: list[float]


@dataclass(frozen=True)
class Score:
    """One engine after some minutes. oracle: None unless asked for. gain, error: stated, of the
    best tables, %. true: the same of the true breathing."""

    minutes: float
    present: Made
    advised: Made
    oracle: Made | None
    gain: float
    error: float
    true: float
    verdict: str


def even_axes(seed: int) -> SimulatedAxes:
    """Return axes as controllers come with them: equal steps, rounded."""
    rng = random.Random(f"axes {seed}")
    speeds = np.linspace(*SPEED_RPM, rng.randint(8, 14))
    loads = np.linspace(*LOAD_KPA, rng.randint(6, 10))
    return SimulatedAxes(
        tuple((100.0 * np.round(speeds / 100.0)).tolist()), tuple(np.round(loads).tolist())
    )


def bench_on(seed: int, axes: SimulatedAxes) -> tuple[EngineParameters, Controller]:
    """Return a random engine with wrong tables on these axes, set up for learning."""
    rms = random.Random(f"bench {seed}").uniform(0.06, 0.10)
    parameters = random_engine(seed, axes=axes)
    tables = [
        perturbed_table(parameters.truth, bank, axes, rms, seed) for bank in range(parameters.banks)
    ]
    return parameters, Controller(parameters, axes, tables, learning_setup("wideband"))


def described(parameters: EngineParameters, axes: SimulatedAxes) -> EngineDescription:
    """Return what a careful person would write: nominal, not traced."""
    banks = [
        {
            "name": f"bank{bank}",
            "table": f"bank{bank}.csv",
            "cylinders": parameters.cylinder_bank.count(bank),
            "delay": {
                "exhaust_volume_cm3": 1000.0 * parameters.exhausts[bank].volume_l,
                "sensor_lag_s": parameters.sensors[bank].lag_s,
                "exhaust_temp_k": EXHAUST_TEMP_K,
            },
        }
        for bank in range(parameters.banks)
    ]
    return parse_description(
        {
            "engine": {
                "name": "random",
                "displacement_cm3": parameters.displacement_cm3,
                "cylinders": len(parameters.cylinder_bank),
                "stoichiometric_afr": parameters.stoichiometric_afr,
            },
            "axes": {"load_axis": "map_kpa", "speed_rpm": list(axes.speed_rpm),
                     "load": list(axes.load_kpa)},
            "method": {"sensor": "wideband"},
            "storage": {"step_pct": VE_STEP_PCT},
            "bank": banks,
        }
    )  # fmt: skip


class Bench:
    """One engine and its recordings, one for the time between each two of the minutes."""

    def __init__(self, seed: int, minutes: tuple[float, ...], folder: Path) -> None:
        self.parameters, self.controller = bench_on(seed, even_axes(seed))
        self.fresh = fresh_points(self.parameters, self.controller)
        self.minutes, self.paths = sorted(minutes), list[Path]()
        drive = RoadRide(60.0 * max(minutes), seed)
        samples = simulate(self.parameters, self.controller, drive, seed, reuse=True)
        stream = iter(FrameStream(samples, self.parameters.banks))
        for number, end in enumerate(self.minutes):
            path = folder / f"recording-{number}.bin"
            path.write_bytes(b"".join(_until(stream, end)))
            self.paths.append(path)

    def score(self, number: int, oracle: bool) -> Score:
        """Score the advice of all recordings up to one."""
        tables = [list(self.controller.read_ve(b)) for b in range(self.parameters.banks)]
        description = described(self.parameters, self.controller.axes)
        ordered = Ordered(description, tables, self.paths[: number + 1])
        advised = advise_on(ordered, Steps(), QUIET, with_curve=False)
        there = [self._there(one, advised.fine) for one in advised.solutions]
        here, best = advised.advice.present.grid, advised.advice.best
        true = [self._true(bank, one) for bank, one in enumerate(advised.surfaces)]
        made = self._made(advised, Search(true, here, Steps()).best(), there) if oracle else None
        return Score(
            self.minutes[number],
            self._made(advised, here, there),
            self._made(advised, best.grid, there),
            made,
            100.0 * best.gain.value,
            100.0 * best.gain.error,
            left_of(true, here) - left_of(true, best.grid),
            best.verdict,
        )

    def _made(self, advised: Advised, grid: Grid, there: list[NDArray[np.bool_]]) -> Made:
        """Make tables on a grid of the recordings, and score them."""
        storage = advised.ordered.description.storage
        stored, learned, best = [], [], []
        new, found = learned_on(advised.ordered, grid, QUIET)
        for bank, (cells, solution) in enumerate(found):
            kept = propose(cells, solution, storage, new.axes, Rules()).cells_pct
            free = propose(cells, solution, FINE_STORAGE, new.axes, FREE).cells_pct
            stored.append(self._error(bank, grid, kept, there[bank]))
            learned.append(self._error(bank, grid, free, there[bank]))
            best.append(best_left(self.parameters.truth, bank, grid, *self._ground(there[bank])))
        return Made(stored, learned, best)

    def _there(self, solution: Solution, fine: Grid) -> NDArray[np.bool_]:
        """Return which points of the fresh drive lie on learned ground."""
        speed, load = self.fresh
        held = (solution.coverage >= 1.0).astype(float)
        over = hats(fine.load, load) @ held * hats(fine.speed_rpm, speed)
        (slow, fast), (low, high) = SPEED_RPM, LOAD_KPA
        inside = (speed >= slow) & (speed <= fast) & (load >= low) & (load <= high)
        return np.asarray(inside & (over.sum(axis=1) > 0.999))

    def _error(self, bank: int, grid: Grid, cells: Array, there: NDArray[np.bool_]) -> float:
        axes, flat = SimulatedAxes(grid.speed_rpm, grid.load), cells.ravel().tolist()
        error = fuelling_error(self.parameters.truth, bank, axes, flat, *self._ground(there))
        return 100.0 * float(np.sqrt(np.mean(error**2)))

    def _ground(self, there: NDArray[np.bool_]) -> tuple[Array, Array]:
        speed, load = self.fresh
        return speed[there], load[there]

    def _true(self, bank: int, known: Surfaces) -> Surfaces:
        """Return the true breathing where a surface is known: for mean and for its only draw."""
        points = known.points
        true = np.array(
            [[self.parameters.truth.ve_pct(bank, n, p) for n in points.speed_rpm]
             for p in points.load]
        )  # fmt: skip
        return replace(known, mean_pct=true, ratios=np.ones((points.size, 2)))


def _until(stream: Iterator[tuple[int, bytes]], minutes: float) -> Iterator[bytes]:
    """Yield a stream's frames until a time."""
    for time_us, frame in stream:
        yield frame
        if time_us >= 60e6 * minutes:
            return


def left_of(surfaces: list[Surfaces], grid: Grid) -> float:
    """Return what the best tables on a grid leave of the mean surfaces, rms, %."""
    squares = [one.weights @ fit(one, grid).left[:, 0] ** 2 for one in surfaces]
    return 100.0 * float(np.sqrt(np.mean(squares)))


def best_left(truth: Truth, bank: int, grid: Grid, speed_rpm: Array, load: Array) -> float:
    """Return what the table on a grid that fits a bank's true breathing best at n points leaves
    there, rms, %."""
    true_pct = true_ve(truth, bank, speed_rpm, load)
    over_load, over_speed = hats(grid.load, load), hats(grid.speed_rpm, speed_rpm)
    shares = (over_load[:, :, None] * over_speed[:, None, :]).reshape(len(load), -1)
    design = shares / true_pct[:, None]
    # Of least norm: of cells that no point touches nothing is asked.
    cells = np.linalg.lstsq(design.T @ design, design.sum(axis=0), rcond=1e-12)[0]
    return 100.0 * float(np.sqrt(np.mean((design @ cells - 1.0) ** 2)))


def run_engine(order: tuple[int, tuple[float, ...], bool]) -> list[Score]:
    """Score one engine; at top level, so that a pool can call it."""
    seed, minutes, oracle = order
    with TemporaryDirectory(prefix="breathmap-") as folder:
        bench = Bench(seed, minutes, Path(folder))
        return [bench.score(number, oracle) for number in range(len(bench.minutes))]


def summarise(scores: list[Score], console: Console) -> None:
    """Print both tables."""
    times = sorted({score.minutes for score in scores})
    by_time = [(minutes, [one for one in scores if one.minutes == minutes]) for minutes in times]
    ratios = RichTable(title="other axes, as many breakpoints; fresh drive")
    for heading in (
        "minutes", "tables", "present, % rms", "others, % rms", "ratio", "worst", "banks worse",
        "beyond error",
    ):  # fmt: skip
        ratios.add_column(heading, justify="right")
    stated = RichTable(title="what the advice states")
    for heading in ("minutes", "worth it", "gain / true", "too high", "too low"):
        stated.add_column(heading, justify="right")
    for minutes, some in by_time:
        for row in _rows(some):
            ratios.add_row(f"{minutes:g}", *row)
        stated.add_row(f"{minutes:g}", *_stated(some))
    console.print(ratios)
    console.print(stated)


def _rows(scores: list[Score]) -> Iterator[list[str]]:
    advised = [one.advised for one in scores]
    worth = [one for one in scores if one.verdict == WORTH_IT]
    yield ["as stored", *_compared(scores, advised, "stored")]
    if worth:
        yield ["worth it", *_compared(worth, [one.advised for one in worth], "stored")]
    yield ["as learned", *_compared(scores, advised, "learned")]
    yield ["best", *_compared(scores, advised, "best")]
    oracle = [one.oracle for one in scores if one.oracle is not None]
    for what in ("stored", "learned", "best") if oracle else ():
        yield [f"oracle, {what}", *_compared(scores, oracle, what)]


def _compared(scores: list[Score], made: list[Made], what: str) -> list[str]:
    """Return a row's numbers. made: of the same engines. what: a field of `Made`."""
    before = np.array([v for one in scores for v in getattr(one.present, what)])
    after = np.array([v for one in made for v in getattr(one, what)])
    errors = np.array([one.error for one in scores for _ in one.present.stored])
    ratio, beyond = after / before, after - before > Z95 * errors
    return [
        f"{np.median(before):.3f}",
        f"{np.median(after):.3f}",
        f"{np.median(ratio):.2f}",
        f"{ratio.max():.2f}",
        f"{(ratio > 1.0).sum()} of {len(ratio)}",
        f"{beyond.sum()}",
    ]


def _stated(scores: list[Score]) -> list[str]:
    stated, true = np.array([one.gain for one in scores]), np.array([one.true for one in scores])
    z = (stated - true) / np.array([one.error for one in scores])
    worth = sum(one.verdict == WORTH_IT for one in scores)
    return [
        f"{worth} of {len(scores)}",
        f"{np.median(stated / true):.2f}",
        f"{(z > Z95).sum()}",
        f"{(z < -Z95).sum()}",
    ]


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--engines", type=int, default=12, help="random engines (default 12)")
    parser.add_argument("--first", type=int, default=900, help="seed of the first (default 900)")
    parser.add_argument("--minutes", type=float, nargs="+", default=[10.0, 30.0])
    parser.add_argument("--oracle", action="store_true", help="also the truth's own axes")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    given = parser.parse_args(arguments)
    seeds = range(given.first, given.first + given.engines)
    orders = [(seed, tuple(given.minutes), given.oracle) for seed in seeds]
    scores = [score for some in run_all(run_engine, orders, given.jobs) for score in some]
    summarise(scores, Console(width=100))
    return 0


if __name__ == "__main__":
    sys.exit(main())
