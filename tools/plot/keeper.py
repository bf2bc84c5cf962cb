"""Keeps what the learner did with every sample, for a plot over time."""

from array import array

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.witness import Witness
from breathmap.learner.core.gates import SENSOR_FAULTY
from breathmap.learner.core.settings import Limits
from breathmap.learner.core.stream import Learner
from breathmap.learner.fast.many import Verdicts
from breathmap.protocol.wire.sample import Sample


class Keeper(Witness):
    """A witness that keeps the verdicts, too: of the latest MOST_SAMPLES, as it does all else."""

    def __init__(self, banks: int) -> None:
        super().__init__(banks)
        self._verdicts = [array("i") for _ in range(banks)]

    def take(self, learner: Learner, sample: Sample) -> None:
        """Note a sample that was just learned."""
        super().take(learner, sample)
        for kept, bank in zip(self._verdicts, learner.banks, strict=True):
            kept.append(bank.verdict)

    def _take_part(self, limits: Limits, samples: NDArray[np.void], verdicts: Verdicts) -> None:
        super()._take_part(limits, samples, verdicts)
        for number, kept in enumerate(self._verdicts):
            kept.frombytes(np.ascontiguousarray(verdicts.verdict[:, number], "i4").tobytes())

    def _forget(self, count: int) -> None:
        super()._forget(count)
        for kept in self._verdicts:
            del kept[:count]

    def verdicts(self, bank: int) -> NDArray[np.int32]:
        """Return a bank's verdicts on the kept samples, shape (kept,): 0 used, else reason bits.

        What a stuck sensor taught and was taken out again counts as its fault.
        """
        found = np.array(self._verdicts[bank], dtype=np.int32)
        is_used = np.zeros(len(found), dtype=np.bool_)
        is_used[self.used(bank)[0]] = True
        found[(found == 0) & ~is_used] = SENSOR_FAULTY
        return found
