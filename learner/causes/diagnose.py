"""What else could explain what was seen, how sure, and what was not looked at. Host only.

Facts first, then odds: of all causes with a column, or another way to read the samples, the
likeliest is taken in, the others are weighed beside it, and so on. A cause within 20 to 1 of one
that was taken in, and with nothing left to explain beside it, is named with it: the data cannot
tell them apart.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import exp, log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.catalogue import CAUSES, EXCHANGED, SLOWER, Cause
from breathmap.learner.causes.facts import Fact, Seen
from breathmap.learner.causes.odds import (
    Effect,
    Extended,
    Ground,
    Marginal,
    Sized,
    look,
    noise_and_leaning,
    table_grounds,
    weigh,
)
from breathmap.learner.causes.scene import by_other
from breathmap.learner.causes.since import Earlier, since_grounds
from breathmap.learner.causes.tally import Reading, Ride, extend, extend_evidence
from breathmap.learner.causes.witness import Witness
from breathmap.learner.core.kernel import COUNT
from breathmap.learner.core.settings import SWITCHING
from breathmap.learner.core.stream import Learner
from breathmap.learner.exact.delay import FoundDelay
from breathmap.learner.exact.moments import moments
from breathmap.learner.exact.prior import Scales
from breathmap.learner.exact.solve import FilmEstimate, Solution, film_of, solve, widening_of
from breathmap.learner.exact.threads import one_thread

Array = NDArray[np.float64]

SEEN = "seen"  # a fact
LIKELY = "likely"  # better than 20 to 1
CANNOT_TELL = "cannot tell"
NO_SIGN = "no sign"  # 3 to 1 against, or another cause explains it
NOT_LOOKED_AT = "not looked at"
STATES = (SEEN, LIKELY, CANNOT_TELL, NO_SIGN, NOT_LOOKED_AT)

ODDS_LIKELY = 20.0
ODDS_AGAINST = 3.0
# The data's odds take the model at its word: that tables are wrong as a normal prior expects, that
# what drifts in minutes has no longer memory than the residuals' blocks, that the delay is right
# and nothing was clipped. So they are told tempered, their logarithms divided such that what comes
# of none of that by chance stays below 20 to 1. Measured: of 13 healthy engines 4 had a cause at 30
# to 18,000 to 1, one of six a leak at 900 to 1; so 100,000 to 1 is told as 20 to 1. Taken whole are
# the odds of a harmless cause whose one number explains this share of the mean square correction.
# One that a table can take in, and that explains next to nothing of what the table needed, is no
# simpler a story: its odds are even at most. Against an earlier pass the table is known, and that
# does not hold. Measured: a healthy engine's pressure sensor had e^43 to 1, its one number
# explaining nothing; true faults explain 24 % and more.
EXPLAINS_LEAST = 0.5
EXPLAINS_NOTHING = 0.15
ODDS_BEYOND = 100_000.0
# Natural logarithm of the odds at which two sensors are called exchanged, and of those against it
# at which they are called right; told as 20 to 1. Measured on 6 x 6 cells with exhausts that nobody
# measured, four minutes a pass: second passes of healthy engines reach 11, and exchanged ones -6.
EXCHANGED_LOG_ODDS = 30.0
# Causes taken in beside one another at most.
MOST_TOGETHER = 3
# How many times its stated lag a sensor is tried with.
LAGS = (3.0, 6.0)
# Used samples below which nothing is weighed: a minute at 25 Hz.
LEAST_USED = 1500
NO_SAMPLES = "evidence alone does not show it: it takes a recording"
# Readings of the samples by name, beside those by their lags: as they are, and over the rows that
# two banks used, straight and with their sensors exchanged.
AS_IT_IS, STRAIGHT, CROSSED = "as it is", "straight", "crossed"
# exp of more than this has no meaning for anyone.
MOST_LOG_ODDS = 13.8


@dataclass(frozen=True)
class Finding:
    """One cause, for one bank or for all (bank None).

    state: one of STATES. odds: against the table alone, None for a fact. size, error: in the
    cause's unit, None where it has none. explains: share of the mean square correction that the one
    number would explain by itself. alike: causes that explain it as well. text: what was seen.
    """

    cause: Cause
    state: str
    bank: str | None = None
    log_odds: float | None = None
    size: float | None = None
    error: float | None = None
    explains: float | None = None
    alike: tuple[str, ...] = ()
    text: str = ""

    @property
    def is_unsafe(self) -> bool:
        """True when a table learned under it should not be stored."""
        return self.cause.is_unsafe and self.state in (SEEN, LIKELY)

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain numbers."""
        rounded = {
            name: None if value is None else float(f"{value:.4g}")
            for name, value in (
                ("log_odds", self.log_odds),
                ("size", self.size),
                ("standard_error", self.error),
                ("explains", self.explains),
            )
        }
        return {
            "cause": self.cause.name,
            "bank": self.bank,
            "state": self.state,
            **rounded,
            "unit": self.cause.unit,
            "alike": list(self.alike),
            "text": self.text,
            "check": self.cause.check,
            "apart": self.cause.apart,
            "unsafe": self.is_unsafe,
        }


