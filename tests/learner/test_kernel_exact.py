"""The kernel keeps the batch problem exactly, and the solve answers it as others do.

References are scipy's and numpy's own algorithms on the samples themselves, never on the sums.
"""

import copy
from itertools import pairwise

import numpy as np
import pytest
from bench_streams import Recorder, bumpy_truth, cells_of, drive_evidence, smooth_walk, twin_table
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad, simpson
from scipy.sparse import csr_array
from scipy.sparse.linalg import lsqr

from breathmap.learner.core import kernel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact import prior as priors
from breathmap.learner.exact import solve as solving
from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.solve import solve, widening_of


def wander(evidence, count, seed, noise=0.02, spikes=0.0):
    """Uniformly placed observations of a known truth with gates' weights; return the recorder."""
    rng = np.random.default_rng(seed)
    recorder = Recorder(evidence)
    n = evidence.speed_count * evidence.load_count
    truth = 0.06 * rng.standard_normal(n)
    term_truth = 0.2 * rng.standard_normal(evidence.n_terms)
    for _ in range(count):
        column = int(rng.integers(evidence.speed_count - 1))
        index = int(rng.integers(evidence.load_count - 1)) * evidence.speed_count + column
        a, b = rng.random(2)
        v = ((1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b)
        terms = 0.1 * rng.standard_normal(evidence.n_terms)
        d = np.dot(v, truth[cells_of(evidence, index)]) + terms @ term_truth
        d += noise * rng.standard_normal() + (0.4 if rng.random() < spikes else 0.0)
        row = [float(t) for t in terms] if evidence.n_terms else None
        recorder.learn(index, v, float(d), float(rng.uniform(0.2, 1.0)), 0.5, row)
    return recorder


def batch(recorder):
    """scipy's least-squares solution from the samples and weights themselves."""
    root = np.sqrt(recorder.w)
    A = csr_array(recorder.A * root[:, None])
    return lsqr(A, recorder.d * root, atol=1e-14, btol=1e-14, conlim=0, iter_lim=20_000)[0]


def whole(solution):
    return np.concatenate([solution.correction.ravel(), solution.term_values])


SHAPES = [(8, 7, 0), (16, 12, 0), (2, 2, 0), (2, 9, 1), (9, 2, 2), (8, 7, 3)]


@pytest.mark.parametrize("shape", SHAPES)
def test_the_solve_equals_scipys_lsqr(shape):
    """On the same observations and weights the solve without prior equals lsqr to 1e-8."""
    recorder = wander(Evidence(*shape), 1_500, seed=sum(shape), spikes=0.02)
    assert (recorder.w < 0.2).any(), "no observation met the outlier weight"
    assert whole(solve(recorder.evidence, prior=False)) == pytest.approx(batch(recorder), abs=1e-8)


@pytest.mark.parametrize("n_terms", [0, 2])
def test_the_solve_equals_lsqr_after_a_drive(n_terms):
    """Driving leaves cells barely touched and cells untouched; the solve still equals lsqr."""
    table = twin_table()
    truth = bumpy_truth(table)
    recorder = drive_evidence(table, 20, truth, 0.02, 4, n_terms, (0.2, -0.1)[:n_terms])
    found = solve(recorder.evidence, prior=False)
    assert whole(found) == pytest.approx(batch(recorder), abs=1e-8)


def test_untouched_cells_stay_at_zero_and_say_so():
    """A cell that no observation touched is not visited, keeps zero and has no finite error."""
    recorder = Recorder(Evidence(8, 7))
    for _ in range(50):
        recorder.learn(9, (0.4, 0.3, 0.2, 0.1), 0.05)
    found = solve(recorder.evidence, prior=False)
    touched = np.zeros(56, dtype=bool)
    touched[cells_of(recorder.evidence, 9)] = True
    assert (found.visited.ravel() == touched).all()
    assert (found.correction.ravel()[~touched] == 0.0).all()
    assert np.isinf(found.standard_error).all()  # four cells seen along one direction only


@given(
    st.integers(2, 6),
    st.integers(2, 6),
    st.integers(0, 3),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=40, deadline=None)
def test_the_sums_are_the_normal_equations(speed_count, load_count, n_terms, seed):
    """Whatever the table's shape, stencil, border and corner unfold to AᵀWA and AᵀWd."""
    recorder = wander(Evidence(speed_count, load_count, n_terms), 60, seed, spikes=0.1)
    A, w, d = recorder.A, recorder.w, recorder.d
    m = moments(recorder.evidence)
    assert np.abs(m.H - A.T @ (w[:, None] * A)).max() < 1e-12
    assert m.b == pytest.approx(A.T @ (w * d), abs=1e-12)
    assert m.count == 60
    assert m.weight == pytest.approx(w.sum())
    assert m.square == pytest.approx(w @ d**2)
    cells = np.array(recorder.evidence.cells).reshape(-1, kernel.PER_CELL)
    shares = w * np.array(recorder.shares)
    assert cells[:, kernel.COVERAGE] == pytest.approx(A[:, : speed_count * load_count].T @ shares)


def test_weighted_standard_errors_are_the_textbooks():
    """Without prior a standard error is the square root of sigma² (AᵀWA)⁻¹'s diagonal, widened."""
    # Weighted least squares, any regression textbook: s² = sum of w r² over what is left of the
    # weights. numpy.linalg.inv, not lsqr's calc_var, which is only a bound.
    recorder = wander(Evidence(8, 7, 2), 2_000, seed=2)
    A, w, d = recorder.A, recorder.w, recorder.d
    found = solve(recorder.evidence, prior=False)
    residual = d - A @ batch(recorder)
    variance = (w @ residual**2) / (w.sum() - A.shape[1])
    errors = np.sqrt(variance * np.diag(np.linalg.inv(A.T @ (w[:, None] * A))))
    stated = np.concatenate([found.standard_error.ravel(), found.term_errors])
    assert found.noise == pytest.approx(np.sqrt(variance), rel=1e-9)
    assert stated == pytest.approx(errors * np.sqrt(found.widening), rel=1e-8)


@pytest.mark.parametrize("n_terms", [0, 2])
def test_the_running_estimate_is_nearly_the_exact_one(n_terms):
    """After half an hour of driving over a known truth the running estimate's rms error in the
    well-visited cells is at most 5 % above the exact one's."""
    # Well-visited: 4 s of driving or more, of 30 minutes. Cells at the edge of coverage follow more
    # slowly (measured: up to 1.8 times the exact error below 2 s); there only the solve is exact.
    table = twin_table()
    squares = []
    for seed in range(2):
        truth = bumpy_truth(table, seed)
        terms = (n_terms, (0.2, -0.1)[:n_terms])
        evidence = drive_evidence(table, 30, truth, 0.01, seed, *terms, rate_hz=25.0).evidence
        cells = np.array(evidence.cells).reshape(-1, kernel.PER_CELL)
        visited = cells[:, kernel.COVERAGE] > 100
        assert visited.sum() > 42
        exact = solve(evidence, prior=False).correction.ravel()
        for found in (cells[:, kernel.X], exact):
            squares.append(np.sum((found - truth)[visited] ** 2))
    assert np.sqrt(sum(squares[::2]) / sum(squares[1::2])) < 1.05
    assert np.sqrt(sum(squares) / 4 / 50) < 0.002


def test_relaxing_on_and_on_reaches_the_solution():
    """Gauss-Seidel over all cells converges to the solution of the equations with its ridge."""
    recorder = wander(Evidence(6, 5, 2), 2_000, seed=9)
    evidence = recorder.evidence
    evidence.merge(Evidence(evidence.speed_count, evidence.load_count, evidence.n_terms), 3_000)
    m = moments(evidence)
    ridge = np.full(30, evidence.noise**2 / evidence.table_sd**2)
    ridge = np.concatenate([ridge, np.full(2, evidence.noise**2 / evidence.term_sd**2)])
    exact = np.linalg.solve(m.H + np.diag(ridge), m.b)
    running = np.array(evidence.cells).reshape(-1, kernel.PER_CELL)[:, kernel.X]
    assert np.concatenate([running, evidence.term_x]) == pytest.approx(exact, abs=1e-10)


@pytest.mark.parametrize("merged", [False, True])
def test_a_terms_running_inner_product_keeps_to_its_definition(merged):
    """The inner product kept with each border column equals the column times the running x."""
    recorder = wander(Evidence(7, 6, 3), 5_000, seed=3, spikes=0.02)
    evidence = recorder.evidence
    if merged:
        evidence.merge(wander(Evidence(7, 6, 3), 500, seed=4).evidence)
    x = np.array(evidence.cells).reshape(-1, kernel.PER_CELL)[:, kernel.X]
    border = np.array(evidence.border).reshape(-1, 3)
    scale = np.abs(border).T @ np.abs(x)
    assert np.abs(np.array(evidence.term_dot) - border.T @ x).max() < 1e-10 * scale.max()


# Merging


def sums_of(evidence):
    """Everything that adds: the evidence without its running estimate and its block sums."""
    cells = np.array(evidence.cells).reshape(-1, kernel.PER_CELL)
    additive = [np.delete(cells, kernel.X, axis=1).ravel(), evidence.border, evidence.corner]
    additive += [evidence.term_rhs, np.array(evidence.sums)[: kernel.BLOCK_SQUARE]]
    return np.concatenate([np.asarray(part, dtype=float) for part in additive])


def quiet_observations(n_terms, seed, count):
    """Observations so small beside the noise first guessed that none meets the outlier weight:
    that weight depends on what was learned before, so only then is the order without effect."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        index = int(rng.integers(4)) * 5 + int(rng.integers(4))
        a, b = rng.random(2)
        v = ((1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b)
        terms = [float(t) for t in 0.1 * rng.standard_normal(n_terms)] or None
        yield index, v, float(0.02 * rng.standard_normal()), float(rng.random()), 1.0, terms


def learned(observations, n_terms):
    recorder = Recorder(Evidence(5, 5, n_terms, noise=1.0))
    for observation in observations:
        recorder.learn(*observation)
        assert recorder.weights[-1] == observation[3]
    return recorder.evidence


@given(
    st.integers(0, 2),
    st.integers(0, 2**32 - 1),
    st.lists(st.integers(0, 40), min_size=2, max_size=2).map(sorted),
)
@settings(max_examples=30, deadline=None)
def test_merging_equals_learning_from_both(n_terms, seed, cuts):
    """For any split of the observations the merged sums are those of learning them all at once,
    in whatever order and grouping the parts are merged."""
    observations = list(quiet_observations(n_terms, seed, 40))
    at_once = sums_of(learned(observations, n_terms))
    bounds = [0, *cuts, 40]
    a, b, c = (learned(observations[i:j], n_terms) for i, j in pairwise(bounds))
    for order in ([a, b, c], [c, a, b], [b, c, a]):
        one, two, three = copy.deepcopy(order)
        one.merge(two)
        one.merge(three)
        assert sums_of(one) == pytest.approx(at_once, rel=1e-12, abs=1e-14)
        one, two, three = copy.deepcopy(order)
        two.merge(three)
        one.merge(two)
        assert sums_of(one) == pytest.approx(at_once, rel=1e-12, abs=1e-14)


@given(st.integers(0, 2**32 - 1), st.integers(0, 400))
@settings(max_examples=15, deadline=None)
def test_a_merged_evidence_solves_as_all_samples_do(seed, cut):
    """Two drives with outliers, merged, solve as lsqr does on all their samples and weights."""
    one = wander(Evidence(4, 4, 1), cut, seed, spikes=0.05)
    two = wander(Evidence(4, 4, 1), 400 - cut, seed + 1, spikes=0.05)
    one.evidence.merge(two.evidence)
    one.rows += two.rows
    one.observed += two.observed
    one.weights += two.weights
    assert whole(solve(one.evidence, prior=False)) == pytest.approx(batch(one), abs=1e-8)


def test_merging_relaxes_the_running_estimate():
    """After a merge the running estimate answers for both evidences, not for one."""
    table = twin_table()
    truth = bumpy_truth(table)
    one = drive_evidence(table, 10, truth, 0.02, 1).evidence
    two = drive_evidence(table, 10, truth, 0.02, 2).evidence
    one.merge(two)
    cells = np.array(one.cells).reshape(-1, kernel.PER_CELL)
    covered = cells[:, kernel.COVERAGE] > 20
    exact = solve(one, prior=False).correction.ravel()
    gap = (cells[:, kernel.X] - exact)[covered]
    assert np.sqrt(np.mean(gap**2)) < 0.2 * np.sqrt(np.mean((exact - truth)[covered] ** 2))


def test_merging_leaves_the_other_evidence_alone():
    """Merging changes the evidence merged into and not the one merged."""
    one, other = (wander(Evidence(4, 5, 1), 100, seed).evidence for seed in (1, 2))
    before = copy.deepcopy(vars(other))
    one.merge(other)
    assert vars(other) == before


def test_evidences_of_different_tables_do_not_merge():
    """Merging over another shape or other terms is refused and changes nothing."""
    evidence = wander(Evidence(4, 5, 1), 50, seed=1).evidence
    before = sums_of(evidence)
    for other in (Evidence(5, 4, 1), Evidence(4, 5, 0), Evidence(4, 5, 2)):
        with pytest.raises(ValueError, match="different tables or terms"):
            evidence.merge(other)
    assert (sums_of(evidence) == before).all()


# Noise and robustness


def test_the_huber_constant_is_the_mean_square_it_says():
    """The constant is the mean of a standard normal's square, cut off at the limit squared."""
    # Huber's proposal 2 (1964); computed here by quadrature and by scipy's truncated moments.
    limit = kernel.HUBER_LIMIT
    inside = quad(lambda z: z * z * stats.norm.pdf(z), -limit, limit)[0]
    mean = inside + limit**2 * 2.0 * stats.norm.sf(limit)
    assert mean == pytest.approx(kernel.HUBER_MEAN_SQUARE, abs=5e-6)
    assert stats.norm.expect(lambda z: min(z * z, limit**2)) == pytest.approx(mean, abs=1e-6)


@given(st.floats(-1.0, 1.0), st.floats(0.05, 1.0), st.floats(0.001, 0.1))
@settings(max_examples=100, deadline=None)
def test_the_outlier_weight_is_hubers(d, gate_weight, noise):
    """A fresh evidence weighs a residual r by limit·scale/|r| beyond the limit, and a far outlier
    by its own limit·scale/|r| once more."""
    v = (0.4, 0.3, 0.2, 0.1)
    evidence = Evidence(3, 3, noise=noise)
    evidence.learn_one(0, *v, d, gate_weight)
    # One observation's own variance plus that of four cells known to within table_sd.
    scale = np.sqrt(noise**2 + evidence.table_sd**2 * sum(share**2 for share in v))
    far = abs(d) / scale
    is_far = far > kernel.OUTLIER_LIMIT and abs(d) > kernel.OUTLIER_LEAST
    expected = gate_weight / max(1.0, far / kernel.HUBER_LIMIT)
    if is_far:
        expected *= kernel.OUTLIER_LIMIT / far
    assert evidence.outlier == is_far
    assert evidence.residual == d
    assert evidence.weight == pytest.approx(expected, rel=1e-12)


def test_rare_outliers_are_forgotten_and_many_are_believed():
    """One spike among thousands moves nothing; a table wrong by ten scales is learned anew."""
    v = (0.25, 0.25, 0.25, 0.25)
    evidence = Evidence(3, 3, noise=0.01)
    rng = np.random.default_rng(8)
    for _ in range(2000):
        evidence.learn_one(0, *v, 0.01 * rng.standard_normal())
    before = evidence.predict(0, *v)

    evidence.learn_one(0, *v, 0.5)

    assert evidence.outlier
    # Huber alone would let it pull by 2 scales: 0.02 / 2000.
    assert abs(evidence.predict(0, *v) - before) < 2e-6

    for _ in range(6000):
        evidence.learn_one(0, *v, 0.15 + 0.01 * rng.standard_normal())

    assert not evidence.outlier
    assert evidence.predict(0, *v) > 0.075


@pytest.mark.parametrize("sd", [0.005, 0.02, 0.06])
def test_the_noise_estimate_is_consistent(sd):
    """Whatever its first guess, the noise estimate ends within chi-square bounds of the truth."""
    table = twin_table()
    noise = drive_evidence(table, 25, bumpy_truth(table), sd, seed=6).evidence.noise
    # It averages over the last NOISE_MEMORY observations with falling weights, and squares cut
    # off at the limit scatter less than chi-square; bounds at one in 10,000.
    low, high = np.sqrt(stats.chi2.ppf([5e-5, 1 - 5e-5], 2000) / 2000)
    assert low * 0.99 < noise / sd < high * 1.01


def test_spikes_hardly_raise_the_noise_estimate():
    """One per cent of spikes of 20 standard deviations raises the noise estimate below 4 %."""
    clean = wander(Evidence(6, 6), 8_000, seed=8).evidence.noise
    spiky = wander(Evidence(6, 6), 8_000, seed=8, spikes=0.01).evidence.noise
    # 1 % of squares counted at the limit, 4, instead of 0.92: 3.3 % of the variance.
    assert 1.0 < spiky / clean < 1.04


def test_spikes_hardly_cost_accuracy():
    """One per cent of spikes leaves an error far below that of unweighted least squares."""
    rng = np.random.default_rng(0)
    table = twin_table()
    truth = bumpy_truth(table)
    noise = 0.02 * rng.standard_normal(20 * 600)
    noise[rng.random(len(noise)) < 0.01] += 0.4
    recorder = drive_evidence(table, 20, truth, noise, seed=3)
    covered = np.array(recorder.evidence.cells)[kernel.COVERAGE :: kernel.PER_CELL] > 20
    ours = solve(recorder.evidence, prior=False).correction.ravel()
    plain = np.linalg.lstsq(recorder.A, recorder.d, rcond=None)[0]
    error = [np.sqrt(np.mean((x - truth)[covered] ** 2)) for x in (ours, plain)]
    assert error[0] < 0.65 * error[1]


def autoregressive(count, phi, sd, rng):
    """AR(1) noise of standard deviation `sd`."""
    shocks = sd * np.sqrt(1 - phi**2) * rng.standard_normal(count)
    noise = np.empty(count)
    noise[0] = sd * rng.standard_normal()
    for k in range(1, count):
        noise[k] = phi * noise[k - 1] + shocks[k]
    return noise


# Long-run over plain variance of AR(1) noise is (1 + phi)/(1 - phi): Hamilton, Time Series
# Analysis, 1994, chapter 3 (from memory). Blocks cut off what lies across their ends, so less is
# found the longer the noise remembers.
@pytest.mark.parametrize(
    ("phi", "least", "most"), [(0.0, 0.8, 1.35), (0.5, 0.75, 1.35), (0.8, 0.6, 1.2)]
)
def test_widening_finds_the_autocorrelation(phi, least, most):
    """On a drive, widening is near 1 for white noise and near (1+phi)/(1-phi) for AR(1) noise."""
    table = twin_table()
    found = []
    for seed in range(4):
        noise = autoregressive(6_000, phi, 0.02, np.random.default_rng(seed))
        evidence = drive_evidence(table, 10, bumpy_truth(table, seed), noise, seed).evidence
        evidence.close_block()
        m = moments(evidence)
        cells = np.trace(m.H) * evidence.noise**2
        found.append(evidence.sums[kernel.BLOCK_SQUARE] / cells)
        assert widening_of(evidence, m, evidence.noise) == pytest.approx(max(1.0, found[-1]))
    assert least < np.mean(found) / ((1 + phi) / (1 - phi)) < most


# The prior


def dense_prior(load_count, speed_count, n_terms, table_sd, roughness):
    """Q built term by term from its definition."""
    n = load_count * speed_count
    Q = np.zeros((n + n_terms, n + n_terms))
    Q[range(n), range(n)] = 1.0 / table_sd**2
    for row in range(load_count):
        for column in range(speed_count):
            for step, fits in ((1, column + 2 < speed_count), (speed_count, row + 2 < load_count)):
                if fits:
                    second = np.zeros(n + n_terms)
                    at = row * speed_count + column
                    second[[at, at + step, at + 2 * step]] = 1.0, -2.0, 1.0
                    Q += np.outer(second, second) / roughness**2
            if column + 1 < speed_count and row + 1 < load_count:
                cross = np.zeros(n + n_terms)
                at = row * speed_count + column
                cross[[at, at + 1, at + speed_count, at + speed_count + 1]] = 1.0, -1.0, -1.0, 1.0
                Q += 2.0 * np.outer(cross, cross) / roughness**2
    Q[range(n, n + n_terms), range(n, n + n_terms)] = 1.0 / priors.TERM_SD**2
    return Q


@pytest.mark.parametrize("shape", [(8, 7, 2), (2, 5, 0), (5, 2, 1)])
def test_the_solve_with_prior_is_bayes(shape):
    """With a prior the solve is the posterior of a Gaussian model in its covariance form."""
    # Rasmussen & Williams 2006, equations 2.23 and 2.24 with a linear kernel: no normal
    # equations, so nothing is shared with the code under test but the hyperparameters it found.
    recorder = wander(Evidence(*shape), 700, seed=5)
    found = solve(recorder.evidence)
    A, w, d = recorder.A, recorder.w, recorder.d
    speed_count, load_count, n_terms = shape
    S = np.linalg.inv(
        dense_prior(load_count, speed_count, n_terms, found.table_sd, found.roughness)
    )
    K = A @ S @ A.T + np.diag(found.noise**2 * found.widening / w)
    gain = np.linalg.solve(K, A @ S).T
    variance = np.diag(S - gain @ A @ S) + solving.MODEL_ERROR**2
    # Where there is less than one sample's worth, the whole correction is in doubt.
    thin = np.append(found.coverage.ravel() < 1.0, [False] * n_terms)
    errors = np.sqrt(variance + np.where(thin, (gain @ d) ** 2, 0.0))
    assert whole(found) == pytest.approx(gain @ d, abs=1e-8)
    stated = np.concatenate([found.standard_error.ravel(), found.term_errors])
    assert stated == pytest.approx(errors, rel=1e-6)


@pytest.fixture(scope="module")
def small_problem():
    """Sixty observations, all of weight 1, and a function of scipy's log density of them."""
    evidence = Evidence(4, 3, 1, noise=1.0)
    recorder = Recorder(evidence)
    rng = np.random.default_rng(12)
    for _ in range(60):
        index = int(rng.integers(2)) * 4 + int(rng.integers(3))
        a, b = rng.random(2)
        v = ((1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b)
        recorder.learn(index, v, float(0.05 * rng.standard_normal()), 1.0, 1.0, [float(a - b)])
    assert (recorder.w == 1.0).all()

    def scipys(table_sd, roughness, noise, widening=1.0, mean=None):
        S = np.linalg.inv(dense_prior(3, 4, 1, table_sd, roughness))
        K = recorder.A @ S @ recorder.A.T + noise**2 * widening * np.eye(60)
        expected = np.zeros(60) if mean is None else recorder.A @ mean
        return stats.multivariate_normal.logpdf(recorder.d, expected, K)

    return moments(evidence), priors.Prior(3, 4, 1), scipys


SETTINGS = [(0.08, 0.05, 0.02), (0.02, 0.3, 0.05), (0.4, 0.003, 0.01), (0.01, 0.001, 0.2)]


def test_the_marginal_likelihood_is_scipys(small_problem):
    """The log marginal likelihood equals multivariate_normal's, up to one constant for all."""
    m, prior, scipys = small_problem
    gaps = [
        priors.Likelihood(m, prior, 1.0).at(priors.Scales(*p))[0] - scipys(*p) for p in SETTINGS
    ]
    assert gaps == pytest.approx([0.5 * 60 * np.log(2 * np.pi)] * len(gaps), abs=1e-6)


@pytest.mark.parametrize("leaning", [0.3, 1.0])
def test_leaning_is_a_prior_mean(small_problem, leaning):
    """Leaning to a smooth new table is a Gaussian prior whose mean undoes the old table's bends:
    the likelihood is multivariate_normal's, up to the same constant."""
    m, _, scipys = small_problem
    log_cells = np.log(80.0 + np.random.default_rng(4).normal(0.0, 4.0, 12))
    prior = priors.Prior(3, 4, 1, log_cells)
    gaps = []
    for scales in SETTINGS:
        table_sd, roughness, _ = scales
        Q = dense_prior(3, 4, 1, table_sd, roughness)
        level = np.append(np.full(12, 1.0 / table_sd**2), 1.0 / priors.TERM_SD**2)
        bends = Q - np.diag(level)
        mean = np.linalg.solve(Q, -leaning * bends @ np.append(log_cells, 0.0))
        ours = priors.Likelihood(m, prior, 1.0).at(priors.Scales(*scales, leaning))[0]
        gaps.append(ours - scipys(*scales, mean=mean))
    assert gaps == pytest.approx([0.5 * 60 * np.log(2 * np.pi)] * len(gaps), abs=1e-6)


def test_an_unvisited_cell_moves_by_its_error_at_most():
    """Where only the prior speaks, the stated error holds the whole of the move."""
    recorder = wander(Evidence(8, 7, 1), 40, seed=2)
    table = 80.0 + np.random.default_rng(3).normal(0.0, 5.0, 56)
    found = solve(recorder.evidence, cells_pct=table.tolist())
    unseen = found.coverage < 1.0
    assert (unseen & found.visited).any()
    assert (~found.visited).any()
    assert np.abs(found.correction[unseen]).max() > 0.0
    assert (np.abs(found.correction) <= found.standard_error)[unseen].all()


@pytest.mark.parametrize("widening", [1.0, 2.5, 9.0])
def test_widened_likelihoods_compare_priors_as_scipy_does(small_problem, widening):
    """At a given noise, priors compare as under observations whose variance is the widened one."""
    m, prior, scipys = small_problem
    ours = [
        priors.Likelihood(m, prior, widening).at(priors.Scales(a, s, 0.03))[0]
        for a, s, _ in SETTINGS
    ]
    theirs = [scipys(a, s, 0.03, widening) for a, s, _ in SETTINGS]
    assert np.diff(ours) == pytest.approx(np.diff(theirs), abs=1e-7)


def test_the_prior_found_is_the_likeliest(small_problem):
    """No setting on a grid around the one found makes the observations likelier, by scipy's law."""
    m, prior, scipys = small_problem
    found = priors.likeliest_scales(priors.Likelihood(m, prior, 1.0), 0.02)[:3]
    ranges = (priors.TABLE_SD_RANGE, priors.ROUGHNESS_RANGE, priors.NOISE_RANGE)
    best = scipys(*found)
    for a in (0.7, 1.0, 1.4):
        for s in (0.7, 1.0, 1.4):
            for noise in (0.9, 1.0, 1.1):
                near = np.array(found) * (a, s, noise)
                inside = [np.clip(x, *bounds) for x, bounds in zip(near, ranges, strict=True)]
                assert scipys(*inside) <= best + 1e-3


def test_posterior_errors_are_honest():
    """Over many tables drawn from the prior, errors over standard errors have an rms near 1."""
    rng = np.random.default_rng(77)
    load_count, speed_count = 6, 7
    S = np.linalg.inv(dense_prior(load_count, speed_count, 0, 0.06, 0.03))
    draw = np.linalg.cholesky(S)
    ratios = []
    for _ in range(12):
        truth = draw @ rng.standard_normal(load_count * speed_count)
        recorder = Recorder(Evidence(speed_count, load_count))
        for _ in range(900):
            # More on one side than on the other, so that some cells rest on the prior.
            column = int((speed_count - 1) * rng.random() ** 2)
            index = int((load_count - 1) * rng.random() ** 2) * speed_count + column
            a, b = rng.random(2)
            v = ((1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b)
            d = np.dot(v, truth[cells_of(recorder.evidence, index)])
            recorder.learn(index, v, float(d + 0.02 * rng.standard_normal()))
        found = solve(recorder.evidence)
        ratios.append((found.correction.ravel() - truth) / found.standard_error.ravel())
    assert 0.9 < np.sqrt(np.mean(np.square(ratios))) < 1.1


def test_the_prior_helps_where_data_are_thin():
    """After three minutes the solve with prior errs less over all visited ground than without."""
    table = twin_table()
    errors = []
    for seed in range(3):
        truth = bumpy_truth(table, seed)
        evidence = drive_evidence(table, 3, truth, 0.02, seed).evidence
        for prior in (True, False):
            found = solve(evidence, prior=prior)
            gap = (found.correction.ravel() - truth)[found.visited.ravel()]
            errors.append(np.sqrt(np.mean(gap**2)))
    assert np.mean(errors[::2]) < 0.8 * np.mean(errors[1::2])


def test_coarseness_is_what_a_line_leaves_of_a_parabola():
    """On a table of parabolas the coarseness is the rms left by the best line through each."""
    # scipy integrates what numpy's best straight line leaves of x²/2, whose second difference is 1.
    x = np.linspace(0.0, 1.0, 20_001)
    left = x**2 / 2 - np.polynomial.Polynomial.fit(x, x**2 / 2, 1)(x)
    rms = np.sqrt(simpson(left**2, x=x))
    load, speed = np.mgrid[0:5, 0:6]
    ve_pct = 50.0 + 0.4 * load**2 / 2 - 0.3 * speed**2 / 2
    expected = rms * np.hypot(0.4, 0.3) / ve_pct
    evidence = wander(Evidence(6, 5), 50, seed=1).evidence
    found = solve(evidence, cells_pct=list(ve_pct.ravel()))
    now = ve_pct * (1.0 + found.correction)
    assert solving.coarseness_of(ve_pct) == pytest.approx(expected, rel=1e-5)
    assert (found.coarseness == solving.coarseness_of(now)).all()
    assert not solve(evidence).coarseness.any()


def test_solving_changes_nothing():
    """Solving in between changes neither what was learned nor what is learned after, and a second
    solve gives the same."""
    asked, alone = (wander(Evidence(5, 6, 1), 800, seed=2) for _ in range(2))
    assert (whole(solve(asked.evidence)) == whole(solve(asked.evidence))).all()
    for recorder in (asked, alone):
        for _ in range(50):
            recorder.learn(7, (0.4, 0.3, 0.2, 0.1), 0.05, terms=[0.1])
    parts = ("cells", "border", "corner", "term_rhs", "term_x", "term_dot", "sums")
    for part in parts:
        assert getattr(asked.evidence, part) == getattr(alone.evidence, part)
    assert asked.evidence.noise == alone.evidence.noise
    assert solve(asked.evidence).widening == solve(alone.evidence).widening


def test_an_empty_evidence_solves_to_nothing():
    """Before any observation the solve corrects nothing and claims no knowledge."""
    with_prior, without = solve(Evidence(5, 4, 1)), solve(Evidence(5, 4, 1), prior=False)
    for found in (with_prior, without):
        assert not found.correction.any()
        assert not found.visited.any()
        assert found.used == 0
    assert np.isinf(without.standard_error).all()
    Q = dense_prior(4, 5, 1, with_prior.table_sd, with_prior.roughness)
    errors = np.sqrt(np.diag(np.linalg.inv(Q)) + solving.MODEL_ERROR**2)[:20].reshape(4, 5)
    assert with_prior.standard_error == pytest.approx(errors)


def test_a_walk_stays_inside():
    """The made-up drive of these tests stays within the axes, so that it visits true ground."""
    speed, load = smooth_walk(600, 10.0, np.random.default_rng(1))
    assert all(twin_table().inside(s, p) for s, p in zip(speed, load, strict=True))
