"""Marks what was handed in: the tables against the truth, the riding, the faults, the set-up.

Where a level does not ask for a part, the others make up the hundred.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breathmap.simulator.parameters import TWIN_AXES, EngineParameters
from breathmap.simulator.run import fuelling_error
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_table
from breathmap.tools.classroom.engine import Ridden, held_in, is_put_back, rides_in
from breathmap.tools.classroom.exercise import (
    ANSWER,
    ANSWERS,
    LEVELS,
    Answers,
    Claim,
    Hidden,
    answers_in,
    hidden_in,
)
from breathmap.tools.demo.teaching_bench import BANKS
from breathmap.tools.job.folder import Job, is_job

# The ground that counts: what brake and road reach (the work sheet says it), and how finely.
GROUND_RPM, GROUND_KPA = (1600.0, 6000.0), (32.0, 92.0)
SPEEDS, LOADS = 23, 13
# Parts of the marks, before what a level leaves out. An invented bench's choice: change it here.
ERROR, FAULTS, SAFETY, SET_UP, ECONOMY = "tables", "faults", "safety", "set-up", "economy"
WEIGHTS = {ERROR: 50.0, FAULTS: 20.0, SAFETY: 15.0, SET_UP: 10.0, ECONOMY: 5.0}
# Riding for so long costs nothing, and so long all of that part.
PAR_MINUTES, MOST_MINUTES = 40.0, 160.0
# Lean under load for so long costs all of that part.
MOST_UNSAFE_S = 60.0

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Step:
    """A point of the convergence curve: after so many minutes the tables were off by so much."""

    minutes: float
    error_pct: float


@dataclass(frozen=True)
class Mark:
    """One pupil's result. error_pct, start_pct: rms over both banks and the ground that counts, at
    the end and at the start. parts: points of each part; most: what it could have had. found,
    missed, false: faults. put_back: None where the level does not ask for it. answer: what was
    hidden. curve: before each ride, and at the end. handed_in: which tables."""

    folder: str
    pupil: str
    level: int
    points: float
    error_pct: float
    start_pct: float
    minutes: float
    fuel_g: float
    unsafe_s: float
    found: list[str]
    missed: list[str]
    false: list[str]
    put_back: bool | None
    parts: dict[str, float]
    most: dict[str, float]
    answer: list[str]
    curve: list[Step]
    handed_in: str

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain numbers and text."""
        return asdict(self)


def mark(folder: Path, word: str) -> Mark:
    """Mark one exercise; UserError in one line where something in it cannot be read."""
    hidden = hidden_in(folder, ANSWER, word)
    answers, rides = answers_in(folder), rides_in(folder)
    handed_in, tables = handed_in_by(folder, answers, hidden)
    parameters = hidden.parameters
    errors = [error_pct(parameters, one.tables_pct) for one in rides]
    start_tables = [hidden.controller().read_ve(bank) for bank in range(len(BANKS))]
    start, left = error_pct(parameters, start_tables), error_pct(parameters, tables)
    minutes = sum(one.minutes for one in rides)
    unsafe_s = sum(one.unsafe_s for one in rides)
    found, missed, false = compared(answers.claims, hidden)
    level = LEVELS[hidden.level]
    # Who has ridden nothing has put nothing back.
    put_back = None if level.is_set_up else bool(minutes) and is_put_back(folder, hidden)
    shares = {
        ERROR: _falling(left, level.goal_pct, start),
        SAFETY: _falling(unsafe_s, 0.0, MOST_UNSAFE_S) if minutes else 0.0,
        ECONOMY: _falling(minutes, PAR_MINUTES, MOST_MINUTES) if minutes else 0.0,
    }
    if level.faults:
        shares[FAULTS] = max(len(found) - len(false), 0) / level.faults
    if put_back is not None:
        shares[SET_UP] = float(put_back)
    most = _most(list(shares))
    parts = {name: round(most[name] * shares[name], 1) for name in most}
    return Mark(
        folder=str(folder),
        pupil=answers.pupil.strip() or folder.resolve().name,
        level=hidden.level,
        points=round(sum(parts.values()), 1),
        error_pct=round(left, 2),
        start_pct=round(start, 2),
        minutes=round(minutes, 1),
        fuel_g=round(sum(one.fuel_g for one in rides), 1),
        unsafe_s=round(unsafe_s, 1),
        found=found,
        missed=missed,
        false=false,
        put_back=put_back,
        parts=parts,
        most={name: round(value, 1) for name, value in most.items()},
        answer=[str(one) for one in hidden.faults],
        curve=_curve(rides, errors, left),
        handed_in=handed_in,
    )


