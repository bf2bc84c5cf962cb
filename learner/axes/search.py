"""Better axes: where to put so many breakpoints that tables on them leave least.

Where breakpoints belong follows at first from the curvature of what was learned: linear
interpolation over a step h leaves in the mean h^4 f''^2 / 720 (its remainder, any numerical
analysis textbook), so that along one axis alone the best of all choices is found by dynamic
programming. From there single breakpoints move by the controller's own steps as long as the exact
loss of the whole table falls.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from breathmap.learner.axes.grid import Grid
from breathmap.learner.axes.limit import Surfaces, loss

Array = NDArray[np.float64]
Axis = Literal["speed", "load"]
AXES: tuple[Axis, Axis] = ("speed", "load")

# A step of the new axis is at most so many of the old one's there, and at least so much of one: no
# ground loses its breakpoints, whatever was learned of it (ours, no source).
WIDEST_STEP = 2.2
NARROWEST_STEP = 0.4
# How far a breakpoint moves at once, in the controller's steps; from far to near.
STRIDES = (8, 4, 2, 1)
MOST_ROUNDS = 3
# A move that gains less than this part of the loss is not worth another breakpoint's look.
LEAST_GAIN = 1e-3
# Steps of an axis in which one more breakpoint is tried exactly, the costliest first.
GAPS_TRIED = 6

Progress = Callable[[], None]


@dataclass(frozen=True)
class Steps:
    """The steps in which a controller's axes can be entered."""

    speed_rpm: float = 50.0
    load: float = 1.0

    def of(self, axis: Axis) -> float:
        """Return the step of one axis."""
        return self.speed_rpm if axis == "speed" else self.load


def points_of(grid: Grid, axis: Axis) -> tuple[float, ...]:
    """Return the breakpoints of one axis."""
    return grid.speed_rpm if axis == "speed" else grid.load


def with_points(grid: Grid, axis: Axis, points: Sequence[float]) -> Grid:
    """Return the grid with other breakpoints on one axis."""
    if axis == "speed":
        return Grid(tuple(points), grid.load)
    return Grid(grid.speed_rpm, tuple(points))


