"""The learner's arithmetic against others' figures and algorithms, each named beside its check."""

import itertools
import math

import numpy as np
import pytest
from bench_streams import LOADS, SPEEDS, Recorder, cells_of, twin_table
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.interpolate import RegularGridInterpolator
from scipy.signal import lsim

from breathmap.learner.core import history
from breathmap.learner.core.history import DelayModel, History, Seen
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.table import Table
from breathmap.learner.exact.solve import solve

speeds = st.floats(SPEEDS[0], SPEEDS[-1])
loads = st.floats(LOADS[0], LOADS[-1])


# Interpolation: scipy.interpolate.RegularGridInterpolator


@given(speeds, loads)
def test_the_interpolated_value_is_scipys(speed, load):
    """The table's value at any point is that of scipy's bilinear interpolation."""
    table = twin_table()
    cells = np.array(table.cells).reshape(len(LOADS), len(SPEEDS))
    scipys = RegularGridInterpolator((LOADS, SPEEDS), cells)
    assert table.locate(speed, load)
    assert table.ve_pct == pytest.approx(float(scipys((load, speed))), rel=1e-14)


@given(speeds, loads)
def test_the_shares_are_scipys_weights_times_ve(speed, load):
    """The four shares are scipy's interpolation weights times VE, over the interpolated VE."""
    table = twin_table()
    n = len(table.cells)
    one_each = np.eye(n).reshape(len(LOADS), len(SPEEDS), n)
    weights = RegularGridInterpolator((LOADS, SPEEDS), one_each)((load, speed)).ravel()
    expected = weights * np.array(table.cells) / (weights @ np.array(table.cells))
    table.locate(speed, load)
    shares = np.zeros(n)
    shares[cells_of(table, table.index)] = table.v0, table.v1, table.v2, table.v3
    assert shares == pytest.approx(expected, abs=1e-13)
    assert shares.sum() == pytest.approx(1.0, abs=1e-14)


@given(st.lists(st.tuples(st.floats(0, 9000), st.floats(0, 130)), min_size=2, max_size=6))
def test_the_cursor_does_not_depend_on_where_it_was(points):
    """A point gives the same square and shares whatever the points asked for before."""
    wandering = twin_table()
    for speed, load in points:
        fresh = twin_table()
        assert wandering.locate(speed, load) == fresh.locate(speed, load)
        fields = ("index", "v0", "v1", "v2", "v3", "ve_pct")
        assert [getattr(wandering, f) for f in fields] == [getattr(fresh, f) for f in fields]
        assert wandering.inside(speed, load) == fresh.locate(speed, load)


@given(st.floats(0, 9000), st.floats(0, 130))
def test_outside_the_axes_the_table_clamps(speed, load):
    """Outside its axes the table gives the value at the nearest point inside, and says so."""
    table = twin_table()
    nearest = (np.clip(speed, SPEEDS[0], SPEEDS[-1]), np.clip(load, LOADS[0], LOADS[-1]))
    inside = table.locate(speed, load)
    value = table.ve_pct
    assert inside == (nearest == (speed, load))
    assert table.locate(*map(float, nearest))
    assert value == table.ve_pct


@pytest.mark.parametrize("place", [(math.nan, 50.0), (3000.0, math.nan), (math.nan, math.nan)])
def test_a_point_that_is_not_a_number_is_outside(place):
    """NaN lies outside the axes and still leaves the cursor on some square of the table."""
    table = twin_table()
    table.locate(3000.0, 50.0)
    assert not table.inside(*place)
    assert not table.locate(*place)
    assert 0 <= table.index < len(table.cells) - table.speed_count - 1
    assert table.v0 + table.v1 + table.v2 + table.v3 == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("axes", "cells", "message"),
    [
        (([1.0], [1.0, 2.0]), [50.0] * 2, "speed axis needs at least 2"),
        (([1.0, 2.0], [3.0, 3.0]), [50.0] * 4, "load axis must ascend: breakpoint 2"),
        (([1.0, math.nan], [1.0, 2.0]), [50.0] * 4, "speed axis: breakpoint 2 is not a number"),
        (([1.0, 2.0], [1.0, math.inf]), [50.0] * 4, "load axis: breakpoint 2 is not a number"),
        (([1.0, 2.0], [1.0, 2.0]), [50.0] * 5, "table has 5 cells"),
        (([1.0, 2.0], [1.0, 2.0]), [50.0, 50.0, -1.0, 50.0], "load 2, speed 1 rpm holds -1"),
        (([1.0, 2.0], [1.0, 2.0]), [50.0, math.nan, 1.0, 50.0], "load 1, speed 2 rpm holds nan"),
        (([1.0, 2.0], [1.0, 2.0]), [0.0, 50.0, 1.0, 50.0], "holds 0"),
    ],
)
def test_a_table_that_cannot_be_is_refused(axes, cells, message):
    """A table with bad axes or cells is refused in one line that says what and where."""
    with pytest.raises(ValueError, match=message) as caught:
        Table(axes[0], axes[1], cells)
    assert "\n" not in str(caught.value)


