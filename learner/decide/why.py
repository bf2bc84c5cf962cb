"""Why a cell got its decision, in numbers, and what more time would do."""

from dataclasses import dataclass

from breathmap.learner.decide.proposal import (
    CHANGED,
    HELD,
    LIMITED,
    NEIGHBOURS,
    PART,
    SATURATED,
    UNTOUCHED,
    Array,
    Proposal,
    Rules,
    caution,
    lean_risk,
)
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import Axes

# Less than this is not worth driving for, minutes.
LEAST_MINUTES = 0.1


@dataclass(frozen=True)
class Why:
    """One cell: what was found, what was taken, and what would make the rest of it safe.

    Changes are fractions of VE. samples: worth of the evidence, in independent samples. risk:
    probability of a mixture leaner than `lean` once accepted. more_samples, more_minutes: needed
    in the cell until all of a leaner move is safe; 0 where nothing is held back, minutes None where
    nothing was used yet.
    """

    decision: str
    old_pct: float
    new_pct: float
    correction: float
    standard_error: float
    samples: float
    lean: float
    risk: float
    risk_allowed: float
    more_samples: float
    more_minutes: float | None

    @property
    def taken(self) -> float:
        """The change that is proposed, a fraction of VE."""
        return self.new_pct / self.old_pct - 1.0

    def text(self) -> str:
        """Return the decision's reason in one line."""
        found = (
            f"{self.samples:.1f} samples' worth; found {100.0 * self.correction:+.1f} ± "
            f"{100.0 * self.standard_error:.1f} %; taken {100.0 * self.taken:+.1f} %: "
        )
        return found + self._because()

    def _because(self) -> str:
        reason = _REASONS[self.decision]
        bound = (
            f"more could end leaner than target by more than {100.0 * self.lean:g} % with a "
            f"probability above {100.0 * self.risk_allowed:g} %"
        )
        return reason.format(bound=bound, still=self._still())

    def _still(self) -> str:
        if self.more_minutes is None or self.more_minutes < LEAST_MINUTES:
            return ""
        return f"; about {self.more_minutes:.1f} min more there settles it"


_REASONS = {
    CHANGED: "all of it",
    PART: "{bound}{still}",
    HELD: "{bound}{still}",
    LIMITED: "the largest change of one pass; learn once more with the new table",
    NEIGHBOURS: "never visited; follows its neighbours as far as that is safe{still}",
    UNTOUCHED: "never visited; its neighbours do not reach it{still}",
    SATURATED: "the most that can be stored; the mixture stays lean there",
}


def why(
    old_pct: Array,
    solution: Solution,
    proposal: Proposal,
    axes: Axes,
    rules: Rules,
    used_s: float,
) -> list[list[Why]]:
    """Return the reason of every cell, as rows of loads.

    old_pct: shape (load_count, speed_count), at the displacement of the proposal. used_s: time of
    all used samples, s.
    """
    new = proposal.cells_pct
    risk = lean_risk(old_pct, new, solution, axes, rules)
    lean, quantile = caution(axes, rules)
    total = float(solution.coverage.sum())
    minutes_a_sample = used_s / 60.0 / total if total > 0.0 else None
    rows = []
    for j in range(len(axes.load)):
        row = []
        for i in range(len(axes.speed_rpm)):
            measured = float(solution.correction[j, i])
            error = float(solution.standard_error[j, i])
            more = 0.0
            if new[j, i] > old_pct[j, i] * (1.0 + measured) and measured < 0.0:
                more = _more_samples(
                    measured, error, float(lean[j, 0]), float(quantile[j, 0]), solution.noise
                )
            row.append(
                Why(
                    decision=str(proposal.decisions[j, i]),
                    old_pct=float(old_pct[j, i]),
                    new_pct=float(new[j, i]),
                    correction=measured,
                    standard_error=error,
                    samples=float(solution.coverage[j, i]),
                    lean=float(lean[j, 0]),
                    risk=float(risk[j, i]),
                    risk_allowed=rules.risk if lean[j, 0] == rules.lean else rules.risk / 2.0,
                    more_samples=more,
                    more_minutes=None if minutes_a_sample is None else more * minutes_a_sample,
                )
            )
        rows.append(row)
    return rows


def _more_samples(
    measured: float, error: float, lean: float, quantile: float, noise: float
) -> float:
    """Return how many independent samples make all of a leaner move safe.

    Information adds: each sample brings 1 / noise^2 to 1 / error^2 (textbook: the variance of a
    mean), and the move is safe where quantile * error = lean * (1 + measured).
    """
    if quantile <= 0.0:
        return 0.0
    wanted = lean * (1.0 + measured) / quantile
    if error <= wanted:
        return 0.0
    return noise**2 * (1.0 / wanted**2 - 1.0 / error**2)
