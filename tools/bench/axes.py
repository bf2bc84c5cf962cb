"""Advised axes against those that a controller came with, over random engines.

    python -m breathmap.tools.bench.axes --engines 12

Each engine has evenly spaced axes, 8 to 14 speeds and 6 to 10 loads, and tables 6 to 10 % wrong. It
is learned on the road on these axes and on the finer grid. At some minutes the advice is asked for,
and tables on the advised axes are made of the same evidence; both are scored on a fresh drive over
the ground that was learned. What the advice states is held against the truth: what the best tables
on either axes leave of the engine's true breathing.
"""

import argparse
import random
import sys
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table as RichTable

from breathmap.learner.axes.advice import FINE_DIFFERENCES, Advice, advise
from breathmap.learner.axes.grid import Grid, finer, grid_of, hats, points_on, settings_on
from breathmap.learner.axes.limit import Surfaces, fit, surfaces_of
from breathmap.learner.axes.regrid import regridded
from breathmap.learner.axes.search import Search, Steps
from breathmap.learner.axes.where import Ran, known_ground
from breathmap.learner.decide.proposal import FREE
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.learner.exact.solve import Solution, solve
from breathmap.learner.words.description import Axes, Storage
from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.parameters import EngineParameters, random_engine
from breathmap.simulator.run import fuelling_error, perturbed_table, simulate
from breathmap.simulator.settings import learning_setup
from breathmap.simulator.table import Axes as SimulatedAxes
from breathmap.tools.bench.convergence import describe, run_all
from breathmap.tools.demo.accuracy import fresh_points

Array = NDArray[np.float64]
SPEED_RPM = (1000.0, 7500.0)
LOAD_KPA = (20.0, 105.0)
# Fine and wide, so that rounding does not hide the axes.
STORAGE = Storage(step_pct=0.05, max_pct=400.0)


@dataclass(frozen=True)
class Score:
    """One engine after some minutes. present, advised: rms on the fresh drive, %, of each bank.
    stated, errors, true: what the present and the advised axes leave at best and the gain, %."""

    minutes: float
    present: list[float]
    advised: list[float]
    stated: tuple[float, float, float]
    errors: tuple[float, float, float]
    true: tuple[float, float, float]
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


class Bench:
    """One engine, learned on its own axes and on the finer grid at once."""

    def __init__(self, seed: int) -> None:
        axes = even_axes(seed)
        self.parameters, self.controller = bench_on(seed, axes)
        self.coarse = CarefulLearner(describe(self.parameters, self.controller))
        self.grid = grid_of(self.coarse.settings)
        self.fine = finer(self.grid)
        self.learner = CarefulLearner(
            settings_on(describe(self.parameters, self.controller), self.fine)
        )
        self.ran = Ran(self.fine, load_is_throttle=False)
        self.fresh = fresh_points(self.parameters, self.controller)

    def score(self, minutes: float) -> Score:
        """Score the advice of this moment."""
        cells = [list(bank.table.cells) for bank in self.learner.banks]
        solutions = [
            solve(bank.evidence, cells_pct=own, differences=FINE_DIFFERENCES, covariance=True)
            for bank, own in zip(self.learner.banks, cells, strict=True)
        ]
        surfaces = [
            surfaces_of(own, one, self.fine, self.ran.count * known_ground(one, self.fine))
            for own, one in zip(cells, solutions, strict=True)
        ]
        advice = advise(Search(surfaces, self.grid, Steps()), 1.0, with_curve=False)
        present, advised = [], []
        for bank, (own, one, known) in enumerate(zip(cells, solutions, surfaces, strict=True)):
            there = self._there(one)
            present.append(self._error(bank, self.grid, self._learned(bank), there))
            new = regridded(
                own, one, known, self.fine, advice.best.grid, STORAGE,
                Axes(speed_rpm=list(self.grid.speed_rpm), load=list(self.grid.load)), FREE,
            ).cells_pct  # fmt: skip
            advised.append(self._error(bank, advice.best.grid, new, there))
        return _score(minutes, present, advised, advice, self._true(surfaces, advice))

    def _learned(self, bank: int) -> Array:
        own = self.coarse.banks[bank]
        solution = solve(own.evidence, cells_pct=list(own.table.cells))
        return np.asarray(own.table.cells) * (1.0 + solution.correction.ravel())

    def _there(self, solution: Solution) -> NDArray[np.bool_]:
        """Return which points of the fresh drive lie on learned ground."""
        speed, load = self.fresh
        held = (solution.coverage >= 1.0).astype(float)
        over = hats(self.fine.load, load) @ held * hats(self.fine.speed_rpm, speed)
        (slow, fast), (low, high) = SPEED_RPM, LOAD_KPA
        inside = (speed >= slow) & (speed <= fast) & (load >= low) & (load <= high)
        return np.asarray(inside & (over.sum(axis=1) > 0.999))

    def _error(self, bank: int, grid: Grid, cells: Array, there: NDArray[np.bool_]) -> float:
        axes = SimulatedAxes(grid.speed_rpm, grid.load)
        speed, load = self.fresh[0][there], self.fresh[1][there]
        truth = self.parameters.truth
        error = fuelling_error(truth, bank, axes, cells.ravel().tolist(), speed, load)
        return 100.0 * float(np.sqrt(np.mean(error**2)))

    def _true(self, surfaces: list[Surfaces], advice: Advice) -> tuple[float, float, float]:
        """Return what the best tables leave of the truth, %: present, advised, gain."""
        left = []
        points = points_on(self.fine)
        for grid in (self.grid, advice.best.grid):
            squares = []
            for bank, known in enumerate(surfaces):
                true = np.array(
                    [
                        [self.parameters.truth.ve_pct(bank, n, p) for n in points.speed_rpm]
                        for p in points.load
                    ]
                )
                ratio = (true / known.mean_pct).reshape(-1, 1)
                found = fit(replace(known, ratios=ratio), grid)
                squares.append(known.weights @ (found.left[:, 0] / ratio[:, 0]) ** 2)
            left.append(100.0 * float(np.sqrt(np.mean(squares))))
        return left[0], left[1], left[0] - left[1]


