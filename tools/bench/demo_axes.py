"""The demo's engine once more, its tables on the axes that its own recording advises.

    python3 tools/start.py demo
    .venv/bin/python -m breathmap.tools.bench.demo_axes

Takes the demo's folder, asks for the best axes of as many breakpoints as its continuous truth was
driven on, makes tables on them under the same rule and in the same steps, and scores them as the
demo scores its own: over the same ground of the same fresh ride. Nothing in the folder is changed.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.axes.search import Steps
from breathmap.learner.decide.proposal import Rules
from breathmap.simulator.run import fuelling_error
from breathmap.simulator.table import Axes
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import Quantity, read_description, read_table
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.demo.accuracy import covered_points, fresh_points
from breathmap.tools.demo.teaching_bench import college_bench
from breathmap.tools.run.axes import Advised, Ordered, advise_on, tables_on
from breathmap.tools.run.recording_file import recordings_in

Array = NDArray[np.float64]
TRUTH = "continuous"
COVERAGE = Quantity("coverage", 0.0, 1e9, "samples")


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


def errors_of(folder: Path, advised: Advised, screen: Screen) -> dict[str, list[Array]]:
    """Return by bank the fuelling errors, %, at the covered points of the fresh ride: of the table
    as it was, of the demo's proposal, and of the table on the advised axes."""
    description, grid = advised.ordered.description, advised.advice.best.grid
    axes, own = description.axes, folder / TRUTH
    parameters, controller = college_bench(TRUTH)
    speed, load = fresh_points(parameters, controller)
    here = Axes(tuple(axes.speed_rpm), tuple(axes.load))
    there = Axes(grid.speed_rpm, grid.load)
    made = tables_on(advised.ordered, grid, Rules(), screen)
    found: dict[str, list[Array]] = {}
    for number, bank in enumerate(description.bank):
        held = read_table(own / f"{bank.name}-coverage.csv", axes.speed_rpm, axes.load, COVERAGE)
        covered = covered_points(speed, load, np.reshape(held, (len(axes.load), -1)))
        proposed = read_table(own / f"{bank.name}-proposed.csv", axes.speed_rpm, axes.load)
        tables = (
            (here, advised.ordered.tables[number]),
            (here, proposed),
            (there, made[number].cells_pct.ravel().tolist()),
        )
        found[bank.name] = [
            100.0
            * fuelling_error(parameters.truth, number, on, cells, speed[covered], load[covered])
            for on, cells in tables
        ]
    return found


def table_of(errors: dict[str, list[Array]]) -> Table:
    """Return the demo's table with what the advised axes leave beside it."""
    view = Table(
        title="Fuelling error, the demo's continuous truth, same ground", title_justify="left"
    )
    for heading in ("bank", "", "before", "after", "on advised axes"):
        view.add_column(heading, no_wrap=True)
    for name, each in errors.items():
        rms = [f"{float(np.sqrt(np.mean(one**2))):.2f} %" for one in each]
        worst = [f"{float(np.abs(one).max()):.1f} %" for one in each]
        view.add_row(name, "rms", *rms)
        view.add_row("", "worst", *worst)
    return view


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("folder", type=Path, nargs="?", default=Path("demo-out"))
    folder = parser.parse_args(arguments).folder
    screen = Screen()
    try:
        advised = advised_in(folder, screen)
        screen.show(table_of(errors_of(folder, advised, screen)))
    except UserError as error:
        print(f"Error: {error}", file=sys.stderr)
        return 2
    for what, points in zip(("speeds, rpm", "loads, kPa"), vars(advised.advice.best.grid).values(),
                            strict=True):  # fmt: skip
        screen.say(f"{what}: {' '.join(f'{point:g}' for point in points)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