# Least squares: NIST Statistical Reference Datasets, linear regression, certified values.
# https://www.itl.nist.gov/div898/strd/lls/lls.shtml
#
# The mapping: each regressor is either the share of one cell, which then holds that coefficient,
# or a global term; the other shares are 0. The first guess of the noise is so large that no
# observation meets the outlier weight. Standard errors are compared without the widening, which
# these data, being no time series, do not ask for.

NORRIS = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""
# Wampler3 = Wampler1 + these.
WAMPLER_D = [759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048]
WAMPLER_D += WAMPLER_D[-2::-1]
WAMPLER3_SD = [2152.32624678170, 2363.55173469681, 779.343524331583]
WAMPLER3_SD += [101.475507550350, 5.64566512170752, 0.112324854679312]


def regress(columns, observed, in_cells):
    """Least squares by way of an evidence: the first `in_cells` columns are cells."""
    columns = np.array(columns, dtype=float)
    evidence = Evidence(2, 2, len(columns) - in_cells, noise=1e9)
    recorder = Recorder(evidence)
    for row, d in zip(columns.T, observed, strict=True):
        v0, v1, v2, v3 = (float(v) for v in [*row[:in_cells], *[0.0] * (4 - in_cells)])
        terms = [float(x) for x in row[in_cells:]] or None
        recorder.learn(0, (v0, v1, v2, v3), float(d), terms=terms)
    assert (recorder.w == 1.0).all()
    found = solve(evidence, prior=False)
    errors = np.concatenate([found.standard_error.ravel()[:in_cells], found.term_errors])
    values = np.concatenate([found.correction.ravel()[:in_cells], found.term_values])
    return values, errors / math.sqrt(found.widening), found.noise


@pytest.mark.parametrize("in_cells", [0, 1, 2])
def test_norris(in_cells):
    """NIST's Norris data give the certified line, standard deviations and residual."""
    numbers = np.array(NORRIS.split(), dtype=float).reshape(-1, 2)
    y, x = numbers.T
    values, errors, residual = regress([np.ones(36), x], y, in_cells)
    assert values == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)
    assert residual == pytest.approx(0.884796396144373, rel=1e-9)


@pytest.mark.parametrize("in_cells", [0, 1])
def test_no_intercept(in_cells):
    """NIST's NoInt1 and NoInt2 data give the certified slopes and standard deviations."""
    x = np.arange(60.0, 71.0)
    values, errors, residual = regress([x], x + 70, in_cells)
    assert values == pytest.approx([2.07438016528926], rel=1e-11)
    assert errors == pytest.approx([0.165289256198347e-1], rel=1e-9)
    assert residual == pytest.approx(3.56753034006338, rel=1e-9)
    values, errors, residual = regress([[4.0, 5.0, 6.0]], [3.0, 4.0, 4.0], in_cells)
    assert values == pytest.approx([0.727272727272727], rel=1e-11)
    assert errors == pytest.approx([0.420827318078432e-1], rel=1e-9)
    assert residual == pytest.approx(0.369274472937998, rel=1e-9)


