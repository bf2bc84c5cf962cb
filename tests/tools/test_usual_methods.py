"""The benchmark's peers are what they are called, so that the comparison is fair."""

from array import array
from dataclasses import fields
from typing import Any
from unittest import mock

import numpy as np
import pytest

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.stream import Learner
from breathmap.learner.exact.solve import solve
from breathmap.learner.fast.many import learn_many, rows
from breathmap.protocol.host.bulk import samples_table
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.run import simulate
from breathmap.tools.bench.convergence import describe, random_bench
from breathmap.tools.bench.usual_methods import (
    DiagonalKalman,
    NearestCell,
    Observed,
    WeightedCells,
    batch_oracle,
)

N_SPEED, N_LOAD = 6, 5


def test_observed_is_what_the_learner_used() -> None:
    """What is looked up of a learner that was taught in bulk is, bit for bit, what one that was
    taught sample by sample gave its evidence, also where it went on in a second part."""
    parameters, controller = random_bench(131, "continuous")
    stream = simulate(parameters, controller, RoadRide(40.0, 131), 131, reuse=True)
    samples = samples_table(stream, 2)
    learner = Learner(describe(parameters, controller))
    parts = [learn_many(learner, part) for part in (samples[:600], samples[600:])]
    looked_up = [[Observed.of(part, k, learner.banks[k].table) for part in parts] for k in (0, 1)]

    noted = _used_one_by_one(Learner(describe(parameters, controller)), samples)

    for bank, (first, second) in enumerate(looked_up):
        assert len(first.row) > 100
        assert len(second.row) > 100
        for k, name in enumerate(f.name for f in fields(Observed)):
            values = [getattr(part, name) for part in (first, second)]
            if name == "row":
                values[1] = values[1] + 600
            assert np.array_equal(np.concatenate(values), [one[k] for one in noted[bank]]), name


def _used_one_by_one(learner: Learner, samples: "np.ndarray") -> list[list[tuple[Any, ...]]]:
    """By bank what each used sample gave: row, index, shares, d, weight."""
    noted: list[list[tuple[Any, ...]]] = [[] for _ in learner.banks]
    banks = {id(bank.evidence): used for bank, used in zip(learner.banks, noted, strict=True)}
    learn_one = Evidence.learn_one

    def noting(evidence: Evidence, index: int, *given: Any) -> None:
        learn_one(evidence, index, *given)
        banks[id(evidence)].append((row, index, given[:4], given[4], evidence.weight))

    with mock.patch.object(Evidence, "learn_one", noting):
        for row, sample in enumerate(rows(samples)):  # noqa: B007
            learner.learn_one(sample)
    return noted


@pytest.fixture(scope="module")
def wandering() -> tuple[Evidence, dict[str, "np.ndarray"]]:
    """Three thousand observations of a wandering point over a known correction, learned, and what
    they were."""
    rng = np.random.default_rng(3)
    true = rng.normal(0.0, 0.06, N_SPEED * N_LOAD)
    evidence = Evidence(N_SPEED, N_LOAD, 1, noise=0.01)
    corners = np.array([0, 1, N_SPEED, N_SPEED + 1])
    made = []
    for _ in range(3000):
        index = int(rng.integers(0, N_LOAD - 1) * N_SPEED + rng.integers(0, N_SPEED - 1))
        shares = rng.dirichlet(np.ones(4))
        v0, v1, v2, v3 = shares.tolist()
        term = array("d", [rng.normal(0.0, 0.1)])
        d = float(shares @ true[index + corners] + 0.2 * term[0] + 0.01 * rng.normal())
        evidence.learn_one(index, v0, v1, v2, v3, d, terms=term)
        made.append((index, shares, term, d, evidence.weight))
    names = ("index", "shares", "terms", "d", "weight")
    columns = zip(*made, strict=True)
    return evidence, {name: np.array(c) for name, c in zip(names, columns, strict=True)}


def test_the_oracle_solves_the_same_problem(
    wandering: tuple[Evidence, dict[str, "np.ndarray"]],
) -> None:
    """On the same observations, weights and prior scipy's batch finds what our solve finds."""
    evidence, made = wandering
    # A smooth engine under a table that was wrong cell by cell.
    table = 80.0 / (1.0 + solve(evidence).correction)
    ours = solve(evidence, cells_pct=table.ravel().tolist())
    assert 0.5 < ours.leaning <= 1.0

    batch = batch_oracle(**made, table_pct=table, prior=ours)

    assert batch == pytest.approx(ours.correction.ravel(), abs=1e-8)


def test_averages_are_averages() -> None:
    """The nearest cell gets the whole of a sample, weighted cells their shares of it."""
    nearest, weighted = NearestCell(3, 9), WeightedCells(3, 9)
    for peer in (nearest, weighted):
        peer.learn(
            np.array([0, 0]),
            np.array([(0.1, 0.7, 0.1, 0.1), (0.1, 0.5, 0.3, 0.1)]),
            np.array([0.10, 0.04]),
        )

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
        peer.learn(np.array([0]), np.array([(0.0, 1.0, 0.0, 0.0)]), np.array([value]))

    weight = len(values) / noise**2
    assert peer.correction()[1] == pytest.approx(
        np.mean(values) * weight / (weight + 1.0 / table_sd**2)
    )
    assert peer.correction()[0] == 0.0
