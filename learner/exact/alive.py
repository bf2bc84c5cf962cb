"""A learner that takes out again what a stuck sensor taught before it was recognised. Host only.

A reading that repeats to the last digit is suspect only once the load has moved for a while (see
`Limits.stuck_after_s`), and until then it teaches: seconds of driving, minutes of idling. So what a
bank holds is set aside at the first repeat, and put back when the reading turns out to be stuck.
Where it moves again in time, nothing has happened: healthy samples give the same numbers, bit for
bit. A board has no room for a second evidence and keeps what came before.
"""

from array import array

from breathmap.learner.core.gates import SENSOR_FAULTY, primary_reason
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import Settings
from breathmap.learner.core.single_precision import HeldSums
from breathmap.learner.core.stream import BankLearner, Learner

# What an evidence holds beside its shape: arrays, and plain values.
_ARRAYS = (
    "cells", "border", "corner", "term_rhs", "term_x", "term_dot", "sums",
    "_block_index", "_block_score",
)  # fmt: skip
_VALUES = ("noise", "outlier_share", "_block_used")
_HELD_ARRAYS = ("place", "_base", "added")
_HELD_VALUES = ("index", "_random")


class Copy:
    """What some attributes of an object were; arrays are copied in place, both ways.

    pairs: its arrays, each with its copy. values: of the plain attributes.
    """

    def __init__(
        self, original: Evidence | HeldSums, arrays: tuple[str, ...], values: tuple[str, ...]
    ) -> None:
        self._original = original
        self._names = values
        self.values: list[float] = [getattr(original, name) for name in values]
        self.pairs: list[tuple[array[float], array[float]]] = []
        for name in arrays:
            own: array[float] = getattr(original, name)
            self.pairs.append((own, array(own.typecode, own)))

    def take(self) -> None:
        """Note how the original is now."""
        for own, copy in self.pairs:
            copy[:] = own
        self.values = [getattr(self._original, name) for name in self._names]

    def put_back(self) -> None:
        """Make the original what it was when noted."""
        for own, copy in self.pairs:
            own[:] = copy
        for name, value in zip(self._names, self.values, strict=True):
            setattr(self._original, name, value)


class Aside:
    """What one bank held before its reading began to repeat itself.

    used, spike_s: the bank's own then. copies: of its evidence.
    """

    def __init__(self, bank: BankLearner) -> None:
        self.is_kept = False
        self.evidence = bank.evidence
        self._bank = bank
        self.copies = [Copy(bank.evidence, _ARRAYS, _VALUES)]
        if bank.evidence.held is not None:
            self.copies.append(Copy(bank.evidence.held, _HELD_ARRAYS, _HELD_VALUES))
        self.used = 0
        self.spike_s = 0.0

    def take(self) -> None:
        """Set aside what the bank holds now."""
        self.is_kept = True
        self.used, self.spike_s = self._bank.used_count, self._bank.spike_s
        for copy in self.copies:
            copy.take()

    def put_back(self) -> int:
        """Give it back to the bank; return how many used samples are taken out again."""
        self.is_kept = False
        bank = self._bank
        taken_out = bank.used_count - self.used
        if taken_out:
            for copy in self.copies:
                copy.put_back()
            bank.spike_s = self.spike_s
            bank.used_count -= taken_out
            bank.refused[primary_reason(SENSOR_FAULTY)] += taken_out
        return taken_out


class CarefulLearner(Learner):
    """A learner on whose evidence a stuck reading leaves nothing.

    taken_out: per bank, used samples that were taken out again; they count as refused.
    """

    def __init__(self, settings: Settings, typecode: str = "d") -> None:
        super().__init__(settings, typecode)
        self.taken_out = [0] * len(self.banks)
        self._aside = [Aside(bank) for bank in self.banks]

    def asides(self) -> list[Aside]:
        """Return what is set aside of each bank; of one with another evidence than before,
        nothing is."""
        for number, bank in enumerate(self.banks):
            if self._aside[number].evidence is not bank.evidence:
                self._aside[number] = Aside(bank)
        return self._aside

    def keep_all(self) -> None:
        """Take nothing out any more of what was learned so far: evidence of another origin is
        about to be added to it."""
        for aside in self._aside:
            aside.is_kept = False

    def _is_stuck(self, bank: BankLearner, measured: float, dt_s: float) -> bool:
        repeats = measured == bank.measured
        is_stuck = super()._is_stuck(bank, measured, dt_s)
        aside = self._aside[bank.number]
        if aside.evidence is not bank.evidence:
            # Somebody has put in another evidence: watch that.
            aside = self._aside[bank.number] = Aside(bank)
        if not repeats:
            aside.is_kept = False
        elif is_stuck and aside.is_kept:
            self.taken_out[bank.number] += aside.put_back()
        elif not is_stuck and not aside.is_kept:
            aside.take()
        return is_stuck