@dataclass(frozen=True)
class Diagnosis:
    """All findings, the surest first. since: what an earlier pass or folder is called, or ""."""

    findings: list[Finding]
    since: str = ""

    def of(self, *states: str) -> list[Finding]:
        """The findings in some states."""
        return [finding for finding in self.findings if finding.state in states]

    @property
    def likely(self) -> list[Finding]:
        """What was seen outright, or is likely."""
        return self.of(SEEN, LIKELY)

    @property
    def unsafe(self) -> list[Finding]:
        """What makes the table unsafe to store."""
        return [finding for finding in self.findings if finding.is_unsafe]

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers and text."""
        return {
            "since": self.since or None,
            "odds_likely": ODDS_LIKELY,
            "findings": [finding.as_dict() for finding in self.findings],
        }


def diagnose(
    learner: Learner,
    witness: Witness,
    earlier: Earlier | None = None,
    delays: Sequence[FoundDelay | None] = (),
    solutions: Sequence[Solution] | None = None,
) -> Diagnosis:
    """Look for everything in the catalogue. earlier: what was learned before, of the same engine:
    then a cause has to explain what has changed since. delays: found in the same samples, a bank
    each, None where they do not tell it; empty where nobody looked. solutions: of the learner's
    banks as they stand, where they are at hand; else each is solved."""
    ride = Ride(
        witness.samples(),
        learner.settings,
        [witness.used(bank)[0] for bank in range(len(learner.banks))],
        [witness.used(bank)[1] for bank in range(len(learner.banks))],
    )
    films = [_film(learner, bank, solutions) for bank in range(len(learner.banks))]
    findings = [*_facts(ride, witness, learner, delays, films)]
    few = [bank.name for bank in learner.banks if bank.evidence.sums[COUNT] < LEAST_USED]
    if few:
        why = f"{', '.join(few)}: fewer than {LEAST_USED:,} used samples"
        findings += [_not_looked_at(cause, why) for cause in _weighed()]
    else:
        with one_thread():
            findings += _Search(learner, ride, earlier).run()
    findings = _explained_facts(findings)
    findings += [
        _not_looked_at(cause, cause.missing)
        for cause in CAUSES.values()
        if not (cause.columns or cause.reading or cause.fact)
    ]
    findings.sort(key=_rank)
    return Diagnosis(findings, "" if earlier is None else earlier.name)


def _rank(finding: Finding) -> tuple[int, bool, float]:
    return (
        STATES.index(finding.state),
        not finding.cause.is_unsafe if finding.state == SEEN else False,
        -(finding.log_odds or 0.0),
    )


def _weighed() -> list[Cause]:
    return [cause for cause in CAUSES.values() if cause.columns or cause.reading]


def _not_looked_at(cause: Cause, why: str, bank: str | None = None) -> Finding:
    return Finding(cause, NOT_LOOKED_AT, bank, text=why)


# Facts that likely causes explain, whichever bank those sit on, and what is said then.
EXPLAINED = {
    "film-differs": {
        "sensor-slow": "a slow sensor looks so",
        "sensors-swapped": "exchanged sensors look so",
    },
    "delay-differs": {"sensor-slow": "a slow sensor looks so"},
    "misfire": {"sensors-swapped": "with exchanged sensors tables go wrong, which looks so"},
}


def _explained_facts(findings: list[Finding]) -> list[Finding]:
    """Leave facts to likely causes that explain them: what else is behind cannot be told then."""
    likely = {finding.cause.name for finding in findings if finding.state == LIKELY}
    explained = []
    for finding in findings:
        ways = EXPLAINED.get(finding.cause.name, {})
        behind = [name for name in ways if name in likely]
        if finding.state == SEEN and behind:
            text = "; ".join([finding.text, *(ways[name] for name in behind)])
            finding = replace(finding, state=CANNOT_TELL, alike=tuple(behind), text=text)
        explained.append(finding)
    return explained


def _film(learner: Learner, bank: int, solutions: Sequence[Solution] | None) -> FilmEstimate | None:
    """A bank's film, None where there is too little to solve."""
    evidence, settings = learner.banks[bank].evidence, learner.settings
    if evidence.sums[COUNT] < LEAST_USED:
        return None
    if solutions is None:
        solution = solve(evidence, cells_pct=learner.banks[bank].table.cells)
    else:
        solution = solutions[bank]
    return film_of(solution, settings.film_s, settings.film_terms)


