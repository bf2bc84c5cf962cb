"""ASAM MDF 4 files (an open standard for measurements), in and out, by asammdf.

A file's channel groups each have their own clock and rate. They are put on one: the fastest that
is no faster than MOST_HZ, each channel by its own clock. A value between two of its own stands on
the straight line between them, a switch or text stays as it was; where a channel was silent for
much longer than usual, nothing is made up.
"""

import gc
import sys
import traceback
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from breathmap.tools.base.errors import UserError

Array = npt.NDArray[Any]
MOST_HZ = 100.0
# A channel is silent from so many of its usual steps on, and never below so long.
SILENT_STEPS = 4.0
SILENT_S = 0.5
TIME = "time_s"
VERSION = "4.10"


@dataclass(frozen=True)
class MdfTable:
    """Channels on one clock: names and units, and the columns, all of one length; the first is the
    clock."""

    names: list[str]
    units: list[str]
    columns: list[Array]

    def rows(self) -> list[tuple[Any, ...]]:
        """Return its rows."""
        return list(zip(*(column.tolist() for column in self.columns), strict=True))


def mdf_table(path: Path) -> MdfTable:
    """Return the channels of a file on one clock. UserError where it holds none with a clock;
    ImportError without asammdf, and whatever that raises on a damaged file."""
    with _opened(path) as mdf:
        signals = list(_signals(mdf))
    clocks = [np.asarray(s.timestamps, dtype=np.float64) for s in signals]
    if not clocks:
        raise UserError(f"{path}: no channel group of it has a clock and values")
    time_s = _common(clocks)
    columns: list[Array] = [time_s]
    for signal, clock in zip(signals, clocks, strict=True):
        columns.append(_on_clock(np.asarray(signal.samples), clock, time_s))
    names, units = [s.name for s in signals], [s.unit or "" for s in signals]
    return MdfTable([TIME, *names], ["s", *units], columns)


def _opened(path: Path) -> Any:
    """Return an open file. A reader that fails on a damaged one is thrown away half-built, and
    fails once more then: the interpreter would print that to the terminal."""
    asammdf = import_module("asammdf")
    try:
        return asammdf.MDF(path)
    except Exception as error:
        hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
        try:
            traceback.clear_frames(error.__traceback__)
            gc.collect()
        finally:
            sys.unraisablehook = hook
        raise


def _signals(mdf: Any) -> Iterator[Any]:
    """Yield every channel that is no clock and holds one value at a time."""
    for number, group in enumerate(mdf.groups):
        masters = {mdf.masters_db.get(number)}
        for index in range(len(group.channels)):
            if index in masters:
                continue
            signal = mdf.get(group=number, index=index, raw=False)
            if len(signal.timestamps) > 1 and signal.samples.ndim == 1:
                yield signal


def _common(clocks: list[Array]) -> Array:
    """Return the fastest clock that is no faster than MOST_HZ, or a faster one thinned to that."""
    steps = [float(np.median(np.diff(clock))) for clock in clocks]
    usable = [k for k, step in enumerate(steps) if step >= 0.999 / MOST_HZ]
    if usable:
        return clocks[min(usable, key=lambda k: (steps[k], -len(clocks[k])))]
    slowest = max(range(len(clocks)), key=lambda k: steps[k])
    every = max(1, round(1.0 / MOST_HZ / max(steps[slowest], 1e-9)))
    return clocks[slowest][::every]


def _on_clock(values: Array, clock: Array, time_s: Array) -> Array:
    """Return a channel's values at other times; None or NaN where it was silent."""
    usual = float(np.median(np.diff(clock)))
    after = np.searchsorted(clock, time_s, side="right")
    before = np.clip(after - 1, 0, len(clock) - 1)
    after = np.clip(after, 0, len(clock) - 1)
    gap = np.where(time_s == clock[before], 0.0, clock[after] - clock[before])
    silent = gap > max(SILENT_STEPS * usual, SILENT_S)
    silent |= (time_s < clock[0]) | (time_s > clock[-1] + max(usual, 1e-6))
    if values.dtype.kind == "f":
        found = np.interp(time_s, clock, values.astype(np.float64))
        return np.where(silent, np.nan, found)
    if values.dtype.kind in "iub":
        return np.where(silent, np.nan, values[before].astype(np.float64))
    texts = [v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in values]
    found = np.array(texts, dtype=object)[before]
    found[silent] = None
    return found


def write_mdf(
    path: Path,
    columns: Mapping[str, Array],
    units: Mapping[str, str],
    comments: Mapping[str, str],
    comment: str,
) -> None:
    """Write columns, the first being the clock in seconds, as one channel group. path ends in
    `.mf4` and is not there. ImportError without asammdf."""
    asammdf = import_module("asammdf")
    clock, *names = columns
    signals = [
        asammdf.Signal(
            columns[name], columns[clock], name=name, unit=units.get(name, ""),
            comment=comments.get(name, ""),
        )
        for name in names
    ]  # fmt: skip
    with asammdf.MDF(version=VERSION) as mdf:
        mdf.append(signals, comment=comment, common_timebase=True)
        mdf.header.comment = comment
        mdf.save(path)