def _score(
    minutes: float,
    present: list[float],
    advised: list[float],
    advice: Advice,
    true: tuple[float, float, float],
) -> Score:
    told = (advice.present.rms, advice.best.rms, advice.best.gain)
    stated = (100.0 * told[0].value, 100.0 * told[1].value, 100.0 * told[2].value)
    errors = (100.0 * told[0].error, 100.0 * told[1].error, 100.0 * told[2].error)
    return Score(minutes, present, advised, stated, errors, true, advice.best.verdict)


def run_engine(order: tuple[int, tuple[float, ...]]) -> list[Score]:
    """Score one engine; at top level, so that a pool can call it."""
    seed, minutes = order
    bench = Bench(seed)
    marks = {int(m * 60 * 25): m for m in minutes}
    scores = []
    drive = RoadRide(60.0 * max(minutes), seed)
    samples = simulate(bench.parameters, bench.controller, drive, seed, reuse=True)
    for count, sample in enumerate(samples, 1):
        bench.coarse.learn_one(sample)
        bench.learner.learn_one(sample)
        bench.ran.take(sample)
        if count in marks:
            scores.append(bench.score(marks[count]))
    return scores


def summarise(scores: list[Score], console: Console) -> None:
    """Print a row a time."""
    view = RichTable(title="present and advised axes, as many breakpoints; fresh drive")
    for heading in (
        "minutes", "present, % rms", "advised, % rms", "advised / present", "worst", "banks worse",
        "gain stated / true", "beyond its 95 %: too high, too low", "said worth it",
        "of those none",
    ):  # fmt: skip
        view.add_column(heading, justify="right")
    for minutes in sorted({score.minutes for score in scores}):
        view.add_row(*_row(minutes, [one for one in scores if one.minutes == minutes]))
    console.print(view)


def _row(minutes: float, scores: list[Score]) -> list[str]:
    present = np.array([value for one in scores for value in one.present])
    advised = np.array([value for one in scores for value in one.advised])
    ratio = advised / present
    stated = np.array([one.stated[2] for one in scores])
    true = np.array([one.true[2] for one in scores])
    z = (stated - true) / np.array([one.errors[2] for one in scores])
    worth = [one for one in scores if one.verdict == "worth it"]
    return [
        f"{minutes:g}",
        f"{np.median(present):.3f}",
        f"{np.median(advised):.3f}",
        f"{np.median(ratio):.2f}",
        f"{ratio.max():.2f}",
        f"{int((ratio > 1.0).sum())} of {len(ratio)}",
        f"{np.median(stated / true):.2f}",
        f"{int((z > 1.96).sum())}, {int((z < -1.96).sum())} of {len(z)}",
        f"{len(worth)} of {len(scores)}",
        f"{sum(one.true[2] <= 0.0 for one in worth)}",
    ]


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--engines", type=int, default=12, help="random engines (default 12)")
    parser.add_argument("--first", type=int, default=700, help="seed of the first (default 700)")
    parser.add_argument("--minutes", type=float, nargs="+", default=[10.0, 30.0])
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    given = parser.parse_args(arguments)
    orders = [
        (seed, tuple(given.minutes)) for seed in range(given.first, given.first + given.engines)
    ]
    scores = [score for some in run_all(run_engine, orders, given.jobs) for score in some]
    summarise(scores, Console(width=160))
    return 0


if __name__ == "__main__":
    sys.exit(main())
