"""What a run leaves for the report beside its tables: errors over time and against conditions.

Bounded memory whatever the length: means and squares in bins, never the samples. The residual is
that of each sample against the estimate before it was learned (test, then learn), so it is honest
about what the tables would have done.
"""

from array import array
from collections.abc import Sequence
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.stream import BankLearner
from breathmap.learner.fast.many import Verdicts, summed_on
from breathmap.protocol.wire.sample import Sample

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

TRACE = "trace.json"
FORM = 1
MOST_TIME_BINS = 240
FIRST_TIME_BIN_S = 10.0
COOLANT_BINS_C = tuple(float(c) for c in range(-20, 151, 2))
INTAKE_BINS_C = tuple(float(c) for c in range(-30, 101, 2))
LATE_S = 60.0  # the first minute's residuals say how wrong the table was, not how good it is
DIGITS = 4


class Bins:
    """Residuals in bins between ascending edges; what lies outside counts in the end bins."""

    def __init__(self, edges: Sequence[float]) -> None:
        self.edges = tuple(edges)
        size = len(self.edges) - 1
        self.count = [0] * size
        self.total = array("d", [0.0] * size)
        self.square = array("d", [0.0] * size)
        self._at = 0

    def note(self, value: float, residual: float) -> None:
        """Take one residual at a value; NaN values are passed over."""
        if value != value:
            return
        edges, at = self.edges, self._at
        # Values wander, they do not jump: start from the last bin.
        while at < len(self.count) - 1 and value >= edges[at + 1]:
            at += 1
        while at > 0 and value < edges[at]:
            at -= 1
        self._at = at
        self.count[at] += 1
        self.total[at] += residual
        self.square[at] += residual * residual

    def note_many(self, values: Array, residuals: Array) -> None:
        """Take residuals (n,) at values (n,), as `note` does in order."""
        is_known = values == values
        values, residuals = values[is_known], residuals[is_known]
        if not len(values):
            return
        last = len(self.count) - 1
        places = np.clip(np.searchsorted(self.edges, values, side="right") - 1, 0, last)
        self._at = int(places[-1])
        for place, count in enumerate(np.bincount(places).tolist()):
            self.count[place] += count
        # Unbuffered: it adds one after the other.
        np.add.at(np.frombuffer(self.total), places, residuals)
        np.add.at(np.frombuffer(self.square), places, residuals * residuals)

    def as_dict(self) -> dict[str, list[float | None]]:
        """Return the bins that hold anything: edges, count, mean and rms in per cent."""
        full = [k for k, n in enumerate(self.count) if n]
        return {
            "from": [self.edges[k] for k in full],
            "to": [self.edges[k + 1] for k in full],
            "count": [self.count[k] for k in full],
            "mean_pct": [_pct(self.total[k] / self.count[k]) for k in full],
            "rms_pct": [_pct(sqrt(self.square[k] / self.count[k])) for k in full],
        }


class TimeBins:
    """Errors over time: bins that double in length when there are too many."""

    def __init__(self) -> None:
        self.length_s = FIRST_TIME_BIN_S
        self.rows: list[list[float]] = []  # seen, used, sums of d, d*d, residual, residual^2

    def note(self, time_s: float, used: bool, d: float, residual: float) -> None:
        """Take one sample; d and residual count when it was used."""
        at = int(time_s / self.length_s)
        while at >= MOST_TIME_BINS:
            self._halve()
            at = int(time_s / self.length_s)
        while len(self.rows) <= at:
            self.rows.append([0.0] * 6)
        row = self.rows[at]
        row[0] += 1.0
        if used:
            row[1] += 1.0
            row[2] += d
            row[3] += d * d
            row[4] += residual
            row[5] += residual * residual

    def note_many(self, time_s: Array, used: Bools, d: Array, residual: Array) -> None:
        """Take samples in order of time, arrays (n,), as `note` does one by one."""
        start = 0
        while start < len(time_s):
            places = (time_s[start:] / self.length_s).astype(np.int64)
            count = int(np.searchsorted(places, MOST_TIME_BINS))
            end = start + count
            for place in np.unique(places[:count]).tolist():
                inside = slice(
                    start + int(np.searchsorted(places[:count], place)),
                    start + int(np.searchsorted(places[:count], place, side="right")),
                )
                self._add(place, used[inside], d[inside], residual[inside])
            if end < len(time_s):
                k = slice(end, end + 1)
                values = zip(time_s[k], used[k], d[k], residual[k], strict=True)
                for time, is_used, one, other in values:
                    self.note(float(time), bool(is_used), float(one), float(other))
            start = end + 1

    def _add(self, place: int, used: Bools, d: Array, residual: Array) -> None:
        while len(self.rows) <= place:
            self.rows.append([0.0] * 6)
        row = self.rows[place]
        row[0] += float(len(used))
        row[1] += float(used.sum())
        d, residual = d[used], residual[used]
        for at, values in enumerate((d, d * d, residual, residual * residual), start=2):
            row[at] = summed_on(row[at], values)

    def _halve(self) -> None:
        rows = self.rows + ([[0.0] * 6] if len(self.rows) % 2 else [])
        pairs = zip(rows[::2], rows[1::2], strict=True)
        self.rows = [[a + b for a, b in zip(one, two, strict=True)] for one, two in pairs]
        self.length_s *= 2.0

    def as_dict(self) -> dict[str, Any]:
        """Return middle of each bin in minutes, share used, errors in per cent (None: none)."""
        kept = [(k, row) for k, row in enumerate(self.rows) if row[0]]
        return {
            "bin_s": self.length_s,
            "minutes": [round((k + 0.5) * self.length_s / 60.0, 3) for k, _ in kept],
            "used_pct": [round(100.0 * row[1] / row[0], 1) for _, row in kept],
            "before_mean_pct": [_mean(row, 2) for _, row in kept],
            "before_rms_pct": [_root(row, 3) for _, row in kept],
            "after_mean_pct": [_mean(row, 4) for _, row in kept],
            "after_rms_pct": [_root(row, 5) for _, row in kept],
        }


