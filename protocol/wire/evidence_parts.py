# Board-safe: runs on CPython and MicroPython alike.
"""The numbers of one bank's evidence, cut into the parts that travel, and put together again.

A part at a time and straight from and into the arrays: a board has no room for a copy.
"""

import struct
from array import array
from binascii import crc32

from breathmap.protocol.wire.evidence_codes import PART_BYTES

# The noise and the four sums, before what each term adds.
PLAIN_DOUBLES = 5


def double_count(n_terms: int) -> int:
    """How many numbers of eight bytes stand before the cells."""
    return PLAIN_DOUBLES + n_terms * (n_terms + 1) // 2 + 3 * n_terms


class BankNumbers:
    """One bank's numbers: `doubles` first, then `cells` and `border`, `number_bytes` each.

    doubles, cells, border: arrays, read and written in place. part_count: parts in all.
    """

    def __init__(
        self,
        doubles: "array[float]",
        cells: "array[float]",
        border: "array[float]",
        number_bytes: int,
    ) -> None:
        self.doubles = doubles
        self.cells = cells
        self.border = border
        self.number_bytes = number_bytes
        self._code = "f" if number_bytes == 4 else "d"
        self._a_part = PART_BYTES // number_bytes
        self._first = -(-len(doubles) * 8 // PART_BYTES)
        self.part_count = self._first - (-(len(cells) + len(border)) // self._a_part)

    def _span(self, part: int) -> "tuple[int, int]":
        # The numbers of a part, counted from the first double or from the first cell.
        if part < self._first:
            start = part * (PART_BYTES // 8)
            return start, min(start + PART_BYTES // 8, len(self.doubles))
        start = (part - self._first) * self._a_part
        return start, min(start + self._a_part, len(self.cells) + len(self.border))

    def data(self, part: int) -> bytes:
        """Return one part's bytes. Raises ValueError when there is no such part."""
        if not 0 <= part < self.part_count:
            raise ValueError("there is no part %d of %d" % (part, self.part_count))
        start, end = self._span(part)
        out = bytearray((end - start) * (8 if part < self._first else self.number_bytes))
        code = "<d" if part < self._first else "<" + self._code
        size = struct.calcsize(code)
        for k in range(start, end):
            struct.pack_into(code, out, (k - start) * size, self._at(part, k))
        return bytes(out)

    def _at(self, part: int, k: int) -> float:
        if part < self._first:
            return self.doubles[k]
        return self.cells[k] if k < len(self.cells) else self.border[k - len(self.cells)]

    def put(self, part: int, data: bytes) -> None:
        """Write one part's bytes into the arrays. Raises ValueError when it does not fit."""
        if not 0 <= part < self.part_count:
            raise ValueError("there is no part %d of %d" % (part, self.part_count))
        start, end = self._span(part)
        code = "<d" if part < self._first else "<" + self._code
        size = struct.calcsize(code)
        if len(data) != (end - start) * size:
            raise ValueError("part %d has %d bytes" % (part, len(data)))
        for k in range(start, end):
            value = struct.unpack_from(code, data, (k - start) * size)[0]
            if part < self._first:
                self.doubles[k] = value
            elif k < len(self.cells):
                self.cells[k] = value
            else:
                self.border[k - len(self.cells)] = value

    def crc(self) -> int:
        """CRC-32 of all parts' data, in order."""
        total = 0
        for part in range(self.part_count):
            total = crc32(self.data(part), total)
        return total & 0xFFFFFFFF
