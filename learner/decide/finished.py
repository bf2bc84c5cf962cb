"""When is a table good enough? A rule in plain words, for the ground that is wanted.

The ground is what the description's goal names, or all cells of the axes where it names nothing. A
table is finished when most of its ground was visited and every region of it that was run is
finished. That is so when the 95 % bound on its remaining fuelling error, weighted by the time spent
in its cells, is below the target, or when the next pass is predicted to change nothing there by
more than one storage step. Otherwise the rule says how many more minutes the region needs: the
standard error falls with the root of the time. Idling can never be enough: however narrow the goal,
a part of the whole table has to be visited, too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import LIMITED, SATURATED, Proposal
from breathmap.learner.exact.solve import ONE_SAMPLE, Solution
from breathmap.learner.words.description import Axes, Goal, Storage

Array = NDArray[np.float64]

# Two-sided 95 % of a normal distribution.
Z95 = 1.959964
TARGET = 0.02
# A region with less of the time than this does not matter, unless a goal names it.
LEAST_SHARE = 0.02
# Part of the ground that may stay unvisited where a goal names it: its corners may be out of reach.
# All axes always hold much that no engine reaches: half an hour on the road leaves 30 %, ten
# minutes 50 % (simulated; tests/job/test_idling.py). Both common practice, no source.
MOST_UNVISITED_OF_GOAL = 0.1
MOST_UNVISITED_OF_AXES = 0.5
# Part of the whole table that has to be visited, whatever the goal. Idling visits some 4 %, on the
# coarsest tables four cells of 36 (common practice, no source).
LEAST_VISITED = 0.25
# Nothing is divided by less.
TINY = 1e-12
REGIONS_OF_SPEED = 4
REGIONS_OF_LOAD = 3


@dataclass(frozen=True)
class Region:
    """A block of cells. speed_rpm, load: from and to. minutes: used time in it; share of all used
    time. bound: 95 % bound on the remaining fuelling error, a fraction, weighted by time. worst:
    that of its worst visited cell. limit: what the bound must come below. more_minutes: needed
    there, 0 when finished. needs_pass: cells that this pass may not move all the way (limited) keep
    it from being finished. saturated: cells that cannot be stored keep it from ever being."""

    speed_rpm: tuple[float, float]
    load: tuple[float, float]
    minutes: float
    share: float
    bound: float
    worst: float
    limit: float
    more_minutes: float
    needs_pass: bool
    saturated: bool

    @property
    def finished(self) -> bool:
        """True when the bound is below the limit."""
        return self.bound <= self.limit


@dataclass(frozen=True)
class Judgement:
    """regions: those of the ground that matter, most time first. is_goal: a goal names the ground.
    cells: of the ground. unvisited: those of them with less than one independent sample.
    most_unvisited: so many may be. visited, least_visited: cells of the whole table that were, and
    that have to be at least."""

    regions: list[Region]
    is_goal: bool
    cells: int
    unvisited: int
    most_unvisited: int
    visited: int
    least_visited: int

    @property
    def roamed(self) -> bool:
        """True when enough of the ground, and of the whole table, was visited."""
        return self.unvisited <= self.most_unvisited and self.visited >= self.least_visited

    @property
    def finished(self) -> bool:
        """True when enough was visited and every region that matters is finished."""
        return (
            self.roamed and bool(self.regions) and all(region.finished for region in self.regions)
        )


def ground_of(axes: Axes, goal: Goal) -> NDArray[np.bool_]:
    """Return which cells the goal names, all where it names none; shape (loads, speeds).

    Where a range lies between two breakpoints, the cells on both sides are meant.
    """
    inside = []
    for points, ends in ((axes.load, goal.load), (axes.speed_rpm, goal.speed_rpm)):
        values = np.asarray(points)
        low, high = (ends[0], ends[-1]) if ends else (values[0], values[-1])
        within = (values >= low) & (values <= high)
        if not within.any():
            above = int(np.searchsorted(values, low))
            within[max(above - 1, 0) : above + 1] = True
        inside.append(within)
    return np.asarray(np.outer(inside[0], inside[1]))


def remaining_error(old_pct: Array, new_pct: Array, solution: Solution) -> Array:
    """Return the fuelling error expected to remain, new / true - 1; positive is rich."""
    return np.asarray(new_pct / (old_pct * (1.0 + solution.correction)) - 1.0)


def judge(
    cells_pct: Sequence[float],
    solution: Solution,
    proposal: Proposal,
    axes: Axes,
    storage: Storage,
    used_s: float,
    target: float = TARGET,
    goal: Goal | None = None,
) -> Judgement:
    """Judge one bank as it will be once the proposal is in the controller.

    cells_pct: the table learned on, flat. used_s: time of all used samples, s. target: a fraction.
    goal: where it names speeds or loads, only they count.
    """
    goal = goal or Goal()
    is_goal = goal.speed_rpm is not None or goal.load is not None
    ground = ground_of(axes, goal)
    old = np.asarray(cells_pct, dtype=np.float64).reshape(ground.shape)
    left = remaining_error(old, proposal.cells_pct, solution)
    time = solution.coverage * (used_s / 60.0 / max(float(solution.coverage.sum()), TINY))
    time[~ground] = 0.0
    total = float(time.sum())
    regions = []
    for rows in _parts(len(axes.load), REGIONS_OF_LOAD):
        for columns in _parts(len(axes.speed_rpm), REGIONS_OF_SPEED):
            block = np.ix_(rows, columns)
            minutes = float(time[block].sum())
            share = minutes / total if total else 0.0
            if minutes == 0.0 or (share < LEAST_SHARE and not is_goal):
                continue
            weights = time[block] / minutes
            regions.append(
                _region(
                    (axes.speed_rpm[columns[0]], axes.speed_rpm[columns[-1]]),
                    (axes.load[rows[0]], axes.load[rows[-1]]),
                    weights,
                    left[block],
                    solution.standard_error[block],
                    solution.coverage[block] >= ONE_SAMPLE,
                    proposal.decisions[block],
                    float((weights * old[block]).sum()),
                    share,
                    minutes,
                    storage.step_pct,
                    target,
                )
            )
    visited = solution.coverage >= ONE_SAMPLE
    may_be = MOST_UNVISITED_OF_GOAL if is_goal else MOST_UNVISITED_OF_AXES
    return Judgement(
        sorted(regions, key=lambda region: -region.share),
        is_goal=is_goal,
        cells=int(ground.sum()),
        unvisited=int((ground & ~visited).sum()),
        most_unvisited=int(may_be * ground.sum()),
        visited=int(visited.sum()),
        least_visited=int(np.ceil(LEAST_VISITED * visited.size)),
    )


def _parts(count: int, most: int) -> list[list[int]]:
    """Cut 0 ... count-1 into at most `most` runs of nearly equal length."""
    return [part.tolist() for part in np.array_split(np.arange(count), min(most, count))]


def _region(
    speed_rpm: tuple[float, float],
    load: tuple[float, float],
    weights: Array,
    left: Array,
    errors: Array,
    visited: NDArray[np.bool_],
    decisions: NDArray[np.str_],
    mean_ve_pct: float,
    share: float,
    minutes: float,
    step_pct: float,
    target: float,
) -> Region:
    limit = max(target, step_pct / mean_ve_pct)
    bounds = np.abs(left) + Z95 * errors
    bound = float(np.sqrt((weights * bounds**2).sum()))
    worst = float(bounds[visited].max(initial=bound))
    # What more time cannot remove in this pass.
    stuck = np.isin(decisions, [LIMITED, SATURATED])
    fixed = float((weights * left**2)[stuck].sum())
    spread = float((weights * (Z95 * errors) ** 2).sum())
    more = 0.0
    needs_pass = fixed > (0.7 * limit) ** 2
    if bound > limit and not needs_pass:
        more = max(1.0, minutes * (spread / (limit**2 - fixed) - 1.0))
    saturated = needs_pass and bool((decisions[stuck] == SATURATED).any())
    return Region(speed_rpm, load, minutes, share, bound, worst, limit, more, needs_pass, saturated)