def _facts(
    ride: Ride,
    witness: Witness,
    learner: Learner,
    delays: Sequence[FoundDelay | None],
    films: list[FilmEstimate | None],
) -> Iterator[Finding]:
    banks = range(len(ride.settings.banks))
    seen = Seen(
        ride,
        [witness.spikes(bank) for bank in banks],
        [witness.banks[bank].stuck_s for bank in banks],
        [witness.banks[bank].moved_s for bank in banks],
        [witness.banks[bank].taken_out for bank in banks],
        films,
        delays,
    )
    for cause in CAUSES.values():
        if cause.fact is None:
            continue
        facts = cause.fact(seen) if len(ride.samples) else [Fact(None, NO_SAMPLES)]
        for fact in facts:
            state = NOT_LOOKED_AT if fact.is_seen is None else SEEN if fact.is_seen else NO_SIGN
            bank = None if fact.bank is None else ride.settings.banks[fact.bank].name
            yield Finding(cause, state, bank, text=fact.text)


@dataclass(frozen=True)
class _Alone:
    """What a cause came to by itself, before anything was taken in: log odds as they are told."""

    log_odds: float
    sized: Sized | None
    explains: float | None


@dataclass
class _Candidate:
    """A cause with everything it takes to weigh it: forms of its effect, or another reading."""

    cause: Cause
    banks: tuple[int, ...]
    bank: str | None
    effects: list[Effect] = field(default_factory=list)
    readings: list[tuple[float, list[Marginal]]] = field(default_factory=list)
    explains: float | None = None
    first: float = 0.0  # log odds by itself
    now: float = 0.0  # log odds beside what was taken in
    sized: Sized | None = None
    alone: "_Alone | None" = None
    is_since: bool = False  # weighed against an earlier pass
    beside: tuple[str, ...] = ()

    def tempered(self, log_odds: float) -> float:
        """Return log odds as they are told: less sure where other flaws pass for this cause."""
        if self.cause.reading == EXCHANGED:
            return log_odds * log(ODDS_LIKELY) / EXCHANGED_LOG_ODDS
        explains = self.explains or 0.0
        is_harmless = bool(self.effects) and not self.cause.is_unsafe
        if log_odds <= 0.0 or (is_harmless and explains >= EXPLAINS_LEAST):
            return log_odds
        if self.cause.is_static and not self.is_since and explains < EXPLAINS_NOTHING:
            return 0.0
        return log_odds * log(ODDS_LIKELY) / log(ODDS_BEYOND)

    @property
    def odds_now(self) -> float:
        """Log odds beside what was taken in, as they are told."""
        return self.tempered(self.now)

    @property
    def label(self) -> str:
        """Cause and bank, for people."""
        return self.cause.name if self.bank is None else f"{self.cause.name} ({self.bank})"


