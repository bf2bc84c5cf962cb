"""What each choice in the learner is worth: every one left out or changed, on the same recordings.

Each random engine is driven once; every variant then learns from that one recording, and is scored
on a fresh drive over the ground that the learner as it is has covered, so that none wins by
learning less. The ratio is a variant's error over that of the learner as it is, engine by engine.
The engines are others than those of breathmap.tools.bench.convergence, so that what was chosen
here is judged there on engines it was not chosen on.

    python -m breathmap.tools.bench.choices [--engines 16] [--first 300] [--truth continuous]
    [--only weights]
"""

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table as RichTable

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import Settings
from breathmap.learner.core.stream import Learner
from breathmap.learner.exact.solve import Solution, solve
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.run import simulate
from breathmap.tools.bench.convergence import Scorer, describe, random_bench, run_all, write_csv

Array = NDArray[np.float64]
MINUTES = (3.0, 30.0)
RATE_HZ = 25.0
FREELY = 1e9


@dataclass(frozen=True)
class Choice:
    """One way to learn. change: does it to the settings; solving: makes a solution of evidence."""

    group: str
    name: str
    change: Callable[[Settings], None] | None = None
    solving: Callable[[Evidence, list[float]], Solution] = lambda e, cells: solve(
        e, cells_pct=cells
    )


@dataclass(frozen=True)
class Score:
    """One score: rms fuelling error in per cent, over ground covered, and over all visited."""

    engine: int
    bank: int
    minutes: float
    choice: str
    covered_rms_pct: float
    visited_rms_pct: float


def _put(target: object, values: dict[str, float]) -> None:
    """Set attributes that are there: a misspelt one would change nothing, and show that."""
    for name, value in values.items():
        if not hasattr(target, name):
            raise AttributeError(f"{type(target).__name__} has no {name}")
        setattr(target, name, value)


def _limits(**values: float) -> Callable[[Settings], None]:
    return lambda settings: _put(settings.limits, values)


def _weights(load: float, speed_rpm: float, film: float) -> Callable[[Settings], None]:
    return _limits(load_travel_half=load, speed_travel_half_rpm=speed_rpm, film_half=film)


def _cut(load: float, speed_rpm: float) -> Callable[[Settings], None]:
    """Hard cut-offs and no weights."""
    return _limits(
        load_travel_max=load,
        speed_travel_max_rpm=speed_rpm,
        load_travel_half=FREELY,
        speed_travel_half_rpm=FREELY,
        film_half=FREELY,
    )


def _method(**values: float) -> Callable[[Settings], None]:
    return lambda settings: _put(settings, values)


AS_IT_IS = "as it is"
CHOICES = (
    Choice("", AS_IT_IS),
    Choice("weights", "no weights by motion", _weights(FREELY, FREELY, FREELY)),
    Choice("weights", "cut at 5 kPa, 250 rpm instead", _cut(5.0, 250.0)),
    Choice("weights", "cut at 2 kPa, 100 rpm instead", _cut(2.0, 100.0)),
    Choice("weights", "cut at 1 kPa, 50 rpm instead", _cut(1.0, 50.0)),
    Choice("weights", "halved at half the motion", _weights(1.5, 75.0, 0.05)),
    Choice("weights", "halved at twice the motion", _weights(6.0, 300.0, 0.2)),
    Choice("weights", "none by the film column", _limits(film_half=FREELY)),
    Choice("film", "no film, no charge lead", _method(film_terms=0, charge_lead=False)),
    Choice("film", "no film", _method(film_terms=0)),
    Choice("film", "no charge lead", _method(charge_lead=False)),
    Choice("film", "film of one time", _method(film_terms=1)),
    Choice("film", "film of one time, growing", _method(film_terms=2)),
    Choice("film", "film columns of 0.25 s", _method(film_s=0.25)),
    Choice("film", "film columns of 0.5 s", _method(film_s=0.5)),
    Choice("prior", "no prior", None, lambda e, cells: solve(e, prior=False)),
    Choice("prior", "smooth correction, not new table", None, lambda e, cells: solve(e)),
    Choice(
        "prior",
        "third differences",
        None,
        lambda e, cells: solve(e, cells_pct=cells, differences=3),
    ),
)


