"""The C core for tests: compiled into a folder, taught through a file, put where hosts look."""

import atexit
import subprocess
from collections.abc import Sequence
from functools import cache
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from bridge_cases import C99, KIT, need, run
from checkout import ROOT
from numpy.typing import NDArray

from breathmap.learner.core.settings import Limits, Settings
from breathmap.learner.core.stream import Learner
from breathmap.learner.fast import compiled
from breathmap.protocol.host.bulk import samples_table
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.make.core import command

CORE = ROOT / "learner" / "c"
FLAGS = [*C99, "-ffp-contract=off", "-I", str(CORE), "-I", str(KIT)]
# What a host adds; a board has none of it.
OF_HOSTS = ("host.c",)
SANITIZERS = ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
MEASURES = (
    "speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v", "target_lambda",
)  # fmt: skip


def sources() -> list[Path]:
    """Return the core's C files, as a board takes them."""
    return sorted(path for path in CORE.glob("*.c") if path.name not in OF_HOSTS)


@cache
def shared_object() -> Path:
    """Build the C core as a host does, warnings being errors; skip where there is no compiler."""
    need("gcc")
    folder = TemporaryDirectory(prefix="breathmap-core-")
    atexit.register(folder.cleanup)
    target = Path(folder.name) / (compiled.NAME + EXTENSION_SUFFIXES[-1])
    words = command(target, "-Werror")
    run("gcc", *words[1:])
    return target


def use_c(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the C core run."""
    monkeypatch.delenv(compiled.PURE, raising=False)
    target = shared_object()
    monkeypatch.setattr(compiled, "built", lambda: [target])
    assert compiled.library() is not None


def use_python(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the Python core run, whatever was built."""
    monkeypatch.setenv(compiled.PURE, "1")
    assert compiled.library() is None


def table_of(samples: Sequence[Sample]) -> NDArray[np.void]:
    """Return samples as the structured array that recordings give."""
    return samples_table(samples, samples[0].banks)


def numbers_for_c(settings: Settings, rate_hz: float, table: NDArray[np.void]) -> bytes:
    """Return what c_harness.c reads."""
    first = settings.banks[0].table
    head = [
        len(settings.banks), first.speed_count, first.load_count, settings.film_terms,
        settings.charge_lead, settings.sensor_kind, settings.closed_loop,
        settings.load_is_throttle, rate_hz, settings.history_s, settings.noise, settings.film_s,
        *vars(settings.limits).values(),
    ]  # fmt: skip
    assert len(vars(Limits())) == 18
    head += [*first.speed_rpm, *first.load]
    for bank in settings.banks:
        delay = bank.delay
        head += [delay.cycles, delay.exhaust_volume_cm3, delay.sensor_lag_s]
        head += [delay.exhaust_temp_k, delay.swept_cm3, *bank.table.cells]
    rows = np.zeros((len(table), 34))
    for at, name in enumerate(("time_us", "lost_before", "flags", *MEASURES)):
        rows[:, at] = table[name]
    banks = len(settings.banks)
    rows[:, 10 : 10 + banks] = table["measured_lambda"]
    rows[:, 18 : 18 + banks] = table["fuel_multiplier"]
    rows[:, 26 : 26 + banks] = table["sensor_state"]
    return np.array(head, dtype=np.float64).tobytes() + rows.tobytes()


def printed_of(learner: Learner) -> list[list[str]]:
    """Return what c_harness.c prints of a learner that holds the same."""
    lines = []
    for bank in learner.banks:
        evidence = bank.evidence
        evidence.close_block()
        evidence.leave_square()
        for name in ("cells", "border", "corner", "term_rhs", "term_x", "term_dot", "sums"):
            lines.append([name, *(float(v).hex() for v in getattr(evidence, name))])
        lines.append(["noise", float(evidence.noise).hex()])
        lines.append(["counts", *map(str, (bank.seen_count, bank.used_count, *bank.refused))])
    return lines


def run_harness(program: Path, data: bytes, folder: Path) -> tuple[int, list[list[str]]]:
    """Return the bytes that the C learner takes, and what it holds, numbers as Python's hex."""
    (folder / "samples").write_bytes(data)
    done = subprocess.run(
        [program, folder / "samples"], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    first, *lines = [line.split() for line in done.stdout.splitlines()]
    return int(first[1]), [[name, *map(_as_hex, values)] for name, *values in lines]


def _as_hex(text: str) -> Any:
    return float.fromhex(text).hex() if "x" in text else text
