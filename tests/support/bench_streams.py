"""The teaching bench's engine and made-up streams of samples and observations, for these tests.

All data here are invented. Nothing of the simulated engine is used: what a test expects must follow
from a few lines that can be read here.
"""

from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from breathmap.learner.core import kernel
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.stream import Learner
from breathmap.learner.core.table import Table
from breathmap.learner.exact.prior import Likelihood, Scales
from breathmap.protocol.wire.fields import SENSOR_READY
from breathmap.protocol.wire.sample import Sample

Array = NDArray[np.float64]
SPEEDS = [800.0, 1400.0, 2000.0, 2800.0, 3600.0, 4600.0, 5800.0, 7000.0]
LOADS = [20.0, 32.0, 46.0, 60.0, 75.0, 90.0, 105.0]


def twin_table() -> Table:
    """The parallel twin's table as a learner starts from it."""
    cells = [52.0 + 3.0 * column + 4.0 * row for row in range(7) for column in range(8)]
    return Table(SPEEDS, LOADS, cells)


def twin_delay(**changed: Any) -> DelayModel:
    """Half of the 689 cc, a short pipe; keyword arguments as of DelayModel."""
    return DelayModel(**{"swept_cm3": 344.5, "exhaust_volume_cm3": 400.0, **changed})


def twin_settings(
    banks: int = 1,
    delay: DelayModel | None = None,
    loads: list[float] | None = None,
    **changed: Any,
) -> Settings:
    """Settings of the twin with `banks` equal banks; keyword arguments as of Settings."""
    parts = []
    for k in range(banks):
        table = twin_table()
        if loads is not None:
            table = Table(SPEEDS, loads, list(table.cells))
        parts.append(BankSettings(f"bank{k}", table, delay or twin_delay()))
    return Settings(parts, **changed)


def healthy_sample(banks: int = 1, **changed: Any) -> Sample:
    """A sample that a warm engine at part load sends; keyword arguments replace its values.

    A per-bank value may be given as one number for all banks.
    """
    sample = Sample(banks)
    values: dict[str, Any] = {
        "speed_rpm": 3000.0,
        "map_kpa": 55.0,
        "throttle_pct": 20.0,
        "coolant_c": 88.0,
        "intake_c": 25.0,
        "battery_v": 13.9,
        "pulse_width_ms": 3.1,
        "target_lambda": 1.0,
        "measured_lambda": 1.04,
        "fuel_multiplier": 1.0,
        "sensor_state": SENSOR_READY,
        **changed,
    }
    for name, value in values.items():
        if isinstance(getattr(sample, name), list) and not isinstance(value, list):
            value = [value] * banks
        setattr(sample, name, value)
    return sample


def steady_stream(
    seconds: float, rate_hz: float = 50.0, start_s: float = 0.0, banks: int = 1, **values: Any
) -> Iterator[Sample]:
    """Samples of an engine that stands still at one point; values as of `healthy_sample`."""
    for k in range(round(seconds * rate_hz)):
        yield healthy_sample(banks, time_us=round((start_s + k / rate_hz) * 1e6), **values)


def road_stream(
    seconds: float,
    rate_hz: float = 25.0,
    banks: int = 1,
    seed: int = 1,
    correction: float = 0.04,
    noise: float = 0.01,
) -> Iterator[Sample]:
    """Samples of a wandering engine whose true correction is the same everywhere."""
    rng = np.random.default_rng(seed)
    speed, load = smooth_walk(seconds, rate_hz, rng)
    for k in range(len(speed)):
        readings = (1.0 + correction) * (1.0 + noise * rng.standard_normal(banks))
        yield healthy_sample(
            banks,
            time_us=round(k / rate_hz * 1e6),
            speed_rpm=float(speed[k]),
            map_kpa=float(load[k]),
            throttle_pct=float(load[k]) * 0.3,
            measured_lambda=[float(r) for r in readings],
        )


def smooth_walk(seconds: float, rate_hz: float, rng: np.random.Generator) -> tuple[Array, Array]:
    """Speed and load that follow aims drawn anew every few seconds, well within the axes."""
    count = round(seconds * rate_hz)
    speed, load = np.empty(count), np.empty(count)
    now, aim = np.array([3000.0, 55.0]), np.array([3000.0, 55.0])
    low, high = np.array([900.0, 22.0]), np.array([6800.0, 103.0])
    follow = 1.0 - np.exp(-1.0 / rate_hz / np.array([1.5, 0.5]))
    for k in range(count):
        if rng.random() < 0.25 / rate_hz:
            aim = low + (high - low) * rng.random(2)
        now = now + (aim - now) * follow
        speed[k], load[k] = now
    return speed, load


Shares = tuple[float, float, float, float]


class Recorder:
    """Feeds observations into an evidence and keeps what numpy needs to solve the same problem."""

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.rows: list[tuple[int, Shares, Sequence[float] | None]] = []
        self.observed: list[float] = []
        self.weights: list[float] = []
        self.shares: list[float] = []

    def learn(
        self,
        index: int,
        v: Shares,
        d: float,
        weight: float = 1.0,
        share: float = 1.0,
        terms: Sequence[float] | None = None,
    ) -> None:
        """Learn one observation and remember its row, value and the weight it was given."""
        evidence = self.evidence
        columns = None if terms is None else array("d", terms)
        evidence.learn_one(index, v[0], v[1], v[2], v[3], d, weight, share, columns)
        self.rows.append((index, v, terms))
        self.observed.append(d)
        self.weights.append(evidence.weight)
        self.shares.append(share)

    @property
    def A(self) -> Array:
        """The design matrix, one row an observation: cells, then terms."""
        evidence = self.evidence
        n = evidence.speed_count * evidence.load_count
        design = np.zeros((len(self.rows), n + evidence.n_terms))
        for row, (index, v, terms) in zip(design, self.rows, strict=True):
            row[cells_of(evidence, index)] = v
            if terms is not None:
                row[n:] = terms
        return design

    @property
    def d(self) -> Array:
        """The observations."""
        return np.array(self.observed)

    @property
    def w(self) -> Array:
        """The weights that the evidence gave them."""
        return np.array(self.weights)


