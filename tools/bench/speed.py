"""How fast the learner is: each figure a ratio to a peer in the same run, on this machine.

    python -m breathmap.tools.bench.speed [--minutes N]

The C core against the Python core, a sample of one bank; against `scipy.sparse.linalg.lsqr` on the
same observations of a table of 16 x 12 cells, with and without global terms; and `breathmap replay`
of a recording of two banks, start included, with either core. Processor time, so that a busy
machine changes little; no time is promised. Exit codes:
0 done, 2 there is no C core (`python -m breathmap.tools.make.core` builds it).
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import lsqr

from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.stream import Learner
from breathmap.learner.core.table import Table
from breathmap.learner.exact.replay import BankReplay
from breathmap.learner.fast.compiled import PURE, library
from breathmap.learner.fast.many import Verdicts, learn_many, rows
from breathmap.protocol.host.recording import read_recording
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.run.learning import load

SPEEDS, LOADS = 16, 12


@dataclass(frozen=True)
class Line:
    """One comparison: microseconds of ours and of the peer for one of what is counted."""

    what: str
    ours: float
    peer: str
    theirs: float

    @property
    def ratio(self) -> float:
        """How many times faster ours is."""
        return self.theirs / self.ours


def cpu_s(work: Callable[[], object]) -> float:
    """Return the processor seconds of some work in this process."""
    start = time.process_time()
    work()
    return time.process_time() - start


def engine(description: Path, terms: bool) -> Settings:
    """Return the bench's settings over 16 x 12 cells, with the global terms or without."""
    given = load(description)
    settings = given[0].settings(given[1])
    banks = []
    for bank in settings.banks:
        old = bank.table
        speeds = np.linspace(old.speed_rpm[0], old.speed_rpm[-1], SPEEDS).tolist()
        loads = np.linspace(old.load[0], old.load[-1], LOADS).tolist()
        cells = [60.0] * (SPEEDS * LOADS)
        banks.append(BankSettings(bank.name, Table(speeds, loads, cells), bank.delay))
    return Settings(
        banks,
        closed_loop=settings.closed_loop,
        film_terms=settings.film_terms if terms else 0,
        charge_lead=terms,
        sample_rate_hz=settings.sample_rate_hz,
    )


def observed(
    samples: NDArray[np.void], settings: Settings, verdicts: Verdicts
) -> tuple[csr_matrix, NDArray[np.float64]]:
    """Return the weighted rows and right-hand side of the first bank's used samples."""
    seen = BankReplay(samples, 0, settings).observe(settings.banks[0].delay)
    used = np.flatnonzero((verdicts.verdict[:, 0] == 0) & np.isfinite(seen.d))
    count, cells = len(used), SPEEDS * LOADS
    corners = seen.index[used][:, None] + np.array([0, 1, SPEEDS, SPEEDS + 1])
    columns, values = [corners], [seen.shares[used]]
    extra = seen.terms.shape[1]
    if extra:
        columns.append(np.broadcast_to(cells + np.arange(extra), (count, extra)))
        values.append(seen.terms[used])
    column, value = np.hstack(columns), np.hstack(values)
    root = np.sqrt(verdicts.weight[used, 0])
    starts = np.arange(count + 1) * column.shape[1]
    matrix = csr_matrix(
        ((value * root[:, None]).ravel(), column.ravel(), starts), (count, cells + extra)
    )
    return matrix, seen.d[used] * root


def core_lines(samples: NDArray[np.void], description: Path) -> list[Line]:
    """Compare the cores, and C with lsqr, on the same samples."""
    lines = []
    # Loaded before anything is timed.
    learn_many(Learner(engine(description, True)), samples[:10])
    for terms in (True, False):
        settings = engine(description, terms)
        banks = len(settings.banks)
        slow, fast = Learner(settings), Learner(settings)
        few = samples[: len(samples) // 8]

        def in_python(learner: Learner = slow, part: NDArray[np.void] = few) -> None:
            for sample in rows(part):
                learner.learn_one(sample)

        python_us = 1e6 * cpu_s(in_python) / len(few) / banks
        learned: list[Verdicts] = []
        c_us = 1e6 * cpu_s(lambda: learned.append(learn_many(fast, samples))) / len(samples) / banks  # noqa: B023
        matrix, d = observed(samples, settings, learned[0])
        lsqr_us = 1e6 * cpu_s(lambda: lsqr(matrix, d, atol=1e-8, btol=1e-8)) / matrix.shape[0]  # noqa: B023
        kind = f"{len(settings.term_names())} terms" if terms else "no terms"
        what = f"a sample of one bank, 16 x 12 cells, {kind}"
        lines.append(Line(what, c_us, "the Python core", python_us))
        lines.append(Line(what, c_us, "scipy lsqr, rows ready made", lsqr_us))
    return lines


def replay_line(recording: Path, description: Path, count: int) -> Line:
    """Compare `breathmap replay` with either core, from the program's start to its end."""
    took = {}
    for pure in ("", "1"):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        out = recording.with_name(f"replayed{pure}")
        program = [sys.executable, "-m", "breathmap.tools.cli.main"]
        subprocess.run(
            [*program, "replay", description, recording, "--out", out],
            env={**os.environ, PURE: pure},
            check=True,
            capture_output=True,
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took[pure] = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    what = f"`replay` of {count:,} samples of two banks: start, solution, causes, tables and all"
    return Line(what, 1e6 * took[""] / count, "the Python core", 1e6 * took["1"] / count)


def table(lines: list[Line]) -> str:
    """Return the lines as a Markdown table."""
    rows_ = ["| what | C core, µs | peer | peer, µs | times faster |", "|---|---|---|---|---|"]
    for line in lines:
        rows_.append(
            f"| {line.what} | {line.ours:.2f} | {line.peer} | {line.theirs:.2f} "
            f"| {line.ratio:.1f} |"
        )
    return "\n".join(rows_)


def measure(minutes: float) -> list[Line]:
    """Return all comparisons over a simulated ride of so many minutes."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        parameters, controller = college_bench("continuous", "wideband")
        write_college(place / "bench", parameters, controller, "wideband")
        description = place / "bench" / "engine.toml"
        ride = b"".join(f for _, f in frames_on_cable(prepare(Order(minutes=minutes))))
        (place / "ride.bin").write_bytes(ride)
        samples = read_recording(ride).table
        return [
            *core_lines(samples, description),
            replay_line(place / "ride.bin", description, len(samples)),
        ]


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="bench_speed", description="Compare speeds.")
    parser.add_argument("--minutes", type=float, default=30.0, help="of simulated riding")
    options = parser.parse_args(arguments)
    if library() is None:
        print("bench_speed: no C core here: python -m breathmap.tools.make.core", file=sys.stderr)
        return 2
    print(table(measure(options.minutes)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