@pytest.mark.parametrize("in_cells", [0, 1, 4])
def test_wampler(in_cells):
    """NIST's Wampler1 and 3 data give the certified polynomials, sums of powers scaled to 0..1."""
    # Unscaled, powers up to 20⁵ take the normal equations to the end of double precision.
    x = np.arange(21.0)
    y = np.sum([x**j for j in range(6)], axis=0)
    columns = [(x / 20.0) ** j for j in range(6)]
    scale = 20.0 ** np.arange(6)
    values, _, _ = regress(columns, y, in_cells)
    assert values / scale == pytest.approx(np.ones(6), rel=1e-6)
    values, errors, residual = regress(columns, y + WAMPLER_D, in_cells)
    assert values / scale == pytest.approx(np.ones(6), rel=1e-5)
    assert errors / scale == pytest.approx(WAMPLER3_SD, rel=1e-6)
    assert residual == pytest.approx(2360.14502379268, rel=1e-7)


# Air mass and exhaust transit. Speed density, m = VE p V / (R T), R of dry air 287.05287 J/kg/K
# (ISO 2533): values computed from that; the first is 1.225 kg/m3 (the standard atmosphere's density
# at sea level, ISO 2533) times two litres, exactly.

AIR_PER_CYLINDER = [
    # VE %, MAP kPa, T K, rpm, mg of air per 500 cm3 cylinder and cycle
    (100.0, 101.325, 288.15, 6000.0, 612.500),
    (85.0, 100.0, 300.0, 3000.0, 493.521),
    (80.0, 60.0, 305.0, 2500.0, 274.126),
    (50.0, 30.0, 310.0, 800.0, 84.283),
]


def exhaust_temp_for(gas_k, air_mg_per_cm3, speed_rpm):
    """The model's temperature at full flow that makes the gas `gas_k` at this flow."""
    return gas_k / (air_mg_per_cm3 * speed_rpm / history.FULL_SPEED_RPM) ** history.COOLING


@pytest.mark.parametrize(("ve_pct", "map_kpa", "air_k", "speed_rpm", "air_mg"), AIR_PER_CYLINDER)
def test_the_delay_counts_the_published_air_mass(ve_pct, map_kpa, air_k, speed_rpm, air_mg):
    """The exhaust part of the delay is the pipe's gas over the flow of the ideal-gas air mass."""
    gas_k = 800.0
    temp_k = exhaust_temp_for(gas_k, air_mg / 500.0, speed_rpm)
    delay = DelayModel(0.0, 750.0, 0.07, temp_k, 500.0)
    transport_s = delay.transport_s(speed_rpm, map_kpa, ve_pct, air_k - 273.15)
    pipe_mg = 101325.0 * 750e-6 / (287.05287 * gas_k) * 1e6
    # A stoichiometric mixture of 14.7 to 1 (common practice for petrol).
    flow_mg_s = air_mg * (1.0 + 1.0 / 14.7) * speed_rpm / 120.0
    assert transport_s == pytest.approx(pipe_mg / flow_mg_s, rel=2e-5)


@pytest.mark.parametrize(
    ("ve_pct", "map_kpa", "air_k", "speed_rpm", "transit_ms"),
    [(50.0, 30.0, 310.0, 800.0, 163.0), (80.0, 60.0, 305.0, 3000.0, 14.0), (85, 100, 300, 6000, 4)],
)
def test_exhaust_transit_is_of_the_known_size(ve_pct, map_kpa, air_k, speed_rpm, transit_ms):
    """A litre of exhaust at 900 K behind two litres of engine takes 163, 14 and 4 ms."""
    # Derived from the ideal gas and speed density for idle, part load and wide open.
    air = ve_pct * map_kpa * 10.0 / (287.05287 * air_k)
    delay = DelayModel(0.0, 1000.0, 0.07, exhaust_temp_for(900.0, air, speed_rpm), 2000.0)
    transport_s = delay.transport_s(speed_rpm, map_kpa, ve_pct, air_k - 273.15)
    assert transport_s * 1e3 == pytest.approx(transit_ms, rel=0.08)


@pytest.mark.parametrize(("speed_rpm", "expected_ms"), [(800, 75.0), (3000, 20.0), (6000, 10.0)])
def test_half_a_cycle_is_one_revolution(speed_rpm, expected_ms):
    """Half an engine cycle (compression and expansion) takes 75, 20 and 10 ms."""
    # Derived: one revolution of a four-stroke, 60 s / rpm.
    delay = DelayModel(0.5, 0.0)
    assert delay.transport_s(speed_rpm, 60.0, 80.0, 25.0) * 1e3 == pytest.approx(expected_ms)


