"""`breathmap simulate --exercise`: the exercise's engine, and a log of what was ridden on it."""

import json
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from breathmap.protocol.host.calibration import Calibration
from breathmap.simulator.control_server import calibration_of
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.run import TruthTrace
from breathmap.tools.base.disk import errors_about
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_text, write_text
from breathmap.tools.classroom.exercise import (
    BENCH,
    CONTROLLER,
    RIDES,
    SENSOR,
    SIMULATORS_WORD,
    Hidden,
    answers_in,
    hidden_in,
)
from breathmap.tools.demo.simulating import (
    STANDING,
    Bench,
    Order,
    parse_drive,
    server_of,
)
from breathmap.tools.demo.teaching_bench import college_description
from breathmap.tools.job.calibration import read_calibration

# Truly leaner than this in the cylinder at this load or more, an engine comes to harm (common
# practice, no source: learning targets 0.88).
LEAN_LAMBDA, LOADED_KPA = 1.0, 80.0
CELLS = len(TWIN_AXES.speed_rpm) * len(TWIN_AXES.load_kpa)
Cells = Annotated[list[float], Field(min_length=CELLS, max_length=CELLS)]
# More rides than anybody makes.
MOST_RIDES = 10_000


class Ridden(BaseModel):
    """One ride. fuel_g: all that was injected. unsafe_s: how long a cylinder ran lean under load.
    tables_pct: what the controller held, a table a bank. claimed: faults that were said to be put
    right by then."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    drive: str
    minutes: Annotated[float, Field(ge=0)]
    fuel_g: Annotated[float, Field(ge=0)]
    unsafe_s: Annotated[float, Field(ge=0)]
    tables_pct: list[Cells]
    claimed: list[str]


@dataclass(frozen=True)
class ExerciseBench:
    """An exercise made ready to run, and what will be seen of it."""

    folder: Path
    bench: Bench
    trace: TruthTrace
    claimed: list[str]
    tables_pct: list[list[float]]

    def note(self) -> None:
        """Write down what was ridden; nothing where nothing was."""
        ridden = ridden_of(self)
        if ridden is None:
            return
        path = self.folder / RIDES
        before = read_text(path, "rides") if path.exists() else ""
        with errors_about(self.folder):
            write_text(path, before + json.dumps(ridden.model_dump()) + "\n")


def prepare_exercise(folder: Path, drive: str, minutes: float, seed: int) -> ExerciseBench:
    """Return the engine of an exercise, with the faults that are left; UserError in one line."""
    hidden = hidden_in(folder, BENCH, SIMULATORS_WORD)
    claims = answers_in(folder).claims
    left = [one for one in hidden.faults if not any(claim.is_of(one) for claim in claims)]
    order = Order(drive, minutes, seed, memory=folder / CONTROLLER)
    parameters, controller = hidden.parameters, hidden.controller()
    try:
        asked = None if drive == STANDING else parse_drive(drive, minutes, seed)
    except ValueError as error:
        raise UserError(error) from None
    # Marks compare tables on the axes that every pupil begins with.
    server = server_of(parameters, controller, order, writes_axes=False)
    trace = TruthTrace()
    faults = [one.acting() for one in left]
    bench = Bench(parameters, controller, asked, faults, order, server, trace)
    tables = [controller.read_ve(bank) for bank in range(parameters.banks)]
    return ExerciseBench(folder, bench, trace, [str(claim) for claim in claims], tables)


def ridden_of(one: ExerciseBench) -> Ridden | None:
    """Return what a bench's trace says of its ride, None where nothing was ridden."""
    trace, order = one.trace, one.bench.order
    if not trace.time_s:
        return None
    loaded = np.asarray(trace.map_kpa) >= LOADED_KPA
    lean = np.zeros(len(loaded), dtype=bool)
    for bank in trace.cylinder_lambda:
        burned = np.asarray(bank)
        lean |= np.isfinite(burned) & (burned > LEAN_LAMBDA)
    fuel_g = sum(trace.injected_mg) / 1000.0
    return Ridden(
        drive=order.drive,
        minutes=round(trace.time_s[-1] / 60.0, 3),
        fuel_g=round(fuel_g, 2) if isfinite(fuel_g) else 0.0,
        unsafe_s=round(float((loaded & lean).sum()) / order.rate_hz, 2),
        tables_pct=one.tables_pct,
        claimed=one.claimed,
    )


def rides_in(folder: Path) -> list[Ridden]:
    """Return what was ridden; UserError names the line that is none of ours."""
    path = folder / RIDES
    if not path.exists():
        return []
    rides = []
    for number, line in enumerate(read_text(path, "rides").splitlines()[:MOST_RIDES], start=1):
        try:
            rides.append(Ridden.model_validate_json(line))
        except ValidationError:
            raise UserError(f"{path}, line {number}: is no ride as simulate writes it") from None
    return rides


def held_in(folder: Path, hidden: Hidden) -> Calibration:
    """Return what the exercise's controller holds now."""
    memory = folder / CONTROLLER
    start = calibration_of(hidden.controller())
    if not memory.exists():
        return start
    return read_calibration(memory, college_description(hidden.parameters, SENSOR))


def is_put_back(folder: Path, hidden: Hidden) -> bool:
    """True when every setting and the target are as the pupil found them."""
    start, now = calibration_of(hidden.controller()), held_in(folder, hidden)
    same = replace(now, ve_pct=start.ve_pct, mark=start.mark) == start
    return same and not now.mark
