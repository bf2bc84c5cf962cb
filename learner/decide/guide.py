"""Where to go next: the ground whose next minute lowers the expected fuelling error most. Host
only.

The expected fuelling error is the posterior standard deviation of the interpolated table, rms over
the ground and over the banks; what no running lowers (the model's own error, the coarseness of the
table) is left out. A minute somewhere adds known information there (A-optimal design:
Atkinson, Donev & Tobias, Optimum Experimental Designs, 2007), so what it will bring is known
beforehand, and so are the minutes that are left when the best is done again and again.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.prior import Prior
from breathmap.learner.exact.solve import Solution

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A region is so many squares wide and high: with 2, advice is blunter and the way longer.
REGION_SQUARES = 1
MOST_MINUTES = 240.0
# The prior's scales are found from the data, and from few squares they are a guess that is often
# far too sure. So the guide draws them towards what a table is usually wrong by, as if that had
# been seen in so many independent cells: else a handful of points could pass for a whole table.
USUAL_TABLE_SD, USUAL_ROUGHNESS, USUAL_CELLS = 0.08, 0.05, 20.0
# Points of a square at which the error is looked at, along each side.
PLACES = (0.25, 0.75)
# Mean of v v' over a square is the Kronecker square of this (v bilinear, VE near enough level).
_LINE = np.array([[1.0 / 3.0, 1.0 / 6.0], [1.0 / 6.0, 1.0 / 3.0]])


@dataclass(frozen=True)
class Region:
    """Squares of the table: columns and rows of their lower-left cells, ends excluded."""

    column: int
    column_end: int
    row: int
    row_end: int


@dataclass(frozen=True)
class Advice:
    """What to do next.

    region: None when the goal is reached or there is no ground. error, error_after: expected
    fuelling error over the ground now, and after one more minute there, fractions.
    minutes_left: to the goal, following the advice; infinite beyond MOST_MINUTES.
    """

    region: Region | None
    error: float
    error_after: float
    minutes_left: float


@dataclass(frozen=True)
class BankKnowledge:
    """What one bank knows: covariance of its cells (n, n); the information per unit of weight that
    more samples will bring, 1 / (variance of one observation times widening); the cells that any
    observation touched, shape (load_count, speed_count)."""

    covariance: Array
    information: float
    visited: Mask


def knowledge(evidence: Evidence, solution: Solution) -> BankKnowledge:
    """Return what an evidence says now, under the noise that `solution` found and a prior no surer
    than the evidence allows (see USUAL_CELLS)."""
    m = moments(evidence)
    information = 1.0 / (solution.noise**2 * solution.widening)
    prior = Prior(evidence.load_count, evidence.speed_count, evidence.n_terms)
    shape = (evidence.load_count, evidence.speed_count)
    n = shape[0] * shape[1]
    seen = m.H * information
    found = prior.matrix(solution.table_sd, solution.roughness)
    shrunk = float(np.trace((np.linalg.inv(seen + found) @ found)[:n, :n]))
    # Parameters that the data determine (MacKay, Neural Computation 4, 1992).
    determined = max(n - shrunk, 0.0)
    believed = prior.matrix(
        _drawn(solution.table_sd, USUAL_TABLE_SD, determined),
        _drawn(solution.roughness, USUAL_ROUGHNESS, determined),
    )
    visited = (np.diag(m.H)[:n] > 0.0).reshape(shape)
    covariance = np.asarray(np.linalg.inv(seen + believed)[:n, :n], np.float64)
    return BankKnowledge(covariance, information, visited)


def _drawn(found: float, usual: float, determined: float) -> float:
    total = determined + USUAL_CELLS
    return float(np.sqrt((determined * found**2 + USUAL_CELLS * usual**2) / total))


def reached_ground(banks: Sequence[BankKnowledge], wanted: Mask) -> Mask:
    """Return the squares to care about, shape (load_count - 1, speed_count - 1): those wanted that
    some bank has visited, and their neighbours. Everything wanted before the first sample."""
    seen = np.zeros_like(wanted)
    for bank in banks:
        cells = bank.visited
        seen |= cells[:-1, :-1] & cells[1:, :-1] & cells[:-1, 1:] & cells[1:, 1:]
    seen &= wanted
    if not seen.any():
        return wanted.copy()
    rows, columns = wanted.shape
    padded = np.pad(seen, 1)
    near = np.zeros_like(seen)
    for up in range(3):
        for right in range(3):
            near |= padded[up : up + rows, right : right + columns]
    return near & wanted


class Patience:
    """Finds out which ground cannot be reached: advised for `limit_s` in all, and nothing landed.

    aside: the squares given up, shape (load_count - 1, speed_count - 1); add to it what somebody
    says. Time counts by square and in all, because advice wanders among neighbours that are as
    good.
    """

    def __init__(self, load_count: int, speed_count: int, limit_s: float) -> None:
        self.limit_s = limit_s
        self.aside: Mask = np.zeros((load_count - 1, speed_count - 1), dtype=np.bool_)
        self._waited_s = np.zeros(self.aside.shape)

    def take(self, advised: Region | None, seconds: float, landed: Mask) -> None:
        """Tell for how long a region was advised, and in which squares something landed then."""
        if advised is not None:
            squares = np.s_[advised.row : advised.row_end, advised.column : advised.column_end]
            self._waited_s[squares] += seconds
        self._waited_s[landed] = 0.0
        self.aside |= self._waited_s >= self.limit_s

    def bring_back(self) -> None:
        """Forget all of it."""
        self.aside[:] = False
        self._waited_s[:] = 0.0


class Guide:
    """Gives advice for one table's shape.

    load_count, speed_count: shape of the table. goal: expected error to come below, a fraction.
    region_squares: side of a region.
    """

    def __init__(
        self, load_count: int, speed_count: int, goal: float, region_squares: int = REGION_SQUARES
    ) -> None:
        self.shape = (load_count - 1, speed_count - 1)
        self.goal = goal
        self._cells = load_count * speed_count
        self._width = speed_count
        side_row = min(region_squares, self.shape[0])
        side_column = min(region_squares, self.shape[1])
        self.regions = [
            Region(column, column + side_column, row, row + side_row)
            for row in range(self.shape[0] - side_row + 1)
            for column in range(self.shape[1] - side_column + 1)
        ]

    def advise(
        self,
        banks: Sequence[BankKnowledge],
        ground: Mask,
        allowed: Mask,
        minute_weight: float,
        with_minutes: bool = True,
    ) -> Advice:
        """Return where to go next; without the minutes left (infinite then) it takes less time.

        ground: squares whose error counts. allowed: squares that can be gone to. minute_weight:
        weight that one minute of running there adds, as it has been so far.
        """
        if not ground.any() or not banks:
            return Advice(None, 0.0, 0.0, 0.0)
        looked_at = self._points(ground)
        weighing = looked_at.T @ looked_at / len(looked_at)
        covariances = [bank.covariance for bank in banks]
        error = self._error(covariances, weighing)
        regions = [r for r in self.regions if self._squares(r, allowed & ground)]
        if error <= self.goal or not regions or minute_weight <= 0.0:
            left = 0.0 if error <= self.goal else float("inf")
            return Advice(None, error, error, left)
        factors = [self._factor(region, allowed & ground) for region in regions]
        gains = [bank.information * minute_weight for bank in banks]
        best = self._best(covariances, weighing, factors, gains)
        after = [_added(c, factors[best], gain) for c, gain in zip(covariances, gains, strict=True)]
        error_after = self._error(after, weighing)
        left = float("inf")
        if with_minutes:
            left = self._minutes_left(covariances, weighing, factors, gains)
        return Advice(regions[best], error, error_after, left)

    def expected_error(self, banks: Sequence[BankKnowledge], ground: Mask) -> float:
        """Return the expected fuelling error over the ground, a fraction."""
        points = self._points(ground)
        return self._error([b.covariance for b in banks], points.T @ points / len(points))

    def _error(self, covariances: Sequence[Array], weighing: Array) -> float:
        total = sum(float(np.sum(c * weighing)) for c in covariances)
        return float(np.sqrt(max(total, 0.0) / len(covariances)))

    def _corners(self, row: int, column: int) -> list[int]:
        at = row * self._width + column
        return [at, at + 1, at + self._width, at + self._width + 1]

    def _points(self, ground: Mask) -> Array:
        """Bilinear weights (m, cells) of the places looked at."""
        rows = []
        for row, column in np.argwhere(ground).tolist():
            for up in PLACES:
                for right in PLACES:
                    line = np.zeros(self._cells)
                    line[self._corners(row, column)] = np.kron([1 - up, up], [1 - right, right])
                    rows.append(line)
        return np.array(rows)

    def _squares(self, region: Region, allowed: Mask) -> list[tuple[int, int]]:
        return [
            (row, column)
            for row in range(region.row, region.row_end)
            for column in range(region.column, region.column_end)
            if allowed[row, column]
        ]

    def _factor(self, region: Region, allowed: Mask) -> tuple[NDArray[np.intp], Array]:
        """Cells touched, and F with F F' = mean of v v' over the region's allowed squares."""
        squares = self._squares(region, allowed)
        touched = sorted({cell for square in squares for cell in self._corners(*square)})
        moment = np.zeros((len(touched), len(touched)))
        for square in squares:
            places = np.searchsorted(touched, self._corners(*square))
            moment[np.ix_(places, places)] += np.kron(_LINE, _LINE) / len(squares)
        return np.array(touched, dtype=np.intp), np.asarray(np.linalg.cholesky(moment), np.float64)

    def _best(
        self,
        covariances: Sequence[Array],
        weighing: Array,
        factors: Sequence[tuple[NDArray[np.intp], Array]],
        gains: Sequence[float],
    ) -> int:
        """The region whose gain in information lowers the summed variance most."""
        drops = np.zeros(len(factors))
        for covariance, gain in zip(covariances, gains, strict=True):
            spread = covariance @ weighing @ covariance
            for k, (cells, factor) in enumerate(factors):
                block = np.ix_(cells, cells)
                inner = np.eye(factor.shape[1]) / gain + factor.T @ covariance[block] @ factor
                outer = factor.T @ spread[block] @ factor
                drops[k] += float(np.trace(np.linalg.solve(inner, outer)))
        return int(np.argmax(drops))

    def _minutes_left(
        self,
        covariances: Sequence[Array],
        weighing: Array,
        factors: Sequence[tuple[NDArray[np.intp], Array]],
        gains: Sequence[float],
    ) -> float:
        """Follow the advice in thought, in steps that grow with the time gone."""
        now = [c.copy() for c in covariances]
        minutes = 0.0
        while self._error(now, weighing) > self.goal:
            if minutes >= MOST_MINUTES:
                return float("inf")
            step = max(0.25, 0.05 * minutes)
            shares = [gain * step for gain in gains]
            best = self._best(now, weighing, factors, shares)
            now = [_added(c, factors[best], s) for c, s in zip(now, shares, strict=True)]
            minutes += step
        return minutes


def _added(covariance: Array, factor: tuple[NDArray[np.intp], Array], gain: float) -> Array:
    """The covariance after information `gain` times F F' (Woodbury's identity)."""
    cells, root = factor
    columns = covariance[:, cells] @ root
    inner = np.eye(root.shape[1]) / gain + root.T @ covariance[np.ix_(cells, cells)] @ root
    return np.asarray(covariance - columns @ np.linalg.solve(inner, columns.T))