# The sensor's lag and the film: closed forms of first-order systems (any control textbook).


def follow(columns, dt_s, lag_s, film_s=0.0, lead=False, transport_s=0.0):
    """Yield the view of a sensor that follows (speed, load, commanded lambda) per step."""
    ring, seen = History(4000, 1), Seen(film_s, 3 if film_s else 0, lead, 200.0)
    for k, (speed, load, commanded) in enumerate(columns):
        step = dt_s if k else 0.0
        # A flat table: the air is as the pressure.
        ring.push(step, speed, load, 20.0, commanded, [1.0], [80.0 * load], [load])
        if ring.find(transport_s):
            seen.update(ring, 0, transport_s, step, lag_s)
            yield seen


def test_a_step_is_seen_through_the_lag():
    """After one lag a step is seen at 63.2 %, and rises from 10 to 90 % in 2.197 lags."""
    dt_s, lag_s = 1e-3, 0.08
    columns = [(2000.0, 50.0, 1.0)] * 5 + [(2000.0, 60.0, 1.0)] * 600
    seen = [(view.load - 50.0) / 10.0 for view in follow(columns, dt_s, lag_s)]
    # The step is a straight line over one interval: as good as a step in its middle.
    time_s = (np.arange(len(seen)) - 4.5) * dt_s
    assert np.interp(lag_s, time_s, seen) == pytest.approx(1 - math.exp(-1), abs=1e-4)
    rise = np.interp([0.1, 0.9], seen, time_s)
    assert np.diff(rise)[0] == pytest.approx(lag_s * math.log(9.0), rel=1e-3)


@pytest.mark.parametrize("dt_s", [0.01, 0.04, 0.1])
def test_the_lag_is_exact_between_samples(dt_s):
    """Speed, load and commanded lambda pass the lag as in scipy.signal.lsim, at any rate."""
    rng = np.random.default_rng(3)
    lag_s = 0.07
    columns = np.cumsum(rng.standard_normal((200, 3)), axis=0) * [20.0, 0.2, 0.002]
    columns += [3000.0, 60.0, 1.0]
    seen = [
        (view.speed_rpm, view.load, view.commanded)
        for view in follow(columns.tolist(), dt_s, lag_s)
    ]
    time_s = np.arange(200) * dt_s
    for column, view in zip(columns.T, np.array(seen).T, strict=True):
        # 1/(lag s + 1), input straight between samples, started at rest on the first value.
        _, scipys, _ = lsim(([1.0], [lag_s, 1.0]), column - column[0], time_s)
        assert view - column[0] == pytest.approx(scipys, abs=1e-9)


@pytest.mark.parametrize("film_s", [0.25, 0.5])
def test_the_film_column_is_what_a_step_leaves_in_the_film(film_s):
    """After a step of fuel m0 to m1 the film column is (1 - m0/m1) exp(-t/tau)."""
    # Aquino 1981 (from memory), closed form: delivered = m1 - X (m1 - m0) exp(-t/tau), of which
    # X times the column is what is missing.
    dt_s = 1e-3
    columns = [(2000.0, 50.0, 1.0)] * 5 + [(2000.0, 75.0, 1.0)] * 1500
    found = [view.terms[0] for view in follow(columns, dt_s, 0.0, film_s)][5:]
    time_s = np.arange(1500) * dt_s
    expected = (1.0 - 50.0 / 75.0) * np.exp(-time_s / film_s)
    assert np.abs(np.array(found) - expected).max() < 2e-3
    # Peak lambda after the step with X = 0.3: 1/(1 - X (1 - m0/m1)) = 1.1111.
    assert 1.0 / (1.0 - 0.3 * found[0]) == pytest.approx(1.1111, abs=5e-4)


