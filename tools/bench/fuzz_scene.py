"""What `breathmap.tools.bench.fuzz` damages: one small file of every kind, and who reads it.

A made-up engine of one bank with nine cells and six seconds of made-up samples, so that each
command takes a fraction of a second.
"""

import contextlib
import io
import math
import random
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from breathmap.protocol.wire.fields import SENSOR_READY
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.service import FrameStream
from breathmap.simulator.table import Axes
from breathmap.tools.bench import fuzz_damage as damage
from breathmap.tools.cli.main import run

SPEED_RPM = (1000.0, 3000.0, 5000.0)
LOAD_KPA = (30.0, 60.0, 90.0)
SAMPLES = 150
STEP_S = 0.04
DESCRIPTION = """\
[engine]
name = "made up"
displacement_cm3 = 300.0
cylinders = 1
fuel = "petrol"

[axes]
speed_rpm = [1000, 3000, 5000]
load = [30, 60, 90]

[storage]
step_pct = 0.4

[[bank]]
name = "only"
table = "only.csv"
[bank.delay]
exhaust_volume_cm3 = 300.0

[log]
time = { column = "time", unit = "s" }
speed_rpm = { column = "speed" }
map_kpa = { column = "map", scale = 0.1 }
throttle_pct = { column = "throttle" }
coolant_c = { constant = 85 }
target_lambda = { column = "target", unit = "afr" }
fuel_cut = { column = "cut" }
[[log.bank]]
measured_lambda = { column = "lambda" }
"""
TABLE = (
    "load_kpa\\speed_rpm,1000,3000,5000\n"
    "30,50.4,60,65\n"
    "60,60,75.6,80\n"
    "90,70,85,90\n"
)  # fmt: skip
TARGET = TABLE.replace("50.4", "1").replace("75.6", "1")
LOG_HEAD = "A log, made up\ntime,speed,map,throttle,target,cut,lambda\ns,rpm,mbar,%,,,\n"


@dataclass(frozen=True)
class Ended:
    """Exit code of one command line and what it printed."""

    code: int
    out: str
    err: str