class BankTrace:
    """One bank's trace."""

    def __init__(self, bank: BankLearner) -> None:
        table = bank.table
        self.over_time = TimeBins()
        self.against = {
            "speed_rpm": Bins(_halved(table.speed_rpm)),
            "load": Bins(_halved(table.load)),
            "coolant_c": Bins(COOLANT_BINS_C),
            "intake_c": Bins(INTAKE_BINS_C),
        }

    def note(self, bank: BankLearner, sample: Sample, time_s: float) -> None:
        """Take what the learner just did with a sample."""
        used = not bank.verdict
        residual = bank.evidence.residual
        self.over_time.note(time_s, used, bank.observation, residual)
        if not used or time_s < LATE_S:
            return
        against = self.against
        against["speed_rpm"].note(bank.seen.speed_rpm, residual)
        against["load"].note(bank.seen.load, residual)
        against["coolant_c"].note(sample.coolant_c, residual)
        against["intake_c"].note(sample.intake_c, residual)

    def note_many(
        self, verdicts: Verdicts, bank: int, samples: NDArray[np.void], time_s: Array
    ) -> None:
        """Take what the learner did with many samples."""
        used = verdicts.verdict[:, bank] == 0
        residual = verdicts.residual[:, bank]
        self.over_time.note_many(time_s, used, verdicts.observation[:, bank], residual)
        late = used & (time_s >= LATE_S)
        against, residual = self.against, residual[late]
        against["speed_rpm"].note_many(verdicts.speed_rpm[late, bank], residual)
        against["load"].note_many(verdicts.load[late, bank], residual)
        against["coolant_c"].note_many(samples["coolant_c"][late], residual)
        against["intake_c"].note_many(samples["intake_c"][late], residual)

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers."""
        return {
            "over_time": self.over_time.as_dict(),
            "against": {name: bins.as_dict() for name, bins in self.against.items()},
        }


class Trace:
    """All banks' traces of one run; time counts learned time, pauses between sources left out."""

    def __init__(self, banks: Sequence[BankLearner]) -> None:
        self.banks = [BankTrace(bank) for bank in banks]
        self._names = [bank.name for bank in banks]
        self._time_s = 0.0
        self._last_us = -1

    def note(self, banks: Sequence[BankLearner], sample: Sample) -> None:
        """Take one sample that was just learned; its time is the session's."""
        step_s = (sample.time_us - self._last_us) * 1e-6 if self._last_us >= 0 else 0.0
        self._last_us = sample.time_us
        if 0.0 < step_s < 10.0:
            self._time_s += step_s
        for trace, bank in zip(self.banks, banks, strict=True):
            trace.note(bank, sample, self._time_s)

    def note_many(self, verdicts: Verdicts, samples: NDArray[np.void]) -> None:
        """Take many samples that were just learned."""
        times_us = samples["time_us"]
        if not len(times_us):
            return
        before_us = self._last_us if self._last_us >= 0 else int(times_us[0])
        step_s = np.diff(times_us, prepend=before_us) * 1e-6
        step_s[~((step_s > 0.0) & (step_s < 10.0))] = 0.0
        time_s = np.add.accumulate(np.concatenate([[self._time_s], step_s]))[1:]
        self._last_us, self._time_s = int(times_us[-1]), float(time_s[-1])
        for number, trace in enumerate(self.banks):
            trace.note_many(verdicts, number, samples, time_s)

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers, units in the names."""
        return {
            "form": FORM,
            "banks": {n: b.as_dict() for n, b in zip(self._names, self.banks, strict=True)},
        }


def _halved(axis: Sequence[float]) -> list[float]:
    """Breakpoints with one more between each two."""
    points = [axis[0]]
    for value in axis[1:]:
        points += [(points[-1] + value) / 2.0, value]
    return points


def _pct(value: float) -> float:
    return round(100.0 * value, DIGITS)


def _mean(row: Sequence[float], place: int) -> float | None:
    return _pct(row[place] / row[1]) if row[1] else None


def _root(row: Sequence[float], place: int) -> float | None:
    return _pct(sqrt(row[place] / row[1])) if row[1] else None
