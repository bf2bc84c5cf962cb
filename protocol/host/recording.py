"""Reads a recording: the bytes of a link as they arrived, nothing else.

A recording may be cut anywhere or damaged: every whole frame is given, the rest is counted.
No file I/O here: callers read the bytes.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from breathmap.protocol.host.bulk import bulk_decode_samples, sample_dtype
from breathmap.protocol.host.link import LinkReader
from breathmap.protocol.wire.control_fields import CONTROLLER
from breathmap.protocol.wire.events import NEED_DATA, Counters, FrameEvent
from breathmap.protocol.wire.fields import FRAMES, IDENTITY, STATUS
from breathmap.protocol.wire.payload import bank_count, decode_sample_into, unpack_payload
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.samples import SampleTimeline


@dataclass(frozen=True)
class Recording:
    """What a recording holds.

    identity: values of the latest identity frame, or None. controller: the same of the
    controller frame.
    statuses: values of the latest status frame of each bank, by bank number.
    table: all samples as an array of `bulk.sample_dtype`, shape (n,), with continuous time.
    counters: what the link reader counted.
    leftover_bytes: bytes after the last delimiter, a frame that the cut took.
    """

    identity: dict[str, Any] | None
    controller: dict[str, Any] | None
    statuses: dict[int, dict[str, Any]]
    table: npt.NDArray[np.void]
    counters: Counters
    leftover_bytes: int
    _payloads: list[bytes] = field(repr=False)

    def samples(self) -> Iterator[Sample]:
        """Yield a new Sample for each sample frame, in order."""
        times = self.table["time_us"].tolist()
        losses = self.table["lost_before"].tolist()
        for payload, time_us, lost_before in zip(self._payloads, times, losses, strict=True):
            sample = Sample(bank_count(payload))
            decode_sample_into(payload, sample)
            sample.time_us = time_us
            sample.lost_before = lost_before
            yield sample


def read_recording(data: bytes) -> Recording:
    """Return everything whole in `data`; nothing that the bytes can hold raises.

    Where frames differ in their bank count, per-bank columns have the largest, and what a frame
    did not carry is NaN (state: absent).
    """
    reader = LinkReader((*FRAMES, CONTROLLER))
    timeline = SampleTimeline()
    identity: bytes | None = None
    controller: bytes | None = None
    statuses: dict[int, dict[str, Any]] = {}
    payloads: list[bytes] = []
    stamps: list[tuple[int, int]] = []
    reader.feed(data)
    while (event := reader.next_event()) is not NEED_DATA:
        payload = timeline.take(event)
        if payload is not None:
            payloads.append(payload)
            stamps.append((timeline.time_us, timeline.lost_before))
        elif isinstance(event, FrameEvent) and event.type == IDENTITY.number:
            identity = event.payload
        elif isinstance(event, FrameEvent) and event.type == CONTROLLER.number:
            controller = event.payload
        elif isinstance(event, FrameEvent) and event.type == STATUS.number:
            values = unpack_payload(STATUS, event.payload)
            statuses[values["bank"]] = values
    return Recording(
        identity=None if identity is None else unpack_payload(IDENTITY, identity),
        controller=None if controller is None else unpack_payload(CONTROLLER, controller),
        statuses=statuses,
        table=_table(payloads, stamps),
        counters=reader.counters,
        leftover_bytes=reader.pending_bytes,
        _payloads=payloads,
    )


def _table(payloads: list[bytes], stamps: list[tuple[int, int]]) -> npt.NDArray[np.void]:
    counts = np.array([bank_count(p) for p in payloads], dtype=int)
    widest = int(counts.max(initial=1))
    table = np.zeros(len(payloads), sample_dtype(widest))
    for name in ("measured_lambda", "fuel_multiplier"):
        table[name] = np.nan
    for banks in np.unique(counts):
        rows = np.flatnonzero(counts == banks)
        part = bulk_decode_samples([payloads[row] for row in rows])
        for name in part.dtype.names or ():
            if part[name].ndim == 1:
                table[name][rows] = part[name]
            else:
                table[name][rows, :banks] = part[name]
    if stamps:
        table["time_us"], table["lost_before"] = np.array(stamps, dtype=np.int64).T
    return table
