"""Proposes which column of a log is what: asks where it is not sure and somebody can answer, and
marks what is doubtful where nobody can.

Nothing that learning needs is made up: without a column for it the log is refused, until somebody
names one, or a number that always holds.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from breathmap.learner.words.description import (
    DescriptionError,
    EngineDescription,
    Log,
    parse_description,
)
from breathmap.learner.words.log import FLAGS, MEASUREMENTS
from breathmap.learner.words.log_rows import Rows
from breathmap.tools.base.errors import UserError
from breathmap.tools.logs.guess import (
    DOUBTFUL,
    Guess,
    LogColumn,
    columns_of,
    guess_of,
    guesses,
    of_banks,
)
from breathmap.tools.logs.words import QUANTITIES

# Asks a person to choose: question, choices; returns the number of the choice.
Ask = Callable[[str, Sequence[str]], int]

TITLES = {
    "time": "time",
    "speed_rpm": "engine speed",
    "map_kpa": "manifold pressure",
    "throttle_pct": "throttle opening",
    "coolant_c": "coolant temperature",
    "intake_c": "intake air temperature",
    "battery_v": "battery voltage",
    "target_lambda": "commanded mixture",
    "measured_lambda": "measured mixture",
    "fuel_multiplier": "closed-loop fuel trim",
    "fuel_cut": "fuel cut",
    "closed_loop": "closed loop",
    "acceleration_enrichment": "acceleration enrichment",
}


@dataclass(frozen=True)
class LogMapping:
    """What was proposed. log: the [log] part. guesses: behind it, key by key as people are told
    them. doubts: why a key is doubtful. holds_afr: a mixture is logged as AFR."""

    log: Log
    guesses: list[tuple[str, Guess]]
    doubts: dict[str, str] = field(default_factory=dict)

    @property
    def holds_afr(self) -> bool:
        """True when a mixture is logged as air/fuel ratio, which needs the fuel."""
        return any(guess.unit.log == "afr" for _, guess in self.guesses)


class _Proposal:
    """Collects the parts of a mapping."""

    def __init__(
        self, path: Path, rows: Rows, said: Mapping[str, str], ask: Ask | None, load_axis: str
    ) -> None:
        self.path = path
        self.ask = ask
        self.columns = columns_of(rows)
        if not self.columns:
            raise UserError(
                f"{path}: no row of headings above rows of numbers was found; is it a log?"
            )
        self.found = guesses(self.columns)
        self.said = dict(said)
        self.needed = {"time", "speed_rpm", load_axis, "map_kpa", "target_lambda"}
        self.guesses: list[tuple[str, Guess]] = []
        self.doubts: dict[str, str] = {}

    def part(self, key: str) -> dict[str, Any] | None:
        """Return what a quantity that is no bank's is read from."""
        if key in self.said:
            return self._said(key, key)
        several = self.found.get(key, [])
        if not several and key in self.needed:
            return self._chosen(key)
        if not several:
            return None
        best = several[0]
        if best.sure == DOUBTFUL and (self.ask is not None) and key in self.needed:
            return self._chosen(key, several)
        rivals = [g.column.name for g in several[1:] if g.sure == best.sure]
        why = f"; as well it may be {', '.join(rivals)}" if rivals else ""
        return self._take(key, best, why)

    def _take(self, key: str, guess: Guess, why: str = "") -> dict[str, Any]:
        if guess.sure == DOUBTFUL or why:
            self.doubts[key] = guess.reason + why
            guess = Guess(guess.key, guess.column, guess.unit, DOUBTFUL, guess.reason + why)
        self.guesses.append((key, guess))
        return guess.entry()

    def _said(self, name: str, key: str) -> dict[str, Any]:
        """Return the part of a quantity that a person named: a heading, HEADING#2, or a number."""
        text = self.said.pop(name)
        column = next(
            (c for c in self.columns if text in (c.name.replace(" #", "#"), c.name)), None
        )
        column = column or next((c for c in self.columns if c.heading == text), None)
        quantity = key.rpartition(".")[2]
        if column is None:
            try:
                return {"constant": float(text)}
            except ValueError:
                raise UserError(
                    f"--column {name}={text}: {self.path} has no such column, but {self._names()}"
                ) from None
        guess = guess_of(column, quantity, "")
        if guess is None:
            raise UserError(f"--column {name}={text}: that column holds no {TITLES[quantity]}")
        return self._take(key, guess)

    def _names(self) -> str:
        return ", ".join(column.name for column in self.columns)[:400]

    def _chosen(self, key: str, several: Sequence[Guess] = ()) -> dict[str, Any]:
        """Ask which column is a quantity that learning needs; refuse where nobody answers."""
        quantity = key.rpartition(".")[2]
        if self.ask is None:
            raise UserError(
                f"{self.path}: no column is known to be the {TITLES[quantity]}; name it with "
                f'--column {key}="HEADING" (or a number that always holds); there are: '
                f"{self._names()}"
            )
        offered: list[LogColumn] = [guess.column for guess in several]
        offered += [c for c in self.columns if c not in offered and (c.numbers or c.clocks)]
        lines = [f"{g.column.name}: {g.reason}" for g in several]
        lines += [c.name for c in offered[len(lines) :]]
        column = offered[self.ask(f"Which column is the {TITLES[quantity]}?", lines)]
        guess = guess_of(column, quantity, "")
        if guess is None:
            raise UserError(f"{self.path}: {column.name!r} holds no {TITLES[quantity]}")
        return self._take(key, guess)

    def banks(self, names: Sequence[str]) -> list[dict[str, Any]]:
        """Return the parts of the banks."""
        measured = of_banks(self.found.get("measured_lambda", []), names)
        trims = of_banks(self.found.get("fuel_multiplier", []), names)
        parts: list[dict[str, Any]] = []
        for number, name in enumerate(names):
            key = f"bank[{number + 1}].measured_lambda"
            if f"measured_lambda@{name}" in self.said:
                part = self._said(f"measured_lambda@{name}", key)
            elif measured is None or (measured[number].sure == DOUBTFUL and self.ask is not None):
                part = self._chosen(key, self.found.get("measured_lambda", []))
            else:
                part = self._take(key, measured[number])
            parts.append({"measured_lambda": part})
            if trims is not None and trims[number].sure != DOUBTFUL:
                key = f"bank[{number + 1}].fuel_multiplier"
                parts[-1]["fuel_multiplier"] = self._take(key, trims[number])
        return parts


