"""How fast and how well tables converge, over many random engines; ours against what is usual.

    python -m breathmap.tools.bench.convergence --engines 50 --out bench-out
    python -m breathmap.tools.bench.convergence --engines 5000 --scheduler tcp://HOST:8786

For each engine (its own breathing, starting error, film, delays, noise, rider): learn from a road
drive, and at some minutes score every method on a fresh drive, over covered ground. All methods see
the same observations, but for the oracle: scipy's batch least squares over all samples with the
traced delay and our prior. Writes convergence.csv, uncertainty.csv and convergence.png, the same
ones for any number of processes or workers.
"""

import argparse
import csv
import random
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, fields
from functools import partial
from itertools import islice
from multiprocessing import Pool
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import Progress
from rich.table import Table as RichTable
from scipy.sparse import csr_matrix, vstack

from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.kernel import PER_CELL, SELF
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.stream import BankLearner, Learner
from breathmap.learner.core.table import Table
from breathmap.learner.exact.replay import BankReplay, locate
from breathmap.learner.exact.solve import Solution, solve
from breathmap.learner.fast.many import learn_many
from breathmap.protocol.host.bulk import samples_table
from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters, random_engine
from breathmap.simulator.run import (
    TruthTrace,
    error_beside,
    perturbed_table,
    simulate,
    true_ve,
)
from breathmap.simulator.settings import learning_setup
from breathmap.simulator.truth import cells_of
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.version import software_version
from breathmap.tools.bench.usual_methods import Observed, Peers, batch_oracle, least_squares
from breathmap.tools.demo.accuracy import covered_points, fresh_points
from breathmap.tools.fleet.cluster import as_done, check_version, cluster

if TYPE_CHECKING:
    from _typeshed import DataclassInstance
    from distributed import Client

Array = NDArray[np.float64]
O = TypeVar("O")  # noqa: E741
R = TypeVar("R")
N_LOAD, N_SPEED = len(TWIN_AXES.load_kpa), len(TWIN_AXES.speed_rpm)
SHAPE = (N_LOAD, N_SPEED)
# At full flow, common practice; the measured values that README.md quotes were taken with it.
EXHAUST_TEMP_K = 1000.0
METHODS = ("start", "nearest", "weighted", "kalman", "running", "ours", "oracle", "best")


@dataclass(frozen=True)
class Row:
    """One score. rms and worst in per cent of fuel; visited: over all visited ground."""

    truth: str
    engine: int
    bank: int
    minutes: float
    method: str
    rms_pct: float
    worst_pct: float
    visited_rms_pct: float
    covered: float


@dataclass(frozen=True)
class Honesty:
    """Errors over standard errors of the covered cells, truth on the grid."""

    engine: int
    bank: int
    minutes: float
    cells: int
    rms: float
    within_95: float
    unvisited_worst: float


def describe(parameters: EngineParameters, controller: Controller) -> Settings:
    """What a careful person would write into the engine description: nominal, not traced."""
    banks = []
    for bank in range(parameters.banks):
        delay = DelayModel(
            exhaust_temp_k=EXHAUST_TEMP_K,
            exhaust_volume_cm3=1000.0 * parameters.exhausts[bank].volume_l,
            sensor_lag_s=parameters.sensors[bank].lag_s,
            swept_cm3=parameters.displacement_cm3 / parameters.banks,
        )
        axes = controller.axes
        table = Table(list(axes.speed_rpm), list(axes.load_kpa), controller.read_ve(bank))
        banks.append(BankSettings(f"bank{bank}", table, delay))
    return Settings(banks, sample_rate_hz=25.0)


def random_bench(seed: int, truth: str) -> tuple[EngineParameters, Controller]:
    """A random engine with starting tables wrong by 6 to 10 % rms, set up for learning."""
    rng = random.Random(f"bench {seed}")
    parameters = random_engine(seed, truth)
    rms = rng.uniform(0.06, 0.10)
    tables = [
        perturbed_table(parameters.truth, bank, TWIN_AXES, rms, seed)
        for bank in range(parameters.banks)
    ]
    return parameters, Controller(parameters, TWIN_AXES, tables, learning_setup("wideband"))


