# Board-safe: runs on CPython and MicroPython alike.
"""The frames that the board itself sends and reads, packed from the generated layout."""

import struct

from learner.snapshot import counts_of
from learner.stream import BankLearner
from learner.table import Table
from protocol.codes import REASONS
from protocol.sample import Sample
from protocol.sample_fill import fill_sample
from tools.board import layout


def text16(text: str) -> bytes:
    """A text as it travels: 16 bytes of UTF-8, cut at a character boundary, padded with zeros."""
    raw = text.encode()
    end = min(len(raw), 16)
    while 0 < end < len(raw) and raw[end] & 0xC0 == 0x80:
        end -= 1
    return raw[:end] + bytes(16 - end)


def decode_sample(payload: bytes, sample: Sample) -> None:
    """Fill a sample from a payload that the reader has found to fit; its times stay."""
    banks = payload[layout.SAMPLE_SHAPE[0] - 1]
    raws = struct.unpack_from(layout.SAMPLE_FORMAT + layout.SAMPLE_BANK_FORMAT * banks, payload, 0)
    fill_sample(raws, sample, banks, layout.SAMPLE_FIXED, layout.SAMPLE_BANK)
    sample.banks = banks


def encode_sample(sample: Sample) -> bytes:
    """Return the payload of a sample frame: rounded half up, clipped, NaN as null."""
    out = bytearray(layout.SAMPLE_SHAPE[0])
    raws = [_raw(getattr(sample, entry[0]), entry) for entry in layout.SAMPLE_FIXED]
    struct.pack_into(layout.SAMPLE_FORMAT, out, 0, *raws)
    for bank in range(sample.banks):
        raws = [_raw(getattr(sample, entry[0])[bank], entry) for entry in layout.SAMPLE_BANK]
        out.extend(struct.pack("<" + layout.SAMPLE_BANK_FORMAT, *raws))
    return bytes(out)


def _raw(value: float, entry: tuple) -> int:  # type: ignore[type-arg]
    _, per_unit, low, high, measured = entry
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
        table.n_speed,
        table.n_load,
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
        len(REASONS),
    )
    for count in bank.refused:
        out += struct.pack("<I", count)
    return out


def row(table: Table, mark: int, bank: int, number: int) -> bytes:
    """Return the payload of one learner_row. mark: the bank's fingerprint."""
    out = struct.pack(layout.ROW_FORMAT, mark, bank, number, table.n_speed)
    for k in range(number * table.n_speed, (number + 1) * table.n_speed):
        out += struct.pack("<H", counts_of(table.cells[k], layout.VE_PER_PCT))
    return out