class _Search:
    """Weighs all causes of one ride."""

    def __init__(self, learner: Learner, ride: Ride, earlier: Earlier | None) -> None:
        self.learner = learner
        self.ride = ride
        self.earlier = earlier
        # Without samples (a board's evidence) only what depends on speed and load can be weighed.
        self.has_samples = all(len(rows) >= LEAST_USED for rows in ride.rows)
        self.pulse = ride.pulse if self.has_samples else None
        self.numbers = range(len(learner.banks))
        causes = [cause for cause in _weighed() if cause.columns]
        self.makers = tuple(maker for cause in causes for maker in cause.columns)
        first = 0
        self.places: dict[str, range] = {}
        for cause in causes:
            self.places[cause.name] = range(first, first + len(cause.columns))
            first += len(cause.columns)
        self.widenings = [
            widening_of(bank.evidence, moments(bank.evidence), bank.evidence.noise)
            for bank in learner.banks
        ]
        self.is_wideband = ride.settings.sensor_kind != SWITCHING
        self.may_be_exchanged = self.is_wideband and len(self.numbers) > 1
        self.known = [True] * len(self.makers)
        # Per bank, by reading; and the likeliest scales as it is.
        self.sums: list[dict[float | str, Extended]] = []
        self.scales: list[Scales] = []
        self.taken: list[Effect] = []

    def run(self) -> list[Finding]:
        """Return a finding for every cause and bank."""
        for bank in self.numbers:
            self._sum_up(bank)
        marginals = [self._look(bank, AS_IT_IS) for bank in self.numbers]
        candidates, missing = self._candidates(marginals)
        accepted = self._take_in(marginals, candidates)
        return [*missing, *(self._finding(one, accepted) for one in candidates)]

    def _sum_up(self, bank: int) -> None:
        """Sum one bank up as all readings of it have it: what they share is made once."""
        widening, one = self.widenings[bank], self.learner.banks[bank]
        readings: dict[float | str, Reading] = {AS_IT_IS: Reading(widening, self.makers)}
        if self.has_samples:
            if self.is_wideband:
                readings |= {lag: Reading(widening, lag=lag) for lag in LAGS}
            if self.may_be_exchanged and bank < 2:
                larger = max(self.widenings[:2])
                readings[STRAIGHT] = Reading(larger, (by_other(1 - bank),), by_both=True)
            found = extend(self.ride, bank, list(readings.values()), self.pulse)
        else:
            reading = readings[AS_IT_IS]
            found = [extend_evidence(one.evidence, self.ride.settings, bank, reading)]
        self.known = [a and b for a, b in zip(self.known, found[0][1], strict=True)]
        sums = {name: ext for name, (ext, _) in zip(readings, found, strict=True)}
        if both := sums.get(STRAIGHT):
            sums |= {STRAIGHT: both.without(), CROSSED: both.explaining(0)}
        self.sums.append(sums)

    def _look(self, bank: int, name: float | str) -> Marginal:
        """Integrate the table out of one bank as a reading has it."""
        one, ext = self.learner.banks[bank], self.sums[bank][name]
        table = one.table
        shape = (table.load_count, table.speed_count)
        cells = np.asarray(table.cells, dtype=np.float64)
        if name == AS_IT_IS:
            scales = noise_and_leaning(ext, shape, cells, one.evidence.noise)
            self.scales.append(scales)
        elif name == CROSSED:
            # Nothing of how it is read as it is says anything of this.
            scales = noise_and_leaning(ext, shape, cells, Scales().noise)
        else:
            scales = noise_and_leaning(ext, shape, cells, 0.0, self.scales[bank])
        grounds: list[Ground]
        if self.earlier is None:
            load_kpa = None if self.ride.settings.load_is_throttle else table.load
            grounds = list(table_grounds(shape, cells, ext.n_terms, scales.leaning, load_kpa))
        else:
            grounds = list(since_grounds(self.earlier, bank, shape, cells, ext.n_terms))
        return look(ext, grounds, scales.noise)

    def _candidates(self, marginals: list[Marginal]) -> tuple[list[_Candidate], list[Finding]]:
        candidates: list[_Candidate] = []
        missing: list[Finding] = []
        for cause in _weighed():
            if cause.columns:
                places = self.places[cause.name]
                if not all(self.known[k] for k in places):
                    why = cause.missing if self.has_samples else NO_SAMPLES
                    missing.append(_not_looked_at(cause, why))
                    continue
                candidates += self._with_columns(cause, places)
            elif not self.has_samples:
                missing.append(_not_looked_at(cause, NO_SAMPLES))
            elif cause.reading == SLOWER:
                candidates += self._slower(cause, marginals)
            elif not self.may_be_exchanged:
                missing.append(_not_looked_at(cause, cause.missing))
            elif cause.reading == EXCHANGED:
                candidates.append(self._exchanged(cause))
        return candidates, missing

    def _with_columns(self, cause: Cause, places: range) -> list[_Candidate]:
        sets = [(k,) for k in self.numbers] if cause.per_bank else [tuple(self.numbers)]
        return [
            _Candidate(
                cause,
                banks,
                self.learner.banks[banks[0]].name if cause.per_bank else None,
                [Effect(place, banks, cause.sd, cause.sign) for place in places],
            )
            for banks in sets
        ]

    def _explained(self, place: int, banks: Sequence[int]) -> float:
        """Share of the mean square correction that one column explains with one number; of what is
        left of it beside the columns that were taken in."""
        whole = 0.0
        for bank in banks:
            ext = self.sums[bank][AS_IT_IS]
            whole += ext.square - self.scales[bank].noise ** 2 * ext.weight
        taken = [one.column for one in self.taken if set(one.banks) & set(banks)]
        before, after = self._fitted(taken, banks), self._fitted([*taken, place], banks)
        if whole <= before:
            return 0.0
        return float(min(max((after - before) / (whole - before), 0.0), 1.0))

    def _fitted(self, places: Sequence[int], banks: Sequence[int]) -> float:
        """Sum of squares that some columns fit by themselves, without any table."""
        if not places:
            return 0.0
        sums = [self.sums[bank][AS_IT_IS] for bank in banks]
        at = sums[0].base + np.asarray(places)
        H = np.sum([one.H[np.ix_(at, at)] for one in sums], axis=0)
        b = np.sum([one.b[at] for one in sums], axis=0)
        return float(b @ np.linalg.lstsq(H, b, rcond=None)[0])

    def _slower(self, cause: Cause, marginals: list[Marginal]) -> Iterator[_Candidate]:
        if not self.is_wideband:
            return
        for bank in self.numbers:
            readings = []
            for lag in LAGS:
                other = list(marginals)
                other[bank] = self._look(bank, lag)
                readings.append((lag, other))
            name = self.learner.banks[bank].name
            yield _Candidate(cause, (bank,), name, readings=readings)

    def _exchanged(self, cause: Cause) -> _Candidate:
        """Weighed over samples that both banks used, and as sure of one bank as of the other."""
        straight = [self._look(bank, STRAIGHT) for bank in (0, 1)]
        exchanged = [self._look(bank, CROSSED) for bank in (0, 1)]
        candidate = _Candidate(cause, (0, 1), None, readings=[(1.0, exchanged)])
        candidate.now = candidate.first = _log(exchanged, []) - _log(straight, [])
        return candidate

    def _weigh(self, candidate: _Candidate, marginals: list[Marginal]) -> None:
        """Set a candidate's log odds beside what was taken in."""
        without = _log(marginals, self.taken)
        if candidate.effects:
            forms = [weigh(marginals, [effect, *self.taken]) for effect in candidate.effects]
            best = max(forms, key=lambda one: one.log_likelihood)
            total = _mean_of([one.log_likelihood for one in forms])
            candidate.sized, candidate.now = best, total - without
            candidate.explains = max(
                self._explained(effect.column, candidate.banks) for effect in candidate.effects
            )
        elif candidate.cause.reading == SLOWER:
            values = [(_log(other, self.taken), lag) for lag, other in candidate.readings]
            candidate.now = _mean_of([value for value, _ in values]) - without
            candidate.sized = Sized(max(values)[1], 0.0, 0.0)

    def _take_in(self, marginals: list[Marginal], candidates: list[_Candidate]) -> list[_Candidate]:
        """Take the likeliest in, one after the other; return those."""
        for candidate in candidates:
            candidate.is_since = self.earlier is not None
            self._weigh(candidate, marginals)
            candidate.first = candidate.now
            candidate.alone = _Alone(candidate.odds_now, candidate.sized, candidate.explains)
        accepted: list[_Candidate] = []
        while len(accepted) < MOST_TOGETHER:
            rest = [one for one in candidates if one not in accepted]
            best = max(rest, key=lambda one: one.odds_now, default=None)
            if best is None or best.odds_now < log(ODDS_LIKELY):
                break
            accepted.append(best)
            rest.remove(best)
            if best.cause.reading == EXCHANGED:
                # Nothing else is worth a word before the cables are right.
                for one in rest:
                    one.now = min(one.now, 0.0)
                break
            rivals = [
                one for one in rest
                if is_rival(best.now, one.now) or is_rival(best.odds_now, one.odds_now)
            ]  # fmt: skip
            marginals = self._with(best, marginals)
            for one in rest:
                if one.effects:
                    self._weigh(one, marginals)
            best.beside = tuple(one.label for one in rivals if one.now < log(ODDS_LIKELY))
        return accepted

    def _with(self, best: _Candidate, marginals: list[Marginal]) -> list[Marginal]:
        """Take one candidate in: its column, or its way to read a bank's samples."""
        if best.effects:
            self.taken.append(max(best.effects, key=lambda e: _log(marginals, [e, *self.taken])))
            return marginals
        # With the causes' columns, which nobody needed before.
        (bank,), lag = best.banks, best.sized.size if best.sized else LAGS[0]
        slower = Reading(self.widenings[bank], self.makers, lag)
        [(self.sums[bank][lag], _)] = extend(self.ride, bank, [slower], self.pulse)
        return [self._look(k, lag) if k == bank else one for k, one in enumerate(marginals)]

    def _finding(self, one: _Candidate, accepted: list[_Candidate]) -> Finding:
        alone = one.alone or _Alone(one.odds_now, one.sized, one.explains)
        now = _Alone(one.odds_now, one.sized, one.explains)
        if one in accepted:
            state, shown = LIKELY, now
        elif any(one.label in other.beside for other in accepted):
            # As it would be in the other's place.
            state, shown = CANNOT_TELL, alone
        else:
            shown = min(alone, now, key=lambda form: form.log_odds)
            state = NO_SIGN if shown.log_odds < -log(ODDS_AGAINST) else CANNOT_TELL
        if one.cause.reading == EXCHANGED:
            state = exchange_state(one.first)
        finding = Finding(
            one.cause,
            state,
            one.bank,
            log_odds=shown.log_odds,
            size=None if shown.sized is None else shown.sized.size,
            error=None if shown.sized is None or not one.effects else shown.sized.error,
            explains=shown.explains,
            alike=(*one.beside, *_namesakes(one)) if state == LIKELY else (),
        )
        return replace(finding, text=sentence(finding))


