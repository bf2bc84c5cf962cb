"""From a solution to a table that a controller can store, with a decision for every cell.

The rule: no cell is leaned out so far that the mixture ends leaner than its target by more than
`Rules.lean` with a probability above `Rules.risk`. A leaner move is taken as far as that allows, a
richer one whole, and cells never visited follow their neighbours under the same rule: their
standard errors say how far the neighbours reach. `decide` says what each cell should be, `store`
rounds that to what the controller can hold, and no rounding breaks the rule; between the two a
rebase may stand. What cannot be stored is set to the maximum, and the lean error that leaves is
told.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes, EngineDescription, Storage

Array = NDArray[np.float64]

# Two VE nearer to each other than this are the same: round-off of whole steps, per cent.
SAME_PCT = 1e-9
# The same of changes, fractions of VE.
ROUND_OFF = 1e-12
NORMAL = NormalDist()
# A cell held back by so much more than its neighbours stands out from them, a fraction of VE.
STANDS_OUT = 0.02

CHANGED = "changed"
PART = "part"
LIMITED = "limited"
HELD = "held"
NEIGHBOURS = "neighbours"
UNTOUCHED = "untouched"
SATURATED = "saturated"
DECISIONS = {
    CHANGED: "measured, and moved by what was measured",
    PART: "measured, and leaned out only as far as its error allows",
    LIMITED: "measured, and moved by the largest change that a pass may make",
    HELD: "too uncertain to lean it out: left as it was",
    NEIGHBOURS: "never visited, moved by its neighbours as far as its error allows",
    UNTOUCHED: "never visited, left as it was",
    SATURATED: "needs more than the controller can store: set to the maximum, and lean",
}


@dataclass(frozen=True)
class Rules:
    """How far one pass may move a cell.

    lean: by how much the mixture may be leaner than its target, a fraction. risk: the probability
    with which a cell that is leaned out may end leaner than that. max_change: largest change, a
    fraction of the old value. high_load: from this load on (in the axis's unit) both lean and risk
    count half; None: nowhere. The defaults are what `breathmap.tools.bench.caution` measures.
    """

    lean: float = 0.02
    risk: float = 0.05
    max_change: float = 0.15
    high_load: float | None = None


# In plain words; the numbers are ours, and `breathmap.tools.bench.caution` shows what they cost.
PRESETS = {
    "cautious": Rules(lean=0.01, risk=0.02),
    "standard": Rules(),
    "bold": Rules(lean=0.03, risk=0.16),
}
# Everything that was measured or reaches a cell from its neighbours, whole.
FREE = Rules(lean=float("inf"), risk=0.5, max_change=float("inf"))


@dataclass(frozen=True)
class Clip:
    """A cell that the controller cannot hold: where, and the VE wanted and stored, per cent."""

    speed_rpm: float
    load: float
    wanted_pct: float
    stored_pct: float

    @property
    def lean_pct(self) -> float:
        """How much leaner than commanded the mixture stays, per cent of lambda."""
        return 100.0 * (self.wanted_pct / self.stored_pct - 1.0)


@dataclass(frozen=True)
class Decided:
    """What each cell should be, before storing; arrays of shape (load_count, speed_count).

    old_pct: the table as it is. wanted_pct: not rounded. stays: cells that keep their old value
    even where that is no whole step. minimum_pct, maximum_pct: how far this pass may go.
    """

    old_pct: Array
    wanted_pct: Array
    decisions: NDArray[np.str_]
    stays: NDArray[np.bool_]
    minimum_pct: Array
    maximum_pct: Array


@dataclass(frozen=True)
class Proposal:
    """cells_pct and decisions have shape (load_count, speed_count)."""

    cells_pct: Array
    decisions: NDArray[np.str_]
    clips: list[Clip]

    def counts(self) -> dict[str, int]:
        """Return how many cells got each decision."""
        return {name: int((self.decisions == name).sum()) for name in DECISIONS}


def propose(
    cells_pct: Sequence[float],
    solution: Solution,
    storage: Storage,
    axes: Axes,
    rules: Rules = PRESETS["standard"],
) -> Proposal:
    """Return the new table: VE * (1 + correction) as far as the rules allow, in storage steps.

    cells_pct: the old table, flat, row by row. A cell whose decision is to stay keeps its old value
    even where that is no whole step.
    """
    return store(decide(cells_pct, solution, storage, axes, rules), storage, axes)


def decide(
    cells_pct: Sequence[float], solution: Solution, storage: Storage, axes: Axes, rules: Rules
) -> Decided:
    """Return what each cell should be under the rules of a pass, not yet rounded."""
    shape = solution.correction.shape
    old = np.asarray(cells_pct, dtype=np.float64).reshape(shape)
    measured, unseen = solution.correction, ~solution.visited
    safe = safe_change(solution, axes, rules)
    change = np.where(measured < 0.0, np.clip(safe, measured, 0.0), measured)
    decisions = np.full(shape, CHANGED, dtype="<U12")
    decisions[change > measured + ROUND_OFF] = PART
    held = (change == 0.0) & (measured < 0.0) & ~unseen
    decisions[held] = HELD
    decisions[(np.abs(change) > rules.max_change) & ~held] = LIMITED
    change = np.clip(change, -rules.max_change, rules.max_change)
    # What only neighbours say asks nobody to choose between a lean cell and a rebase.
    room = np.maximum(maximum_of(storage) / old - 1.0, 0.0)
    change[unseen] = np.minimum(change, room)[unseen]
    decisions[unseen] = NEIGHBOURS

    stays = held | (unseen & (np.abs(old * change) < storage.step_pct / 2.0))
    change[stays] = 0.0
    decisions[unseen & stays] = UNTOUCHED
    # Rounding may go as low as is safe, and never take a richer cell below its old value otherwise.
    lowest = np.maximum(np.minimum(safe, np.minimum(change, 0.0)), -rules.max_change)
    return Decided(
        old,
        old * (1.0 + change),
        decisions,
        stays,
        old * (1.0 + lowest),
        old * (1.0 + rules.max_change),
    )


def safe_change(solution: Solution, axes: Axes, rules: Rules) -> Array:
    """Return the smallest change of each cell, a fraction, under which the mixture is leaner than
    its target by more than `rules.lean` with a probability of `rules.risk` at most.

    The true change is taken as normal about the correction with its standard error; a mixture of
    VE v, where v * (1 + x) was needed, is leaner than its target by x.
    """
    lean, quantile = caution(axes, rules)
    worst = solution.correction + quantile * solution.standard_error
    return np.asarray((1.0 + worst) / (1.0 + lean) - 1.0)


def rules_for(description: EngineDescription, rules: Rules) -> Rules:
    """Return the rules with the load from which on the engine's description wants more care."""
    return replace(rules, high_load=description.caution.high_load)


def caution(axes: Axes, rules: Rules) -> tuple[Array, Array]:
    """Return the leanness tolerated, a fraction, and the normal quantile of the risk, by load;
    shape (load_count, 1)."""
    high = np.zeros(len(axes.load), dtype=bool)
    if rules.high_load is not None:
        high = np.asarray(axes.load) >= rules.high_load
    lean = np.where(high, rules.lean / 2.0, rules.lean)
    usual, tight = (NORMAL.inv_cdf(1.0 - risk) for risk in (rules.risk, rules.risk / 2.0))
    return lean[:, None], np.where(high, tight, usual)[:, None]


def lean_risk(
    old_pct: Array, new_pct: Array, solution: Solution, axes: Axes, rules: Rules
) -> Array:
    """Return with what probability each cell of a new table is leaner than tolerated."""
    lean, _ = caution(axes, rules)
    room = new_pct / old_pct * (1.0 + lean) - 1.0 - solution.correction
    certain = solution.standard_error == 0.0
    z = np.where(
        certain, np.inf * np.sign(room), room / np.where(certain, 1.0, solution.standard_error)
    )
    beyond = -np.nan_to_num(z, nan=0.0, posinf=40.0, neginf=-40.0)
    return np.array([NORMAL.cdf(value) for value in beyond.ravel().tolist()]).reshape(z.shape)


def standing_out(old_pct: Array, new_pct: Array, solution: Solution) -> NDArray[np.bool_]:
    """Return which cells were held back so much more than their neighbours that they stand out.

    A cell is compared with the mean of those beside it, left, right, above and below.
    """
    back = new_pct / old_pct - 1.0 - solution.correction
    padded = np.pad(back, 1, constant_values=np.nan)
    beside = np.stack([padded[1:-1, :-2], padded[1:-1, 2:], padded[:-2, 1:-1], padded[2:, 1:-1]])
    return np.asarray(solution.visited & (back - np.nanmean(beside, axis=0) > STANDS_OUT))


def store(decided: Decided, storage: Storage, axes: Axes) -> Proposal:
    """Round to the storage step, within the limits of the pass and of the storage."""
    step = storage.step_pct
    decisions = decided.decisions.copy()
    new = np.floor(decided.wanted_pct / step + 0.5) * step
    # Rounding may carry a cell neither over the limit of the pass nor below what is safe.
    new = np.where(new > decided.maximum_pct + SAME_PCT, new - step, new)
    new = np.where(new < decided.minimum_pct - SAME_PCT, new + step, new)
    # At least one step: zero would cut the fuel.
    new = np.maximum(new, step)
    new[decided.stays] = decided.old_pct[decided.stays]
    unseen = (decisions == NEIGHBOURS) & (new == decided.old_pct)
    decisions[unseen] = UNTOUCHED
    # What its error allows is less than a step.
    decisions[(decisions == PART) & (new >= decided.old_pct)] = HELD

    most = maximum_of(storage)
    over = new > most
    clips = [
        Clip(axes.speed_rpm[i], axes.load[j], float(decided.wanted_pct[j, i]), most)
        for j, i in np.argwhere(over).tolist()
    ]
    new[over] = most
    decisions[over] = SATURATED
    return Proposal(new, decisions, clips)


def maximum_of(storage: Storage) -> float:
    """Return the largest VE that can be stored, a whole number of steps, per cent."""
    return float(np.floor(storage.max_pct / storage.step_pct + 1e-9) * storage.step_pct)


def exceeds(decided: Decided, storage: Storage) -> NDArray[np.bool_]:
    """Return which cells cannot be stored without losing more than half a step."""
    return np.asarray(decided.wanted_pct >= maximum_of(storage) + storage.step_pct / 2.0)
