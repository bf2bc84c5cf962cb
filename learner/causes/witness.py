"""Keeps what a run saw, so that causes can be looked for afterwards. Host only.

A diagnosis needs columns that the evidence does not hold (pulse width, intake temperature, the flow
at the sensor now), so the samples are kept beside what the learner did with each: which it used,
with what weight, which it took for an outlier. About 150 bytes a sample, for the latest
MOST_SAMPLES.
"""

from array import array
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.settings import Limits
from breathmap.learner.core.stream import Learner
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.learner.fast.many import Verdicts, summed_on
from breathmap.protocol.host.bulk import sample_dtype
from breathmap.protocol.wire.sample import Sample

# Nearly three hours at 25 Hz; more would take more memory than a small computer has to spare.
MOST_SAMPLES = 250_000
_COMMON = (
    "time_us", "lost_before", "flags", "speed_rpm", "map_kpa", "throttle_pct", "coolant_c",
    "intake_c", "battery_v", "pulse_width_ms", "target_lambda",
)  # fmt: skip
_OF_BANK = ("measured_lambda", "fuel_multiplier", "sensor_state")
_WHOLE = ("time_us", "lost_before", "flags", "sensor_state")


def _columns(names: tuple[str, ...]) -> "dict[str, array[float]]":
    return {name: array("q" if name in _WHOLE else "d") for name in names}


def _extend(column: "array[Any]", values: NDArray[Any]) -> None:
    column.frombytes(np.ascontiguousarray(values, column.typecode).tobytes())


@dataclass
class BankWitness:
    """What one bank's learner did: rows it used, their weights, rows that were lean outliers; the
    longest time that its reading stood still while the load moved, and all time that the load moved
    while it read, seconds."""

    values: "dict[str, array[float]]" = field(default_factory=lambda: _columns(_OF_BANK))
    rows: "array[int]" = field(default_factory=lambda: array("q"))
    weights: "array[float]" = field(default_factory=lambda: array("d"))
    spikes: "array[int]" = field(default_factory=lambda: array("q"))
    stuck_s: float = 0.0
    moved_s: float = 0.0
    taken_out: int = 0


