"""A Python learner's state as the C core's structures, for the length of one call.

Arrays are bound by address; plain numbers are copied in before and out after. Names are the same on
both sides, but for the underscore of what is private in Python.
"""

from array import array
from collections.abc import Iterator
from contextlib import contextmanager
from ctypes import Structure, pointer
from typing import Any

from breathmap.learner.core.gates import Gates, LoopWatch
from breathmap.learner.core.history import DelayModel, History, Seen
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import Settings
from breathmap.learner.core.stream import BankLearner, Learner
from breathmap.learner.core.table import Table
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.learner.fast import layout

# Python attributes: arrays, then numbers that a call reads, then numbers that it also writes.
Names = tuple[str, ...]


def _names(text: str) -> Names:
    return tuple(text.split())


ARRAYS: dict[type, Names] = {
    Table: _names("speed_rpm load cells"),
    Evidence: _names("cells border corner term_rhs term_x term_dot sums _block_score _block_index"),
    History: _names("time_s speed_rpm load throttle target turned _gas_cm3"),
    Seen: _names("terms _input _before _low _band"),
    Learner: _names("_air _gas_cm3"),
}
READ: dict[type, Names] = {
    Table: _names("speed_count load_count"),
    Evidence: _names("speed_count load_count n_terms table_sd term_sd"),
    History: _names("size banks"),
    Seen: _names("film_s load_top film_terms lead n_terms"),
    DelayModel: _names("cycles exhaust_volume_cm3 sensor_lag_s exhaust_temp_k swept_cm3"),
    BankLearner: _names("number"),
}
WRITTEN: dict[type, Names] = {
    Table: _names("index _column _row v0 v1 v2 v3 ve_pct"),
    Evidence: _names("noise residual weight outlier_share square _block_used outlier"),
    History: _names("now_s _share newest count _older _newer _left"),
    Seen: _names(
        "film_size speed_rpm load commanded primed_s speed_travel load_travel throttle_travel "
        "_transport_s"
    ),
    LoopWatch: _names("usual_s _value _since_turn_s _since_turn_before_s _turns _rising"),
    Gates: _names("since_cut_s since_enrichment_s since_other_s since_gap_s"),
    BankLearner: _names(
        "weight observation delay_s spike_s stuck_s measured seen_count used_count verdict"
    ),
    Learner: _names("_block_s _last_us"),
}
_SETTINGS = _names(
    "film_s history_s noise load_is_throttle sensor_kind closed_loop film_terms charge_lead"
)
# As `breathmap.learner.exact.alive` copies an evidence.
_ASIDE_ARRAYS = tuple(name.lstrip("_") for name in ARRAYS[Evidence])
_ASIDE_VALUES = _names("noise outlier_share block_used")


def can_bind(learner: Learner) -> bool:
    """True when a learner is one of ours to the letter, in double precision."""
    if type(learner) not in (Learner, CarefulLearner) or len(learner.banks) > layout.MAX_BANKS:
        return False
    parts: list[tuple[object, type]] = [(learner.history, History), (learner.gates, Gates)]
    for bank in learner.banks:
        parts += [(bank, BankLearner), (bank.table, Table), (bank.delay, DelayModel)]
        parts += [(bank.seen, Seen), (bank.evidence, Evidence), (bank.loop, LoopWatch)]
    return all(type(part) is kind for part, kind in parts) and all(
        _is_double(owner, ARRAYS[kind]) for owner, kind in parts if kind in ARRAYS
    )


def _is_double(owner: object, names: Names) -> bool:
    wanted = {name: "H" if name == "_block_index" else "d" for name in names}
    return all(
        isinstance(values := getattr(owner, name), array) and values.typecode == code
        for name, code in wanted.items()
    )


def _address(values: "array[Any]") -> int:
    return values.buffer_info()[0]


def _put(into: Any, owner: object, kind: type) -> None:
    for name in ARRAYS.get(kind, ()):
        setattr(into, name.lstrip("_"), _address(getattr(owner, name)))
    for name in READ.get(kind, ()) + WRITTEN.get(kind, ()):
        setattr(into, name.lstrip("_"), getattr(owner, name))