def is_rival(best: float, other: float) -> bool:
    """True where another cause's log odds speak for it, and are within 20 to 1 of the best's. Asked
    of odds as they are and as they are told: what tempers those against the table tempers those
    between causes."""
    return other > max(best - log(ODDS_LIKELY), 0.0)


def exchange_state(log_odds: float) -> str:
    """Return what natural log odds say of two banks' sensors being exchanged. Where little is left
    to correct both ways fit, and what the model leaves decides: such odds come by chance."""
    if abs(log_odds) < EXCHANGED_LOG_ODDS:
        return CANNOT_TELL
    return LIKELY if log_odds > 0.0 else NO_SIGN


def _namesakes(one: _Candidate) -> tuple[str, ...]:
    """Causes in the catalogue that are the same column under another name."""
    return tuple(
        name for name in one.cause.alike
        if not (CAUSES[name].columns or CAUSES[name].reading or CAUSES[name].fact)
    )  # fmt: skip


def _log(marginals: Sequence[Marginal], effects: Sequence[Effect]) -> float:
    return weigh(marginals, effects).log_likelihood


def _mean_of(logs: Sequence[float]) -> float:
    """Logarithm of the mean of likelihoods given by their logarithms."""
    return float(np.logaddexp.reduce(np.array(logs)) - log(len(logs)))


