"""The search between bounds ends where scipy's does."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import lsq_linear, rosen, rosen_der

from breathmap.learner.exact.search import lowest

Array = NDArray[np.float64]


@given(st.integers(1, 5), st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_a_bowl_between_bounds(size: int, seed: int) -> None:
    """Of any bowl the lowest place between the bounds is found, on them or inside, as scipy's
    bounded least squares has it (Stark & Parker 1995). Its L-BFGS-B is no measure: it stops short
    of narrow ones."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(size, size)) + 2.0 * np.eye(size)
    # Not so narrow that the slope tells no place.
    A, middle = root @ root.T + 0.1 * np.eye(size), 2.0 * rng.normal(size=size)
    bounds = np.sort(rng.uniform(-2.0, 2.0, (size, 2)), axis=1)

    def cost(x: Array) -> tuple[float, Array]:
        slope = A @ (x - middle)
        return 0.5 * float(slope @ (x - middle)), slope

    start = rng.uniform(-3.0, 3.0, size)
    half = np.linalg.cholesky(A).T
    theirs = lsq_linear(half, half @ middle, (bounds[:, 0], bounds[:, 1]), method="bvls").x
    ours = lowest(cost, start, bounds, 1e-7, 500)
    assert (ours >= bounds[:, 0]).all()
    assert (ours <= bounds[:, 1]).all()
    assert ours == pytest.approx(theirs, abs=1e-5)


@pytest.mark.parametrize("most", [2.0, 0.5])
def test_a_bent_valley(most: float) -> None:
    """Rosenbrock's valley (1960, as scipy has it), its lowest place inside the bounds or cut off
    by them."""
    bounds = np.array([[-2.0, most], [-2.0, 2.0]])
    ours = lowest(
        lambda x: (float(rosen(x)), rosen_der(x)), np.array([-1.2, 1.0]), bounds, 1e-6, 500
    )
    wanted = min(most, 1.0)
    assert ours == pytest.approx([wanted, wanted**2], abs=1e-4)


def test_a_cost_that_is_no_number_ends_it() -> None:
    """Where every step leads to what is no number, the search stays where it was."""
    start = np.array([0.3])

    def cost(x: Array) -> tuple[float, Array]:
        return (1.0 if x[0] == start[0] else float("nan")), np.ones(1)

    assert lowest(cost, start, np.array([[-1.0, 1.0]]), 1e-6, 10).tolist() == [0.3]


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_round_off_of_a_large_value_costs_no_looks(seed: int) -> None:
    """Where the value is so large that the last steps are below its round-off, the slope still
    leads to the end, in about as many looks as without it."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(4, 4)) + 2.0 * np.eye(4)
    A, looks = root @ root.T + 0.1 * np.eye(4), 0
    large = 4e7

    def cost(x: Array) -> tuple[float, Array]:
        nonlocal looks
        looks += 1
        value = large + 0.5 * float(x @ A @ x) + 1e-8 * rng.normal()
        return value - large, A @ x

    bounds = np.tile([-50.0, 50.0], (4, 1))
    found = lowest(cost, rng.uniform(-3.0, 3.0, 4), bounds, 1e-5, 300, 16 * np.spacing(large))
    assert np.abs(A @ found).max() <= 1e-5
    assert looks < 60
