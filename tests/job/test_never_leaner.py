"""The rule of every proposal: no cell is leaned out beyond the risk that was accepted, whatever the
decision, the rounding or the rebase."""

from dataclasses import replace
from statistics import NormalDist

import numpy as np
from cells_bench import AXES, solution
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from breathmap.learner.decide.proposal import (
    FREE,
    HELD,
    SATURATED,
    Rules,
    decide,
    lean_risk,
    propose,
    safe_change,
    store,
)
from breathmap.learner.decide.rebase import rebase_for, rebased
from breathmap.learner.words.description import Storage

CELLS = 4
# Whole steps as well as what a table file may hold between two.
VE = st.one_of(st.floats(20.0, 102.0), st.integers(50, 255).map(lambda count: 0.4 * count))
CHANGES = st.one_of(st.floats(-0.4, 0.4), st.floats(-0.012, 0.012))
COVERAGES = st.one_of(st.just(0.0), st.floats(0.0, 10.0))
STEPS = st.sampled_from([0.01, 0.1, 0.3, 0.5, 1.0, 2.0])
RULES = st.builds(
    Rules,
    lean=st.floats(0.001, 0.1),
    risk=st.floats(0.001, 0.4),
    max_change=st.floats(0.001, 0.5),
    high_load=st.none() | st.floats(20.0, 70.0),
)


def four(values):
    """Return a strategy for one value a cell."""
    return st.lists(values, min_size=CELLS, max_size=CELLS)


CASE = {
    "cells": four(VE),
    "changes": four(CHANGES),
    "coverages": four(COVERAGES),
    "errors": four(st.floats(1e-4, 0.08)),
    "step": STEPS,
    "rules": RULES,
}


def found_of(changes, errors, coverages):
    """Return a solution of a 2 x 2 table with an error of its own in each cell."""
    errors_of_cells = np.array(errors).reshape(2, 2)
    return replace(solution(changes, 0.0, coverages), standard_error=errors_of_cells)


def allowed(rules):
    """Return the risk accepted by load, shape (2, 1)."""
    high = rules.high_load is not None
    return np.array(
        [
            [rules.risk / 2.0 if high and load >= rules.high_load else rules.risk]
            for load in AXES.load
        ]
    )


@given(**CASE)
@settings(max_examples=300, deadline=None)
def test_no_cell_is_leaned_out_beyond_the_risk(cells, changes, coverages, errors, step, rules):
    """A cell stored below its old value is leaner than tolerated with no more than the accepted
    probability, however it was rounded, unless the controller cannot store that much."""
    found = found_of(changes, errors, coverages)

    proposal = propose(cells, found, Storage(step_pct=step), AXES, rules)

    old = np.array(cells).reshape(2, 2)
    leaned = proposal.cells_pct < old - 1e-9
    leaned &= proposal.decisions != SATURATED
    risk = lean_risk(old, proposal.cells_pct, found, AXES, rules)
    assert (risk <= allowed(rules) + 1e-9)[leaned].all()


@given(**CASE)
@settings(max_examples=300, deadline=None)
def test_nothing_is_held_back_for_nothing(cells, changes, coverages, errors, step, rules):
    """A visited cell ends within one step of what was found, of the smallest change that is safe,
    of its old value or of the limit of a pass, whichever of them the rule names."""
    found = found_of(changes, errors, [max(coverage, 0.1) for coverage in coverages])

    proposal = propose(cells, found, Storage(step_pct=step, max_pct=1000.0), AXES, rules)

    old = np.array(cells).reshape(2, 2)
    least = np.minimum(np.maximum(found.correction, safe_change(found, AXES, rules)), 0.0)
    change = np.where(found.correction < 0.0, least, found.correction)
    wanted = old * (1.0 + np.clip(change, -rules.max_change, rules.max_change))
    assert (np.abs(proposal.cells_pct - np.maximum(wanted, step)) <= step * (1.0 + 1e-9)).all()


@given(risk=st.floats(0.001, 0.4), lean=st.floats(0.001, 0.1), error=st.floats(0.001, 0.1))
@settings(deadline=None)
def test_the_smallest_safe_change_is_just_safe(risk, lean, error):
    """At the smallest safe change the risk is what was accepted: the normal tail, by simulation of
    its definition and not by the quantile."""
    found = found_of([-0.1] * CELLS, [error] * CELLS, [9.0] * CELLS)
    change = safe_change(found, AXES, Rules(lean=lean, risk=risk))[0, 0]
    draws = NormalDist(-0.1, error).samples(20_000, seed=1)
    beyond = np.mean((1.0 + np.array(draws)) / (1.0 + change) - 1.0 > lean)
    assert abs(beyond - risk) < 4.5 * np.sqrt(risk * (1.0 - risk) / 20_000)


@given(**CASE, over=st.floats(128.0, 200.0))
@settings(max_examples=150, deadline=None)
def test_a_rebase_keeps_the_rule(cells, changes, coverages, errors, step, rules, over):
    """After a rebase no cell gets less fuel, VE x displacement, than the rule allows, and each what
    it should to within a step."""
    storage = Storage(step_pct=step, max_pct=127.5)
    found = found_of(changes, errors, coverages)
    decided = decide(cells, found, storage, AXES, rules)
    assume(decided.wanted_pct.min() > 2.0 * step)
    rebase = rebase_for([decided.wanted_pct, np.array([[over]])], 689.0, storage)

    proposal = store(rebased(decided, rebase), storage, AXES)

    fuel = proposal.cells_pct * rebase.after_cm3
    before = decided.old_pct * rebase.before_cm3
    leaned = fuel < before * (1.0 - 1e-12)
    risk = lean_risk(before, fuel, found, AXES, rules)
    assert (risk <= allowed(rules) + 1e-9)[leaned].all()
    held = decided.decisions == HELD
    assert (fuel[held] >= before[held] * (1.0 - 1e-12)).all()
    off = np.abs(fuel - decided.wanted_pct * rebase.before_cm3)
    assert off.max() <= step * rebase.after_cm3 * (1.0 + 1e-9)
    assert SATURATED not in proposal.decisions


@given(four(st.floats(-0.15, 0.15)), four(st.floats(5.0, 100.0)))
@settings(max_examples=100, deadline=None)
def test_a_well_known_cell_is_rounded_to_the_nearest_step(changes, coverages):
    """Under the free rules a cell goes where it should, leaner or richer, to within half a step."""
    found = found_of(changes, [0.01] * CELLS, coverages)

    proposal = propose([80.0] * CELLS, found, Storage(step_pct=0.5), AXES, FREE)

    wanted = 80.0 * (1.0 + np.array(changes).reshape(2, 2))
    assert np.abs(proposal.cells_pct - wanted).max() <= 0.25 + 1e-9
