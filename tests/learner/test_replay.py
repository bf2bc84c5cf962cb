"""The whole recording at once gives the observations that the stream gives one by one."""

import numpy as np
import pytest
from bench_streams import road_stream, twin_learner

from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.replay import BankReplay, locate, normal_equations
from breathmap.protocol.host.bulk import samples_table


@pytest.fixture(scope="module")
def streamed():
    """Four minutes learned by the stream, with every observation noted, and the same as a table."""
    samples = list(road_stream(240, banks=2))
    learner = twin_learner(banks=2)
    noted: list[list[tuple[float, ...]]] = [[] for _ in learner.banks]
    for number, sample in enumerate(samples):
        learner.learn_one(sample)
        for bank, rows in zip(learner.banks, noted, strict=True):
            if not bank.verdict:
                seen = bank.seen
                rows.append((number, bank.observation, seen.speed_rpm, seen.load, *seen.terms))
    return learner, samples_table(samples, samples[0].banks), [np.array(rows) for rows in noted]


@pytest.mark.parametrize("bank", [0, 1])
def test_observations_agree_with_the_stream(streamed, bank):
    """Point, observation and terms of every used sample agree between stream and replay."""
    learner, table, noted = streamed
    replay = BankReplay(table, bank, learner.settings)
    rows = noted[bank][:, 0].astype(int)

    seen = replay.observe(learner.settings.banks[bank].delay)

    # The stream takes VE for the delay from the point it saw before, and steps its film filter on
    # the injection's clock; the replay has both exactly.
    assert len(rows) > 2000
    assert np.sqrt(np.mean((seen.speed_rpm[rows] - noted[bank][:, 2]) ** 2)) < 2.0
    assert np.sqrt(np.mean((seen.load[rows] - noted[bank][:, 3]) ** 2)) < 0.1
    difference = (
        np.c_[seen.d[rows], seen.terms[rows]] - np.c_[noted[bank][:, 1], noted[bank][:, 4:]]
    )
    assert np.sqrt((difference**2).mean(axis=0)).max() < 0.01
    assert np.abs(np.median(difference, axis=0)).max() < 1e-3


def test_a_known_delay_gives_the_point_of_then(streamed):
    """Without lag and with a delay of whole samples the point seen is the sample that far back."""
    learner, table, _ = streamed
    replay = BankReplay(table, 0, learner.settings)
    back = 5

    seen = replay.observe_at(np.full(len(table), back * replay.step_s), 0.0)

    assert seen.speed_rpm[back:] == pytest.approx(table["speed_rpm"][:-back], rel=1e-9)
    assert seen.load[back:] == pytest.approx(table["map_kpa"][:-back], rel=1e-9)


def test_normal_equations_are_the_kernels(streamed):
    """Dense normal equations of chosen rows equal those that an Evidence accumulates from them."""
    learner, table, _ = streamed
    bank = learner.banks[0]
    replay = BankReplay(table, 0, learner.settings)
    seen = replay.observe(bank.delay)
    rows = np.flatnonzero(replay.usable & seen.inside)[::7]
    evidence = type(bank.evidence)(
        bank.table.speed_count, bank.table.load_count, seen.terms.shape[1]
    )
    weights = []
    for row in rows.tolist():
        shares = seen.shares[row].tolist()
        evidence.learn_one(
            int(seen.index[row]), *shares, float(seen.d[row]), 1.0, 1.0, seen.terms[row]
        )
        weights.append(evidence.weight)

    h, b = normal_equations(seen, rows, np.array(weights), bank.table)

    kept = moments(evidence)
    assert h == pytest.approx(kept.H, rel=1e-10, abs=1e-12)
    assert b == pytest.approx(kept.b, rel=1e-10, abs=1e-12)


def test_location_is_the_tables(streamed):
    """Vectorised location gives the cursor's square, shares and value, clamped outside."""
    learner, _, _ = streamed
    table = learner.banks[0].table
    random = np.random.default_rng(5)
    speed = random.uniform(table.speed_rpm[0] - 500, table.speed_rpm[-1] + 500, 300)
    load = random.uniform(table.load[0] - 10, table.load[-1] + 10, 300)

    index, shares, ve_pct = locate(table, speed, load)

    for k in range(len(speed)):
        table.locate(float(speed[k]), float(load[k]))
        assert index[k] == table.index
        assert shares[k] == pytest.approx([table.v0, table.v1, table.v2, table.v3], abs=1e-12)
        assert ve_pct[k] == pytest.approx(table.ve_pct)


def test_a_gap_begins_a_new_segment(streamed):
    """Samples after a long gap are not explained by those before it."""
    learner, table, _ = streamed
    cut = table.copy()
    cut["time_us"][3000:] += 60_000_000

    replay = BankReplay(cut, 0, learner.settings)

    assert len(replay.segments) == 2
    assert not replay.usable[3000:3040].any()
