"""The search for the prior's scales ends at the top of the hill, however much is summed up."""

import copy
from functools import cache

import numpy as np
import pytest
from bench_streams import bumpy_truth, noted_looks, summed_evidence, twin_table
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, approx_fprime, minimize

from breathmap.learner.core.table import Table
from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.prior import (
    NOISE_RANGE,
    ROUGHNESS_RANGE,
    TABLE_SD_RANGE,
    Likelihood,
    Prior,
    Scales,
    likeliest_scales,
)
from breathmap.learner.exact.solve import solve

RANGES = np.array([*np.log([TABLE_SD_RANGE, ROUGHNESS_RANGE, NOISE_RANGE]), (0.0, 1.0)])


def problem(count, seed, noise_guess=0.01):
    """Return a table whose errors are partly its own bends, and the evidence of `count` samples
    with a first guess of their noise."""
    table, evidence = summed(count, seed)
    evidence = copy.deepcopy(evidence)
    evidence.noise = noise_guess
    return table, evidence


@cache
def summed(count, seed):
    """Return a problem's table and evidence, summed up once for all guesses."""
    smooth = twin_table()
    bends = 0.02 * np.random.default_rng(seed).standard_normal(len(smooth.cells))
    cells = (np.array(smooth.cells) * np.exp(bends)).tolist()
    table = Table(list(smooth.speed_rpm), list(smooth.load), cells)
    truth = bumpy_truth(table, seed, 0.05) - bends
    return table, summed_evidence(table, count, truth, 0.01, seed)


@cache
def careful_top(count, seed, widening):
    """Return the table, its evidence's moments and likelihood, and the top of that: the same
    whatever noise was guessed."""
    table, evidence = problem(count, seed)
    likelihood = likelihood_of(table, evidence, widening)
    return table, moments(evidence), likelihood, *top_of(likelihood)


def likelihood_of(table, evidence, widening=1.0):
    """Return the likelihood that `solve` climbs."""
    prior = Prior(table.load_count, table.speed_count, evidence.n_terms, np.log(table.cells))
    return Likelihood(moments(evidence), prior, widening)


def scales_at(p):
    """Return the scales at logarithms of table_sd, roughness and noise, and at leaning."""
    table_sd, roughness, noise = np.exp(p[:3]).tolist()
    return Scales(table_sd, roughness, noise, float(p[3]))


def value_at(likelihood, p):
    """Return the likelihood's value there."""
    return likelihood.at(scales_at(p))[0]


def top_of(likelihood):
    """Return the likeliest parameters by a method without slopes, begun anew from afar and from
    where it ended, until that moves nothing."""
    # Nelder & Mead 1965, by scipy. The steps of its first simplex: of the noise small ones.
    steps = np.diag([0.3, 0.3, 0.01, 0.2])
    bounds = Bounds(RANGES[:, 0], RANGES[:, 1])
    found = []

    def cost(p):
        return -float(value_at(likelihood, p))

    for first in ([-2.5, -3.0, np.log(0.01), 0.5], [-1.0, -5.0, np.log(0.01), 0.1]):
        p, before = np.array(first), -np.inf
        while (value := value_at(likelihood, p)) > before + 1e-6:
            before = value
            p = minimize(
                cost,
                p,
                method="Nelder-Mead",
                bounds=bounds,
                options={
                    "initial_simplex": np.vstack([p, p + steps]).clip(*RANGES.T),
                    "xatol": 1e-6,
                    "fatol": 1e-8,
                },
            ).x
        found.append((value, p))
    return max(found, key=lambda one: one[0])


@given(
    st.floats(*np.log(TABLE_SD_RANGE)),
    st.floats(*np.log(ROUGHNESS_RANGE)),
    st.floats(*np.log(NOISE_RANGE)),
    st.floats(0.0, 1.0),
    st.sampled_from([1.0, 7.0]),
)
@settings(max_examples=40, deadline=None)
def test_the_slope_is_that_of_finite_differences(table_sd, roughness, noise, leaning, widening):
    """Anywhere in the search's bounds the slope is what scipy's finite differences find."""
    table, evidence = problem(3_000, seed=1)
    likelihood = likelihood_of(table, evidence, widening)
    p = np.array([table_sd, roughness, noise, leaning])

    _, ours = likelihood.at(scales_at(p))

    def value(q):
        return value_at(likelihood, q)

    step = 1e-6
    theirs = approx_fprime(p + step, value, step) / 2.0
    theirs += approx_fprime(p, value, -step) / 2.0
    size = abs(value_at(likelihood, p)) + np.abs(ours).max()
    assert ours == pytest.approx(theirs, rel=1e-4, abs=1e-6 * size)


@pytest.mark.parametrize("count", [2_000, 1_000_000])
@pytest.mark.parametrize("noise_guess", [0.007, 0.015])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_million_samples_are_solved_as_well_as_a_thousand(count, noise_guess, seed):
    """From the noise of the moment, right or wrong, the search ends where a careful one without
    slopes does: every correction within 0.01 standard errors, the likelihood within 1e-5."""
    table, evidence = problem(count, seed, noise_guess)
    found = solve(evidence, cells_pct=list(table.cells))

    table, m, likelihood, value, p = careful_top(count, seed, found.widening)

    ours = Scales(found.table_sd, found.roughness, found.noise, found.leaning)
    assert likelihood.at(ours)[0] >= value - 1e-5
    table_sd, roughness, noise = np.exp(p[:3])
    prior = Prior(table.load_count, table.speed_count, 0, np.log(table.cells))
    c = 1.0 / (noise**2 * found.widening)
    covariance = np.linalg.inv(c * m.H + prior.matrix(table_sd, roughness))
    wanted = covariance @ (c * m.b + prior.pull(roughness, p[3]))
    off = np.abs(found.correction.ravel() - wanted) / np.sqrt(np.diag(covariance))
    assert off.max() < 0.01


@pytest.mark.parametrize("count", [300, 1_000_000])
def test_where_the_search_begins_does_not_matter(count):
    """A guess of the noise ten times too small or too large ends at the same scales."""
    table, evidence = problem(count, seed=2)
    m = moments(evidence)
    prior = Prior(table.load_count, table.speed_count, 0, np.log(table.cells))

    found = [likeliest_scales(Likelihood(m, prior, 1.0), guess) for guess in (0.001, 0.01, 0.1)]

    assert found[0] == pytest.approx(found[1], rel=1e-4)
    assert found[2] == pytest.approx(found[1], rel=1e-4)


def test_the_search_takes_no_more_looks_than_it_did(monkeypatch):
    """The search looks at the likelihood fewer than 100 times, where slopes from finite differences
    took 150 and more, a factor of the whole matrix each."""
    table, evidence = problem(30_000, seed=3)
    looks = noted_looks(monkeypatch)

    solve(evidence, cells_pct=list(table.cells))

    assert 0 < len(looks) < 100
