# Board-safe: runs on CPython and MicroPython alike.
"""Sums kept in single precision that neither stall nor drift, however many samples come.

A plain 24-bit sum stops growing once an addend is below half a unit of its last place: 0.05 added
to a million is lost. An engine stays in one square of the table for many samples, so the numbers of
the open square are held apart: what each was on entry, and what was added since. The sum is written
through after every sample, so readers see it current, and it is rounded only once a visit. What
that rounding loses is made up by chance in proportion to it (stochastic rounding), so that no drive
makes it one-sided: after n visits the relative error is about sqrt(n) * 2^-25.

Knows arrays and places in them, not what lies there: `breathmap.learner.core.kernel` says it.
"""

import math
import struct
from array import array

# Numbers of the stencil that one observation adds to.
IN_CELLS = 18
_BITS = bytearray(4)


def spacing(value: float) -> float:
    """Distance from a normal single-precision number to the next one away from zero."""
    # The exponent from its bits: frexp would make a tuple for each of the numbers of a square.
    struct.pack_into("<f", _BITS, 0, value)
    return math.ldexp(1.0, ((_BITS[3] & 0x7F) << 1 | _BITS[2] >> 7) - 150)


class HeldSums:
    """The sums that the next observation of the same square adds to.

    cells, border, sums, corner, term_rhs: an evidence's arrays; `leave` before anyone else writes
    them. index: lower-left cell of the square, -1 when none is open. place: where its numbers lie;
    whoever enters a square says it first, see `Evidence.enter_square`. added: what came in since,
    in that order. Memory: 14 bytes for each of 21 + 4 K + K (K + 3) / 2 numbers.
    """

    def __init__(
        self,
        cells: "array[float]",
        border: "array[float]",
        sums: "array[float]",
        corner_sums: "array[float]",
        term_rhs: "array[float]",
    ) -> None:
        terms = len(term_rhs)
        corner = len(corner_sums)
        count = IN_CELLS + 4 * terms + 3 + corner + terms
        self.index = -1
        self._n_terms = terms
        self.place = array("H", range(count))
        self._base = array("f", range(count))
        self.added = array("d", range(count))
        # Which array the numbers from a start to an end belong to.
        shared = IN_CELLS + 4 * terms
        self._parts = (
            (cells, 0, IN_CELLS),
            (border, IN_CELLS, shared),
            (sums, shared, shared + 3),
            (corner_sums, shared + 3, shared + 3 + corner),
            (term_rhs, shared + 3 + corner, count),
        )
        # What every square shares lies from the start of its arrays.
        for _, start, end in self._parts[2:]:
            for k in range(start, end):
                self.place[k] = k - start
        # 16 bits, so that a board's small integers hold every step of the generator.
        self._random = 40503

    def add(
        self,
        v0: float,
        v1: float,
        v2: float,
        v3: float,
        d: float,
        weight: float,
        share: float,
        terms: "array[float] | None",
    ) -> None:
        """Add one observation of the open square, as in `Evidence.learn_one`, to its sums."""
        added = self.added
        w0 = weight * v0
        w1 = weight * v1
        w2 = weight * v2
        w3 = weight * v3
        added[0] += w0 * v0
        added[1] += w0 * v1
        added[2] += w0 * v2
        added[3] += w0 * v3
        added[4] += w1 * v1
        added[5] += w1 * v2
        added[6] += w1 * v3
        added[7] += w2 * v2
        added[8] += w2 * v3
        added[9] += w3 * v3
        added[10] += w0 * d
        added[11] += w1 * d
        added[12] += w2 * d
        added[13] += w3 * d
        added[14] += w0 * share
        added[15] += w1 * share
        added[16] += w2 * share
        added[17] += w3 * share
        k = IN_CELLS
        if self._n_terms:
            self._add_terms(v0, v1, v2, v3, d, weight, terms)  # type: ignore[arg-type]
            k += 4 * self._n_terms
        added[k] += 1.0
        added[k + 1] += weight
        added[k + 2] += weight * d * d
        self.write()

    def _add_terms(
        self,
        v0: float,
        v1: float,
        v2: float,
        v3: float,
        d: float,
        weight: float,
        terms: "array[float]",
    ) -> None:
        added = self.added
        n_terms = self._n_terms
        border = IN_CELLS
        corner = IN_CELLS + 4 * n_terms + 3
        rhs = corner + n_terms * (n_terms + 1) // 2
        for k in range(n_terms):
            pull = weight * terms[k]
            added[border] += pull * v0
            added[border + 1] += pull * v1
            added[border + 2] += pull * v2
            added[border + 3] += pull * v3
            border += 4
            added[rhs + k] += pull * d
            for m in range(k, n_terms):
                added[corner] += pull * terms[m]
                corner += 1

    def write(self) -> None:
        """Write the sums through, with all that was added, into the evidence's arrays."""
        place = self.place
        base = self._base
        added = self.added
        for target, start, end in self._parts:
            for k in range(start, end):
                target[place[k]] = base[k] + added[k]

    def enter(self, index: int) -> None:
        """Open a square whose numbers lie as `place` says."""
        place = self.place
        for target, start, end in self._parts:
            for k in range(start, end):
                self._base[k] = target[place[k]]
                self.added[k] = 0.0
        self.index = index

    def leave(self) -> None:
        """Close the square, for instance before anyone else writes the evidence's numbers."""
        if self.index < 0:
            return
        self.index = -1
        for target, start, end in self._parts:
            for k in range(start, end):
                self._round(target, self.place[k], self._base[k], self.added[k])

    def _round(self, target: "array[float]", place: int, base: float, added: float) -> None:
        # What rounding to single precision lost is known exactly (Dekker 1971): one step more is
        # taken with the probability lost / step, which makes the expectation right.
        stored = target[place]
        lost = added - (stored - base)
        if lost == 0.0 or stored == 0.0:
            return
        step = spacing(stored)
        number = self._random
        number ^= (number << 7) & 0xFFFF
        number ^= number >> 9
        number ^= (number << 8) & 0xFFFF
        self._random = number
        chance = step * number / 65536.0
        if chance < lost:
            target[place] = stored + step
        elif chance < -lost:
            target[place] = stored - step
