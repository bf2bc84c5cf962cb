"""The demo's engine once more, its tables on the axes that its own recording advises.

Takes the demo's folder, asks for the best axes of as many breakpoints as its continuous truth was
driven on, makes tables on them under the same rule and in the same steps, and scores them as the
demo scores its own: over the same ground of the same fresh ride. Beside each stands what its stated
errors let expect: of what was learned, of rounding, and of what its axes leave. Nothing in the
folder is changed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from breathmap.learner.axes.advice import Choice
from breathmap.learner.axes.grid import Grid, hats
from breathmap.learner.axes.limit import Left
from breathmap.learner.axes.search import Steps
from breathmap.learner.decide.proposal import FREE, Rules, propose
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import EngineDescription
from breathmap.simulator.run import fuelling_error
from breathmap.simulator.table import Axes
from breathmap.simulator.truth import Truth
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import Quantity, read_description, read_table
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.accuracy import covered_points, fresh_points
from breathmap.tools.demo.teaching_bench import college_bench
from breathmap.tools.run.axes import Advised, Ordered, advise_on, learned_on
from breathmap.tools.run.recording_file import recordings_in

Array = NDArray[np.float64]
TRUTH = "continuous"
COVERAGE = Quantity("coverage", 0.0, 1e9, "samples")
# Of stated errors; every so many of the ride's points is enough for them.
DRAWS = 200
SEED = 31
EVERY = 10


def advised_in(folder: Path, screen: Screen) -> Advised:
    """Return the advice on the axes of a demo's continuous truth; UserError where there is none."""
    engine, own = folder / "engine" / "engine.toml", folder / TRUTH
    recordings = recordings_in(own)
    if not engine.is_file() or not recordings:
        raise UserError(f"{folder} holds no demo; make one with breathmap demo --out {folder}")
    description = read_description(engine)
    axes = description.axes
    # Beside the engine stand the tables of the truth that the demo took last.
    tables = [
        read_table(own / f"{bank.name}-before.csv", axes.speed_rpm, axes.load)
        for bank in description.bank
    ]
    return advise_on(Ordered(description, tables, recordings), Steps(), screen, with_curve=False)


@dataclass(frozen=True)
class Made:
    """What one bank's table leaves at the covered points of the fresh ride, %. rms, worst. free:
    rms under no rule, the pass's largest change and all. expected: rms by its stated errors."""

    rms: float
    worst: float
    free: float | None = None
    expected: Left | None = None


@dataclass(frozen=True)
class Ground:
    """The covered points of the fresh ride of one bank. at: their speeds and loads."""

    truth: Truth
    bank: int
    at: list[Array]

    def errors(self, grid: Grid, cells_pct: ArrayLike) -> Array:
        """Return a table's fuelling errors there, %."""
        axes, flat = Axes(grid.speed_rpm, grid.load), np.ravel(cells_pct).tolist()
        return 100.0 * fuelling_error(self.truth, self.bank, axes, flat, *self.at)

    def rms(self, grid: Grid, cells_pct: ArrayLike) -> float:
        """Return their rms, %."""
        return float(np.sqrt(np.mean(self.errors(grid, cells_pct) ** 2)))

    def made(self, grid: Grid, cells_pct: ArrayLike, **more: Any) -> Made:
        """Return what a table leaves."""
        worst = float(np.abs(self.errors(grid, cells_pct)).max())
        return Made(self.rms(grid, cells_pct), worst, **more)


def expected_of(
    grid: Grid, cells_pct: Array, solution: Solution, step_pct: float, left: float, at: list[Array]
) -> Left:
    """Return the rms, %, that a table's stated errors let expect at some points, with its standard
    deviation: draws of what was learned and of the rounding of each cell, beside what the axes
    leave. left: that, rms, a fraction. at: speeds and loads, inside the axes."""
    assert solution.cell_covariance is not None
    rng = np.random.default_rng(SEED)
    values, vectors = np.linalg.eigh(solution.cell_covariance)
    learned = vectors @ (
        np.sqrt(values.clip(0.0))[:, None] * rng.standard_normal((len(values), DRAWS))
    )
    table = cells_pct.ravel()
    off = table[:, None] * learned + step_pct * rng.uniform(-0.5, 0.5, learned.shape)
    speed, load = (one[::EVERY] for one in at)
    over_load, over_speed = hats(grid.load, load), hats(grid.speed_rpm, speed)
    shares = (over_load[:, :, None] * over_speed[:, None, :]).reshape(len(speed), -1)
    relative = (shares @ off) / (shares @ table)[:, None]
    rms = 100.0 * np.sqrt((relative**2).mean(axis=0) + left**2)
    return Left(float(rms.mean()), float(rms.std()))


def ground_of(folder: Path, description: EngineDescription) -> list[Ground]:
    """Return by bank the ground that the demo scores its own tables on."""
    parameters, controller = college_bench(TRUTH)
    every, axes = fresh_points(parameters, controller), description.axes
    found = []
    for number, bank in enumerate(description.bank):
        path = folder / TRUTH / f"{bank.name}-coverage.csv"
        held = read_table(path, axes.speed_rpm, axes.load, COVERAGE)
        covered = covered_points(*every, np.reshape(held, (len(axes.load), -1)))
        found.append(Ground(parameters.truth, number, [one[covered] for one in every]))
    return found


def made_of(
    folder: Path, advised: Advised, choices: Sequence[Choice], screen: Screen
) -> dict[str, list[Made]]:
    """Return by bank what is left by the table as it was, and by those made on the axes of each of
    some choices of the advice."""
    ordered = advised.ordered
    description, storage = ordered.description, ordered.description.storage
    grounds = ground_of(folder, description)
    found = [
        [ground.made(advised.advice.present.grid, cells)]
        for ground, cells in zip(grounds, ordered.tables, strict=True)
    ]
    for choice in choices:
        grid = choice.grid
        there, banks = learned_on(ordered, grid, screen, covariance=True)
        for made, ground, (cells, solution) in zip(found, grounds, banks, strict=True):
            new, free = (
                propose(cells, solution, storage, there.axes, rules).cells_pct
                for rules in (Rules(), FREE)
            )
            left = choice.rms.value
            expected = expected_of(grid, new, solution, storage.step_pct, left, ground.at)
            made.append(ground.made(grid, new, free=ground.rms(grid, free), expected=expected))
    return {bank.name: made for bank, made in zip(description.bank, found, strict=True)}