def _falling(value: float, best: float, worst: float) -> float:
    """1 at `best` or below, 0 at `worst` or above, straight between."""
    return min(max((worst - value) / (worst - best), 0.0), 1.0)


def _most(asked: list[str]) -> dict[str, float]:
    """What each part that a level asks for can bring; together 100."""
    total = sum(WEIGHTS[name] for name in asked)
    return {name: 100.0 * WEIGHTS[name] / total for name in WEIGHTS if name in asked}


def _curve(rides: list[Ridden], errors: list[float], left: float) -> list[Step]:
    steps, minutes = [], 0.0
    for one, error in zip(rides, errors, strict=True):
        steps.append(Step(round(minutes, 1), round(error, 2)))
        minutes += one.minutes
    return [*steps, Step(round(minutes, 1), round(left, 2))]


def compared(claims: list[Claim], hidden: Hidden) -> tuple[list[str], list[str], list[str]]:
    """Return what was found, what was missed, and what was named and is not there."""
    found = [str(one) for one in hidden.faults if any(claim.is_of(one) for claim in claims)]
    missed = [str(one) for one in hidden.faults if str(one) not in found]
    false = [str(c) for c in claims if not any(c.is_of(one) for one in hidden.faults)]
    return found, missed, false


def error_pct(parameters: EngineParameters, tables: Sequence[Sequence[float]]) -> float:
    """Return the rms fuelling error over both banks and the ground that counts, per cent."""
    speeds, loads = np.linspace(*GROUND_RPM, SPEEDS), np.linspace(*GROUND_KPA, LOADS)
    speed_rpm, map_kpa = (grid.ravel() for grid in np.meshgrid(speeds, loads))
    errors = [
        fuelling_error(parameters.truth, bank, TWIN_AXES, cells, speed_rpm, map_kpa)
        for bank, cells in enumerate(tables)
    ]
    return 100.0 * float(np.sqrt(np.mean(np.square(errors))))


def handed_in_by(
    folder: Path, answers: Answers, hidden: Hidden
) -> tuple[str, list[Sequence[float]]]:
    """Return where the tables are from, and the tables: files named, a job's, or the controller's.

    UserError where what is named is not there, or of another engine.
    """
    if answers.job and answers.tables:
        raise UserError(f"{folder / ANSWERS}: names a job and tables; leave one empty")
    if answers.tables:
        if len(answers.tables) != len(BANKS):
            raise UserError(
                f"{folder / ANSWERS}: tables must name {len(BANKS)} files, for "
                f"{' and '.join(BANKS)}; it names {len(answers.tables)}"
            )
        axes = TWIN_AXES
        paths = [folder / name for name in answers.tables]
        return ", ".join(answers.tables), [
            read_table(path, axes.speed_rpm, axes.load_kpa) for path in paths
        ]
    if answers.job:
        return f"job {answers.job}", _of_job(folder / answers.job, hidden)
    held = held_in(folder, hidden)
    # What makes the fuel is VE times displacement: another displacement is another table.
    factor = held.displacement_cm3 / hidden.parameters.displacement_cm3
    return "the controller", [[factor * cell for cell in cells] for cells in held.ve_pct]


def _of_job(folder: Path, hidden: Hidden) -> list[Sequence[float]]:
    """A job's present tables."""
    if not is_job(folder):
        raise UserError(f"{folder} is no job; correct `job` in {ANSWERS}, or leave it empty")
    held = Job(folder).calibration()
    axes = TWIN_AXES
    fits = (held.speed_rpm, held.load) == (tuple(axes.speed_rpm), tuple(axes.load_kpa))
    if not fits or held.banks != len(BANKS):
        raise UserError(f"{folder} is a job of another engine than this exercise's")
    factor = held.displacement_cm3 / hidden.parameters.displacement_cm3
    return [[factor * cell for cell in cells] for cells in held.ve_pct]
