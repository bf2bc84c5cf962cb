"""Thin evidence never leans a cell out: whatever the decision, the rounding or the rebase."""

from dataclasses import replace

import numpy as np
from cells_bench import AXES, solution
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from breathmap.learner.decide.proposal import (
    FREE,
    HELD,
    SATURATED,
    THIN_COVERAGE,
    Rules,
    decide,
    propose,
    store,
)
from breathmap.learner.decide.rebase import rebase_for, rebased
from breathmap.learner.words.description import Storage

CELLS = 4
# Whole steps as well as what a table file may hold between two.
VE = st.one_of(st.floats(20.0, 102.0), st.integers(50, 255).map(lambda count: 0.4 * count))
CHANGES = st.one_of(st.floats(-0.4, 0.4), st.floats(-0.012, 0.012))
COVERAGES = st.one_of(st.just(0.0), st.floats(0.0, 2.0 * THIN_COVERAGE))
STEPS = st.sampled_from([0.01, 0.1, 0.3, 0.5, 1.0, 2.0])
RULES = st.builds(
    Rules,
    max_change=st.floats(0.001, 0.5),
    max_error=st.floats(0.005, 0.1),
    move_unvisited=st.booleans(),
) | st.just(FREE)


def four(values):
    """Return a strategy for one value a cell."""
    return st.lists(values, min_size=CELLS, max_size=CELLS)


CASE = {
    "cells": four(VE),
    "changes": four(CHANGES),
    "coverages": four(COVERAGES),
    "errors": four(st.floats(0.0, 0.08)),
    "step": STEPS,
    "rules": RULES,
}


def found_of(changes, errors, coverages):
    """Return a solution of a 2 x 2 table with an error of its own in each cell."""
    errors_of_cells = np.array(errors).reshape(2, 2)
    return replace(solution(changes, 0.0, coverages), standard_error=errors_of_cells)


def too_little(found, rules):
    """Return where the evidence is too little to lean a cell out."""
    return (found.coverage < THIN_COVERAGE) | (found.standard_error > rules.max_error)


@given(**CASE)
@settings(max_examples=150, deadline=None)
def test_a_thin_cell_is_never_stored_leaner(cells, changes, coverages, errors, step, rules):
    """No cell with too little evidence is stored below its old value, however it was rounded,
    unless the controller cannot store that much."""
    found = found_of(changes, errors, coverages)

    proposal = propose(cells, found, Storage(step_pct=step), AXES, rules)

    old = np.array(cells).reshape(2, 2)
    held = too_little(found, rules) & (proposal.decisions != SATURATED)
    assert (proposal.cells_pct[held] >= old[held] - 1e-9).all()


@given(**CASE, over=st.floats(128.0, 200.0))
@settings(max_examples=150, deadline=None)
def test_a_rebase_never_leans_a_thin_cell_out(cells, changes, coverages, errors, step, rules, over):
    """After a rebase no cell with too little evidence gets less fuel, VE x displacement, than
    before, and a cell that is known well what it should to within a step."""
    storage = Storage(step_pct=step)
    found = found_of(changes, errors, coverages)
    decided = decide(cells, found, storage, rules)
    assume(decided.wanted_pct.min() > 2.0 * step)
    rebase = rebase_for([decided.wanted_pct, np.array([[over]])], 689.0, storage)

    proposal = store(rebased(decided, rebase), storage, AXES)

    fuel = proposal.cells_pct * rebase.after_cm3
    before = decided.old_pct * rebase.before_cm3
    held = too_little(found, rules)
    assert (fuel[held] >= before[held] * (1.0 - 1e-12)).all()
    off = np.abs(fuel - decided.wanted_pct * rebase.before_cm3)
    assert off.max() <= step * rebase.after_cm3 * (1.0 + 1e-9)
    assert SATURATED not in proposal.decisions


@given(four(st.floats(-0.15, -1e-9)), four(st.floats(0.0, THIN_COVERAGE, exclude_max=True)))
@settings(max_examples=100, deadline=None)
def test_the_least_leaning_of_a_thin_cell_is_held(changes, coverages):
    """A visited thin cell that would become leaner by however little is held, and says so."""
    visited = [max(coverage, 1e-3) for coverage in coverages]
    found = found_of(changes, [0.01] * CELLS, visited)

    proposal = propose([80.0] * CELLS, found, Storage(step_pct=0.01), AXES, Rules())

    assert (proposal.cells_pct == 80.0).all()
    assert (proposal.decisions == HELD).all()


@given(four(st.floats(-0.15, 0.15)), four(st.floats(THIN_COVERAGE, 100.0)))
@settings(max_examples=100, deadline=None)
def test_a_well_known_cell_is_rounded_to_the_nearest_step(changes, coverages):
    """With enough evidence a cell goes where it should, leaner or richer, to within half a step."""
    found = found_of(changes, [0.01] * CELLS, coverages)

    proposal = propose([80.0] * CELLS, found, Storage(step_pct=0.5), AXES, FREE)

    wanted = 80.0 * (1.0 + np.array(changes).reshape(2, 2))
    assert np.abs(proposal.cells_pct - wanted).max() <= 0.25 + 1e-9