class Scorer:
    """Scores tables of one engine on a fresh drive."""

    def __init__(self, parameters: EngineParameters, controller: Controller) -> None:
        self.parameters = parameters
        self.points = fresh_points(parameters, controller)
        banks = range(parameters.banks)
        self.true_pct = [true_ve(parameters.truth, bank, *self.points) for bank in banks]

    def masks(self, solution: Solution) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Points on covered and on visited ground."""
        visited = np.where(solution.visited & (solution.coverage > 0.5), 1e9, 0.0)
        return (
            covered_points(*self.points, solution.coverage),
            covered_points(*self.points, visited),
        )

    def score(
        self, bank: int, cells: Array, masks: tuple[NDArray[np.bool_], NDArray[np.bool_]]
    ) -> tuple[float, float, float, float]:
        """rms and worst error over covered ground, rms over visited ground (%), share covered."""
        covered, visited = masks
        true_pct = self.true_pct[bank]
        error = 100.0 * error_beside(true_pct, TWIN_AXES, cells.tolist(), *self.points)
        return (
            float(np.sqrt(np.mean(error[covered] ** 2))),
            float(np.abs(error[covered]).max()),
            float(np.sqrt(np.mean(error[visited] ** 2))),
            float(covered.mean()),
        )

    def best_cells(self, bank: int, table: Table, mask: NDArray[np.bool_]) -> Array:
        """The cells that fit the truth best over the masked points: the table's own limit."""
        speed, load = self.points[0][mask], self.points[1][mask]
        true = self.true_pct[bank][mask]
        index, shares, ve_pct = locate(table, speed, load)
        columns = index[:, None] + np.array([0, 1, N_SPEED, N_SPEED + 1])
        rows = np.repeat(np.arange(len(speed)), 4)
        # Relative error = shares (1 + x) ve / true - 1, so weight each row by ve / true.
        scale = ve_pct / true
        design = csr_matrix(
            ((shares * scale[:, None]).ravel(), (rows, columns.ravel())),
            (len(speed), TWIN_AXES.size),
        )
        damped = vstack([design, csr_matrix(1e-3 * np.eye(TWIN_AXES.size))]).tocsr()
        wanted = np.concatenate([1.0 - scale, np.zeros(TWIN_AXES.size)])
        cells: Array = np.asarray(table.cells) * (1.0 + least_squares(damped, wanted))
        return cells


def run_engine(order: tuple[int, str, tuple[float, ...], bool]) -> tuple[list[Row], list[Honesty]]:
    """Everything about one engine; top level so that a pool can call it."""
    seed, truth, minutes, quiet = order
    parameters, controller = random_bench(seed, truth)
    if quiet:
        parameters = parameters.quiet()
    ride = Ride(parameters, controller, seed, max(minutes))
    scorer = Scorer(parameters, controller)
    rows: list[Row] = []
    honesty: list[Honesty] = []
    for done in sorted(set(minutes)):
        ride.go_on(done)
        for bank in ride.learner.banks:
            solution = solve(bank.evidence, cells_pct=bank.table.cells)
            for method, score in _scores(bank, ride, scorer, solution):
                rows.append(Row(truth, seed, bank.number, done, method, *score))
            if truth == "grid":
                honesty.append(_honesty(seed, done, bank, scorer, solution))
    return rows, honesty


class Ride:
    """The drive that one engine is learned from: samples and truth so far, and what was learned.

    rows, weights: by bank, the numbers of the samples that were used, and what they counted.
    """

    def __init__(
        self, parameters: EngineParameters, controller: Controller, seed: int, minutes: float
    ) -> None:
        banks = range(parameters.banks)
        self.learner = Learner(describe(parameters, controller))
        self.trace = TruthTrace()
        self.samples = samples_table([], parameters.banks)
        self.rows: list[NDArray[np.intp]] = [np.zeros(0, np.intp) for _ in banks]
        self.weights: list[Array] = [np.zeros(0) for _ in banks]
        self.peers = [Peers(N_SPEED, TWIN_AXES.size) for _ in banks]
        drive = RoadRide(60.0 * minutes, seed)
        self._stream = simulate(parameters, controller, drive, seed, trace=self.trace, reuse=True)

    def go_on(self, minutes: float) -> None:
        """Ride on until so many minutes after the start; ours and the peers learn from it."""
        first = len(self.samples)
        count = int(minutes * 60 * 25) - first
        new = samples_table(islice(self._stream, count), len(self.peers))
        self.samples = np.concatenate([self.samples, new])
        verdicts = learn_many(self.learner, new)
        for k, bank in enumerate(self.learner.banks):
            used = Observed.of(verdicts, k, bank.table)
            self.peers[k].learn(used)
            self.rows[k] = np.concatenate([self.rows[k], first + used.row])
            self.weights[k] = np.concatenate([self.weights[k], used.weight])


def _scores(
    bank: BankLearner, ride: Ride, scorer: Scorer, solution: Solution
) -> Iterator[tuple[str, tuple[float, float, float, float]]]:
    """Each method's score on one bank."""
    masks = scorer.masks(solution)
    corrections = _corrections(bank, ride, solution)
    for method in METHODS:
        if method == "best":
            cells = scorer.best_cells(bank.number, bank.table, masks[0])
        else:
            cells = np.asarray(bank.table.cells) * (1.0 + corrections[method])
        yield method, scorer.score(bank.number, cells, masks)


