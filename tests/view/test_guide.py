"""The guide's arithmetic against dense matrices, and what it promises."""

import numpy as np
import pytest

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.decide.guide import (
    BankKnowledge,
    Guide,
    Patience,
    Region,
    knowledge,
    reached_ground,
)
from breathmap.learner.exact.solve import MODEL_ERROR, solve

SHAPE = (4, 5)
CELLS = 20


def learned(squares: list[tuple[int, int]], each: int = 60, seed: int = 1) -> Evidence:
    """Return an evidence with observations in some squares."""
    rng = np.random.default_rng(seed)
    evidence = Evidence(SHAPE[1], SHAPE[0])
    for row, column in squares:
        for _ in range(each):
            a, b = rng.uniform(size=2)
            shares = ((1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b)
            evidence.learn_one(row * SHAPE[1] + column, *shares, 0.05 + 0.01 * rng.normal())
    return evidence


EVERYWHERE = np.ones((SHAPE[0] - 1, SHAPE[1] - 1), dtype=bool)


def known(evidence: Evidence) -> BankKnowledge:
    """Return what it says."""
    return knowledge(evidence, solve(evidence))


def test_standard_errors_are_those_of_the_solve() -> None:
    """Over a table that is wrong all over, the guide's standard errors are those of the solve, less
    the model error that it adds to each; nowhere are they smaller by more than a hundredth."""
    rng = np.random.default_rng(2)
    truth = 0.08 * rng.normal(size=SHAPE)
    evidence = Evidence(SHAPE[1], SHAPE[0])
    for row, column in np.ndindex(3, 4):
        for _ in range(500):
            a, b = rng.uniform(size=2)
            shares = np.outer([1 - b, b], [1 - a, a])
            d = float((shares * truth[row : row + 2, column : column + 2]).sum())
            v0, v1, v2, v3 = shares.ravel().tolist()
            index = row * SHAPE[1] + column
            evidence.learn_one(index, v0, v1, v2, v3, d + 0.01 * rng.normal())
    solution = solve(evidence)

    variances = np.diag(knowledge(evidence, solution).covariance).reshape(SHAPE)

    ours = np.sqrt(variances + MODEL_ERROR**2)
    np.testing.assert_allclose(ours, solution.standard_error, rtol=0.03)
    assert (ours >= 0.99 * solution.standard_error).all()


def test_a_flat_start_does_not_pass_for_a_known_table() -> None:
    """A single square whose table happens to be right makes the solve sure of the whole table, but
    not the guide, which knows that tables are wrong by some per cent where nobody has looked."""
    rng = np.random.default_rng(3)
    evidence = Evidence(SHAPE[1], SHAPE[0])
    for _ in range(400):
        evidence.learn_one(0, 0.25, 0.25, 0.25, 0.25, 0.01 * rng.normal())
    solution = solve(evidence)
    assert solution.standard_error.max() < 0.02

    bank = knowledge(evidence, solution)

    assert Guide(*SHAPE, 0.005).expected_error([bank], EVERYWHERE) > 0.02
    assert reached_ground([bank], EVERYWHERE)[0, 0]


def test_a_minute_somewhere_is_foreseen() -> None:
    """The error foreseen after a minute is that of the dense sum of information (A-optimality), and
    no other region would have given a smaller one."""
    bank = known(learned([(0, 0), (1, 1)]))
    guide = Guide(*SHAPE, goal=1e-9)

    advice = guide.advise([bank], EVERYWHERE, EVERYWHERE, 200.0, with_minutes=False)

    line = np.array([[1 / 3, 1 / 6], [1 / 6, 1 / 3]])
    errors = {}
    for row in range(3):
        for column in range(4):
            at = row * 5 + column
            block = np.ix_([at, at + 1, at + 5, at + 6], [at, at + 1, at + 5, at + 6])
            precision = np.linalg.inv(bank.covariance)
            precision[block] += 200.0 * bank.information * np.kron(line, line)
            after = BankKnowledge(np.linalg.inv(precision), bank.information, bank.visited)
            errors[row, column] = guide.expected_error([after], EVERYWHERE)
    best = min(errors, key=lambda square: errors[square])
    assert advice.region is not None
    assert (advice.region.row, advice.region.column) == best
    assert advice.error_after == pytest.approx(errors[best], rel=1e-6)
    assert advice.error_after < advice.error


def test_minutes_left_shrink_as_the_goal_comes_nearer() -> None:
    """A harder goal takes longer, a goal that is reached none, and more evidence less."""
    evidence = learned([(1, 1)])
    solution = solve(evidence)
    little = knowledge(evidence, solution)
    evidence.merge(learned([(0, 2), (2, 0)], 300))
    much = knowledge(evidence, solution)

    def left(bank: BankKnowledge, goal: float) -> float:
        return Guide(*SHAPE, goal).advise([bank], EVERYWHERE, EVERYWHERE, 300.0).minutes_left

    assert left(little, 0.001) > left(little, 0.003) > 0.0
    assert left(much, 0.001) < left(little, 0.001)
    assert left(little, 10.0) == 0.0


def test_only_allowed_ground_is_advised_and_none_is_said() -> None:
    """Ground that is not allowed is never advised; without any, no region and no end in sight."""
    bank = known(learned([(1, 1)]))
    only = np.zeros_like(EVERYWHERE)
    only[2, 3] = True
    guide = Guide(*SHAPE, 0.001)

    region = guide.advise([bank], EVERYWHERE, only, 100.0).region
    nowhere = guide.advise([bank], EVERYWHERE, np.zeros_like(only), 100.0)

    assert region is not None
    assert (region.row, region.column) == (2, 3)
    assert nowhere.region is None
    assert nowhere.minutes_left == float("inf")


def test_ground_is_what_was_reached_and_its_neighbours() -> None:
    """Squares count when some bank has visited them or one beside them, within what is wanted."""
    bank = known(learned([(0, 0)]))
    wanted = EVERYWHERE.copy()
    wanted[1, 1] = False

    ground = reached_ground([bank], wanted)

    assert {tuple(at) for at in np.argwhere(ground).tolist()} == {(0, 0), (0, 1), (1, 0)}
    assert (reached_ground([], wanted) == wanted).all()


def test_two_banks_weigh_alike() -> None:
    """With one bank known and one not, the advice serves the one that is not."""
    full = known(learned([(r, c) for r in range(3) for c in range(4)], 200))
    half = known(learned([(r, c) for r in range(3) for c in range(2)], 200))

    region = Guide(*SHAPE, 1e-6).advise([full, half], EVERYWHERE, EVERYWHERE, 100.0).region

    assert region is not None
    assert region.column >= 2


def test_ground_that_cannot_be_reached_is_given_up() -> None:
    """Ground advised for long in all, by turns with its neighbour, and never landed in is left out;
    a landing in between, or taking all back in, starts its time anew."""
    patience = Patience(*SHAPE, limit_s=60.0)
    nothing = np.zeros_like(EVERYWHERE)
    landed = nothing.copy()
    landed[0, 2] = True
    unreachable, slow = Region(1, 2, 0, 1), Region(2, 3, 0, 1)
    for _ in range(5):
        patience.take(unreachable, 11.0, nothing)
        patience.take(slow, 11.0, nothing)
    patience.take(None, 100.0, landed)
    assert not patience.aside.any()

    patience.take(slow, 11.0, nothing)
    patience.take(unreachable, 11.0, nothing)
    assert np.argwhere(patience.aside).tolist() == [[0, 1]]

    patience.bring_back()
    patience.take(unreachable, 11.0, nothing)
    assert not patience.aside.any()
