"""The true volumetric efficiency of each bank: the answer that a learner must find.

Smooth in speed and manifold pressure, so that no table holds it exactly; or the same truth laid on
a table's own grid, so that one does. VE is per cent against manifold density: air per cycle =
VE/100 · p · V / (R · T). The law is ours and invented; its sizes follow published magnitudes (tuned
engines 95 to 115 % at most, about 50 % at idle). It does not depend on exhaust back-pressure.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp
from typing import Protocol

from breathmap.simulator.table import Axes, Table

VE_LIMITS_PCT = (45.0, 105.0)


class Truth(Protocol):
    """What the engine needs to know about breathing."""

    @property
    def banks(self) -> int:
        """Number of banks."""
        ...

    def ve_pct(self, bank: int, speed_rpm: float, map_kpa: float) -> float:
        """Return the true VE in per cent of bank `bank` (from 0) at an operating point."""
        ...


@dataclass(frozen=True)
class Ridge:
    """A tuned wave: a rise (or dip) of VE around one speed, stronger with load.

    tilt_rpm_per_kpa: how the tuned speed moves with manifold pressure.
    """

    centre_rpm: float
    width_rpm: float
    rise_pct: float
    tilt_rpm_per_kpa: float


@dataclass(frozen=True)
class Breathing:
    """One bank's law: VE = plateau · (1 − fall·((N−peak)/peak)²) · (1 − residual·e^(−p/scale)),
    plus its ridges, each times p/100 kPa. The residual term is what exhaust gas left in the
    cylinder costs at low manifold pressure.
    """

    plateau_pct: float
    peak_rpm: float
    fall: float
    residual: float
    residual_scale_kpa: float
    ridges: tuple[Ridge, ...]


class ContinuousTruth:
    """Truth that no grid holds: one Breathing per bank."""

    def __init__(self, breathing: Sequence[Breathing]) -> None:
        if not breathing:
            raise ValueError("a truth needs at least one bank")
        self.breathing = tuple(breathing)
        self._laws = [
            (
                b.plateau_pct,
                1.0 / b.peak_rpm,
                b.fall,
                b.residual,
                -1.0 / b.residual_scale_kpa,
                tuple(
                    (r.centre_rpm - 60.0 * r.tilt_rpm_per_kpa, r.tilt_rpm_per_kpa, r.width_rpm,
                     0.01 * r.rise_pct)
                    for r in b.ridges
                ),
            )
            for b in self.breathing
        ]  # fmt: skip

    @property
    def banks(self) -> int:
        """Number of banks."""
        return len(self.breathing)

    def ve_pct(self, bank: int, speed_rpm: float, map_kpa: float) -> float:
        """Return the true VE in per cent of bank `bank` at an operating point, any p and N > 0."""
        plateau, per_peak, fall, residual, per_scale, ridges = self._laws[bank]
        off_peak = speed_rpm * per_peak - 1.0
        ve = (
            plateau
            * (1.0 - fall * off_peak * off_peak)
            * (1.0 - residual * exp(per_scale * map_kpa))
        )
        for centre, tilt, width, rise_per_kpa in ridges:
            z = (speed_rpm - centre - tilt * map_kpa) / width
            ve += rise_per_kpa * map_kpa * exp(-z * z)
        return ve if ve > 20.0 else 20.0


class GridTruth:
    """Truth that lies exactly on a table: bilinear between the cells, clamped at the ends.

    cells_pct: per bank a flat list of cells.
    """

    def __init__(self, axes: Axes, cells_pct: Sequence[Sequence[float]]) -> None:
        self.axes = axes
        self._tables = [Table(axes, list(cells)) for cells in cells_pct]

    @property
    def banks(self) -> int:
        """Number of banks."""
        return len(self._tables)

    def cells_pct(self, bank: int) -> list[float]:
        """Return the true cells of a bank, per cent."""
        return list(self._tables[bank].cells)

    def ve_pct(self, bank: int, speed_rpm: float, map_kpa: float) -> float:
        """Return the true VE in per cent of bank `bank` at an operating point."""
        return self._tables[bank].value(speed_rpm, map_kpa)


def cells_of(truth: Truth, bank: int, axes: Axes) -> list[float]:
    """Return the truth read at every breakpoint: flat list of VE in per cent."""
    return [truth.ve_pct(bank, n, p) for p in axes.load_kpa for n in axes.speed_rpm]


def on_grid(truth: Truth, axes: Axes) -> GridTruth:
    """Return the same truth laid on a grid."""
    return GridTruth(axes, [cells_of(truth, bank, axes) for bank in range(truth.banks)])


def twin_truth() -> ContinuousTruth:
    """Return the breathing of the teaching bench's twin: its two exhausts differ in length."""
    first = Breathing(
        plateau_pct=88.0,
        peak_rpm=5000.0,
        fall=0.16,
        residual=0.54,
        residual_scale_kpa=32.0,
        ridges=(
            Ridge(2650.0, 780.0, 6.0, 3.0),
            Ridge(4000.0, 900.0, -5.5, 2.0),
            Ridge(5600.0, 1150.0, 8.0, -2.0),
        ),
    )
    second = Breathing(
        plateau_pct=85.0,
        peak_rpm=4700.0,
        fall=0.17,
        residual=0.50,
        residual_scale_kpa=30.0,
        ridges=(
            Ridge(2300.0, 820.0, 4.5, 4.0),
            Ridge(3500.0, 850.0, -6.0, 1.0),
            Ridge(5000.0, 1050.0, 9.0, 2.0),
        ),
    )
    return ContinuousTruth([first, second])


def random_truth(seed: int, banks: int = 2) -> ContinuousTruth:
    """Return one of endlessly many engines: the banks share a character and differ in detail.

    All stay near VE_LIMITS_PCT over 1000 to 7500 rpm and 20 to 105 kPa.
    """
    rng = random.Random(f"truth {seed}")
    plateau, peak = rng.uniform(80.0, 91.0), rng.uniform(4300.0, 5600.0)
    fall, residual = rng.uniform(0.10, 0.20), rng.uniform(0.42, 0.56)
    centres = [rng.uniform(1900, 2900), rng.uniform(3300, 4300), rng.uniform(4900, 6200)]
    rises = [rng.uniform(3, 7), -rng.uniform(2, 7), rng.uniform(3, 9)]
    if rng.random() < 0.3:
        rises = [-0.7 * r for r in rises]
    return ContinuousTruth(
        [
            Breathing(
                plateau_pct=plateau + rng.uniform(-3.0, 3.0),
                peak_rpm=peak + rng.uniform(-400.0, 400.0),
                fall=fall,
                residual=residual + rng.uniform(-0.03, 0.03),
                residual_scale_kpa=rng.uniform(28.0, 36.0),
                ridges=tuple(
                    Ridge(
                        c + rng.uniform(-400.0, 400.0),
                        rng.uniform(750.0, 1200.0),
                        r + rng.uniform(-2.0, 2.0),
                        rng.uniform(-4.0, 4.0),
                    )
                    for c, r in zip(centres, rises, strict=True)
                ),
            )
            for _ in range(banks)
        ]
    )