def _honesty(
    seed: int, minutes: float, bank: BankLearner, scorer: Scorer, solution: Solution
) -> Honesty:
    true_pct = np.array(cells_of(scorer.parameters.truth, bank.number, TWIN_AXES))
    true = true_pct / np.asarray(bank.table.cells) - 1.0
    z = (solution.correction.ravel() - true) / solution.standard_error.ravel()
    covered = solution.coverage.ravel() >= 5.0
    unseen = ~solution.visited.ravel()
    moved = np.abs(solution.correction.ravel() / solution.standard_error.ravel())[unseen]
    return Honesty(
        engine=seed,
        bank=bank.number,
        minutes=minutes,
        cells=int(covered.sum()),
        rms=float(np.sqrt(np.mean(z[covered] ** 2))),
        within_95=float((np.abs(z[covered]) < 1.96).mean()),
        unvisited_worst=float(moved.max(initial=0.0)),
    )


def _corrections(bank: BankLearner, ride: Ride, solution: Solution) -> dict[str, Array]:
    cells = TWIN_AXES.size
    running = np.asarray(bank.evidence.cells).reshape(-1, PER_CELL)
    assert (running[:, SELF] > 0).any()
    return {
        "start": np.zeros(cells),
        "running": running[:, 7].copy(),
        "ours": solution.correction.ravel(),
        "oracle": _oracle(bank, ride, solution),
    } | ride.peers[bank.number].corrections()


def _oracle(bank: BankLearner, ride: Ride, solution: Solution) -> Array:
    """scipy over all samples that ours used, at the traced delay, with our prior and weights."""
    replay = BankReplay(ride.samples, bank.number, ride.learner.settings)
    transport = np.array(ride.trace.transport_s[bank.number])
    seen = replay.observe_at(transport, bank.delay.sensor_lag_s)
    rows = ride.rows[bank.number]
    return batch_oracle(
        seen.index[rows],
        seen.shares[rows],
        seen.terms[rows],
        seen.d[rows],
        ride.weights[bank.number],
        np.asarray(bank.table.cells).reshape(SHAPE),
        solution,
    )


def summarise(rows: list[Row], honesty: list[Honesty], console: Console) -> None:
    """Print medians over engines and banks."""
    for truth in sorted({row.truth for row in rows}):
        view = RichTable(title=f"Fuelling error on a fresh drive, truth {truth}: rms in %")
        view.add_column("method")
        minutes = sorted({row.minutes for row in rows})
        for m in minutes:
            view.add_column(f"{m:g} min", justify="right")
        for method in METHODS:
            cells = [method]
            for m in minutes:
                part = [r for r in rows if (r.truth, r.minutes, r.method) == (truth, m, method)]
                rms = np.median([r.rms_pct for r in part])
                seen = np.median([r.visited_rms_pct for r in part])
                cells.append(f"{rms:.3f} ({seen:.2f})")
            view.add_row(*cells)
        console.print(view)
        _compare(truth, rows, console)
    console.print(
        "Medians over engines and banks; in brackets over all visited ground. nearest, weighted, "
        "kalman: averages and a diagonal filter; running: ours, as it runs; ours: solved; oracle: "
        "batch least squares at the true delay; best: the table that fits the truth best there."
    )
    _say_honesty(honesty, console)


def _say_honesty(honesty: list[Honesty], console: Console) -> None:
    for minutes in sorted({h.minutes for h in honesty}):
        part = [h for h in honesty if h.minutes == minutes]
        weights = np.array([h.cells for h in part], dtype=float)
        rms = np.sqrt(np.average([h.rms**2 for h in part], weights=weights))
        within = np.average([h.within_95 for h in part], weights=weights)
        console.print(
            f"{minutes:g} min: errors over standard errors, covered cells of all engines: "
            f"rms {rms:.2f}, within 95 % bounds {100 * within:.1f} %; "
            f"an unvisited cell moved at most {max(h.unvisited_worst for h in part):.2f} of its "
            "standard errors"
        )


def _compare(truth: str, rows: list[Row], console: Console) -> None:
    for minutes in sorted({row.minutes for row in rows}):
        by = {
            (r.engine, r.bank, r.method): r.rms_pct
            for r in rows
            if r.truth == truth and r.minutes == minutes
        }
        keys = sorted({(engine, bank) for engine, bank, _ in by})
        ratio = [by[(*key, "ours")] / by[(*key, "oracle")] for key in keys]
        above = [by[(*key, "ours")] - by[(*key, "best")] for key in keys]
        over = 100.0 * np.mean(np.array(ratio) > 1.03)
        console.print(
            f"after {minutes:g} min, ours / oracle: median {np.median(ratio):.3f}, above 1.03 in "
            f"{over:.0f} % of banks, worst {max(ratio):.3f}; ours above the best possible table: "
            f"median {np.median(above):.3f}, worst {max(above):.3f} percentage points"
        )


