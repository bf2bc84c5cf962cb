"""The method with stock switching sensors, end to end on the simulated engine."""

import numpy as np

from breathmap.learner.api import (
    SWITCHING,
    BankSettings,
    DelayModel,
    Learner,
    Settings,
    Table,
    learn_many,
    solve,
)
from breathmap.protocol.host.bulk import samples_table
from breathmap.protocol.wire.fields import CLOSED_LOOP, REASONS
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.run import bench, simulate
from breathmap.tools.demo.accuracy import accuracy, covered_points, fresh_points


def test_switching_sensors_learn_stoichiometric_ground() -> None:
    """After 30 minutes of road the median error is at most 1 %, and nothing is learned where the
    loop is open or the sensor does not switch."""
    parameters, controller = bench(method="switching", seed=2)
    banks = [
        BankSettings(
            f"bank{b}",
            Table(list(TWIN_AXES.speed_rpm), list(TWIN_AXES.load_kpa), controller.read_ve(b)),
            DelayModel(
                exhaust_volume_cm3=1000.0 * parameters.exhausts[b].volume_l,
                sensor_lag_s=parameters.sensors[b].lag_s,
                swept_cm3=parameters.displacement_cm3 / 2,
            ),
        )
        for b in range(2)
    ]
    learner = Learner(Settings(banks, sensor_kind=SWITCHING, sample_rate_hz=25.0))

    samples = samples_table(
        simulate(parameters, controller, RoadRide(1800.0, 2), 2, reuse=True), banks=2
    )
    verdicts = learn_many(learner, samples)

    is_open = (samples["flags"] & CLOSED_LOOP) == 0
    assert is_open.any()
    assert (verdicts.verdict[is_open] != 0).all()
    points = fresh_points(parameters, controller, minutes=5.0)
    after = []
    for bank in learner.banks:
        result = solve(bank.evidence)
        covered = covered_points(*points, result.coverage)
        old = np.asarray(bank.table.cells)
        before = accuracy(parameters, bank.number, old.tolist(), *points, covered)
        new = old * (1.0 + result.correction.ravel())
        after.append(accuracy(parameters, bank.number, new.tolist(), *points, covered))
        assert covered.mean() > 0.6
        assert before.rms_pct > 5.0
        refused = dict(zip(REASONS, bank.refused, strict=True))
        assert refused["closed_loop_wrong"] > 0
        assert refused["loop_not_settled"] > 0
    assert float(np.median([a.rms_pct for a in after])) <= 1.0
