"""Many samples in one call: verdicts and weights come out as arrays.

The state stays in the Python learner: the C core works on its arrays and numbers, and leaves them
as `Learner.learn_one` would have, bit for bit. So a stream may go on in either core at any sample,
and whoever reads an evidence need not know which one ran. A learner that is not one of ours to the
letter (single precision, a subclass of somebody's) is taught sample by sample in Python.
"""

from collections.abc import Iterator
from ctypes import byref
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.stream import Learner
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.learner.fast import binding, layout
from breathmap.learner.fast.compiled import library
from breathmap.protocol.wire.sample import Sample

_KINDS = {"verdict": "i4", "taken_out": "i4", "outlier": "u1"}
_COLUMNS = {
    "time_us": "i8", "lost_before": "i4", "flags": "u2", "speed_rpm": "f8", "map_kpa": "f8",
    "throttle_pct": "f8", "coolant_c": "f8", "intake_c": "f8", "battery_v": "f8",
    "target_lambda": "f8", "measured_lambda": "f8", "fuel_multiplier": "f8", "sensor_state": "u1",
}  # fmt: skip


@dataclass(frozen=True)
class Verdicts:
    """What a learner did with each of n samples; arrays (n, banks).

    verdict: 0 used, else reason bits. weight: what it was given. observation, residual: of the
    latest used one. delay_s: injection to reading. speed_rpm, load: the point seen. stuck_s: for
    how long the reading has stood still while the load moved. load_travel: of late. outlier: 1
    where the latest used one was. taken_out: used samples taken out again, so far.
    """

    verdict: NDArray[np.int32]
    taken_out: NDArray[np.int32]
    weight: NDArray[np.float64]
    observation: NDArray[np.float64]
    residual: NDArray[np.float64]
    delay_s: NDArray[np.float64]
    speed_rpm: NDArray[np.float64]
    load: NDArray[np.float64]
    stuck_s: NDArray[np.float64]
    load_travel: NDArray[np.float64]
    outlier: NDArray[np.uint8]

    def part(self, rows: slice) -> "Verdicts":
        """Return those on some of the samples."""
        return Verdicts(**{name: column[rows] for name, column in vars(self).items()})


def learn_many(learner: Learner, samples: NDArray[np.void]) -> Verdicts:
    """Teach a learner samples in order, an array of `breathmap.protocol.host.bulk.sample_dtype`.

    Raises ValueError when they have too few banks; then nothing is learned.
    """
    banks = samples["measured_lambda"].shape[1]
    if banks < len(learner.banks):
        raise ValueError(f"the sample carries {banks} banks, the engine has {len(learner.banks)}")
    verdicts = _room(len(samples), len(learner.banks))
    core = library()
    if core is None or not binding.can_bind(learner):
        _learn_in_python(learner, samples, verdicts)
        return verdicts
    columns, _arrays = columns_of(samples)
    out = layout.Verdicts(**{name: column.ctypes.data for name, column in vars(verdicts).items()})
    with binding.bound(learner) as state:
        core.bl_host_learn_many(byref(state), byref(columns), byref(out))
    return verdicts


def columns_of(samples: NDArray[np.void]) -> tuple[layout.Columns, list[NDArray[Any]]]:
    """Return samples as columns for the C core, and the arrays that these point into."""
    columns = layout.Columns(count=len(samples), banks=samples["measured_lambda"].shape[1])
    arrays = [np.ascontiguousarray(samples[name], kind) for name, kind in _COLUMNS.items()]
    for name, array in zip(_COLUMNS, arrays, strict=True):
        setattr(columns, name, array.ctypes.data)
    return columns, arrays


def _room(count: int, banks: int) -> Verdicts:
    names = Verdicts.__dataclass_fields__
    return Verdicts(**{name: np.zeros((count, banks), _KINDS.get(name, "f8")) for name in names})


def rows(samples: NDArray[np.void]) -> Iterator[Sample]:
    """Yield one and the same Sample, filled from each row in turn."""
    sample = Sample(samples["measured_lambda"].shape[1])
    names = samples.dtype.names or ()
    # Plain Python numbers, as every other source of samples gives them.
    columns = [samples[name].tolist() for name in names]
    for values in zip(*columns, strict=True):
        for name, value in zip(names, values, strict=True):
            if name != "banks":
                setattr(sample, name, value)
        yield sample


def _learn_in_python(learner: Learner, samples: NDArray[np.void], verdicts: Verdicts) -> None:
    for row, sample in enumerate(rows(samples)):
        learner.learn_one(sample)
        note(learner, verdicts, row)


def note(learner: Learner, verdicts: Verdicts, row: int) -> None:
    """Put what a learner did with its latest sample into a row."""
    for number, bank in enumerate(learner.banks):
        at = (row, number)
        verdicts.verdict[at] = bank.verdict
        verdicts.weight[at] = bank.weight
        verdicts.observation[at] = bank.observation
        verdicts.residual[at] = bank.evidence.residual
        verdicts.delay_s[at] = bank.delay_s
        verdicts.speed_rpm[at] = bank.seen.speed_rpm
        verdicts.load[at] = bank.seen.load
        verdicts.stuck_s[at] = bank.stuck_s
        verdicts.load_travel[at] = bank.seen.load_travel
        verdicts.outlier[at] = bank.evidence.outlier
        if isinstance(learner, CarefulLearner):
            verdicts.taken_out[at] = learner.taken_out[number]


def summed_on(total: float, values: NDArray[np.float64]) -> float:
    """Return a total with values (n,) added one after the other, rounded as a loop would."""
    return float(np.add.accumulate(np.concatenate([[total], values]))[-1])
