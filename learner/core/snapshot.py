# Board-safe: runs on CPython and MicroPython alike.
"""Between a bank's evidence and the numbers that travel; and the fingerprint of what it is about.

The order of the numbers and the fingerprint are those of the wire specification, section 4.
"""

import math
import struct
from array import array
from binascii import crc32

from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import Settings
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.evidence_codes import (
    CHARGE_LEAD_CODE,
    FILM_GROWTH_CODE,
    FILM_TIME_CODE,
)
from breathmap.protocol.wire.evidence_parts import BankNumbers, double_count


def numbers_of(evidence: Evidence) -> BankNumbers:
    """Return the evidence's numbers as they travel: cells and border are its own arrays.

    The block in progress is closed, so that what travels is all there is.
    """
    evidence.close_block()
    evidence.leave_square()
    doubles = array("d", range(double_count(evidence.n_terms)))
    doubles[0] = evidence.noise
    at = 1
    for values in _small(evidence):
        for k in range(len(values)):
            doubles[at] = values[k]
            at += 1
    return BankNumbers(doubles, evidence.cells, evidence.border, evidence.number_bytes)


def _small(evidence: Evidence) -> "tuple[array[float], ...]":
    return (
        evidence.sums,
        evidence.corner,
        evidence.term_rhs,
        evidence.term_x,
        evidence.term_dot,
    )


def restore(evidence: Evidence, numbers: BankNumbers) -> None:
    """Put numbers that have arrived into an evidence of the same shape. Raises ValueError when the
    shapes differ or a number is none."""
    if len(numbers.doubles) != double_count(evidence.n_terms) or (
        len(numbers.cells),
        len(numbers.border),
    ) != (len(evidence.cells), len(evidence.border)):
        raise ValueError("evidence of another table or other terms")
    for values in (numbers.doubles, numbers.cells, numbers.border):
        for k in range(len(values)):
            # Written so that NaN fails, too.
            if not -1e30 < values[k] < 1e30:
                raise ValueError("the evidence holds a number that is none")
    evidence.leave_square()
    if numbers.cells is not evidence.cells:
        for k in range(len(evidence.cells)):
            evidence.cells[k] = numbers.cells[k]
        for k in range(len(evidence.border)):
            evidence.border[k] = numbers.border[k]
    evidence.noise = numbers.doubles[0]
    at = 1
    for values in _small(evidence):
        for k in range(len(values)):
            values[k] = numbers.doubles[at]
            at += 1


def clear(evidence: Evidence, noise: float) -> None:
    """Begin anew: nothing learned; noise: the first guess, as when the evidence was made."""
    evidence.close_block()
    evidence.leave_square()
    for group in ((evidence.cells, evidence.border), _small(evidence)):
        for values in group:
            for k in range(len(values)):
                values[k] = 0.0
    evidence.noise = noise


def counts_of(value: float, per_unit: int) -> int:
    """The count in which a breakpoint or cell travels."""
    return math.floor(value * per_unit + 0.5)


def fingerprint(settings: Settings, table: Table) -> int:
    """CRC-32 of the axes, cells and terms that a bank's evidence is about."""
    terms = [counts_of(settings.film_s, 1000), FILM_GROWTH_CODE, FILM_TIME_CODE]
    terms = terms[: settings.film_terms]
    if settings.charge_lead:
        terms.append(CHARGE_LEAD_CODE)
    axis = 2 if settings.load_is_throttle else 1
    total = crc32(struct.pack("<4B", axis, table.speed_count, table.load_count, len(terms)))
    for values, per_unit in ((table.speed_rpm, 2), (table.load, 100), (table.cells, 100)):
        for k in range(len(values)):
            total = crc32(struct.pack("<H", counts_of(values[k], per_unit) & 0xFFFF), total)
    for term in terms:
        total = crc32(struct.pack("<H", term), total)
    return total & 0xFFFFFFFF
