"""Single-precision evidence after ten million samples, and that double precision is untouched.

Adding within one visit of a square is plain double-precision addition, which numpy does here for
all samples of a visit at once; entering and leaving squares, where single precision can go wrong,
is the learner's own code, once for each of seventy-five thousand visits.
"""

import random
from array import array

import numpy as np
import pytest
from bench_streams import noted_looks

from breathmap.learner.core import kernel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.single_precision import IN_CELLS, spacing
from breathmap.learner.exact.solve import solve

N_SPEED = N_LOAD = 16
VISITS = 75_000
DWELL = 134  # samples a visit: ten million in all
AT_ONCE = 500  # visits that are drawn together
CORRECTION = 0.06


def drive(seed):
    """Yield (index, sums) of each visit: invented samples around a few busy places."""
    random_numbers = np.random.default_rng(seed)
    truth = CORRECTION * np.sin(np.arange(N_SPEED * N_LOAD) / 3.0)
    # Most of the time is spent in a few squares, as it is on the road.
    column = np.clip(random_numbers.normal(6.0, 1.6, VISITS), 0, N_SPEED - 2).astype(int)
    row = np.clip(random_numbers.normal(5.0, 1.3, VISITS), 0, N_LOAD - 2).astype(int)
    for index in np.split(row * N_SPEED + column, VISITS // AT_ONCE):
        across, up = random_numbers.random((2, AT_ONCE, DWELL))
        shares = np.array(
            [(1 - across) * (1 - up), across * (1 - up), (1 - across) * up, across * up]
        )
        corners = truth[index + np.array([[0], [1], [N_SPEED], [N_SPEED + 1]])]
        noise = random_numbers.normal(0.0, 0.02, (AT_ONCE, DWELL))
        d = (corners[:, :, np.newaxis] * shares).sum(axis=0) + noise
        weight = random_numbers.uniform(0.2, 1.0, (AT_ONCE, DWELL))
        yield from zip(index.tolist(), sums_of(shares, d, weight), strict=True)


def sums_of(shares, d, weight):
    """Return the sums of each visit, a row each, in the order of the held square: stencil, RHS,
    coverage, totals."""
    v0, v1, v2, v3 = shares
    w0, w1, w2, w3 = weight * shares
    rows = [w0 * v0, w0 * v1, w0 * v2, w0 * v3, w1 * v1, w1 * v2, w1 * v3, w2 * v2, w2 * v3]
    rows += [w3 * v3, w0 * d, w1 * d, w2 * d, w3 * d, 0.2 * w0, 0.2 * w1, 0.2 * w2, 0.2 * w3]
    rows += [np.ones_like(d), weight, weight * d * d]
    return np.sum(rows, axis=2).T


@pytest.fixture(scope="module")
def ten_million():
    """The same ten million samples in double precision, in single, and added plainly in single."""
    double = Evidence(N_SPEED, N_LOAD)
    single = Evidence(N_SPEED, N_LOAD, typecode="f")
    exact = np.zeros(len(double.cells))
    totals = np.zeros(3)
    held = single.held
    assert held is not None
    for index, sums in drive(1):
        single.enter_square(index, held)
        places = held.place[:IN_CELLS]
        for k, value in enumerate(sums.tolist()):
            held.added[k] = value
        held.write()
        exact[places] += sums[:IN_CELLS]
        totals += sums[IN_CELLS:]
    single.leave_square()
    double.cells[:] = array("d", exact.tolist())
    for place, value in zip((kernel.COUNT, kernel.WEIGHT, kernel.SQUARE), totals, strict=True):
        double.sums[place] = float(value)
    return double, single


def test_corrections_agree_after_ten_million_samples(ten_million):
    """After ten million samples the corrections from single-precision sums are within 0.05 % of
    those from double, wherever there is evidence, with the prior and without."""
    double, single = ten_million
    assert double.sums[kernel.COUNT] == VISITS * DWELL > 10_000_000

    for prior in (True, False):
        left, right = solve(double, prior), solve(single, prior)
        known = left.visited & (left.coverage > 100.0)
        worst = np.abs(left.correction - right.correction)[known].max()
        print(f"prior {prior}: {100 * worst:.5f} % at worst of {known.sum()} cells")
        assert worst < 0.0005
        assert right.standard_error[known] == pytest.approx(left.standard_error[known], rel=0.01)


def test_ten_million_samples_are_solved_in_few_looks(ten_million, monkeypatch):
    """The search for the scales ends by its slope, though the likelihood is so large that its last
    steps are lost in round-off."""
    looks = noted_looks(monkeypatch)
    solve(ten_million[0])
    assert 5 < len(looks) < 60


def test_every_sum_agrees_after_ten_million_samples(ten_million):
    """Each of the sums themselves is within 0.05 % of double precision, the totals included."""
    double, single = ten_million
    left, right = np.array(double.cells), np.array(single.cells)
    summed = np.arange(len(left)) % kernel.PER_CELL != kernel.X
    stencil = summed & (np.arange(len(left)) % kernel.PER_CELL != kernel.RHS) & (left > 0.0)
    print(f"stencil: {np.abs(right[stencil] / left[stencil] - 1).max():.1e} at worst")
    assert right[stencil] == pytest.approx(left[stencil], rel=0.0005)
    assert list(single.sums) == pytest.approx(list(double.sums), rel=0.0005)


def test_a_plain_sum_would_have_failed():
    """What the held square is for: plainly added in single precision, ten million samples are lost
    by the per cent."""
    steps = np.full(10_000_000, 0.1, dtype=np.float32)
    plain = float(np.cumsum(steps, dtype=np.float32)[-1])
    assert abs(plain / 1e6 - 1.0) > 0.05


def test_an_unlucky_drive_is_not_one_sided():
    """Even when the square changes with every sample, an addend far below the last place is kept
    on average: forty thousand additions of a twentieth of a step."""
    evidence = Evidence(3, 2, typecode="f")
    start = 2.0**20
    evidence.cells[kernel.COVERAGE] = start
    addend = spacing(start) / 20.0
    for _ in range(20_000):
        for index in (0, 1):
            evidence.learn_one(index, 1.0, 0.0, 0.0, 0.0, d=0.0, share=addend)
    grown = evidence.cells[kernel.COVERAGE] - start
    assert grown == pytest.approx(20_000 * addend, rel=0.1)


def test_single_and_double_follow_each_other_sample_by_sample():
    """The running estimate, weights and residuals of both agree on the same samples, terms too."""
    drawn = random.Random(3)
    pair = [Evidence(5, 4, 2, typecode) for typecode in "df"]
    terms = array("d", [0.0, 0.0])
    for number in range(6000):
        index = 5 * drawn.randrange(3) + drawn.randrange(4)
        across, up = drawn.random(), drawn.random()
        v = [(1 - across) * (1 - up), across * (1 - up), (1 - across) * up, across * up]
        terms[0], terms[1] = drawn.gauss(0, 0.1), drawn.gauss(0, 0.1)
        d = 0.05 + 0.3 * terms[0] + drawn.gauss(0, 0.02)
        for evidence in pair:
            evidence.learn_one(index, v[0], v[1], v[2], v[3], d, 0.8, 0.3, terms)
            if number % 500 == 499:
                evidence.close_block()
    left, right = pair
    assert list(right.cells) == pytest.approx(list(left.cells), rel=1e-5, abs=1e-5)
    assert list(right.border) == pytest.approx(list(left.border), rel=1e-5, abs=1e-5)
    assert list(right.corner) == pytest.approx(list(left.corner), rel=1e-5)
    assert list(right.term_x) == pytest.approx(list(left.term_x), rel=1e-3, abs=1e-5)
    assert list(right.term_dot) == pytest.approx(list(left.term_dot), rel=1e-3, abs=1e-3)
    assert right.noise == pytest.approx(left.noise, rel=1e-5)


def test_merging_leaves_the_held_square_first():
    """Merged single-precision evidence goes on learning from the merged numbers."""
    one, two = (Evidence(3, 3, typecode="f") for _ in range(2))
    for evidence in (one, two):
        for _ in range(10):
            evidence.learn_one(0, 0.25, 0.25, 0.25, 0.25, 0.02)
    one.merge(two)
    one.learn_one(0, 0.25, 0.25, 0.25, 0.25, 0.02)
    assert one.sums[kernel.COUNT] == 21.0
    assert one.cells[kernel.COVERAGE] == pytest.approx(21 * 0.25, rel=1e-6)
