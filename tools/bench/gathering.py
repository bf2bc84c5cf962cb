"""What `gather` costs a recording, and from how many workers on more would not help.

    python -m breathmap.tools.bench.gathering [--recordings 40] [--minutes 10] [--workers 1 2]

Learns simulated recordings on one worker and on more in the same run, and prints processor seconds
of workers and parent, which other work on the machine does not change, and the wall time, which it
does. Then a model on paper: with w workers, n recordings take

    start + n (worker / w + parent)

where `worker` is what one recording costs on a worker (learning and comparing), `parent` what it
costs the parent (handing out, taking in, adding) and `start` what does not grow with n. More
workers than worker / parent would wait for the parent.
"""

import argparse
import resource
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.fleet.cluster import cluster
from breathmap.tools.fleet.gather import gather


@dataclass(frozen=True)
class Took:
    """Seconds of one gathering: on the clock, and of the processor by workers and by the parent."""

    wall_s: float
    workers_s: float
    parent_s: float


def processor_s() -> float:
    """Processor time of this process so far, its threads included."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def timed(engine: Path, paths: list[Path], out: Path, workers: int) -> Took:
    """Gather once on workers that stand ready."""
    with cluster(None, workers) as client:
        # What a worker loads at its start belongs to the cluster, not to a recording.
        gather(engine, paths[:1], out / "warm", Screen(quiet=True), _address(client))
        before, own, start = sum(client.run(processor_s).values()), processor_s(), time.monotonic()
        gather(engine, paths, out / "timed", Screen(quiet=True), _address(client))
        wall = time.monotonic() - start
        spent = sum(client.run(processor_s).values()) - before
        return Took(wall, spent, processor_s() - own)


def _address(client: object) -> str:
    return str(getattr(client, "scheduler").address)  # noqa: B009 (Dask's types do not say)


def recordings(folder: Path, count: int, minutes: float) -> Iterator[Path]:
    """Write so many rides of the college's engine; yields their paths."""
    for seed in range(count):
        path = folder / f"ride-{seed:03d}.bin"
        write_recording(prepare(Order("road", minutes, seed)), path, Screen(quiet=True))
        yield path


def say(found: dict[int, tuple[Took, Took]], few: int, many: int, kilobytes: float) -> None:
    """Print a row for each number of workers, and the model. found: few and many recordings."""
    print("| workers | wall, s | workers' processor, s | parent's processor, s |")
    print("| --- | --- | --- | --- |")
    for workers, (_, took) in found.items():
        print(
            f"| {workers} | {took.wall_s:.1f} | {took.workers_s:.1f} | {took.parent_s:.1f} |",
            flush=True,
        )
    less, more = next(iter(found.values()))
    worker = (more.workers_s - less.workers_s) / (many - few)
    parent = (more.parent_s - less.parent_s) / (many - few)
    start = max(0.0, more.parent_s - many * parent)
    print(f"\na recording: {worker:.3f} s on a worker, {parent:.4f} s in the parent, "
          f"{kilobytes:.0f} KB back; {start:.1f} s once")  # fmt: skip
    print(f"by the model, of 1,000 recordings, more than {worker / parent:.0f} workers would wait")
    alone = start + 1000 * (worker + parent)
    for workers in (2, 4, 8, 16):
        taken = start + 1000 * (worker / workers + parent)
        share = alone / taken / workers
        print(f"by the model, {workers} workers: {taken:.0f} s, efficiency {share:.2f}")
    if len(found) > 1:
        (one, (_, first)), (two, (_, last)) = next(iter(found.items())), [*found.items()][-1]
        ratio = first.wall_s * one / (last.wall_s * two)
        print(f"measured on the clock, {two} workers against {one}: efficiency {ratio:.2f} "
              "(other work on the machine makes it less)")  # fmt: skip


def main() -> int:
    """Run the command; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--recordings", type=int, default=40)
    parser.add_argument("--minutes", type=float, default=10.0, help="of each")
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_college(folder, *college_bench("continuous", "wideband"), "wideband")
        engine = folder / "engine.toml"
        paths = list(recordings(folder, chosen.recordings, chosen.minutes))
        few = max(2, len(paths) // 4)
        found = {}
        for workers in chosen.workers:
            found[workers] = (
                timed(engine, paths[:few], folder / f"few-{workers}", workers),
                timed(engine, paths, folder / f"many-{workers}", workers),
            )
        out = folder / f"many-{chosen.workers[0]}" / "timed"
        say(found, few, len(paths), (out / "evidence.bin").stat().st_size / 1000.0)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