def plot(rows: list[Row], path: Path) -> None:
    """Draw medians and the middle 80 % over minutes."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    truths = sorted({row.truth for row in rows})
    figure, axes = plt.subplots(1, len(truths), figsize=(5.5 * len(truths), 4.2), squeeze=False)
    for ax, truth in zip(axes[0], truths, strict=True):
        for method in METHODS:
            minutes = sorted({row.minutes for row in rows})
            values = [
                [r.rms_pct for r in rows if (r.truth, r.minutes, r.method) == (truth, m, method)]
                for m in minutes
            ]
            middle = [np.median(v) for v in values]
            (line,) = ax.plot(minutes, middle, marker="o", label=method)
            low, high = zip(*(np.percentile(v, [10, 90]) for v in values), strict=True)
            ax.fill_between(minutes, low, high, alpha=0.12, color=line.get_color())
        ax.set(xscale="log", yscale="log", title=f"truth {truth}")
        ax.set(xlabel="minutes driven", ylabel="rms fuelling error on a fresh drive, %")
        ax.grid(alpha=0.3, which="both")
    axes[0][0].legend(fontsize=8)
    figure.tight_layout()
    figure.savefig(path, dpi=130)


def run_all(
    work: Callable[[O], R], orders: list[O], jobs: int, scheduler: str | None = None
) -> Iterator[R]:
    """Do all orders in so many processes, or on the workers of a Dask scheduler by its address, as
    they get done, with a progress bar on stderr. UserError where that cannot be."""
    done: Iterator[R]
    with ExitStack() as stack:
        if scheduler is None:
            done = stack.enter_context(Pool(jobs)).imap_unordered(work, orders)
        else:
            done = _on_workers(stack.enter_context(cluster(scheduler, None)), work, orders)
        progress = stack.enter_context(Progress(console=Console(file=sys.stderr)))
        yield from progress.track(done, total=len(orders), description="engines")


@dataclass(frozen=True)
class _Done:
    """What a worker did, and with which version."""

    version: str
    result: Any


def _with_version(work: Callable[[O], R], order: O) -> _Done:
    return _Done(software_version(), work(order))


def _on_workers(client: "Client", work: Callable[[O], R], orders: list[O]) -> Iterator[R]:
    for number, done in as_done(client, partial(_with_version, work), orders):
        check_version(orders[number], done)
        yield done.result


def write_csv(path: Path, items: Sequence["DataclassInstance"], kind: type) -> None:
    """One line an item, columns named as the fields."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, [f.name for f in fields(kind)])
        writer.writeheader()
        writer.writerows(asdict(item) for item in items)


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--engines", type=int, default=50, help="random engines (default 50)")
    parser.add_argument("--first", type=int, default=100, help="seed of the first (default 100)")
    parser.add_argument("--truth", choices=("continuous", "grid", "both"), default="both")
    parser.add_argument("--minutes", type=float, nargs="+", default=[1.0, 3.0, 10.0, 30.0])
    parser.add_argument("--out", type=Path, default=Path("bench-out"), help="folder for results")
    parser.add_argument(
        "--quiet", action="store_true", help="engines without noise or scatter: the models' error"
    )
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--scheduler", help="address of a Dask scheduler whose workers do it all")
    given = parser.parse_args(arguments)
    truths = ("continuous", "grid") if given.truth == "both" else (given.truth,)
    orders = [
        (given.first + k, truth, tuple(given.minutes), given.quiet)
        for k in range(given.engines)
        for truth in truths
    ]
    console = Console()
    rows: list[Row] = []
    honesty: list[Honesty] = []
    try:
        for some_rows, some_honesty in run_all(run_engine, orders, given.jobs, given.scheduler):
            rows += some_rows
            honesty += some_honesty
    except UserError as error:
        parser.error(str(error))
    # By engine, in whatever order they were done.
    rows.sort(key=attrgetter("engine", "truth"))
    honesty.sort(key=attrgetter("engine"))
    given.out.mkdir(parents=True, exist_ok=True)
    write_csv(given.out / "convergence.csv", rows, Row)
    write_csv(given.out / "uncertainty.csv", honesty, Honesty)
    try:
        plot(rows, given.out / "convergence.png")
    except ImportError:
        console.print("no plot: matplotlib is not installed (pip install matplotlib)")
    summarise(rows, honesty, console)
    console.print(f"written to {given.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
