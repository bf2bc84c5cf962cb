"""The benchmark's peers are what they are called, so that the comparison is fair."""

from array import array

import numpy as np
import pytest

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.solve import solve
from breathmap.tools.bench.usual_methods import (
    DiagonalKalman,
    NearestCell,
    TappedEvidence,
    WeightedCells,
    batch_oracle,
)

N_SPEED, N_LOAD = 6, 5


@pytest.fixture(scope="module")
def tapped() -> TappedEvidence:
    """Three thousand observations of a wandering point over a known correction."""
    rng = np.random.default_rng(3)
    true = rng.normal(0.0, 0.06, N_SPEED * N_LOAD)
    tap = TappedEvidence.like(Evidence(N_SPEED, N_LOAD, 1, noise=0.01))
    corners = np.array([0, 1, N_SPEED, N_SPEED + 1])
    for row in range(3000):
        tap.row = row
        index = int(rng.integers(0, N_LOAD - 1) * N_SPEED + rng.integers(0, N_SPEED - 1))
        shares = rng.dirichlet(np.ones(4))
        v0, v1, v2, v3 = shares.tolist()
        term = array("d", [rng.normal(0.0, 0.1)])
        d = float(shares @ true[index + corners] + 0.2 * term[0] + 0.01 * rng.normal())
        tap.learn_one(index, v0, v1, v2, v3, d, terms=term)
    return tap


def test_a_tap_changes_nothing(tapped: TappedEvidence) -> None:
    """An evidence that notes its observations learns the same as one that does not."""
    plain = Evidence(N_SPEED, N_LOAD, 1, noise=0.01)
    o = tapped.observed
    shares = np.array(o.shares).reshape(-1, 4).tolist()
    for index, (v0, v1, v2, v3), d, term in zip(o.index, shares, o.d, o.terms, strict=True):
        plain.learn_one(index, v0, v1, v2, v3, d, terms=array("d", [term]))

    assert plain.cells == tapped.cells
    assert plain.sums == tapped.sums


def test_the_oracle_solves_the_same_problem(tapped: TappedEvidence) -> None:
    """On the same observations, weights and prior scipy's batch finds what our solve finds."""
    # A smooth engine under a table that was wrong cell by cell.
    table = 80.0 / (1.0 + solve(tapped).correction)
    ours = solve(tapped, cells_pct=table.ravel().tolist())
    assert 0.5 < ours.leaning <= 1.0
    o = tapped.observed

    batch = batch_oracle(
        np.array(o.index),
        np.array(o.shares).reshape(-1, 4),
        np.array(o.terms).reshape(-1, 1),
        np.array(o.d),
        np.array(o.weight),
        table,
        ours,
    )

    assert batch == pytest.approx(ours.correction.ravel(), abs=1e-8)


def test_averages_are_averages() -> None:
    """The nearest cell gets the whole of a sample, weighted cells their shares of it."""
    nearest, weighted = NearestCell(3, 9), WeightedCells(3, 9)
    for peer in (nearest, weighted):
        peer.learn_one(0, (0.1, 0.7, 0.1, 0.1), 0.10)
        peer.learn_one(0, (0.1, 0.5, 0.3, 0.1), 0.04)

    assert nearest.correction()[1] == pytest.approx(0.07)
    assert np.count_nonzero(np.abs(nearest.correction()) > 1e-12) == 1
    assert weighted.correction()[1] == pytest.approx((0.7 * 0.10 + 0.5 * 0.04) / 1.2)
    assert weighted.correction()[3] == pytest.approx((0.1 * 0.10 + 0.3 * 0.04) / 0.4)


def test_the_diagonal_filter_is_a_kalman_filter_of_one_cell() -> None:
    """Seen one cell at a time, the diagonal filter is the exact Bayesian mean."""
    table_sd, noise = 0.1, 0.02
    peer = DiagonalKalman(3, 9, table_sd, noise)
    values = [0.05, 0.07, 0.03, 0.06]
    for value in values:
        peer.learn_one(0, (0.0, 1.0, 0.0, 0.0), value)

    weight = len(values) / noise**2
    assert peer.correction()[1] == pytest.approx(
        np.mean(values) * weight / (weight + 1.0 / table_sd**2)
    )
    assert peer.correction()[0] == 0.0
