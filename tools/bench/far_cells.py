"""How often a right table is questioned, and how often a slip is not.

Random engines' tables (as they are, and wrong by 8 and 15 % as before learning), over manifold
pressure on fine and coarse axes and over throttle; and in each of them, cell after cell, what slips
of the hand and cut files leave.

    python -m breathmap.tools.bench.far_cells [--engines 60]
"""

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from math import exp

from breathmap.learner.words.far_cells import far_cells
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.run import perturbed_table
from breathmap.simulator.table import Axes
from breathmap.simulator.truth import Truth, random_truth

AXES = {
    "12 x 16": TWIN_AXES,
    "8 x 8": Axes((1000, 1800, 2600, 3400, 4200, 5000, 6000, 7000), tuple(range(25, 100, 10))),
    "3 x 4": Axes((800, 2000, 4500, 9000), (20, 50, 105)),
    "throttle 10 x 12": Axes(
        (800, 1200, 1600, 2000, 2500, 3000, 3500, 4200, 5000, 6000, 7000, 8000),
        (2, 4, 7, 10, 15, 22, 32, 45, 65, 100),
    ),
}
WRONG = (0.0, 0.08, 0.15)
# Pressure behind a throttle, as a share of that before it: from memory, only its shape matters.
RPM_PER_PERCENT = 350.0

SLIPS: dict[str, Callable[[float], float]] = {
    "cut after the first figure": lambda cell: float(f"{cell:g}"[0]),
    "decimal point left out": lambda cell: cell * 10.0,
    "first figure doubled": lambda cell: float(f"{cell:g}"[0] + f"{cell:g}"),
    "twice as much": lambda cell: cell * 2.0,
    "half as much": lambda cell: cell / 2.0,
    "a third less": lambda cell: cell * 0.66,
}


class OverThrottle:
    """A truth over throttle opening: VE against the air before the throttle."""

    def __init__(self, truth: Truth) -> None:
        self._truth = truth
        self.banks = truth.banks

    def ve_pct(self, bank: int, speed_rpm: float, throttle_pct: float) -> float:
        """Return VE in per cent of ambient density."""
        map_kpa = 100.0 * (1.0 - exp(-RPM_PER_PERCENT * throttle_pct / speed_rpm))
        return self._truth.ve_pct(bank, speed_rpm, map_kpa) * map_kpa / 100.0


def tables(engines: int) -> Iterator[tuple[str, float, Axes, list[float]]]:
    """Yield (axes' name, how wrong, axes, cells)."""
    for seed in range(engines):
        for name, axes in AXES.items():
            truth: Truth = random_truth(seed)
            if name.startswith("throttle"):
                truth = OverThrottle(truth)
            for rms in WRONG:
                cells = perturbed_table(truth, 0, axes, rms, seed)
                yield name, rms, axes, [max(cell, 0.5) for cell in cells]


def questioned(axes: Axes, cells: Sequence[float]) -> list[int]:
    """Return the places of the cells that are questioned."""
    speeds, loads = list(axes.speed_rpm), list(axes.load_kpa)
    return [
        loads.index(cell.load) * len(speeds) + speeds.index(cell.speed_rpm)
        for cell in far_cells(speeds, loads, cells)
    ]


def main() -> int:
    """Print both rates."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--engines", type=int, default=60)
    engines = parser.parse_args().engines
    false: dict[tuple[str, float], list[int]] = {}
    missed: dict[tuple[str, str], list[int]] = {}
    for name, rms, axes, cells in tables(engines):
        false.setdefault((name, rms), []).append(len(questioned(axes, cells)))
        if rms != WRONG[1]:
            continue
        for slip, change in SLIPS.items():
            for at in range(0, len(cells), 5):
                spoilt = [*cells[:at], max(change(cells[at]), 0.01), *cells[at + 1 :]]
                missed.setdefault((slip, name), []).append(at not in questioned(axes, spoilt))
    for (name, rms), counts in false.items():
        wrong = sum(count > 0 for count in counts)
        print(f"{name}, wrong by {100 * rms:g} %: {wrong} of {len(counts)} tables questioned")
    for (slip, name), flags in missed.items():
        print(f"{slip}, {name}: {100 * sum(flags) / len(flags):.1f} % not seen")
    return 0


if __name__ == "__main__":
    sys.exit(main())