def run_engine(order: tuple[int, str, tuple[str, ...]]) -> list[Score]:
    """All choices on one engine; top level so that a pool can call it."""
    seed, truth, groups = order
    parameters, controller = random_bench(seed, truth)
    samples = list(simulate(parameters, controller, RoadRide(60.0 * MINUTES[-1], seed), seed))
    scorer = Scorer(parameters, controller)
    scores: list[Score] = []
    masks: dict[tuple[float, int], tuple[NDArray[np.bool_], NDArray[np.bool_]]] = {}
    marks = {int(60.0 * RATE_HZ * minutes): minutes for minutes in MINUTES}
    for change, choices in _by_change(groups):
        settings = describe(parameters, controller)
        if change is not None:
            change(settings)
        learner = Learner(settings)
        for count, sample in enumerate(samples, 1):
            learner.learn_one(sample)
            if count not in marks:
                continue
            for bank in learner.banks:
                for choice in choices:
                    cells = list(bank.table.cells)
                    solution = choice.solving(bank.evidence, cells)
                    key = (marks[count], bank.number)
                    if choice.name == AS_IT_IS:
                        masks[key] = scorer.masks(solution)
                    new = np.asarray(cells) * (1.0 + solution.correction.ravel())
                    covered, _, visited, _ = scorer.score(bank.number, new, masks[key])
                    scores.append(
                        Score(seed, bank.number, marks[count], choice.name, covered, visited)
                    )
    return scores


def _by_change(
    groups: tuple[str, ...],
) -> list[tuple[Callable[[Settings], None] | None, list[Choice]]]:
    """Choices that learn alike and differ in the solution share one run; the first comes first."""
    wanted = [c for c in CHOICES if not c.group or c.group in groups]
    alike = [c for c in wanted if c.change is None]
    return [(None, alike)] + [(c.change, [c]) for c in wanted if c.change is not None]


def summarise(scores: list[Score], console: Console) -> None:
    """Print medians, and ratios to the learner as it is, paired by engine and bank."""
    table = RichTable(
        title="rms fuelling error on a fresh drive, %, medians over engines and banks"
    )
    table.add_column("choice", no_wrap=True)
    for title in ("3 min", "30 min", "ratio (80 %)"):
        table.add_column(title, justify="right", no_wrap=True)
    by = {(s.choice, s.engine, s.bank, s.minutes): s for s in scores}
    keys = sorted({(s.engine, s.bank) for s in scores})
    for choice in CHOICES:
        if (choice.name, *keys[0], MINUTES[-1]) not in by:
            continue
        early = [by[choice.name, *key, MINUTES[0]].visited_rms_pct for key in keys]
        late = np.array([by[choice.name, *key, MINUTES[-1]].covered_rms_pct for key in keys])
        base = np.array([by[AS_IT_IS, *key, MINUTES[-1]].covered_rms_pct for key in keys])
        low, middle, high = np.percentile(late / base, [10, 50, 90])
        table.add_row(
            choice.name,
            f"{np.median(early):.2f}",
            f"{np.median(late):.3f}",
            "" if choice.name == AS_IT_IS else f"{middle:.2f} ({low:.2f}-{high:.2f})",
        )
    console.print(table)
    console.print(
        "After 3 minutes over all visited ground, after 30 over covered ground; ratio of the error "
        "after 30 minutes to that of the learner as it is, with the middle 80 %."
    )


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    groups = tuple(dict.fromkeys(c.group for c in CHOICES if c.group))
    parser.add_argument("--engines", type=int, default=16, help="random engines (default 16)")
    parser.add_argument("--first", type=int, default=300, help="seed of the first (default 300)")
    parser.add_argument("--truth", choices=("continuous", "grid"), default="continuous")
    parser.add_argument("--only", choices=groups, nargs="+", default=groups, help="groups to run")
    parser.add_argument("--out", type=Path, default=Path("bench-out"), help="folder for results")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    given = parser.parse_args(arguments)
    orders = [(given.first + k, given.truth, tuple(given.only)) for k in range(given.engines)]
    console = Console()
    scores: list[Score] = []
    for some in run_all(run_engine, orders, given.jobs):
        scores += some
    given.out.mkdir(parents=True, exist_ok=True)
    path = given.out / "choices.csv"
    write_csv(path, scores, Score)
    summarise(scores, console)
    console.print(f"written to {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
