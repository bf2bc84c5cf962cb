"""A recording as a table for other programs: CSV, Parquet, Excel's readers' Arrow, or ASAM MDF 4.

Headings are the names of the field table, which carry their units, so that what was exported can be
read as a log again.
"""

import io
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from breathmap.learner.words.log import FLAGS
from breathmap.protocol.host.recording import read_recording
from breathmap.tools.base import disk
from breathmap.tools.base.errors import UserError
from breathmap.tools.logs.formats import missing_extra
from breathmap.tools.logs.mdf import TIME, write_mdf

Columns = dict[str, npt.NDArray[Any]]
PLAIN = ("speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v",
         "pulse_width_ms", "target_lambda")  # fmt: skip
EACH_BANK = ("measured_lambda", "fuel_multiplier", "sensor_state")
UNITS = {
    TIME: "s", "speed_rpm": "rpm", "map_kpa": "kPa", "throttle_pct": "%", "coolant_c": "°C",
    "intake_c": "°C", "battery_v": "V", "pulse_width_ms": "ms", "target_lambda": "lambda",
    "measured_lambda": "lambda", "fuel_multiplier": "factor",
}  # fmt: skip
TEXTS = {
    "speed_rpm": "engine speed", "map_kpa": "manifold absolute pressure",
    "throttle_pct": "throttle opening", "coolant_c": "coolant temperature",
    "intake_c": "intake air temperature", "battery_v": "battery voltage",
    "pulse_width_ms": "injector pulse width", "target_lambda": "commanded mixture",
    "measured_lambda": "the sensor's reading", "fuel_multiplier": "closed-loop multiplier, 1: none",
    "sensor_state": "0 absent, 1 warming, 2 ready, 3 fault", "fuel_cut": "injection is cut",
    "closed_loop": "the closed loop acts", "acceleration_enrichment": "enrichment acts",
    "flags": "all switches of the sample frame", "lost_before": "frames lost before this one",
}  # fmt: skip
KINDS = {"csv": ".csv", "parquet": ".parquet", "mf4": ".mf4"}
# What a value not measured is in a CSV: an empty cell.
DIGITS = 7


def columns_of(data: bytes) -> Columns:
    """Return a recording's samples as columns, the clock first, in seconds from its first sample.
    UserError where it holds none."""
    table = read_recording(data).table
    if not len(table):
        raise UserError("it holds no sample")
    columns: Columns = {TIME: 1e-6 * (table["time_us"] - table["time_us"][0]).astype(np.float64)}
    columns |= {name: table[name].astype(np.float64) for name in PLAIN}
    for bank in range(table["measured_lambda"].shape[1]):
        for name in EACH_BANK:
            values = table[name][:, bank]
            whole = values.dtype.kind in "iu"
            columns[f"{name}_{bank + 1}"] = values.astype(np.int64 if whole else np.float64)
    flags = table["flags"].astype(np.int64)
    columns |= {name: ((flags & bit) != 0).astype(np.int64) for name, bit in FLAGS.items()}
    columns |= {"flags": flags, "lost_before": table["lost_before"].astype(np.int64)}
    return columns


def export_recording(path: Path, kind: str, out: Path) -> int:
    """Write a recording as another kind of file that is not there; return the number of rows.

    kind: a key of KINDS. UserError where it is no recording, or the file is there.
    """
    with disk.errors_about(path, "cannot be read"):
        data = path.read_bytes()
    try:
        columns = columns_of(data)
    except UserError as error:
        raise UserError(f"{path}: {error}; is it a recording?") from None
    if out.exists():
        raise UserError(f"{out} exists; nothing is written over: give another with --out")
    try:
        content = _WRITERS[kind](columns, path.name)
    except ImportError:
        raise missing_extra(f"{out}: writing it") from None
    with disk.errors_about(out):
        disk.make_folders(out.resolve().parent)
        disk.write_file(out, content)
    return len(columns[TIME])


def _csv(columns: Columns, name: str) -> bytes:
    rows = [",".join(columns)]
    texts = []
    for column in columns.values():
        values = column.tolist()
        texts.append(["" if v != v else f"{v:.{DIGITS}g}" if v % 1 else f"{v:.0f}" for v in values])
    rows += map(",".join, zip(*texts, strict=True))
    return ("\n".join(rows) + "\n").encode()


def _parquet(columns: Columns, name: str) -> bytes:
    buffer = io.BytesIO()
    import_module("polars").DataFrame(columns).write_parquet(buffer)
    return buffer.getvalue()


def _mf4(columns: Columns, name: str) -> bytes:
    units = {key: UNITS.get(_plain(key), "") for key in columns}
    texts = {key: TEXTS.get(_plain(key), "") for key in columns}
    with tempfile.TemporaryDirectory(prefix="breathmap-") as folder:
        place = Path(folder) / "export.mf4"
        write_mdf(place, columns, units, texts, f"Exported by breathmap from {name}.")
        return place.read_bytes()


def _plain(key: str) -> str:
    """Return the name of a column without its bank."""
    return key.rstrip("0123456789").removesuffix("_") if key[-1].isdigit() else key


_WRITERS = {"csv": _csv, "parquet": _parquet, "mf4": _mf4}
