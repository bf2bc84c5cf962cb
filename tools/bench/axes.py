"""Advised axes against those that a controller came with, over random engines.

    python -m breathmap.tools.bench.axes --engines 12

Each engine has evenly spaced axes, 8 to 14 speeds and 6 to 10 loads, and tables 6 to 10 % wrong. It
is recorded on the road. At some minutes the recording is asked for advice, and tables on both axes
are made of it alike: learned on them, decided by the standard rule, in the controller's own steps,
as they would be stored. They are scored on a fresh drive over the ground that was learned. What the
advice states is held against the truth: what the best tables on either axes leave of the engine's
true breathing. `--oracle` adds the axes that the true breathing would advise; beside what is stored
stands what was learned, under no rule and in steps so fine that rounding does not show. Axes that
the advice does not call worth it are scored, too, and those that it does once more by themselves.
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
from breathmap.simulator.run import fuelling_error, perturbed_table, simulate
from breathmap.simulator.service import FrameStream
from breathmap.simulator.settings import learning_setup
from breathmap.simulator.table import Axes as SimulatedAxes
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
    """Tables on one grid, rms on the fresh drive, %, of each bank: as stored, and as learned."""

    stored: list[float]
    learned: list[float]


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
        stored, learned = [], []
        new, found = learned_on(advised.ordered, grid, QUIET)
        for bank, (cells, solution) in enumerate(found):
            kept = propose(cells, solution, storage, new.axes, Rules()).cells_pct
            free = propose(cells, solution, FINE_STORAGE, new.axes, FREE).cells_pct
            stored.append(self._error(bank, grid, kept, there[bank]))
            learned.append(self._error(bank, grid, free, there[bank]))
        return Made(stored, learned)

    def _there(self, solution: Solution, fine: Grid) -> NDArray[np.bool_]:
        """Return which points of the fresh drive lie on learned ground."""
        speed, load = self.fresh
        held = (solution.coverage >= 1.0).astype(float)
        over = hats(fine.load, load) @ held * hats(fine.speed_rpm, speed)
        (slow, fast), (low, high) = SPEED_RPM, LOAD_KPA
        inside = (speed >= slow) & (speed <= fast) & (load >= low) & (load <= high)
        return np.asarray(inside & (over.sum(axis=1) > 0.999))

    def _error(self, bank: int, grid: Grid, cells: Array, there: NDArray[np.bool_]) -> float:
        axes = SimulatedAxes(grid.speed_rpm, grid.load)
        speed, load = self.fresh[0][there], self.fresh[1][there]
        truth = self.parameters.truth
        error = fuelling_error(truth, bank, axes, cells.ravel().tolist(), speed, load)
        return 100.0 * float(np.sqrt(np.mean(error**2)))

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


def run_engine(order: tuple[int, tuple[float, ...], bool]) -> list[Score]:
    """Score one engine; at top level, so that a pool can call it."""
    seed, minutes, oracle = order
    with TemporaryDirectory(prefix="breathmap-") as folder:
        bench = Bench(seed, minutes, Path(folder))
        return [bench.score(number, oracle) for number in range(len(bench.minutes))]


def summarise(scores: list[Score], console: Console) -> None:
    """Print a row a time."""
    view = RichTable(title="present and advised axes, as many breakpoints; fresh drive")
    for heading in (
        "minutes", "present, % rms", "advised, % rms", "advised / present", "worst",
        "banks worse, beyond the error", "as learned", "oracle / present", "as learned",
        "said worth it", "advised / present", "worst", "banks worse, beyond the error",
        "gain stated / true", "beyond its 95 %: too high, too low",
    ):  # fmt: skip
        view.add_column(heading, justify="right")
    for minutes in sorted({score.minutes for score in scores}):
        view.add_row(*_row(minutes, [one for one in scores if one.minutes == minutes]))
    console.print(view)


def _ratios(made: list[Made], present: list[Made], what: str) -> Array:
    """Return by bank the error as multiples of the present axes'. what: "stored" or "learned"."""
    over, under = ([v for one in some for v in getattr(one, what)] for some in (made, present))
    return np.asarray(np.array(over) / np.array(under), dtype=np.float64)


def _row(minutes: float, scores: list[Score]) -> list[str]:
    present, advised = [one.present for one in scores], [one.advised for one in scores]
    oracle = [one.oracle for one in scores if one.oracle is not None]
    stated, true = np.array([one.gain for one in scores]), np.array([one.true for one in scores])
    z = (stated - true) / np.array([one.error for one in scores])
    worth = [one for one in scores if one.verdict == WORTH_IT]
    return [
        f"{minutes:g}",
        f"{np.median([v for one in present for v in one.stored]):.3f}",
        f"{np.median([v for one in advised for v in one.stored]):.3f}",
        *_compared(scores),
        f"{np.median(_ratios(advised, present, 'learned')):.2f}",
        *(f"{np.median(_ratios(oracle, present, what)):.2f}" if oracle else "-"
          for what in ("stored", "learned")),
        f"{len(worth)} of {len(scores)}",
        *(_compared(worth) if worth else ["-"] * 3),
        f"{np.median(stated / true):.2f}",
        f"{int((z > Z95).sum())}, {int((z < -Z95).sum())} of {len(z)}",
    ]  # fmt: skip


def _compared(scores: list[Score]) -> list[str]:
    """Return the median and the worst of advised over present, and how many banks got worse, in all
    and by more than the stated gain's error allows."""
    ratio = _ratios([one.advised for one in scores], [one.present for one in scores], "stored")
    z = [
        (new - old) / one.error
        for one in scores
        for new, old in zip(one.advised.stored, one.present.stored, strict=True)
    ]
    worse = f"{sum(one > 0.0 for one in z)} of {len(z)}, {sum(one > Z95 for one in z)}"
    return [f"{np.median(ratio):.2f}", f"{ratio.max():.2f}", worse]


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
    summarise(scores, Console(width=200))
    return 0


if __name__ == "__main__":
    sys.exit(main())
