"""The banded solution is the dense one, to the last digits that matter, for tables of any shape."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from threadpoolctl import threadpool_info, threadpool_limits

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact import solve as solving
from breathmap.learner.exact.banded import Blocks, Factor, blocks_of, layout, times
from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.prior import Likelihood, Prior, Scales
from breathmap.learner.exact.threads import libraries


def evidence_of(speed_count: int, load_count: int, n_terms: int, seed: int) -> Evidence:
    """Return evidence of random places, some of the table never visited."""
    rng = np.random.default_rng(seed)
    evidence = Evidence(speed_count, load_count, n_terms, noise=0.02)
    for _ in range(120):
        i, j = int(rng.integers(max(1, speed_count - 2))), int(rng.integers(load_count - 1))
        a, b = rng.random(2)
        v = ((1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b)
        terms = rng.normal(0.0, 0.3, n_terms).tolist()
        evidence.learn_one(j * speed_count + i, *v, float(rng.normal(0, 0.05)), 1.0, 1.0, terms)
    return evidence


shapes = st.tuples(st.integers(2, 9), st.integers(2, 9), st.integers(0, 4))


@given(shapes, st.integers(0, 10_000), st.sampled_from([1, 2, 3]), st.floats(0.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_every_answer_is_the_dense_one(
    shape: tuple[int, int, int], seed: int, differences: int, leaning: float
) -> None:
    """Mean, errors, terms, determinant and traces against numpy's dense linear algebra, to 1e-9."""
    speed_count, load_count, n_terms = shape
    n = speed_count * load_count
    evidence = evidence_of(*shape, seed)
    m = moments(evidence)
    log_cells = np.log(np.random.default_rng(seed).uniform(40.0, 90.0, n))
    prior = Prior(load_count, speed_count, n_terms, log_cells, differences)
    scales, widening = Scales(0.07, 0.04, 0.02, leaning), 1.5
    A = m.H / (scales.noise**2 * widening) + prior.matrix(scales.table_sd, scales.roughness)
    right = m.b / (scales.noise**2 * widening) + prior.pull(scales.roughness, leaning)
    inverse = np.linalg.inv(A)

    likelihood = Likelihood(m, prior, widening)
    factor = likelihood.factor(scales)
    cells, terms = likelihood.mean(factor, scales)
    diagonal, trace = factor.inverse(prior.plate.blocks)

    where = prior.plate.where
    z = np.append(where.cells_of(cells), terms)
    assert z == pytest.approx(inverse @ right, rel=1e-9, abs=1e-11)
    assert where.cells_of(diagonal) == pytest.approx(inverse.diagonal()[:n], rel=1e-9)
    assert factor.term_covariance == pytest.approx(inverse[n:, n:], rel=1e-9, abs=1e-13)
    assert factor.log_det == pytest.approx(np.linalg.slogdet(A)[1], rel=1e-9)
    assert trace == pytest.approx(np.vdot(inverse[:n, :n], prior.plate.matrix), rel=1e-9)
    assert np.sort(prior.eigenvalues) == pytest.approx(
        np.linalg.eigvalsh(prior.plate.matrix).clip(0.0), abs=1e-11
    )


@given(st.integers(1, 9), st.integers(1, 9), st.integers(1, 3))
@settings(deadline=None)
def test_blocks_hold_the_whole_matrix(load_count: int, speed_count: int, reach: int) -> None:
    """A matrix within the layout's reach times a vector is the blocks' product, in cells' order;
    the shorter axis is the inner one."""
    where = layout(load_count, speed_count, reach)
    n = load_count * speed_count
    assert where.width <= reach * min(load_count, speed_count)
    rng = np.random.default_rng(1)
    M = np.zeros((n, n))
    place = np.empty(n, dtype=int)
    place[where.order] = np.arange(n)
    for i in range(n):
        for j in range(n):
            if abs(place[i] // where.width - place[j] // where.width) <= 1:
                M[i, j] = rng.normal()
    M += M.T
    x = rng.normal(size=(n, 2))
    found = where.cells_of(times(blocks_of(M, where), where.rows_of(x)))
    assert found == pytest.approx(M @ x, rel=1e-12, abs=1e-12)


def test_the_whole_covariance_is_given_where_asked_for() -> None:
    """Its diagonal is what the standard errors hold, before what is added to them."""
    evidence = evidence_of(6, 5, 2, 3)
    assert solving.solve(evidence).cell_covariance is None
    found = solving.solve(evidence, covariance=True)
    assert found.cell_covariance is not None
    learned = (found.coverage >= 1.0).ravel()
    stated = (found.standard_error.ravel() ** 2 - solving.MODEL_ERROR**2)[learned]
    assert found.cell_covariance.diagonal()[learned] == pytest.approx(stated, rel=1e-9)


def test_equations_that_are_not_definite_are_refused() -> None:
    """As numpy refuses them, not solved to nonsense."""
    blocks = Blocks(np.stack([np.eye(2), -np.eye(2)]), np.zeros((1, 2, 2)))
    with pytest.raises(np.linalg.LinAlgError, match="definite"):
        Factor(blocks, np.zeros((4, 0)), np.zeros((0, 0)))


def test_solving_takes_one_thread_and_gives_the_others_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """For a program that imports the learner alone, too."""
    # Other tests may have loaded more since it was first asked.
    libraries.cache_clear()
    seen: list[int] = []
    found = solving._with_prior

    def watched(*words: object) -> object:
        seen.extend(one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas")
        return found(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(solving, "_with_prior", watched)
    with threadpool_limits(2, user_api="blas"):
        solving.solve(evidence_of(5, 4, 1, 1))
        after = [one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"]
    assert set(seen) == {1}
    assert set(after) == {2}
