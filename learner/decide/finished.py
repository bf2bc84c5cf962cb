"""When is a table good enough? A rule in plain words, per region of the ground that was run.

A region is finished when the 95 % bound on its remaining fuelling error, weighted by the time spent
in its cells, is below the target, or when the next pass is predicted to change nothing there by
more than one storage step. Otherwise the rule says how many more minutes the region needs: the
standard error falls with the root of the time.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import LIMITED, SATURATED, Proposal
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes, Storage

Array = NDArray[np.float64]

# Two-sided 95 % of a normal distribution.
Z95 = 1.959964
TARGET = 0.02
# A region with less of the time than this does not matter.
LEAST_SHARE = 0.02
REGIONS_OF_SPEED = 4
REGIONS_OF_LOAD = 3


@dataclass(frozen=True)
class Region:
    """A block of cells. speed_rpm, load: from and to. minutes: used time in it; share of all used
    time. bound: 95 % bound on the remaining fuelling error, a fraction. limit: what it must come
    below. more_minutes: needed there, 0 when finished. needs_pass: cells that this pass may not
    move all the way (limited) keep it from being finished. saturated: cells that cannot be stored
    keep it from ever being."""

    speed_rpm: tuple[float, float]
    load: tuple[float, float]
    minutes: float
    share: float
    bound: float
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
    """The regions that matter, most time first. finished: all of them are, and there is one."""

    regions: list[Region]

    @property
    def finished(self) -> bool:
        """True when every region that matters is finished."""
        return bool(self.regions) and all(region.finished for region in self.regions)


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
) -> Judgement:
    """Judge one bank as it will be once the proposal is in the controller.

    cells_pct: the table learned on, flat. used_s: time of all used samples, s. target: a fraction.
    """
    old = np.asarray(cells_pct, dtype=np.float64).reshape(solution.correction.shape)
    left = remaining_error(old, proposal.cells_pct, solution)
    total = float(solution.coverage.sum())
    if total <= 0.0:
        return Judgement([])
    regions = []
    for rows in _parts(len(axes.load), REGIONS_OF_LOAD):
        for columns in _parts(len(axes.speed_rpm), REGIONS_OF_SPEED):
            block = np.ix_(rows, columns)
            weights = solution.coverage[block]
            share = float(weights.sum()) / total
            if share < LEAST_SHARE:
                continue
            regions.append(
                _region(
                    (axes.speed_rpm[columns[0]], axes.speed_rpm[columns[-1]]),
                    (axes.load[rows[0]], axes.load[rows[-1]]),
                    weights / weights.sum(),
                    left[block],
                    solution.standard_error[block],
                    proposal.decisions[block],
                    float((weights * old[block]).sum() / weights.sum()),
                    share,
                    share * used_s / 60.0,
                    storage.step_pct,
                    target,
                )
            )
    return Judgement(sorted(regions, key=lambda region: -region.share))


def _parts(count: int, most: int) -> list[list[int]]:
    """Cut 0 ... count-1 into at most `most` runs of nearly equal length."""
    return [part.tolist() for part in np.array_split(np.arange(count), min(most, count))]


def _region(
    speed_rpm: tuple[float, float],
    load: tuple[float, float],
    weights: Array,
    left: Array,
    errors: Array,
    decisions: NDArray[np.str_],
    mean_ve_pct: float,
    share: float,
    minutes: float,
    step_pct: float,
    target: float,
) -> Region:
    limit = max(target, step_pct / mean_ve_pct)
    bound = float(np.sqrt((weights * (np.abs(left) + Z95 * errors) ** 2).sum()))
    # What more time cannot remove in this pass.
    stuck = np.isin(decisions, [LIMITED, SATURATED])
    fixed = float((weights * left**2)[stuck].sum())
    spread = float((weights * (Z95 * errors) ** 2).sum())
    more = 0.0
    needs_pass = fixed > (0.7 * limit) ** 2
    if bound > limit and not needs_pass:
        more = max(1.0, minutes * (spread / (limit**2 - fixed) - 1.0))
    saturated = needs_pass and bool((decisions[stuck] == SATURATED).any())
    return Region(
        speed_rpm, load, minutes, share, bound, limit, more, needs_pass, saturated
    )  # fmt: skip
