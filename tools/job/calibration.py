"""A calibration as plain files: calibration.toml, one CSV per bank, target.csv.

Everything a person wants to read, compare and put under version control; a calibration written and
read again is the same, number by number.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from breathmap.learner.axes.grid import Grid, moved
from breathmap.learner.axes.whole_steps import never_above
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration, present_names
from breathmap.protocol.wire.control_fields import SETTINGS
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import TARGET_LAMBDA, read_table, read_toml, table_text

CALIBRATION = "calibration.toml"
TARGET = "target.csv"


class Written(BaseModel):
    """What calibration.toml holds; its keys are those of `Calibration`."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    displacement_cm3: float = Field(ge=1, le=200_000)
    ve_step_pct: float = Field(ge=0.001, le=10)
    ve_most_count: int = Field(ge=1, le=1_000_000)
    target_step_lambda: float = Field(ge=1e-6, le=1)
    target_most_count: int = Field(ge=1, le=1_000_000)
    mark: str | None = None
    settings: dict[str, Annotated[float, Field(ge=-1e6, le=1e6)]] = {}

    @field_validator("settings")
    @classmethod
    def _known(cls, settings: dict[str, float]) -> dict[str, float]:
        """Keep those that this version knows, in its order."""
        present = present_names(settings)
        return {name: present[name] for name in SETTINGS if name in present}


def rows_of(cells: Sequence[float], width: int) -> list[list[float]]:
    """Return flat cells as rows of `width`."""
    return [list(cells[at : at + width]) for at in range(0, len(cells), width)]


def calibration_files(calibration: Calibration, description: EngineDescription) -> dict[str, str]:
    """Return the texts by file name."""
    width = len(calibration.speed_rpm)
    files = {CALIBRATION: _toml(calibration)}
    for bank, cells in zip(description.bank, calibration.ve_pct, strict=True):
        files[f"{bank.name}.csv"] = table_text(description, rows_of(cells, width), "{:.10g}")
    if calibration.target_lambda is not None:
        rows = rows_of(calibration.target_lambda, width)
        files[TARGET] = table_text(description, rows, "{:.10g}")
    return files


def _toml(calibration: Calibration) -> str:
    lines = [
        "# A controller's calibration, apart from its tables, which stand beside this file.",
        f"displacement_cm3 = {calibration.displacement_cm3!r}",
        f"ve_step_pct = {calibration.ve_step_pct!r}",
        f"ve_most_count = {calibration.ve_most_count}",
        f"target_step_lambda = {calibration.target_step_lambda!r}",
        f"target_most_count = {calibration.target_most_count}",
        *([f"mark = {json.dumps(calibration.mark)}"] if calibration.mark else []),
        "",
        "[settings] # 1 on, 0 off; what is not listed is not known",
    ]
    lines += [f"{name} = {value:g}" for name, value in calibration.settings.items()]
    return "\n".join(lines) + "\n"


def calibration_names(folder: Path, description: EngineDescription) -> list[str]:
    """Return which files of a folder `read_calibration` reads."""
    target = [TARGET] if (folder / TARGET).exists() else []
    return [CALIBRATION, *target, *(f"{bank.name}.csv" for bank in description.bank)]


def read_calibration(folder: Path, description: EngineDescription) -> Calibration:
    """Return the calibration of a folder; UserError names the file that is wrong."""
    path = folder / CALIBRATION
    try:
        values = Written.model_validate(read_toml(path, "calibration (TOML)"))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UserError(f"{path}: {place}: {first['msg']}") from None
    axes = description.axes
    target = None
    if (folder / TARGET).exists():
        target = tuple(read_table(folder / TARGET, axes.speed_rpm, axes.load, TARGET_LAMBDA))
    return Calibration(
        load_axis=axes.load_axis,
        speed_rpm=tuple(axes.speed_rpm),
        load=tuple(axes.load),
        ve_pct=tuple(
            tuple(read_table(folder / f"{bank.name}.csv", axes.speed_rpm, axes.load))
            for bank in description.bank
        ),
        target_lambda=target,
        **values.model_dump(),
    )


def target_on(target: Sequence[float], before: Grid, on: Calibration) -> tuple[float, ...]:
    """Return a target table, flat, on the axes of a calibration: the same where they are the same,
    else nowhere leaner than it was."""
    after = Grid(on.speed_rpm, on.load)
    if after == before:
        return tuple(target)
    step = on.target_step_lambda
    cells = never_above(np.asarray(target).reshape(before.shape), before, after, step)
    return tuple(round(float(cell), 9) for cell in cells.ravel())


def on_axes_of(start: Calibration, final: Calibration) -> Calibration:
    """Return what a calibration says on the axes of another: VE read between its breakpoints, the
    target nowhere leaner; itself where the axes are the same."""
    before = Grid(start.speed_rpm, start.load)
    after = Grid(final.speed_rpm, final.load)
    if before == after:
        return start
    tables = [moved(np.asarray(cells).reshape(before.shape), before, after).ravel()
              for cells in start.ve_pct]  # fmt: skip
    target = start.target_lambda
    return replace(
        start,
        speed_rpm=final.speed_rpm,
        load=final.load,
        ve_pct=tuple(tuple(float(cell) for cell in table) for table in tables),
        target_lambda=None if target is None else target_on(target, before, final),
    )


def axes_lines(before: Calibration, after: Calibration) -> list[str]:
    """Return in what the axes of two calibrations differ, a line an axis."""
    lines = []
    load = "kPa" if after.load_axis == "map_kpa" else "%"
    for name, unit, old, new in (
        ("speeds", "rpm", before.speed_rpm, after.speed_rpm),
        ("loads", load, before.load, after.load),
    ):
        if old == new:
            continue
        if len(old) != len(new):
            lines.append(f"{len(old)} {name} where {len(new)} are wanted")
            continue
        places = [
            f"{number}: {a:g} to be {b:g}"
            for number, (a, b) in enumerate(zip(old, new, strict=True), start=1)
            if a != b
        ]
        lines.append(f"{name}, {unit}: {', '.join(places)}")
    return lines
