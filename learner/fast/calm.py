"""Alarms over many samples: the calm stretches in C, whatever raises one in Python.

The state stays in the Python `Alarms`, which is afterwards what `take` would have left, bit for
bit.
"""

from array import array
from ctypes import CDLL, byref, c_int64, pointer
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.alarms import Alarms
from breathmap.learner.core.lean import Lean
from breathmap.learner.fast import layout
from breathmap.learner.fast.binding import settings_of
from breathmap.learner.fast.compiled import library
from breathmap.learner.fast.many import columns_of, rows

_LEAN = (
    "judged_s", "low", "base", "_step_s", "_flow", "_quiet_s", "count", "_last_us", "_at", "_steps",
)  # fmt: skip
_LISTS = ("_quiet_s", "_gone_s", "_warming_s", "_came", "_lost")
_LIMITS = ("lean_load", "lean_lambda", "target_load", "above_target")


def take_many(alarms: Alarms, samples: NDArray[np.void]) -> None:
    """Look at samples in order, an array of `breathmap.protocol.host.bulk.sample_dtype`."""
    core = library()
    if core is None or type(alarms) is not Alarms or type(alarms.lean) is not Lean:
        for sample in rows(samples):
            alarms.take(sample)
        return
    columns, _arrays = columns_of(samples)
    at = 0
    while at < len(samples):
        if _is_calm(alarms):
            at = _take_calm(core, alarms, columns, at)
        # Some samples at once: a cause that comes and goes must not cost a binding each time.
        end = min(at + 16, len(samples))
        for sample in rows(samples[at:end]):
            alarms.take(sample)
        at = end


def _is_calm(alarms: Alarms) -> bool:
    """True when no cause of an alarm is there."""
    return not (any(alarms.active) or any(alarms.lean.on) or alarms.episodes.going)


def _take_calm(core: CDLL, alarms: Alarms, columns: layout.Columns, at: int) -> int:
    settings, lean = settings_of(alarms.settings), alarms.lean
    state = layout.Alarms(
        coolant_max_c=alarms.limits.coolant_max_c,
        frames_lost_pct=alarms.limits.frames_lost_pct,
        running_s=alarms.running_s,
        span_s=alarms._span_s,
        time_s=alarms.episodes.time_s,
        last_us=alarms._last_us,
    )
    state.lean.settings = pointer(settings)
    # Bound for the length of the call.
    limits = [array("d", getattr(lean, name)) for name in _LIMITS]
    for name, values in zip(_LIMITS, limits, strict=True):
        setattr(state.lean, name, values.buffer_info()[0])
    state.lean.lean_count, state.lean.target_count = len(limits[0]), len(limits[2])
    for name in _LEAN:
        setattr(state.lean, name.lstrip("_"), getattr(lean, name))
    _fill(state.lean.run, lean.run)
    _fill(state.lean.kept, lean._kept)
    for name in _LISTS:
        _fill(getattr(state, name.lstrip("_")), getattr(alarms, name))
    _fill(state.was_ready, alarms._was_ready)
    end: int = core.bl_host_take_calm(byref(state), byref(columns), c_int64(at))
    if end > at:
        _take_back(alarms, state)
    return end


def _fill(into: Any, values: Any) -> None:
    into[: len(values)] = list(values)


def _take_back(alarms: Alarms, state: layout.Alarms) -> None:
    lean = alarms.lean
    alarms.running_s, alarms._span_s = state.running_s, state.span_s
    alarms.episodes.time_s, alarms._last_us = state.time_s, state.last_us
    for name in _LEAN:
        setattr(lean, name, getattr(state.lean, name.lstrip("_")))
    lean.run[:] = array("f", state.lean.run[: len(lean.run)])
    lean._kept[:] = array("f", state.lean.kept[: len(lean._kept)])
    for name in _LISTS:
        values = getattr(alarms, name)
        values[:] = getattr(state, name.lstrip("_"))[: len(values)]
    alarms._was_ready[:] = [bool(one) for one in state.was_ready[: len(alarms._was_ready)]]
