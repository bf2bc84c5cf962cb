"""The scenario of the demo and of `simulate`: the teaching bench of a technical college.

Its engine is a 689 cc parallel twin built from parts, with two exhausts of different length and a
lambda sensor in each. All of it is invented, and the files written here say so.
"""

from collections.abc import Sequence
from pathlib import Path

from breathmap.learner.words.description import EngineDescription, parse_description
from breathmap.learner.words.description_text import annotated_example
from breathmap.simulator.controller import VE_STEP_PCT, Controller
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters
from breathmap.simulator.run import bench
from breathmap.tools.base.disk import errors_about, staged
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import encoded, make_folder, read_text, table_text

BANKS = ("left", "right")
DESCRIPTION_NAME = "engine.toml"
# How wrong the starting tables are, rms over their cells, a fraction.
START_RMS = 0.08
# Which of endlessly many wrong starting tables.
START_SEED = 1
PREFACE = (
    "The teaching bench of a technical college: a 689 cc parallel twin built from parts.",
    "All data in this folder is invented: the engine exists in breathmap's simulator only.",
    "",
)


def college_bench(
    truth: str = "continuous", sensor: str = "wideband"
) -> tuple[EngineParameters, Controller]:
    """Return the simulated engine and its controller with the wrong starting tables."""
    return bench(method=sensor, truth=truth, seed=START_SEED, rms=START_RMS)


def college_description(parameters: EngineParameters, sensor: str) -> EngineDescription:
    """Return the bench's engine description: what a person with a tape measure would write."""
    count = len(parameters.cylinder_bank)
    banks = []
    for number, name in enumerate(BANKS):
        exhaust = parameters.exhausts[number]
        # The mean gas is not as hot as the hottest: a round figure, as a person would take.
        temperature_k = round(exhaust.cool_k + 0.5 * exhaust.rise_k, -1)
        banks.append(
            {
                "name": name,
                "table": f"{name}.csv",
                "cylinders": parameters.cylinder_bank.count(number),
                "delay": {
                    "cycles": 1.0,
                    "exhaust_volume_cm3": round(
                        1000.0 * (exhaust.volume_l + exhaust.mixing_volume_l), 0
                    ),
                    "sensor_lag_s": parameters.sensors[number].lag_s,
                    "exhaust_temp_k": temperature_k,
                },
            }
        )
    return parse_description(
        {
            "engine": {
                "name": "college bench, parallel twin (invented)",
                "displacement_cm3": parameters.displacement_cm3,
                "cylinders": count,
                "stoichiometric_afr": parameters.stoichiometric_afr,
            },
            "axes": {
                "load_axis": "map_kpa",
                "speed_rpm": [float(n) for n in TWIN_AXES.speed_rpm],
                "load": [float(p) for p in TWIN_AXES.load_kpa],
            },
            "method": {"sensor": sensor, "closed_loop": sensor == "switching"},
            "storage": {"step_pct": VE_STEP_PCT},
            "bank": banks,
        }
    )


def college_files(
    parameters: EngineParameters, controller: Controller, sensor: str
) -> dict[str, str]:
    """Return the description and the controller's tables as texts by file name."""
    description = college_description(parameters, sensor)
    files = {DESCRIPTION_NAME: annotated_example(description, PREFACE)}
    for number, name in enumerate(BANKS):
        files[f"{name}.csv"] = table_text(description, rows_of(controller.read_ve(number)))
    return files


def rows_of(cells: Sequence[float]) -> list[list[float]]:
    """Return flat cells as rows, one per load breakpoint."""
    width = len(TWIN_AXES.speed_rpm)
    return [list(cells[at : at + width]) for at in range(0, len(cells), width)]


def write_college(
    folder: Path, parameters: EngineParameters, controller: Controller, sensor: str = "wideband"
) -> Path:
    """Write the bench's files into a folder and return the description's path.

    Files that are there already and hold the same are left; UserError where one differs.
    """
    files = college_files(parameters, controller, sensor)
    for name, text in files.items():
        path = folder / name
        if path.exists() and read_text(path, "bench's own file") != text:
            raise UserError(f"{path} exists and differs; give another folder")
    make_folder(folder, may_exist=True, hint="")
    contents = {name: encoded(text) for name, text in files.items()}
    with errors_about(folder), staged(folder, contents) as put:
        put()
    return folder / DESCRIPTION_NAME