class Search:
    """Searches for axes of one engine. surfaces: of every bank. present: the grid that it has.
    progress: called after each new grid that was looked at."""

    def __init__(
        self,
        surfaces: Sequence[Surfaces],
        present: Grid,
        steps: Steps,
        progress: Progress = lambda: None,
    ) -> None:
        self.surfaces = surfaces
        self.present = present
        self.steps = steps
        self._progress = progress
        self._known: dict[Grid, float] = {}
        self._bends = {axis: self._bend(axis) for axis in AXES}

    def loss(self, grid: Grid) -> float:
        """Return the mean square that tables on a grid are expected to leave, all banks alike."""
        if grid not in self._known:
            self._known[grid] = float(np.mean([loss(one, grid) for one in self.surfaces]))
            self._progress()
        return self._known[grid]

    def best(self) -> Grid:
        """Return the best grid found with the present numbers of breakpoints."""
        first = self.present
        for axis in AXES:
            count = len(points_of(self.present, axis))
            first = with_points(first, axis, self.spread(axis, count))
        return min((self.polished(first), self.polished(self.present)), key=self.loss)

    def spread(self, axis: Axis, count: int) -> tuple[float, ...]:
        """Return the best `count` breakpoints along one axis alone, by its curvature.

        Where the limits of their steps leave no choice, the present ones.
        """
        places = self._places(axis)
        cost = self._costs(axis, places)
        total, before = np.full((count, len(places)), np.inf), np.zeros((count, len(places)), int)
        total[0, 0] = 0.0
        for k in range(1, count):
            through = total[k - 1][:, None] + cost
            before[k] = through.argmin(axis=0)
            total[k] = through.min(axis=0)
        if not np.isfinite(total[-1, -1]):
            return points_of(self.present, axis)
        at, chosen = len(places) - 1, []
        for k in range(count - 1, -1, -1):
            chosen.append(float(places[at]))
            at = before[k, at]
        return tuple(reversed(chosen))

    def polished(self, grid: Grid, strides: Sequence[int] = STRIDES) -> Grid:
        """Move single breakpoints while the loss falls."""
        for stride in strides:
            for _ in range(MOST_ROUNDS):
                before = self.loss(grid)
                for axis in AXES:
                    for number in range(1, len(points_of(grid, axis)) - 1):
                        grid = min(self._moves(grid, axis, number, stride), key=self.loss)
                if before - self.loss(grid) <= LEAST_GAIN * before:
                    break
        return grid

    def with_one_more(self, grid: Grid, axis: Axis) -> Grid | None:
        """Return the grid with the best further breakpoint on an axis; None where none fits."""
        points = points_of(grid, axis)
        places = self._places(axis)
        grids = []
        for low, high in self._costliest(grid, axis)[:GAPS_TRIED]:
            between = places[(places > low) & (places < high)].tolist()
            fitting = [p for p in between if self._fits(axis, sorted([*points, p]))]
            tried = {fitting[0], fitting[len(fitting) // 2], fitting[-1]} if fitting else set()
            grids += [with_points(grid, axis, sorted([*points, p])) for p in sorted(tried)]
        return min(grids, key=self.loss) if grids else None

    def _costliest(self, grid: Grid, axis: Axis) -> list[tuple[float, float]]:
        """Return the steps of an axis, those first that leave most by their curvature."""
        points = points_of(grid, axis)
        at, bend = self._bends[axis]
        area = np.interp(points, at, _sum_up(bend, at))
        left = np.diff(points) ** 4 * np.diff(area)
        return [(points[k], points[k + 1]) for k in np.argsort(-left).tolist()]

    def with_one_less(self, grid: Grid, axis: Axis) -> Grid | None:
        """Return the grid without the breakpoint that is missed least; None where none may go."""
        points = points_of(grid, axis)
        rests = [[*points[:k], *points[k + 1 :]] for k in range(1, len(points) - 1)]
        grids = [with_points(grid, axis, rest) for rest in rests if self._fits(axis, rest)]
        return min(grids, key=self.loss) if grids else None

    def _moves(self, grid: Grid, axis: Axis, number: int, stride: int) -> Iterator[Grid]:
        yield grid
        points = list(points_of(grid, axis))
        step = self.steps.of(axis)
        for sign in (-1, 1):
            there = step * round((points[number] + sign * stride * step) / step)
            moved = [*points[:number], there, *points[number + 1 :]]
            if self._fits(axis, moved):
                yield with_points(grid, axis, moved)

    def _fits(self, axis: Axis, points: Sequence[float]) -> bool:
        """Return whether no step is wider or narrower than it may be."""
        steps = np.diff(self._in_old_steps(axis, np.asarray(points)))
        return bool((steps <= WIDEST_STEP).all() and (steps >= NARROWEST_STEP).all())

    def _in_old_steps(self, axis: Axis, places: Array) -> Array:
        """Return where places lie, counted in the present axis's breakpoints."""
        old = points_of(self.present, axis)
        return np.interp(places, old, np.arange(len(old)))

    def _places(self, axis: Axis) -> Array:
        """Return the places that a breakpoint may take, the axis's ends among them."""
        points, step = points_of(self.present, axis), self.steps.of(axis)
        inner = step * np.arange(np.ceil(points[0] / step), np.floor(points[-1] / step) + 1)
        inner = inner[(inner > points[0]) & (inner < points[-1])]
        return np.concatenate([[points[0]], inner, [points[-1]]])

    def _bend(self, axis: Axis) -> tuple[Array, Array]:
        """Return places along an axis, and the weighted mean square of the second derivative of
        relative VE there, per unit of length."""
        at = np.asarray(points_of(self.surfaces[0].points, axis))
        total = np.zeros(len(at))
        for one in self.surfaces:
            ve = one.ratios[:, 1:].reshape(*one.points.shape, -1) * one.mean_pct[..., None]
            along = 1 if axis == "speed" else 0
            slope = np.gradient(ve, at, axis=along)
            second = np.gradient(slope, at, axis=along) / one.mean_pct[..., None]
            weighted = one.spread.reshape(one.points.shape) * (second**2).mean(axis=2)
            total += weighted.sum(axis=1 - along)
        return at, total / np.gradient(at)

    def _costs(self, axis: Axis, places: Array) -> Array:
        """Return what a step from one place to another leaves; infinite where it may not be."""
        at, bend = self._bends[axis]
        up_to = np.interp(places, at, _sum_up(bend, at))
        width = places[None, :] - places[:, None]
        steps = self._in_old_steps(axis, places)
        count = steps[None, :] - steps[:, None]
        may_be = (count <= WIDEST_STEP) & (count >= NARROWEST_STEP)
        return np.where(may_be, width**4 / 720.0 * (up_to[None, :] - up_to[:, None]), np.inf)


def _sum_up(values: Array, at: Array) -> Array:
    """Return the integral from the first place to each, by trapezoids."""
    return np.asarray(cumulative_trapezoid(values, at, initial=0), dtype=np.float64)
