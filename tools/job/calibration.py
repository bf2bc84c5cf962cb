"""A calibration as plain files: calibration.toml, one CSV per bank, target.csv.

Everything a person wants to read, compare and put under version control; a calibration written and
read again is the same, number by number.
"""

import json
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.wire.control_fields import SETTINGS
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_table, read_text, table_text

CALIBRATION = "calibration.toml"
TARGET = "target.csv"


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


def read_calibration(folder: Path, description: EngineDescription) -> Calibration:
    """Return the calibration of a folder; UserError names the file that is wrong."""
    path = folder / CALIBRATION
    text = read_text(path, "calibration (TOML)")
    axes = description.axes
    try:
        values: dict[str, Any] = tomllib.loads(text)
        settings = {name: float(value) for name, value in values.pop("settings", {}).items()}
        tables = tuple(
            tuple(read_table(folder / f"{bank.name}.csv", axes.speed_rpm, axes.load))
            for bank in description.bank
        )
        target = None
        if (folder / TARGET).exists():
            target = tuple(read_table(folder / TARGET, axes.speed_rpm, axes.load))
        return Calibration(
            load_axis=axes.load_axis,
            speed_rpm=tuple(axes.speed_rpm),
            load=tuple(axes.load),
            ve_pct=tables,
            target_lambda=target,
            settings={name: settings[name] for name in SETTINGS if name in settings},
            **values,
        )
    except (tomllib.TOMLDecodeError, TypeError, ValueError) as error:
        raise UserError(f"{path}: {error}") from None
