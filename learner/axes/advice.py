"""Advice on a table's axes: what the present ones cost, which would be better, and how many.

Everything is weighted by where the engine ran, on ground that was learned, and every number has its
error: that of the draws, and the distance between what is expected and what the mean alone shows,
whichever is known less. A gain within twice its error is none that can be told yet. Whether axes
are worth it is judged by what still shows of the gain beside the rounding of cells, which no axes
take away: squares add, and a small gain drowns in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.axes.grid import Grid
from breathmap.learner.axes.limit import Fit, Left, Surfaces, fit, rms_left
from breathmap.learner.axes.search import AXES, Axis, Search, points_of, with_points

Array = NDArray[np.float64]

# Order of the differences that the finer grid's prior holds small: breathing bends slowly between
# its points. Measured: python -m breathmap.tools.bench.axes
FINE_DIFFERENCES = 3
Z95 = 1.959964
# A gain below either is not worth new axes: a fraction of the fuel, and a part of what is left now.
WORTH = 0.0005
WORTH_PART = 0.1
# The curve's ends: so many breakpoints fewer and more than the present number.
FEWER = 2
MORE = 3
# How many of the costliest steps of an axis are told.
COSTLIEST_STEPS = 3

Verdict = Literal["worth it", "not worth it", "cannot tell yet"]
WORTH_IT: Verdict = "worth it"
NOT_WORTH_IT: Verdict = "not worth it"
CANNOT_TELL: Verdict = "cannot tell yet"


@dataclass(frozen=True)
class Worst:
    """The largest error where the engine ran: a fraction of the fuel, positive is rich."""

    left: Left
    bank: int
    speed_rpm: float
    load: float


@dataclass(frozen=True)
class Choice:
    """A grid, and what the best tables on it leave: rms, worst. gain: of rms, against the grid that
    it is compared with; verdict: on that gain."""

    grid: Grid
    rms: Left
    worst: Worst
    gain: Left
    verdict: Verdict


@dataclass(frozen=True)
class AxisCost:
    """What one axis leaves where the other is as fine as can be. steps: its costliest, from, to and
    part of the mean square; the most first."""

    axis: Axis
    rms: Left
    steps: list[tuple[float, float, float]]


@dataclass(frozen=True)
class Further:
    """Another number of breakpoints on one axis. place: where the one more would be, None for
    fewer. choice: compared with one fewer, or where there are fewer, with one more."""

    axis: Axis
    count: int
    place: float | None
    choice: Choice


@dataclass(frozen=True)
class Advice:
    """Everything that is told. known: rms standard error of the breathing itself, a fraction.
    rounding: rms of what cells in whole steps leave on any axes, a fraction.
    share_known: part of the time on ground that was learned. present: compared with itself. best:
    compared with the present. one_more: on the present axes, compared with the present.
    curve: on the best axes, by axis and number."""

    known: float
    rounding: float
    share_known: float
    present: Choice
    costs: list[AxisCost]
    best: Choice
    one_more: list[Further]
    curve: list[Further]


def verdict_on(gain: Left, present: Left, rounding: float = 0.0) -> Verdict:
    """Return what to say of a gain. present: what is left without it. rounding: see `Advice`."""
    after = max(present.value - gain.value, 0.0)
    before_all, after_all = np.hypot(present.value, rounding), np.hypot(after, rounding)
    # Of a change from one to the other, this part shows.
    part = (present.value + after) / max(before_all + after_all, 1e-30)
    shown, error = part * gain.value, part * gain.error
    enough = max(WORTH, WORTH_PART * before_all)
    if shown >= enough:
        return WORTH_IT if shown > Z95 * error else CANNOT_TELL
    return NOT_WORTH_IT if shown + Z95 * error < 2.0 * enough else CANNOT_TELL


def rounding_of(surfaces: Sequence[Surfaces], step_pct: float) -> float:
    """Return the rms of what cells in whole steps leave, a fraction of the fuel: each is off by up
    to half a step, evenly, and a point between four of them by 4/9 of that variance in the mean."""
    squares = [one.weights @ (1.0 / one.mean_pct.ravel() ** 2) for one in surfaces]
    return float(np.sqrt(step_pct**2 / 12.0 * 4.0 / 9.0 * np.mean(squares)))


def advise(
    search: Search, share_known: float, with_curve: bool = True, step_pct: float = 0.0
) -> Advice:
    """Return the advice. search: made with every bank's surfaces; share_known: see `Advice`.

    with_curve: False leaves out all but the present and the best, which takes less time. step_pct:
    in which the controller stores VE.
    """
    weigh = _Weigh(search.surfaces, rounding_of(search.surfaces, step_pct))
    here = weigh.choice(search.present, search.present)
    better = search.best()
    best = weigh.choice(better, search.present)
    one_more, curve = [], []
    if with_curve:
        one_more = [
            further
            for axis in AXES
            for further in _more(search, weigh, search.present, axis, 1, polish=False)
        ]
        for axis in AXES:
            curve += _fewer(search, weigh, better, axis)
            curve += _more(search, weigh, better, axis, MORE, polish=True)
    costs = [weigh.cost(search.present, axis) for axis in AXES]
    return Advice(weigh.known(), weigh.rounding, share_known, here, costs, best, one_more, curve)


def _more(
    search: Search, weigh: "_Weigh", grid: Grid, axis: Axis, count: int, polish: bool
) -> list[Further]:
    """Return one more breakpoint after the other."""
    found: list[Further] = []
    for _ in range(count):
        larger = search.with_one_more(grid, axis)
        if larger is None:
            break
        (place,) = set(points_of(larger, axis)) - set(points_of(grid, axis))
        if polish:
            larger = search.polished(larger, (2,))
        number = len(points_of(larger, axis))
        found.append(Further(axis, number, place, weigh.choice(larger, grid)))
        grid = larger
    return found


def _fewer(search: Search, weigh: "_Weigh", grid: Grid, axis: Axis) -> list[Further]:
    """Return one breakpoint fewer after the other, fewest first."""
    found: list[Further] = []
    for _ in range(FEWER):
        smaller = search.with_one_less(grid, axis)
        if smaller is None:
            break
        smaller = search.polished(smaller, (2,))
        # What the breakpoint that is left out is worth.
        choice = weigh.choice(smaller, smaller, against=grid)
        found.append(Further(axis, len(points_of(smaller, axis)), None, choice))
        grid = smaller
    return found[::-1]


class _Weigh:
    """Judges grids by all banks' surfaces. rounding: see `Advice`."""

    def __init__(self, surfaces: Sequence[Surfaces], rounding: float) -> None:
        self.surfaces = surfaces
        self.rounding = rounding
        self._weights = [one.weights for one in surfaces]
        self._fits: dict[Grid, list[Fit]] = {}

    def fits(self, grid: Grid) -> list[Fit]:
        """Return the best tables on a grid, by bank."""
        if grid not in self._fits:
            self._fits[grid] = [fit(one, grid) for one in self.surfaces]
        return self._fits[grid]

    def rms(self, grid: Grid) -> Array:
        """Return what each draw leaves, rms over the banks; the mean surface's comes first."""
        fits = self.fits(grid)
        plain = [w @ one.left[:, 0] ** 2 for one, w in zip(fits, self._weights, strict=True)]
        return np.concatenate([[np.sqrt(np.mean(plain))], rms_left(fits, self._weights)])

    def choice(self, grid: Grid, compared: Grid, against: Grid | None = None) -> Choice:
        """Judge a grid, its gain over the one compared, or where `against` is given, that of
        `against` over it."""
        rms = self.rms(grid)
        gain = self.rms(compared) - rms if against is None else rms - self.rms(against)
        left, won = _expected(rms), _expected(gain)
        without = _expected(self.rms(compared)) if against is None else left
        verdict = verdict_on(won, without, self.rounding)
        return Choice(grid, left, self._worst(grid), won, verdict)

    def _worst(self, grid: Grid) -> Worst:
        found: list[Worst] = []
        for bank, (one, w) in enumerate(zip(self.fits(grid), self._weights, strict=True)):
            at = int(np.argmax(np.where(w > 0.0, np.abs(one.left[:, 0]), -1.0)))
            points = self.surfaces[bank].points
            row, column = divmod(at, points.shape[1])
            left = Left(float(one.left[at, 0]), float(one.left[at, 1:].std()))
            found.append(Worst(left, bank, points.speed_rpm[column], points.load[row]))
        return max(found, key=lambda worst: abs(worst.left.value))

    def cost(self, present: Grid, axis: Axis) -> AxisCost:
        """Return what one axis costs, the other one being as fine as the points."""
        points = self.surfaces[0].points
        grid = with_points(points, axis, points_of(present, axis))
        fits = [fit(one, grid) for one in self.surfaces]
        rms = rms_left(fits, self._weights)
        squares = np.zeros(points.shape)
        for one, w in zip(fits, self._weights, strict=True):
            squares += (w * (one.left[:, 1:] ** 2).mean(axis=1)).reshape(points.shape)
        along = squares.sum(axis=0 if axis == "speed" else 1)
        axis_points = points_of(present, axis)
        step = np.clip(
            np.searchsorted(axis_points, points_of(points, axis), side="right") - 1,
            0,
            len(axis_points) - 2,
        )
        parts = np.bincount(step, along, len(axis_points) - 1) / max(along.sum(), 1e-30)
        first = np.argsort(-parts)[:COSTLIEST_STEPS].tolist()
        plain = [w @ one.left[:, 0] ** 2 for one, w in zip(fits, self._weights, strict=True)]
        left = _expected(np.concatenate([[np.sqrt(np.mean(plain))], rms]))
        steps = [(axis_points[k], axis_points[k + 1], float(parts[k])) for k in first]
        return AxisCost(axis, left, steps)

    def known(self) -> float:
        """Return the rms standard error of relative VE where the engine ran."""
        squares = [w @ one.ratios[:, 1:].var(axis=1) for one, w in
                   zip(self.surfaces, self._weights, strict=True)]  # fmt: skip
        return float(np.sqrt(np.mean(squares)))


def _expected(values: Array) -> Left:
    """Return what is expected, with its error: values of the mean surface and of the draws."""
    plain, draws = float(values[0]), values[1:]
    expected = float(draws.mean())
    return Left(expected, float(np.hypot(draws.std(), expected - plain)))
