"""The delay is found from a recording, for near and far sensors, from wrong starts."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from breathmap.learner.api import (
    BankReplay,
    DelayModel,
    FoundDelay,
    Learner,
    Settings,
    find_delay,
    learn_many,
    solve,
)
from breathmap.protocol.host.bulk import samples_table
from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import BrakeSweep, Drive, RoadRide
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters, Exhaust, college_twin
from breathmap.simulator.run import TruthTrace, perturbed_table, simulate
from breathmap.simulator.settings import learning_setup
from breathmap.tools.bench.convergence import describe
from breathmap.tools.bench.delay import BRAKE_HOLD_S, share_within
from breathmap.tools.demo.accuracy import accuracy, covered_points, fresh_points

MINUTES = 7.0
# Shorter than what the benchmark drives: both show as much of the delay.
HOLD_S = 0.6 * BRAKE_HOLD_S
TOLERANCE_S = 0.030
TOLERANCE = 0.15


def bench(near_l: float, far_l: float) -> tuple[EngineParameters, Controller]:
    """The twin with two pipes of given volume, litres, and wrong tables."""
    parameters = replace(
        college_twin("continuous"), exhausts=(Exhaust(volume_l=near_l), Exhaust(volume_l=far_l))
    )
    tables = [perturbed_table(parameters.truth, b, TWIN_AXES, 0.08, 3) for b in range(2)]
    return parameters, Controller(parameters, TWIN_AXES, tables, learning_setup("wideband"))


class Recorded:
    """One drive, and what is true of it."""

    def __init__(self, near_l: float, far_l: float, drive: Drive) -> None:
        self.parameters, self.controller = bench(near_l, far_l)
        self.trace = TruthTrace()
        samples = simulate(
            self.parameters, self.controller, drive, seed=3, trace=self.trace, reuse=True
        )
        self.table = samples_table(samples, 2)
        self.settings: Settings = describe(self.parameters, self.controller)

    @cache  # noqa: B019 - as long as the recordings themselves
    def find(self, bank: int, factor: float) -> tuple[FoundDelay, BankReplay]:
        """Find the delay of a bank from a start wrong by a factor, once for all tests."""
        nominal = self.settings.banks[bank].delay
        start = DelayModel(
            cycles=nominal.cycles,
            exhaust_volume_cm3=nominal.exhaust_volume_cm3 * factor,
            sensor_lag_s=nominal.sensor_lag_s * factor,
            exhaust_temp_k=nominal.exhaust_temp_k,
            swept_cm3=nominal.swept_cm3,
        )
        replayed = BankReplay(self.table, bank, self.settings)
        return find_delay(replayed, start), replayed

    def true_delay_s(self, bank: int) -> NDArray[np.float64]:
        """Traced delay, injection to reading, of every sample."""
        return np.array(self.trace.delay_s[bank])[: len(self.table)]


@cache
def recorded(drive: str) -> Recorded:
    """One drive, recorded once for all tests."""
    if drive == "road":
        return Recorded(0.15, 2.6, RoadRide(60 * MINUTES, 3))
    return Recorded(0.40, 1.5, BrakeSweep(hold_s=HOLD_S, mode="step"))


@pytest.mark.parametrize("factor", [1 / 3, 3.0])
@pytest.mark.parametrize("bank", [0, 1])
@pytest.mark.parametrize("drive", ["road", "brake"])
def test_delay_is_found(drive: str, bank: int, factor: float) -> None:
    """Over the points visited the delay comes out within 30 ms or 15 % of the truth."""
    case = recorded(drive)

    found, replayed = case.find(bank, factor)

    model = replayed.transport_s(found.model) + found.model.sensor_lag_s
    rows = np.flatnonzero(replayed.usable)
    true = case.true_delay_s(bank)
    assert found.known
    assert share_within(case.table[rows], true[rows], model[rows]) >= 0.9
    middle = float(np.median(true[rows]))
    assert abs(found.delay_s - middle) <= max(TOLERANCE_S, TOLERANCE * middle)


@cache
def points_of_a_fresh_drive() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Operating points on the road not learned from: speeds in rpm, loads in kPa."""
    case = recorded("road")
    return fresh_points(case.parameters, case.controller, minutes=5.0)


def learned_error_pct(case: Recorded, bank: int, delay: DelayModel) -> float:
    """rms fuelling error on a fresh drive of a table learned with a delay model."""
    settings = describe(case.parameters, case.controller)
    settings.banks[bank].delay = delay
    learner = Learner(settings)
    learn_many(learner, case.table)
    result = solve(learner.banks[bank].evidence)
    cells = np.asarray(settings.banks[bank].table.cells) * (1.0 + result.correction.ravel())
    points = points_of_a_fresh_drive()
    covered = covered_points(*points, result.coverage)
    return accuracy(case.parameters, bank, cells.tolist(), *points, covered).rms_pct


def test_found_delay_learns_as_well_as_the_true_one() -> None:
    """A table learned with the found delay leaves at most 1.05 times the error of the true one."""
    case = recorded("road")
    found, replayed = case.find(1, 3.0)
    rows = np.flatnonzero(replayed.usable)
    # The truth is a trace; the model that fits it best stands for it.
    scale, true = case.settings.banks[1].delay, np.array(case.trace.transport_s[1])[rows]

    def model(cycles: float, volume_cm3: float) -> DelayModel:
        return DelayModel(cycles, volume_cm3, 0.07, scale.exhaust_temp_k, scale.swept_cm3)

    def off_s(volume_cm3: float, cycles: float) -> float:
        return float(np.abs(replayed.transport_s(model(cycles, volume_cm3))[rows] - true).mean())

    fits = {
        cycles: minimize_scalar(
            off_s, bounds=(2000.0, 3200.0), args=(cycles,), options={"xatol": 25.0}
        )
        for cycles in (1.0, 1.2, 1.4, 1.6)
    }
    nearest = min(fits, key=lambda cycles: float(fits[cycles].fun))
    best = model(nearest, float(fits[nearest].x))

    with_found = learned_error_pct(case, 1, found.model)
    with_true = learned_error_pct(case, 1, best)

    assert with_found <= 1.05 * with_true


def test_a_drive_that_shows_no_delay_says_so() -> None:
    """A steady brake run does not tell the delay, and the result says that."""
    case = Recorded(0.40, 0.85, BrakeSweep((3000.0,), (60.0,), hold_s=120.0, mode="step"))

    found, _ = case.find(0, 3.0)

    assert not found.known