def call(arguments: Sequence[str], pasted: bytes = b"") -> Ended:
    """Run one command line in this process. pasted: what stands on standard input."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", newline="\n") for _ in range(2))
    standard_input, sys.stdin = sys.stdin, io.TextIOWrapper(io.BytesIO(pasted), "utf-8")
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = run(arguments)
    finally:
        sys.stdin = standard_input
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode())
    return Ended(code, *texts)


def samples() -> Iterator[Sample]:
    """Yield a short made-up drive over the whole table; every reading is 3 % lean."""
    for k in range(SAMPLES):
        sample = Sample(1)
        sample.time_us = round(k * STEP_S * 1e6)
        sample.speed_rpm = 3000.0 + 1900.0 * math.sin(k / 25.0)
        sample.map_kpa = 60.0 + 28.0 * math.cos(k / 31.0)
        sample.throttle_pct = sample.map_kpa / 2.0
        sample.coolant_c, sample.intake_c, sample.battery_v = 85.0, 25.0, 13.8
        sample.target_lambda = 0.9
        sample.measured_lambda[0] = 0.927 + 0.01 * ((k * 7) % 5 - 2)
        sample.sensor_state[0] = SENSOR_READY
        yield sample


def recording() -> bytes:
    """Return the drive as a device sends it."""
    axes = Axes(SPEED_RPM, LOAD_KPA)
    return b"".join(wire for _, wire in FrameStream(samples(), 1, axes, device_name="made up"))


def log() -> bytes:
    """Return the drive as a CSV log."""
    lines = [
        f"{s.time_us * 1e-6:.2f},{s.speed_rpm:.0f},{10 * s.map_kpa:.0f},{s.throttle_pct:.1f},"
        f"13.1,0,{s.measured_lambda[0]:.3f}\n"
        for s in samples()
    ]
    return (LOG_HEAD + "".join(lines)).encode()


def make(folder: Path) -> None:
    """Write one file of every kind into a new folder, as the program itself writes them."""
    folder.mkdir(parents=True)
    (folder / "engine.toml").write_text(DESCRIPTION, encoding="utf-8")
    (folder / "only.csv").write_text(TABLE, encoding="utf-8")
    (folder / "target.csv").write_text(TARGET, encoding="utf-8")
    (folder / "ride.bin").write_bytes(recording())
    (folder / "ride.csv").write_bytes(log())
    engine, job = str(folder / "engine.toml"), str(folder / "job")
    for arguments in (
        ["replay", engine, str(folder / "ride.bin"), "--out", str(folder / "out")],
        ["new", job, "--engine", engine],
        ["prepare", job],
        ["learn", job, str(folder / "ride.bin")],
        ["propose", job],
    ):
        _do(arguments)
    shutil.copytree(folder / "job", folder / "open")
    _do(["accept", job])
    (folder / "out" / "notes.csv").write_text(
        "time,learned_s,note\n2026-01-01 12:00,3.0,plugs\n", encoding="utf-8"
    )


def _do(arguments: list[str]) -> None:
    ended = call(arguments)
    if ended.code:
        raise RuntimeError(f"{' '.join(arguments)}: {ended.err}")


@dataclass(frozen=True)
class Target:
    """One parser. victim: the file that is damaged, from the scene's folder. damages: how.
    commands: who reads it; {} stands for the scene's folder. pasted: it is given on standard input,
    too. without: files that are taken away before."""

    victim: str
    damages: tuple[Callable[[random.Random, bytes], bytes], ...]
    commands: tuple[str, ...]
    pasted: bool = False
    without: tuple[str, ...] = ()


REPLAY = "replay {}/engine.toml {}/ride.bin --out {}/made"
TEXT, JSON = (damage.text, damage.anything), (damage.json_text, damage.text)
CSV = (damage.table, damage.text, damage.anything)
FRAMES = (damage.frames, damage.frames, damage.anything)
JOB = ("history {}/job --json", "report {}/job", "compare {}/job:0 {}/job:1", "undo {}/job 0")

TARGETS = {
    "description": Target(
        "engine.toml",
        (damage.toml_value, *TEXT),
        ("check {}/engine.toml", REPLAY, "new {}/made --engine {}/engine.toml"),
    ),
    "table": Target(
        "only.csv",
        CSV,
        ("check {}/engine.toml", REPLAY, "compare {}/only.csv {}/target.csv",
         "new {}/made --table {}/only.csv --displacement 300"),
    ),
    "target": Target(
        "target.csv", CSV, ("new {}/made --engine {}/engine.toml --target {}/target.csv",)
    ),
    "paste": Target(
        "only.csv", CSV, ("new {}/made --table - --displacement 300",), pasted=True
    ),
    "log": Target(
        "ride.csv", CSV, ("replay {}/engine.toml {}/ride.csv --out {}/made",)
    ),
    "recording": Target("ride.bin", FRAMES, (REPLAY,)),
    "evidence": Target(
        "out/evidence.bin",
        (damage.evidence, damage.evidence, *FRAMES),
        ("replay {}/engine.toml {}/out/evidence.bin --out {}/made",),
    ),
    "summary": Target("out/summary.json", JSON, ("report {}/out",)),
    "trace": Target("out/trace.json", JSON, ("report {}/out",)),
    "notes": Target("out/notes.csv", CSV, ("report {}/out",)),
    "result": Target("out/only-correction.csv", CSV, ("report {}/out",)),
    "history": Target(
        "job/history.jsonl", (damage.history, *TEXT), JOB, without=("job/history.head",)
    ),
    "head": Target("job/history.head", JSON, JOB),
    "calibration": Target("job/start/calibration.toml", TEXT, JOB),
    "job-description": Target(
        "open/engine.toml",
        (damage.toml_value, *TEXT),
        ("accept {}/open", "prepare {}/open", "learn {}/open {}/ride.csv", "finish {}/open"),
    ),
    "pass-description": Target(
        "open/passes/001/engine.toml",
        (damage.toml_value, *TEXT),
        ("propose {}/open", "report {}/open", "history {}/open --verify"),
    ),
    "pass-table": Target(
        "open/passes/001/only.csv", CSV, ("propose {}/open", "history {}/open --verify")
    ),
    "proposal": Target(
        "open/proposals/001/only.csv", CSV, ("accept {}/open", "report {}/open")
    ),
    "decisions": Target("open/proposals/001/only-decision.csv", CSV, ("report {}/open",)),
    "pass": Target(
        "open/passes/001/recording-001.bin",
        FRAMES,
        ("history {}/open --verify", "propose {}/open", "learn {}/open {}/ride.csv"),
    ),
    "added": Target("ride.bin", FRAMES, ("learn {}/open {}/ride.bin", "learn {}/job {}/ride.bin")),
}  # fmt: skip