def propose_mapping(
    path: Path,
    rows: Rows,
    banks: Sequence[str],
    load_axis: str = "map_kpa",
    said: Mapping[str, str] | None = None,
    ask: Ask | None = None,
) -> LogMapping:
    """Return the proposed mapping of a log.

    banks: their names, in order. said: headings or numbers that a person gave, by key, those of a
    bank as `measured_lambda@NAME`. ask: who answers where it is not sure, None for nobody.
    UserError where something that learning needs cannot be found, or cannot be what it should.
    """
    _check_said(said or {}, banks)
    proposal = _Proposal(path, rows, said or {}, ask, load_axis)
    parts: dict[str, Any] = {}
    for key in ("time", *MEASUREMENTS, "target_lambda", *FLAGS):
        part = proposal.part(key)
        if part is not None:
            parts[key] = part
    if "constant" in parts["time"]:
        raise UserError("--column time: a clock cannot be a number that always holds")
    parts["bank"] = proposal.banks(banks)
    return LogMapping(Log.model_validate(parts), proposal.guesses, proposal.doubts)


def _check_said(said: Mapping[str, str], banks: Sequence[str]) -> None:
    known = [key for key in QUANTITIES if key not in ("measured_lambda", "fuel_multiplier")]
    known += ["target_lambda", *(f"measured_lambda@{name}" for name in banks)]
    for key in said:
        if key not in known:
            raise UserError(f"--column {key}: not known; there are {', '.join(sorted(known))}")


def parse_said(texts: Sequence[str]) -> dict[str, str]:
    """Return what was given as KEY=HEADING; UserError for anything else."""
    found = {}
    for text in texts:
        key, equals, heading = text.partition("=")
        if not equals or not heading:
            raise UserError(f"--column {text}: give KEY=HEADING or KEY=NUMBER")
        found[key] = heading
    return found


USUAL_FUEL = "petrol"


def described_with(description: EngineDescription, mapping: LogMapping) -> EngineDescription:
    """Return a description with a mapping; a fuel that it lacks for AFR is the usual one, and
    doubtful. UserError when the two do not go together."""
    values = description.model_dump(exclude_none=True)
    if mapping.holds_afr and description.engine.afr is None:
        values["engine"]["fuel"] = USUAL_FUEL
        mapping.doubts["engine.fuel"] = "the log holds AFR; for another fuel name that"
    try:
        return parse_description({**values, "log": mapping.log.model_dump(exclude_none=True)})
    except DescriptionError as error:
        raise UserError(error) from None


def without_comments(text: str) -> str:
    """Return the text of a description without its explanations."""
    lines = [line for line in text.split("\n") if line and not line.startswith("#")]
    return "\n".join(lines) + "\n"


def with_doubts(text: str, doubts: Mapping[str, str]) -> str:
    """Return the text of a description with a line above each key of [log] that is doubtful."""
    lines: list[str] = []
    section, bank = "", 0
    for line in text.split("\n"):
        if line.startswith("["):
            section = line.strip("[]")
            bank += line == "[[log.bank]]"
        key = line.partition(" = ")[0]
        place = {"log": key, "log.bank": f"bank[{bank}].{key}", "engine": f"engine.{key}"}
        why = doubts.get(place.get(section, ""))
        if why is not None and not line.startswith("#"):
            lines.append(f"# DOUBTFUL: {why}")
        lines.append(line)
    return "\n".join(lines)
