# Board-safe: runs on CPython and MicroPython alike.
"""The frames that the board itself sends and reads, packed from the generated layout.

Reading a sample is `breathmap.protocol.wire.sample`'s, on every device. Packing and texts are here
once more, held to `breathmap.protocol.wire.payload` and `scaling` by tests: those know a frame by
the field table, which alone takes more heap than the learner.
"""

import struct

from breathmap.learner.core.snapshot import counts_of
from breathmap.learner.core.stream import BankLearner
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.sample import Sample, fill_sample
from breathmap.tools.board import layout


def text16(text: str) -> bytes:
    """A text as it travels: 16 bytes of UTF-8, cut at a character boundary, padded with zeros."""
    raw = text.encode()
    end = min(len(raw), 16)
    while 0 < end < len(raw) and raw[end] & 0xC0 == 0x80:
        end -= 1
    return raw[:end] + bytes(16 - end)


def decode_sample(payload: bytes, sample: Sample) -> None:
    """Fill a sample from a payload that the reader has found to fit; its times stay."""
    fill_sample(payload, sample, layout.SAMPLE_FIXED, layout.SAMPLE_BANK)


def encode_sample(sample: Sample) -> bytes:
    """Return the payload of a sample frame: rounded half up, clipped, NaN as null."""
    out = bytearray()
    for entry in layout.SAMPLE_FIXED:
        _put(out, getattr(sample, entry[0]), entry)
    for bank in range(sample.banks):
        for entry in layout.SAMPLE_BANK:
            _put(out, getattr(sample, entry[0])[bank], entry)
    return bytes(out)


def _put(out: bytearray, value: float, entry: tuple) -> None:  # type: ignore[type-arg]
    raw = _raw(value, entry)
    out.append(raw & 0xFF)
    if entry[5] == 2:
        out.append(raw >> 8 & 0xFF)


def _raw(value: float, entry: tuple) -> int:  # type: ignore[type-arg]
    _, per_unit, low, high, measured, _ = entry
    if not measured:
        return int(value)
    if value != value:
        return -32768 if low < 0 else 65535
    if value * per_unit <= low:
        return int(low)
    if value * per_unit >= high:
        return int(high)
    return counts_of(value, per_unit)


def identity(
    name: str, firmware: str, table: Table, banks: int, rate_hz: float, axis: int
) -> bytes:
    """Return the payload of an identity frame."""
    out = struct.pack(
        layout.IDENTITY_FORMAT,
        text16(name),
        text16(firmware),
        banks,
        counts_of(rate_hz, layout.RATE_PER_HZ),
        axis,
        table.speed_count,
        table.load_count,
    )
    for value in table.speed_rpm:
        out += struct.pack("<H", counts_of(value, layout.SPEED_PER_RPM))
    for value in table.load:
        out += struct.pack("<H", counts_of(value, layout.LOAD_PER_UNIT))
    return out


def status(bank: BankLearner, uptime_s: int, counters: "tuple[int, int, int, int]") -> bytes:
    """Return the payload of a status frame. counters: sent, dropped, received, bad received."""
    out = struct.pack(
        layout.STATUS_FORMAT,
        uptime_s & 0xFFFFFFFF,
        *counters,
        bank.number,
        bank.seen_count,
        bank.used_count,
        len(bank.refused),
    )
    for count in bank.refused:
        out += struct.pack("<I", count)
    return out


def row(table: Table, mark: int, bank: int, number: int) -> bytes:
    """Return the payload of one learner_row. mark: the bank's fingerprint."""
    out = struct.pack(layout.ROW_FORMAT, mark, bank, number, table.speed_count)
    for k in range(number * table.speed_count, (number + 1) * table.speed_count):
        out += struct.pack("<H", counts_of(table.cells[k], layout.VE_PER_PCT))
    return out
