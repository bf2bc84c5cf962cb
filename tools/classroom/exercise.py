"""An exercise: what is hidden in it, what a pupil gets, and its folder.

worksheet.html   to print: cautions, the task, how it is marked
answers.toml     what the pupil fills in
engine.toml, left.csv, right.csv   the engine as a tape measure knows it, and its tables
bench.sealed     what the simulator must know, under a word that the program knows
answer.sealed    the same, under the teacher's word: marks are given against this one
controller/, rides.jsonl   made while riding: what the controller holds, and what was ridden
"""

import random
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from breathmap.simulator.controller import Controller
from breathmap.simulator.faults import FAULTS, Fault, fault
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters, college_twin
from breathmap.simulator.run import perturbed_table
from breathmap.simulator.settings import learning_setup, normal_setup
from breathmap.simulator.truth import on_grid, random_truth
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_text, read_toml
from breathmap.tools.classroom.sealed import SealError, unseal
from breathmap.tools.demo.teaching_bench import BANKS

WORKSHEET, ANSWERS = "worksheet.html", "answers.toml"
BENCH, ANSWER = "bench.sealed", "answer.sealed"
CONTROLLER, RIDES = "controller", "rides.jsonl"
# Not secret: anybody who runs the simulator has it. It keeps eyes off the file.
SIMULATORS_WORD = "for the simulator only"
SENSOR = "wideband"
# Faults that the samples say outright, and those that take odds; a bank is drawn where it has one.
PLAIN = ("misfire", "sensor-stuck", "sensor-unplugged")
SUBTLE = (
    "exhaust-leak", "sensor-slow", "sensors-swapped", "map-offset", "dead-time-wrong",
    "fuel-pressure-wrong",
)  # fmt: skip
# What a work sheet names besides, so that the list is not the answer.
DECOYS = ("sensor-biased", "intake-soaked")
# What `diagnose` calls them, where it says it otherwise.
OTHER_NAMES = {
    "sensor-dead": "sensor-unplugged",
    "pressure-offset": "map-offset",
    "dead-time": "dead-time-wrong",
    "fuel-factor": "fuel-pressure-wrong",
}


@dataclass(frozen=True)
class Level:
    """What makes an exercise easier or harder. rms: how wrong the tables are. is_grid: a table can
    hold the truth exactly. is_set_up: for learning, from the start. plain, subtle: faults of each
    kind. goal_pct: the error at which nothing is lost."""

    text: str
    rms: float
    is_grid: bool
    is_set_up: bool
    plain: int
    subtle: int
    goal_pct: float

    @property
    def faults(self) -> int:
        """How many there are."""
        return self.plain + self.subtle


LEVELS = {
    1: Level("correct two tables; the bench is set up for learning", 0.06, True, True, 0, 0, 1.0),
    2: Level("set up, correct two tables, put back", 0.08, False, False, 0, 0, 1.5),
    3: Level(
        "set up, find a fault that shows, correct, put back",
        0.08,
        False,
        False,
        1,
        0,
        1.5,
    ),
    4: Level(
        "set up, find a fault that hides, correct, put back",
        0.04,
        False,
        False,
        0,
        1,
        1.5,
    ),
    5: Level("set up, find two faults, correct, put back", 0.08, False, False, 1, 1, 1.5),
}


class HiddenFault(BaseModel):
    """One fault. bank: None where it belongs to no bank."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    size: float
    bank: str | None

    def acting(self) -> Fault:
        """Return it for the simulator."""
        return fault(self.name, self.size, BANKS.index(self.bank) if self.bank else 0)

    def __str__(self) -> str:
        """Its name and bank, for people."""
        return self.name if self.bank is None else f"{self.name} ({self.bank})"


class Hidden(BaseModel):
    """What nobody shall see before the marks: all else follows from it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    level: Annotated[int, Field(ge=1, le=5)]
    seed: int
    faults: list[HiddenFault]

    @property
    def parameters(self) -> EngineParameters:
        """The college's twin, breathing in its own way."""
        truth = random_truth(self.seed)
        twin = college_twin(sensor=SENSOR)
        if LEVELS[self.level].is_grid:
            return replace(twin, truth=on_grid(truth, TWIN_AXES))
        return replace(twin, truth=truth)

    def controller(self) -> Controller:
        """The controller as the pupil finds it."""
        level, parameters = LEVELS[self.level], self.parameters
        tables = [
            perturbed_table(parameters.truth, bank, TWIN_AXES, level.rms, self.seed)
            for bank in range(len(BANKS))
        ]
        setup = learning_setup(SENSOR) if level.is_set_up else normal_setup(TWIN_AXES, SENSOR)
        return Controller(parameters, TWIN_AXES, tables, setup)