def _take(source: Any, owner: object, kind: type) -> None:
    for name in WRITTEN[kind]:
        setattr(owner, name, getattr(source, name.lstrip("_")))


@contextmanager
def bound(learner: Learner) -> Iterator[Structure]:
    """The learner's state for the C core; what the core changed is the learner's at the end."""
    settings = settings_of(learner.settings)
    banks = (layout.BankLearner * len(learner.banks))()
    state = layout.Learner(bank_count=len(learner.banks), banks=banks)
    state.settings = state.gates.settings = pointer(settings)
    _put(state, learner, Learner)
    _put(state.gates, learner.gates, Gates)
    _put_history(state.history, learner.history)
    for into, bank in zip(banks, learner.banks, strict=True):
        _put_bank(into, bank)
    asides = _put_asides(banks, learner) if isinstance(learner, CarefulLearner) else []
    yield state
    _take(state, learner, Learner)
    _take(state.gates, learner.gates, Gates)
    _take(state.history, learner.history, History)
    for source, bank in zip(banks, learner.banks, strict=True):
        _take_bank(source, bank)
    if isinstance(learner, CarefulLearner):
        _take_asides(asides, learner)


def settings_of(given: Settings) -> layout.Settings:
    """Return an engine's settings for the C core, without its banks."""
    settings = layout.Settings(bank_count=len(given.banks))
    for name in _SETTINGS:
        setattr(settings, name, getattr(given, name))
    for name, value in vars(given.limits).items():
        setattr(settings.limits, name, value)
    return settings


def _put_history(into: layout.History, history: History) -> None:
    _put(into, history, History)
    for name in ("commanded", "air", "passed_cm3"):
        pointers = getattr(into, name)
        for bank, column in enumerate(getattr(history, name)):
            pointers[bank] = _address(column)


def _put_bank(into: layout.BankLearner, bank: BankLearner) -> None:
    _put(into, bank, BankLearner)
    _put(into.table, bank.table, Table)
    _put(into.delay, bank.delay, DelayModel)
    _put(into.seen, bank.seen, Seen)
    _put(into.evidence, bank.evidence, Evidence)
    _put(into.loop, bank.loop, LoopWatch)
    into.refused[:] = bank.refused


def _take_bank(source: layout.BankLearner, bank: BankLearner) -> None:
    _take(source, bank, BankLearner)
    _take(source.table, bank.table, Table)
    _take(source.seen, bank.seen, Seen)
    _take(source.evidence, bank.evidence, Evidence)
    _take(source.loop, bank.loop, LoopWatch)
    bank.evidence.outlier = bool(source.evidence.outlier)
    bank.loop._rising = bool(source.loop.rising)
    bank.refused[:] = source.refused


def _put_asides(banks: Any, learner: CarefulLearner) -> list[layout.Aside]:
    made = []
    for into, aside, taken_out in zip(banks, learner.asides(), learner.taken_out, strict=True):
        one = layout.Aside(used=aside.used, spike_s=aside.spike_s, is_kept=aside.is_kept)
        one.taken_out = taken_out
        copy = aside.copies[0]
        arrays = {id(own): kept for own, kept in copy.pairs}
        for name, field in zip(ARRAYS[Evidence], _ASIDE_ARRAYS, strict=True):
            setattr(one, field, _address(arrays[id(getattr(aside.evidence, name))]))
        for name, value in zip(_ASIDE_VALUES, copy.values, strict=False):
            setattr(one, name, value)
        into.aside = pointer(one)
        made.append(one)
    return made


def _take_asides(made: list[layout.Aside], learner: CarefulLearner) -> None:
    for number, (one, aside) in enumerate(zip(made, learner.asides(), strict=True)):
        learner.taken_out[number] = one.taken_out
        aside.is_kept = bool(one.is_kept)
        aside.used = one.used
        aside.spike_s = one.spike_s
        # Read again only where the copy was taken, here or before.
        aside.copies[0].values = [getattr(one, name) for name in _ASIDE_VALUES]