class Witness:
    """Follows a learner sample by sample. seen: samples in all, also those not kept any more."""

    def __init__(self, banks: int) -> None:
        self.seen = 0
        self.banks = [BankWitness() for _ in range(banks)]
        self._values = _columns(_COMMON)
        self._first = 0
        self._last_us = 0

    def take(self, learner: Learner, sample: Sample) -> None:
        """Note a sample that was just learned."""
        for name, column in self._values.items():
            column.append(getattr(sample, name))
        step_s = (sample.time_us - self._last_us) * 1e-6
        self._last_us = sample.time_us
        for number, (one, bank) in enumerate(zip(self.banks, learner.banks, strict=True)):
            for name, column in one.values.items():
                column.append(getattr(sample, name)[number])
            limits = learner.settings.limits
            # Beyond its range, in free air, a sensor stands still and is well.
            if limits.lambda_min <= sample.measured_lambda[number] <= limits.lambda_max:
                one.stuck_s = max(one.stuck_s, bank.stuck_s)
                if (
                    bank.seen.load_travel > limits.load_travel_half
                    and 0.0 < step_s <= limits.gap_max_s
                ):
                    one.moved_s += step_s
            if isinstance(learner, CarefulLearner):
                self._take_out(one, learner.taken_out[number])
            if bank.verdict:
                continue
            one.rows.append(self.seen)
            one.weights.append(bank.weight)
            if bank.evidence.outlier and bank.evidence.residual > 0.0:
                one.spikes.append(self.seen)
        self.seen += 1
        if self.seen - self._first > 1.2 * MOST_SAMPLES:
            self._forget(self.seen - self._first - MOST_SAMPLES)

    def take_many(self, learner: Learner, samples: NDArray[np.void], verdicts: Verdicts) -> None:
        """Note samples that were just learned, as `take` does one by one."""
        start = 0
        while start < len(samples):
            # As far as the next time to forget.
            room = int(1.2 * MOST_SAMPLES) + 1 - (self.seen - self._first)
            part = slice(start, start + room)
            self._take_part(learner.settings.limits, samples[part], verdicts.part(part))
            start += room
            if self.seen - self._first > 1.2 * MOST_SAMPLES:
                self._forget(self.seen - self._first - MOST_SAMPLES)

    def _take_part(self, limits: Limits, samples: NDArray[np.void], verdicts: Verdicts) -> None:
        for name, column in self._values.items():
            _extend(column, samples[name])
        times_us = samples["time_us"]
        step_s = np.diff(times_us, prepend=self._last_us) * 1e-6
        self._last_us = int(times_us[-1])
        is_step = (step_s > 0.0) & (step_s <= limits.gap_max_s)
        for number, one in enumerate(self.banks):
            for name, column in one.values.items():
                _extend(column, samples[name][:, number])
            measured = samples["measured_lambda"][:, number]
            reads = (measured >= limits.lambda_min) & (measured <= limits.lambda_max)
            one.stuck_s = max(one.stuck_s, float(verdicts.stuck_s[reads, number].max(initial=0.0)))
            moved = reads & is_step & (verdicts.load_travel[:, number] > limits.load_travel_half)
            one.moved_s = summed_on(one.moved_s, step_s[moved])
            self._note_rows(one, verdicts, number)
        self.seen += len(samples)

    def _note_rows(self, one: BankWitness, verdicts: Verdicts, number: int) -> None:
        """Note which rows a bank used, up to each at which some were taken out again."""
        taken_out = verdicts.taken_out[:, number]
        changes = np.flatnonzero(np.diff(taken_out, prepend=one.taken_out)).tolist()
        bounds = [0, *changes, len(taken_out)]
        for start, end in pairwise(bounds):
            if start < len(taken_out):
                self._take_out(one, int(taken_out[start]))
            used = start + np.flatnonzero(verdicts.verdict[start:end, number] == 0)
            _extend(one.rows, used + self.seen)
            _extend(one.weights, verdicts.weight[used, number])
            outlier, residual = verdicts.outlier[used, number], verdicts.residual[used, number]
            _extend(one.spikes, used[(outlier != 0) & (residual > 0.0)] + self.seen)

    def _take_out(self, one: BankWitness, taken_out: int) -> None:
        """Forget the latest rows that the learner has taken out again."""
        more = min(taken_out - one.taken_out, len(one.rows))
        one.taken_out = taken_out
        if not more:
            return
        first = one.rows[-more]
        del one.rows[-more:]
        del one.weights[-more:]
        while one.spikes and one.spikes[-1] >= first:
            one.spikes.pop()

    def _forget(self, count: int) -> None:
        self._first += count
        for column in self._values.values():
            del column[:count]
        for one in self.banks:
            for column in one.values.values():
                del column[:count]
            early = int(np.searchsorted(np.asarray(one.rows), self._first))
            del one.rows[:early]
            del one.weights[:early]
            del one.spikes[: int(np.searchsorted(np.asarray(one.spikes), self._first))]

    @property
    def kept(self) -> int:
        """Samples that can be looked at."""
        return self.seen - self._first

    def samples(self) -> NDArray[np.void]:
        """The kept samples as a structured array of `sample_dtype`, shape (kept,)."""
        table = np.zeros(self.kept, sample_dtype(len(self.banks)))
        for name, column in self._values.items():
            table[name] = np.asarray(column)
        for name in _OF_BANK:
            for number, one in enumerate(self.banks):
                table[name][:, number] = np.asarray(one.values[name])
        return table

    def used(self, bank: int) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """Places of the used samples among the kept, and their weights."""
        one = self.banks[bank]
        return (
            np.asarray(one.rows, dtype=np.intp) - self._first,
            np.asarray(one.weights, dtype=np.float64),
        )

    def spikes(self, bank: int) -> NDArray[np.intp]:
        """Places of lean outliers among the kept samples."""
        return np.asarray(self.banks[bank].spikes, dtype=np.intp) - self._first