def test_the_film_does_not_care_for_pressure():
    """More fuel by speed or by a richer target fills the film like more fuel by pressure."""
    steps = [(2000.0, 60.0, 1.0), (2400.0, 50.0, 1.0), (2000.0, 50.0, 1.0 / 1.2)]
    found = []
    for step in steps:
        columns = [(2000.0, 50.0, 1.0)] * 5 + [step] * 100
        found.append([view.terms[0] for view in follow(columns, 0.02, 0.0, 0.3)])
    assert max(found[0]) > 0.1
    assert found[1] == pytest.approx(found[0], abs=1e-12)
    assert found[2] == pytest.approx(found[0], abs=1e-12)


def missing_from(columns, dt_s, share, time_s, growth):
    """What a film withholds of the fuel, per step, by scipy's integration of Aquino's equation."""
    flow = np.array([speed * load / commanded for speed, load, commanded in columns])
    relative = np.array([load / 100.0 - 1.0 for _, load, _ in columns])
    x, tau = share * (1.0 + growth * relative), time_s * (1.0 + growth * relative)
    mass = x[0] * tau[0] * flow[0]
    missing = []
    for k in range(len(flow)):
        # Aquino 1981 (from memory): M' = X m - M / tau, the fuel flow constant over a step.
        def rate(_, m, k=k):
            return x[k] * flow[k] - m / tau[k]

        found = solve_ivp(rate, (0.0, dt_s), [mass], rtol=1e-9, atol=1e-9)
        mass = found.y[0, -1]
        missing.append((x[k] * flow[k] - mass / tau[k]) / flow[k])
    return np.array(missing)


@pytest.mark.parametrize(("time_s", "growth"), [(0.35, 0.15), (0.45, 0.0), (0.28, 0.1)])
def test_the_film_columns_together_are_a_film_that_grows_with_load(time_s, growth):
    """Share, growth and time through their columns give Aquino's film to first order."""
    share, dt_s = 0.25, 0.01
    loads = np.concatenate([[60.0] * 5, np.linspace(60.0, 90.0, 40), [90.0] * 60, [55.0] * 80])
    columns = [(2000.0, load, 1.0) for load in loads]
    found = np.array([list(view.terms) for view in follow(columns, dt_s, 0.0, 0.35)])
    missing = missing_from(columns, dt_s, share, time_s, growth)
    of_share, of_growth, of_time = found.T
    change = time_s / 0.35 - 1.0
    whole = share * (of_share + growth * of_growth + change * of_time)

    assert np.abs(missing).max() > 0.1
    # A tenth of what the columns are there for, and better than the first one alone.
    assert np.abs(whole - missing).max() < 0.1 * np.abs(missing).max()
    rms = np.sqrt(np.mean((whole - missing) ** 2))
    if growth or change:
        assert rms < 0.4 * np.sqrt(np.mean((share * of_share - missing) ** 2))


@pytest.mark.parametrize("speed", [1500.0, 3000.0])
def test_the_charge_lead_is_the_air_half_a_cycle_later(speed):
    """The lead column is the logarithm of the air half a cycle after injection over that at it."""
    dt_s, transport_s = 0.01, 0.2
    columns = [(speed, 40.0 + 0.1 * k, 1.0) for k in range(200)]
    *_, last = follow(columns, dt_s, 0.0, 0.0, True, transport_s)
    at_injection = 40.0 + 0.1 * (199 - transport_s / dt_s)
    later = at_injection + 0.1 * (60.0 / speed) / dt_s
    assert last.terms[0] == pytest.approx(math.log(later / at_injection), rel=1e-9)


def test_terms_are_nil_at_rest():
    """At a steady point all global terms are zero: there they explain nothing."""
    for view in follow([(3000.0, 55.0, 1.0)] * 100, 0.02, 0.07, 0.35, True, 0.15):
        assert list(view.terms) == pytest.approx([0.0] * view.n_terms, abs=1e-14)


def test_a_steady_mixture_shows_the_tables_error():
    """At rest the view's point and commanded lambda are the present ones, whatever the delay."""
    for transport_s, lag_s in itertools.product((0.0, 0.1, 0.4), (0.0, 0.05, 0.3)):
        *_, last = follow([(3000.0, 55.0, 0.9)] * 200, 0.02, lag_s, transport_s=transport_s)
        assert (last.speed_rpm, last.load) == pytest.approx((3000.0, 55.0))
        assert last.commanded == pytest.approx(0.9)
