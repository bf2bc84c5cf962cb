"""How much faster than version 0.1.0 the program is, whole commands from start to end, in one run.

    git worktree add ../earlier 51226bf         (the last commit of version 0.1.0)
    python -m breathmap.tools.bench.earlier ../earlier [--only replay ...] [--times 3]

`replay` of half an hour of riding as the demo rides it; of a CSV log of a million rows, and of ten
hours of two banks at 50 Hz, with its peak memory. The recording of ten hours is one hour ten times
over: a device's clock wraps after 72 minutes, so that each seam reads as a pause. Of the two long
ones 0.1.0 is given a part, and its time, less that of a start, is scaled; the table says so.
`convergence`: the benchmark of that name on an engine of either truth, its four times and all.
`solve` is the exact solution of one bank of 32 x 32 cells with four terms, on one thread, each in a
process of its own: the first apart, because it prepares what belongs to the table's size, and the
least of six more.
Processor time, the least of a few runs, modules compiled before. Exit code 0.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from math import exp
from pathlib import Path

from breathmap.tools.bench.solving import invented
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare

ROWS, ROWS_OF_OLD = 1_000_000, 50_000
HOURS = 10
SOLVED, SOLVED_TERMS, LATER = 32, 4, 6
# Run by each version, from the same numbers: prints what solving took, time after time.
SOLVING = """
import json, sys, time
from array import array
{imports}
with open(sys.argv[1]) as file:
    problem = json.load(file)
evidence = Evidence({size}, {size}, {terms}, noise=0.02)
for name, values in problem["evidence"].items():
    getattr(evidence, name)[:] = array("d", values)
took = []
for _ in range(1 + {times}):
    start = time.process_time()
    solve(evidence, cells_pct=problem["cells_pct"])
    took.append(time.process_time() - start)
print(json.dumps(took))
"""
SUMMED_UP = ("cells", "border", "corner", "term_rhs", "sums")
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
OUR_SOLVER = """from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.solve import solve"""
THEIR_SOLVER = """from learner.kernel import Evidence
from learner.solve import solve"""
# Each version has a description of its own, as it writes it.
OURS, THEIRS = "ours/engine.toml", "theirs/engine.toml"
COLUMNS = ("speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v",
           "target_lambda", "fuel_cut", "closed_loop", "acceleration_enrichment")  # fmt: skip


@dataclass(frozen=True)
class Took:
    """Processor seconds of one command, and its peak memory in MB."""

    cpu_s: float
    peak_mb: float


@dataclass(frozen=True)
class Bench:
    """Where both versions are and what they work on. times: runs of which the least counts."""

    old: Path
    place: Path
    times: int

    def ours(self, *words: object) -> Took:
        """Run a command of this version."""
        return self._run([sys.executable, "-m", "breathmap.tools.cli.start"], {}, words)

    def theirs(self, *words: object) -> Took:
        """Run a command of 0.1.0."""
        code = "from tools.cli import main; main()"
        return self._run([sys.executable, "-c", code], {"PYTHONPATH": str(self.old)}, words)

    def solved(self, imports: str, packages: Path | None, problem: Path) -> list[float]:
        """Return the processor seconds of each of a version's solutions of the same evidence."""
        code = SOLVING.format(imports=imports, size=SOLVED, terms=SOLVED_TERMS, times=LATER)
        environment = {**os.environ, **dict.fromkeys(THREADS, "1")}
        if packages is not None:
            environment["PYTHONPATH"] = str(packages)
        command = [sys.executable, "-c", code, str(problem)]
        done = subprocess.run(
            command, env=environment, cwd=self.place, stdout=subprocess.PIPE, text=True, check=True
        )
        return [float(one) for one in json.loads(done.stdout)]

    def _run(self, program: list[str], more: dict[str, str], words: tuple[object, ...]) -> Took:
        command = [*program, *map(str, words)]
        environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(self.place / "compiled"), **more}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        child = subprocess.Popen(
            command, env=environment, cwd=self.place, stdout=subprocess.DEVNULL
        )
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            raise subprocess.CalledProcessError(child.returncode, command)
        return Took(usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0)

    def ours_of(self, *words: object) -> Took:
        """Run the convergence benchmark of this version."""
        return self._run([sys.executable, "-m", "breathmap.tools.bench.convergence"], {}, words)

    def theirs_of(self, *words: object) -> Took:
        """Run that of 0.1.0."""
        program = [sys.executable, "-m", "tools.bench_convergence"]
        return self._run(program, {"PYTHONPATH": str(self.old)}, words)

    def least(self, run: Callable[..., Took], *words: object) -> Took:
        """Run a command a few times: the least of its times, the most of its memory."""
        took = [run(*words) for _ in range(self.times)]
        return Took(min(one.cpu_s for one in took), max(one.peak_mb for one in took))

    def replay(self, run: Callable[..., Took], engine: str, source: Path) -> Took:
        """Replay a file with one of the two, a few times."""
        words = (self.place / engine, source, "--out", self.place / "replayed", "--replace")
        return self.least(run, "replay", *words)

    def line(self, what: str, source: Path, part: Path, share: float) -> str:
        """Return a row of the table: all of a file here, a part of it (a share) in 0.1.0."""
        ours = self.replay(self.ours, OURS, source)
        theirs = self.replay(self.theirs, THEIRS, part)
        start_s = 0.0 if share == 1.0 else self.theirs("--help").cpu_s
        theirs_s = start_s + (theirs.cpu_s - start_s) / share
        scaled = "" if share == 1.0 else f", scaled from {100 * share:g} % of it"
        return _row(what, ours, theirs_s, scaled)


