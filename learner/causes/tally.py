"""A recording's normal equations with the broad shape and the causes' columns. Host only.

Streams the kept samples once more, in stretches, with the weights that the learner gave; several
hypotheses of what was measured (as it is, the sensors exchanged, a slower sensor) each have sums of
their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.odds import BROAD, Extended
from breathmap.learner.causes.scene import (
    CellScene,
    ColumnMaker,
    PulseFit,
    Scene,
    air_term,
    fit_pulse,
)
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import Settings
from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.replay import sums_of

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

    @cached_property
    def air(self) -> Array:
        """What the controller makes fuel of, (n,)."""
        return air_term(self.samples, self.settings)

    @cached_property
    def pulse(self) -> PulseFit | None:
        """The pulse width, taken apart."""
        return fit_pulse(self.samples, self.settings, self.air)

    def used(self, bank: int, by_both: bool) -> tuple[Rows, Array]:
        """The rows that a bank used and their weights; by_both: those that the first two banks
        used, at the lower weight."""
        if not by_both:
            return self.rows[bank], self.weights[bank]
        rows, first, second = np.intersect1d(self.rows[0], self.rows[1], return_indices=True)
        return rows, np.minimum(self.weights[0][first], self.weights[1][second])


@dataclass(frozen=True)
class Reading:
    """One way to read a bank's samples. lag: factor on the sensor's lag. by_both: over the rows
    that the first two banks used. makers: of the columns to sum up besides. widening: on the
    variance of one observation."""

    widening: float
    makers: tuple[ColumnMaker, ...] = ()
    lag: float = 1.0
    by_both: bool = False


def extend(
    ride: Ride, bank: int, readings: Sequence[Reading], pulse: PulseFit | None
) -> list[tuple[Extended, list[bool]]]:
    """Sum one bank up, as each reading has it; and which of its columns could be made from these
    samples. What readings share is made once for all of them."""
    mean_intake_c = ride.mean_intake_c
    used = [ride.used(bank, reading.by_both) for reading in readings]
    totals: list[Extended | None] = [None] * len(readings)
    known = [[True] * len(reading.makers) for reading in readings]
    for start in range(0, len(ride.samples), STRETCH):
        end = min(start + STRETCH, len(ride.samples))
        scene = Scene(ride.samples[start:end], bank, ride.settings, pulse, mean_intake_c)
        for k, (reading, (rows, weights)) in enumerate(zip(readings, used, strict=True)):
            inside = slice(*np.searchsorted(rows, [start, end]))
            if inside.start == inside.stop:
                continue
            seen = scene.slower(reading.lag)
            columns = [maker(seen) for maker in reading.makers]
            known[k] = [a and c is not None for a, c in zip(known[k], columns, strict=True)]
            part = _sum_up(seen, rows[inside] - start, weights[inside], columns, reading)
            whole = totals[k]
            totals[k] = part if whole is None else whole + part
    found = [one for one in totals if one is not None]
    if len(found) < len(readings):
        raise ValueError("no sample of this bank was used")
    return list(zip(found, known, strict=True))


def _sum_up(
    scene: Scene,
    rows: Rows,
    weights: Array,
    columns: Sequence[Array | None],
    reading: Reading,
) -> Extended:
    seen, table = scene.seen, scene.replay.bank.table
    d = seen.d[rows]
    broad = broad_of(table.speed_rpm, table.load, seen.speed_rpm[rows], seen.load[rows])
    whole = [np.zeros(len(rows)) if c is None else np.asarray(c)[rows] for c in columns]
    terms = np.column_stack([seen.terms[rows], *broad, *whole])
    # The learner's own gates let nothing through that is not finite; what is left here is at the
    # seams of a stretch.
    good = np.isfinite(d) & np.isfinite(terms.sum(axis=1))
    if not good.all():
        rows, weights, terms, d = rows[good], weights[good], terms[good], d[good]
    H, b = sums_of(seen.index[rows], seen.shares[rows], terms, d, weights, table)
    return Extended(
        H=H,
        b=b,
        square=float((weights * d**2).sum()),
        weight=float(weights.sum()),
        widening=reading.widening,
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
    evidence: Evidence, settings: Settings, bank: int, reading: Reading
) -> tuple[Extended, list[bool]]:
    """The same from evidence alone: a column that depends on speed and load only is, within the
    table's own interpolation, a pattern over its cells."""
    scene = CellScene(settings, bank)
    table = settings.banks[bank].table
    columns = [maker(scene) for maker in reading.makers]
    broad = broad_of(table.speed_rpm, table.load, scene.seen.speed_rpm, scene.seen.load)
    whole = [np.zeros(scene.count) if c is None else np.asarray(c) for c in columns]
    G = np.stack([*broad, *whole], axis=1)
    m = moments(evidence)
    n = scene.count
    side = m.H[:, :n] @ G
    H = np.block([[m.H, side], [side.T, G.T @ m.H[:n, :n] @ G]])
    b = np.concatenate([m.b, G.T @ m.b[:n]])
    ext = Extended(H, b, m.square, m.weight, reading.widening, evidence.n_terms, len(columns))
    return ext, [c is not None for c in columns]
