"""A recording's normal equations with the broad shape and the causes' columns. Host only.

Streams the kept samples once more, in stretches, with the weights that the learner gave; several
hypotheses of what was measured (as it is, the sensors exchanged, a slower sensor) each have sums of
their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.odds import BROAD, Extended
from breathmap.learner.causes.scene import CellScene, ColumnMaker, PulseFit, Scene, fit_pulse
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import Settings
from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.replay import normal_equations

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

# Samples at once: bounds the memory (an hour at 25 Hz).
STRETCH = 90_000


@dataclass(frozen=True)
class Ride:
    """What there is to look at: kept samples, and per bank the rows used and their weights."""

    samples: NDArray[np.void]
    settings: Settings
    rows: list[Rows]
    weights: list[Array]

    @property
    def mean_intake_c(self) -> float:
        """Mean intake temperature over the whole, NaN where it was not measured."""
        known = self.samples["intake_c"]
        known = known[np.isfinite(known)]
        return float(known.mean()) if len(known) else float("nan")

    def pulse(self) -> PulseFit | None:
        """The pulse width, taken apart."""
        return fit_pulse(self.samples, self.settings)

    def exchanged(self) -> "Ride":
        """The same with the first two banks' readings exchanged, over the rows that both used."""
        samples = self.samples.copy()
        samples["measured_lambda"][:, [0, 1]] = samples["measured_lambda"][:, [1, 0]]
        return replace(self, samples=samples)

    def of_both(self) -> "Ride":
        """The same over the rows that the first two banks both used, at the lower weight."""
        rows, first, second = np.intersect1d(self.rows[0], self.rows[1], return_indices=True)
        weights = np.minimum(self.weights[0][first], self.weights[1][second])
        return replace(self, rows=[rows, rows], weights=[weights, weights])


def extend(
    ride: Ride,
    bank: int,
    makers: Sequence[ColumnMaker],
    pulse: PulseFit | None,
    widening: float,
    lag: float = 1.0,
) -> tuple[Extended, list[bool]]:
    """Sum one bank up; and which of the columns could be made from these samples."""
    mean_intake_c = ride.mean_intake_c
    total: Extended | None = None
    known = [True] * len(makers)
    for start in range(0, len(ride.samples), STRETCH):
        end = min(start + STRETCH, len(ride.samples))
        inside = (ride.rows[bank] >= start) & (ride.rows[bank] < end)
        rows = ride.rows[bank][inside] - start
        if not len(rows):
            continue
        scene = Scene(ride.samples[start:end], bank, ride.settings, pulse, mean_intake_c, lag)
        columns = [maker(scene) for maker in makers]
        known = [k and c is not None for k, c in zip(known, columns, strict=True)]
        part = _sum_up(scene, rows, ride.weights[bank][inside], columns, widening)
        total = part if total is None else total + part
    if total is None:
        raise ValueError("no sample of this bank was used")
    return total, known


def _sum_up(
    scene: Scene, rows: Rows, weights: Array, columns: Sequence[Array | None], widening: float
) -> Extended:
    seen, table = scene.seen, scene.replay.bank.table
    whole = [np.zeros(len(seen.d)) if c is None else np.asarray(c) for c in columns]
    extra = np.stack([*broad_of(table.speed_rpm, table.load, seen.speed_rpm, seen.load), *whole], 1)
    terms = np.hstack([seen.terms, extra])
    # The learner's own gates let nothing through that is not finite; what is left here is at the
    # seams of a stretch.
    good = np.isfinite(seen.d[rows]) & np.isfinite(terms[rows]).all(axis=1)
    rows, weights = rows[good], weights[good]
    H, b = normal_equations(replace(seen, terms=terms), rows, weights, table)
    return Extended(
        H=H,
        b=b,
        square=float((weights * seen.d[rows] ** 2).sum()),
        weight=float(weights.sum()),
        widening=widening,
        n_terms=seen.terms.shape[1],
        n_columns=len(columns),
    )


def broad_of(
    speeds: Sequence[float], loads: Sequence[float], speed_rpm: Array, load: Array
) -> list[Array]:
    """The broad shape's columns: one, where a point lies along each axis (-1 to 1), and the bends
    (Legendre's polynomials, so that none stands in for another)."""
    across = 2.0 * (speed_rpm - speeds[0]) / (speeds[-1] - speeds[0]) - 1.0
    up = 2.0 * (load - loads[0]) / (loads[-1] - loads[0]) - 1.0
    bends = [1.5 * across**2 - 0.5, across * up, 1.5 * up**2 - 0.5]
    columns = [np.ones_like(across), across, up, *bends]
    assert len(columns) == BROAD
    return columns


def extend_evidence(
    evidence: Evidence,
    settings: Settings,
    bank: int,
    makers: Sequence[ColumnMaker],
    widening: float,
) -> tuple[Extended, list[bool]]:
    """The same from evidence alone: a column that depends on speed and load only is, within the
    table's own interpolation, a pattern over its cells."""
    scene = CellScene(settings, bank)
    table = settings.banks[bank].table
    columns = [maker(scene) for maker in makers]
    broad = broad_of(table.speed_rpm, table.load, scene.seen.speed_rpm, scene.seen.load)
    whole = [np.zeros(scene.count) if c is None else np.asarray(c) for c in columns]
    G = np.stack([*broad, *whole], axis=1)
    m = moments(evidence)
    n = scene.count
    side = m.H[:, :n] @ G
    H = np.block([[m.H, side], [side.T, G.T @ m.H[:n, :n] @ G]])
    b = np.concatenate([m.b, G.T @ m.b[:n]])
    ext = Extended(H, b, m.square, m.weight, widening, evidence.n_terms, len(columns))
    return ext, [c is not None for c in columns]