def _row(what: str, ours: Took, theirs_s: float, scaled: str = "") -> str:
    return (
        f"| {what} | {ours.cpu_s:.2f} | {theirs_s:.1f}{scaled} | {theirs_s / ours.cpu_s:.1f} "
        f"| {ours.peak_mb:.0f} |"
    )


def of_solve(bench: Bench) -> str:
    """Compare on one bank's solution."""
    evidence, log_cells = invented(SOLVED, SOLVED_TERMS)
    sums = {name: list(getattr(evidence, name)) for name in SUMMED_UP}
    cells_pct = [exp(one) for one in log_cells.tolist()]
    problem = bench.place / "evidence.json"
    problem.write_text(json.dumps({"evidence": sums, "cells_pct": cells_pct}))
    ours, theirs = (
        bench.solved(imports, path, problem)
        for imports, path in ((OUR_SOLVER, None), (THEIR_SOLVER, bench.old))
    )
    what = f"the solution of {SOLVED} x {SOLVED} cells with {SOLVED_TERMS} terms"
    return "\n".join(
        f"| {what}, {which} | {a:.3f} | {b:.2f} | {b / a:.1f} | |"
        for which, a, b in (
            ("the first", ours[0], theirs[0]),
            ("any later one", min(ours[1:]), min(theirs[1:])),
        )
    )


def of_replay(bench: Bench) -> str:
    """Compare on half an hour."""
    path = bench.place / "ride.bin"
    path.write_bytes(_frames(Order(minutes=30.0)))
    return bench.line("`replay` of the demo's half hour, start and all", path, path, 1.0)


def of_log(bench: Bench) -> str:
    """Compare on a CSV log, its half hour over and over."""
    half_hour = bench.place / "ride.csv"
    bench.ours("simulate", "--minutes", "30", "--out", half_hour)
    heading, *rows = half_hour.read_text().splitlines()
    mapping = ["", "[log]", 'time = { column = "time_s" }']
    mapping += [f'{name} = {{ column = "{name}" }}' for name in COLUMNS]
    for bank in (1, 2):
        mapping += ["[[log.bank]]", f'measured_lambda = {{ column = "measured_lambda_{bank}" }}']
    for engine in (OURS, THEIRS):
        with (bench.place / engine).open("a") as file:
            file.write("\n".join(mapping) + "\n")
    whole, part = bench.place / "whole.csv", bench.place / "part.csv"
    for path, count in ((whole, ROWS), (part, ROWS_OF_OLD)):
        with path.open("w") as file:
            file.write(heading + "\n")
            for k in range(count):
                time_s, _, rest = rows[k % len(rows)].partition(",")
                file.write(f"{float(time_s) + 1800.0 * (k // len(rows)):.2f},{rest}\n")
    return bench.line(f"`replay` of a CSV log of {ROWS:,} rows", whole, part, ROWS_OF_OLD / ROWS)


def of_hours(bench: Bench) -> str:
    """Compare on ten hours."""
    hour, whole = bench.place / "hour.bin", bench.place / "hours.bin"
    hour.write_bytes(_frames(Order(minutes=60.0, rate_hz=50.0)))
    with whole.open("wb") as file:
        for _ in range(HOURS):
            file.write(hour.read_bytes())
    what = f"`replay` of {HOURS} hours at 50 Hz, two banks"
    return bench.line(what, whole, hour, 1.0 / HOURS)


def of_convergence(bench: Bench) -> str:
    """Compare the benchmark of that name, one engine with either truth."""
    words = ("--engines", 1, "--jobs", 1, "--out", bench.place / "scores")
    ours = bench.least(bench.ours_of, *words)
    theirs = bench.least(bench.theirs_of, *words)
    return _row("the convergence benchmark, one engine of either truth", ours, theirs.cpu_s)


def _frames(order: Order) -> bytes:
    return b"".join(frame for _, frame in frames_on_cable(prepare(order)))


LINES = {
    "replay": of_replay,
    "log": of_log,
    "hours": of_hours,
    "convergence": of_convergence,
    "solve": of_solve,
}


def main() -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("old", type=Path, help="a checkout of version 0.1.0")
    parser.add_argument("--only", nargs="+", choices=LINES, default=list(LINES))
    parser.add_argument("--times", type=int, default=3)
    options = parser.parse_args()
    print("| what | here, s | 0.1.0, s | times faster | peak here, MB |\n|---|---|---|---|---|")
    for name in options.only:
        with tempfile.TemporaryDirectory() as folder:
            bench = Bench(options.old.resolve(), Path(folder), options.times)
            for run, engine in ((bench.ours, OURS), (bench.theirs, THEIRS)):
                # What it imports is compiled by this, too.
                described = (bench.place / engine).parent
                ride = described.with_suffix(".bin")
                run("simulate", "--minutes", "2", "--describe", described, "--out", ride)
                bench.replay(run, engine, ride)
            print(LINES[name](bench), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
