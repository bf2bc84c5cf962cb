"""What a proposal's caution costs, and what it saves: rules compared over random engines.

    python -m breathmap.tools.bench.caution --engines 20

Each engine starts with tables 6 to 10 % wrong and is learned on the road. After 1, 3, 10 and 30
minutes every rule proposes, from the same evidence. Told are the fuelling error over the visited
ground of a fresh drive, and how many cells end more than 3 % lean, of those visited and of those
never visited. `threshold` is the rule of version 0.1.0; `all` takes everything that was learned.
"""

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from rich.console import Console
from rich.table import Table

from breathmap.learner.api import Axes, Learner, Solution, Storage, solve
from breathmap.learner.decide.proposal import FREE, PRESETS, Array, propose, store
from breathmap.learner.decide.threshold import ThresholdRules, decide_by_threshold
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.run import simulate
from breathmap.simulator.truth import cells_of
from breathmap.tools.bench.convergence import SHAPE, Scorer, describe, random_bench, run_all

TOO_LEAN = 0.03
# Fine and wide, so that rounding and clipping do not hide the rules.
STORAGE = Storage(step_pct=0.05, max_pct=400.0)
AXES = Axes(speed_rpm=list(TWIN_AXES.speed_rpm), load=list(TWIN_AXES.load_kpa))


@dataclass(frozen=True)
class Score:
    """One bank under one rule. rms_pct: fuelling error over visited ground; lean_pct and
    lean_unvisited_pct: share of cells more than 3 % lean, %."""

    minutes: float
    rule: str
    rms_pct: float
    lean_pct: float
    lean_unvisited_pct: float


def _threshold(cells_pct: list[float], solution: Solution) -> Array:
    return store(
        decide_by_threshold(cells_pct, solution, STORAGE, ThresholdRules()), STORAGE, AXES
    ).cells_pct


def _by_rules(name: str) -> Callable[[list[float], Solution], Array]:
    rules = FREE if name == "all" else PRESETS[name]
    return lambda cells, solution: propose(cells, solution, STORAGE, AXES, rules).cells_pct


RULES: dict[str, Callable[[list[float], Solution], Array]] = {
    "threshold": _threshold,
    **{name: _by_rules(name) for name in (*PRESETS, "all")},
}


def run_engine(order: tuple[int, str, tuple[float, ...]]) -> list[Score]:
    """Score one engine; at top level, so that a pool can call it."""
    seed, truth, minutes = order
    parameters, controller = random_bench(seed, truth)
    learner = Learner(describe(parameters, controller))
    scorer = Scorer(parameters, controller)
    drive = RoadRide(60.0 * max(minutes), seed)
    marks = {int(m * 60 * 25): m for m in minutes}
    scores: list[Score] = []
    for count, sample in enumerate(simulate(parameters, controller, drive, seed, reuse=True), 1):
        learner.learn_one(sample)
        if count in marks:
            scores += _scores(marks[count], learner, scorer)
    return scores


def _scores(minutes: float, learner: Learner, scorer: Scorer) -> list[Score]:
    scores = []
    for bank in learner.banks:
        cells = list(bank.table.cells)
        solution = solve(bank.evidence, cells_pct=cells)
        true = np.array(cells_of(scorer.parameters.truth, bank.number, TWIN_AXES)).reshape(SHAPE)
        masks = scorer.masks(solution)
        for name, rule in RULES.items():
            new = rule(cells, solution)
            lean = true / new - 1.0 > TOO_LEAN
            unseen = ~solution.visited
            scores.append(
                Score(
                    minutes,
                    name,
                    scorer.score(bank.number, new.ravel(), (masks[1], masks[1]))[0],
                    100.0 * float(lean[solution.visited].mean()),
                    100.0 * float(lean[unseen].mean()) if unseen.any() else 0.0,
                )
            )
    return scores


def means(scores: list[Score], minutes: float, rule: str) -> tuple[float, float, float]:
    """Return a rule's mean error and shares of lean cells after some minutes, per cent."""
    part = [s for s in scores if (s.minutes, s.rule) == (minutes, rule)]
    columns = zip(*((s.rms_pct, s.lean_pct, s.lean_unvisited_pct) for s in part), strict=True)
    rms, lean, unvisited = (float(np.mean(column)) for column in columns)
    return rms, lean, unvisited


def summarise(scores: list[Score], console: Console) -> None:
    """Print a row a rule, a column a time."""
    times = sorted({score.minutes for score in scores})
    view = Table(title="rms error, %; visited cells too lean, %; unvisited cells too lean, %")
    view.add_column("rule")
    for minutes in times:
        view.add_column(f"{minutes:g} min", justify="right")
    for rule in RULES:
        figures = (means(scores, minutes, rule) for minutes in times)
        view.add_row(rule, *(f"{rms:.2f}  {lean:.1f}  {rest:.1f}" for rms, lean, rest in figures))
    console.print(view)


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--engines", type=int, default=20, help="random engines (default 20)")
    parser.add_argument("--first", type=int, default=400, help="seed of the first (default 400)")
    parser.add_argument("--truth", choices=("continuous", "grid"), default="continuous")
    parser.add_argument("--minutes", type=float, nargs="+", default=[1.0, 3.0, 10.0, 30.0])
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    given = parser.parse_args(arguments)
    seeds = range(given.first, given.first + given.engines)
    orders = [(seed, given.truth, tuple(given.minutes)) for seed in seeds]
    scores = [score for some in run_all(run_engine, orders, given.jobs) for score in some]
    summarise(scores, Console())
    return 0


if __name__ == "__main__":
    sys.exit(main())