def sentence(finding: Finding) -> str:
    """What a weighed finding says: the cause's sentence with its size, and how sure it is."""
    cause = finding.cause
    size = "" if finding.size is None else size_text(finding)
    text = cause.text.format(size=size)
    if cause.is_static and finding.state == CANNOT_TELL and (finding.log_odds or 0.0) > 0.0:
        share = 100.0 * (finding.explains or 0.0)
        text += f"; one number explains {share:.0f} % of the correction"
    if cause.reading == EXCHANGED and finding.state == CANNOT_TELL:
        return f"{text}: both ways fit nearly alike, ride where the two tables differ"
    return f"{text}; {odds_text(finding.log_odds or 0.0)}"


def size_text(finding: Finding) -> str:
    """A finding's size with its error and unit."""
    cause, size, error = finding.cause, finding.size or 0.0, finding.error
    if cause.unit == "times":
        return f"about {size:.0f} times"
    scale, unit = (100.0, "%") if cause.unit in ("", "%") else (1.0, cause.unit)
    digits = 1 if cause.unit == "" else cause.digits
    text = f"{scale * size:.{digits}f}"
    if error is not None:
        text += f" ± {scale * error:.{digits}f}"
    return f"{text} {unit}"


def odds_text(log_odds: float) -> str:
    """Odds against the table alone, for people."""
    if log_odds >= MOST_LOG_ODDS:
        return "odds above 1,000,000 to 1"
    if log_odds >= 0.0:
        return f"odds {_two_digits(exp(log_odds))} to 1"
    if log_odds <= -MOST_LOG_ODDS:
        return "odds above 1,000,000 to 1 against"
    return f"odds {_two_digits(exp(-log_odds))} to 1 against"


def _two_digits(value: float) -> str:
    return f"{float(f'{value:.2g}'):,.{1 if value < 10.0 else 0}f}".removesuffix(".0")