@dataclass(frozen=True)
class Claim:
    """A fault that a pupil says to have found. bank: "" where none is named."""

    name: str
    bank: str

    def is_of(self, one: HiddenFault) -> bool:
        """True when that is the fault."""
        return (self.name, self.bank) == (one.name, one.bank or "")

    def __str__(self) -> str:
        """Its name and bank, for people."""
        return f"{self.name} ({self.bank})" if self.bank else self.name


class _WrittenFault(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    bank: str = ""


class Answers(BaseModel):
    """What a pupil hands in: see the template in the folder."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pupil: str = ""
    job: str = ""
    tables: list[str] = []
    fault: list[_WrittenFault] = []

    @property
    def claims(self) -> list[Claim]:
        """The faults named, each once, under the simulator's names."""
        return list(dict.fromkeys(_claim(one) for one in self.fault))


def _claim(one: _WrittenFault) -> Claim:
    name = one.name.strip().lower()
    name = OTHER_NAMES.get(name, name)
    kind = FAULTS.get(name)
    if kind is None:
        known = ", ".join(named_faults())
        raise ValueError(f"there is no fault {one.name!r}; the work sheet names {known}")
    bank = one.bank.strip().lower()
    if kind.per_bank and bank not in BANKS:
        raise ValueError(f"fault {name}: bank must be {' or '.join(BANKS)}, got {one.bank!r}")
    return Claim(name, bank if kind.per_bank else "")


def named_faults() -> dict[str, str]:
    """What a work sheet names: every fault there can be, and some that there are not."""
    return {name: FAULTS[name].text for name in FAULTS if name in (*PLAIN, *SUBTLE, *DECOYS)}


def draw(level: int, seed: int) -> Hidden:
    """Return what an exercise of a level hides."""
    rng = random.Random(f"exercise {level} {seed}")
    names = rng.sample(PLAIN, LEVELS[level].plain)
    # A dead or stuck sensor leaves nothing by which to tell whether it is exchanged or slow.
    subtle = [name for name in SUBTLE if not (names and name in ("sensors-swapped", "sensor-slow"))]
    names += rng.sample(subtle, LEVELS[level].subtle)
    banks = rng.sample(BANKS, len(BANKS))
    faults = [_sized(name, bank, rng) for name, bank in zip(names, banks, strict=False)]
    return Hidden(level=level, seed=seed, faults=faults)


def _sized(name: str, bank: str, rng: random.Random) -> HiddenFault:
    """A fault a little to much larger than the simulator's default, so that it can be found."""
    kind = FAULTS[name]
    more = rng.uniform(1.2, 1.8)
    # A pressure is off by so much from nominal; what has no unit is there or is not.
    size = 1.0 - (1.0 - kind.default) * more if name == "fuel-pressure-wrong" else kind.default
    if kind.unit and name != "fuel-pressure-wrong":
        size = min(kind.default * more, kind.high)
    return HiddenFault(name=name, size=round(size, 3), bank=bank if kind.per_bank else None)


def hidden_in(folder: Path, name: str, word: str) -> Hidden:
    """Return what a sealed file of an exercise holds; UserError in one line where it cannot be."""
    path = folder / name
    if not path.is_file():
        raise UserError(f"{folder} is no exercise: it has no {name}; see breathmap exercise new")
    try:
        return Hidden.model_validate(unseal(read_text(path, "sealed answer"), word))
    except (SealError, ValidationError) as error:
        why = error if isinstance(error, SealError) else "it holds no exercise"
        raise UserError(f"{path} cannot be opened: {why}") from None


def answers_in(folder: Path) -> Answers:
    """Return what a pupil has filled in; nothing where there is no such file."""
    path = folder / ANSWERS
    if not path.exists():
        return Answers()
    try:
        found = Answers.model_validate(read_toml(path, "pupil's answers (TOML)"))
        _ = found.claims
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UserError(f"{path}: {place}: {first['msg']}") from None
    except ValueError as error:
        raise UserError(f"{path}: {error}") from None
    return found