def cells_of(evidence: Evidence | Table, index: int) -> list[int]:
    """Flat indices of the four cells of the square at `index`."""
    return [index, index + 1, index + evidence.speed_count, index + evidence.speed_count + 1]


def drive_evidence(
    table: Table,
    minutes: float,
    truth: Array,
    noise: float | Array,
    seed: int = 0,
    n_terms: int = 0,
    term_truth: Sequence[float] = (),
    rate_hz: float = 10.0,
) -> Recorder:
    """Drive over a table of known corrections `truth` (flat); return the recorder.

    noise: standard deviation, or an array with one disturbance per observation.
    """
    rng = np.random.default_rng(seed)
    recorder = Recorder(Evidence(table.speed_count, table.load_count, n_terms))
    speed, load = smooth_walk(minutes * 60.0, rate_hz, rng)
    disturbance = noise * rng.standard_normal(len(speed)) if isinstance(noise, float) else noise
    terms = 0.1 * rng.standard_normal((len(speed), n_terms))
    beside = disturbance + terms @ np.array(term_truth[:n_terms])
    cells, width = truth.tolist(), table.speed_count
    rows = terms.tolist() if n_terms else [None] * len(speed)
    for n, p, row, more in zip(speed.tolist(), load.tolist(), rows, beside.tolist(), strict=True):
        assert table.locate(n, p)
        at, v = table.index, (table.v0, table.v1, table.v2, table.v3)
        d = v[0] * cells[at] + v[1] * cells[at + 1]
        d += v[2] * cells[at + width] + v[3] * cells[at + width + 1]
        recorder.learn(at, v, d + more, terms=row)
    return recorder


def bumpy_truth(table: Table, seed: int = 0, sd: float = 0.06) -> Array:
    """True corrections of a table, flat: a smooth hill and some roughness."""
    rng = np.random.default_rng(seed)
    load, speed = np.mgrid[0 : table.load_count, 0 : table.speed_count]
    hill = np.sin(speed / 2.0 + rng.uniform(0, 6)) * np.cos(load / 2.5 + rng.uniform(0, 6))
    rough = 0.2 * sd * rng.standard_normal(hill.shape)
    return np.asarray(sd * hill + rough).ravel()


def noted_looks(monkeypatch: pytest.MonkeyPatch) -> list[Scales]:
    """Return a list that grows with every look of a search at the likelihood."""
    looks: list[Scales] = []
    at = Likelihood.at

    def noted(likelihood: Likelihood, scales: Scales) -> tuple[float, Array]:
        looks.append(scales)
        return at(likelihood, scales)

    monkeypatch.setattr(Likelihood, "at", noted)
    return looks


def learn_all(learner: Learner, stream: Iterable[Sample]) -> Learner:
    """Feed a whole stream; return the learner."""
    for sample in stream:
        learner.learn_one(sample)
    return learner


def twin_learner(banks: int = 1, **changed: Any) -> Learner:
    """A fresh learner of the twin; keyword arguments as of `twin_settings`."""
    return Learner(twin_settings(banks, **changed))


def summed_evidence(
    table: Table,
    count: int,
    truth: Array,
    noise: float,
    seed: int = 0,
    noise_guess: float | None = None,
) -> Evidence:
    """What `count` observations of known corrections `truth` (flat) add up to, summed by numpy and
    not one by one: an evidence of hours in a second. No terms, no weights, no running estimate."""
    rng = np.random.default_rng(seed)
    wide, high = table.speed_count, table.load_count
    column, right = np.divmod((wide - 1) * rng.beta(1.5, 2.5, count), 1.0)
    row, up = np.divmod((high - 1) * rng.beta(1.5, 2.5, count), 1.0)
    sizes = np.stack([(1 - right) * (1 - up), right * (1 - up), (1 - right) * up, right * up], 1)
    lower_left = (row * wide + column).astype(int)
    at = lower_left[:, None] + np.array([0, 1, wide, wide + 1])
    v = sizes * np.array(table.cells)[at]
    v /= v.sum(axis=1, keepdims=True)
    d = (v * truth[at]).sum(axis=1) + noise * rng.standard_normal(count)
    cells = np.zeros((wide * high, kernel.PER_CELL))

    def add(number: int, where: int, what: Array) -> None:
        cells[:, number] += np.bincount(at[:, where], what, len(cells))

    for k in range(4):
        add(kernel.SELF, k, v[:, k] ** 2)
        add(kernel.RHS, k, v[:, k] * d)
        add(kernel.COVERAGE, k, v[:, k])
    pairs = [(kernel.EAST, 0, 1), (kernel.EAST, 2, 3), (kernel.NORTH, 0, 2), (kernel.NORTH, 1, 3)]
    for number, one, other in [*pairs, (kernel.NORTH_EAST, 0, 3), (kernel.NORTH_WEST, 1, 2)]:
        add(number, one, v[:, one] * v[:, other])
    evidence = Evidence(wide, high, noise=noise_guess or noise)
    evidence.cells[:] = array("d", cells.ravel())
    evidence.sums[kernel.COUNT] = evidence.sums[kernel.WEIGHT] = count
    evidence.sums[kernel.SQUARE] = float(d @ d)
    return evidence
