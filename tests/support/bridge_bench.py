"""The reference bridge on the emulated microcontroller: built, wired to an engine, listened to.

The wiring is the firmware's calibration the other way round, read from its own configuration.
"""

import re
import subprocess
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from math import exp
from pathlib import Path
from typing import IO

import pytest
import serial
from bridge_cases import KIT, need, need_simavr, run

from breathmap.protocol.wire.sample import Sample

CONFIG = (KIT / "avr" / "bridge_config.h").read_text("utf-8")
# The thermistors that the configuration's table was made for.
R25_OHM, BETA_K, PULL_UP_OHM = 2252.0, 3435.0, 2490.0


def numbers(name: str) -> list[int]:
    """Return the numbers that the configuration defines under a name."""
    match = re.search(rf"#define {name} ([-\d, ul]+)", CONFIG)
    assert match is not None, name
    return [int(n.strip().rstrip("ul")) for n in match[1].split(",")]


def number(name: str) -> int:
    """Return the one number that the configuration defines under a name."""
    (found,) = numbers(name)
    return found


SUPPLY_MV = number("SUPPLY_MV")


def millivolts(name: str, value: float) -> float:
    """Return the voltage of a linear input at a raw value."""
    a_mv, a, b_mv, b = numbers(name)
    return a_mv + (value - a) * (b_mv - a_mv) / (b - a)


def thermistor_share(celsius: float) -> float:
    """Return the share of the supply over a thermistor at a temperature, by the B formula."""
    ohm = R25_OHM * exp(BETA_K * (1.0 / (celsius + 273.15) - 1.0 / 298.15))
    return ohm / (ohm + PULL_UP_OHM)


def inputs(
    lambdas: Sequence[float] = (0.88, 0.88), map_kpa: float = 60.0, throttle_pct: float = 20.0,
    coolant_c: float = 85.0, intake_c: float = 25.0, battery_v: float = 13.8,
    ground_mv: float = 0.0,
) -> list[int]:  # fmt: skip
    """Return the eight voltages in mV of these quantities; NaN is a wire that is off (0 V)."""
    mv = [0.0] * 8
    for bank, value in enumerate(lambdas, start=1):
        mv[number(f"LAMBDA_{bank}_CHANNEL")] = (
            0.0 if value != value else millivolts(f"LAMBDA_{bank}_POINTS", 1e4 * value) + ground_mv
        )
    mv[number("GROUND_CHANNEL")] = ground_mv
    mv[number("MAP_CHANNEL")] = millivolts("MAP_POINTS", 100 * map_kpa)
    mv[number("THROTTLE_CHANNEL")] = millivolts("THROTTLE_POINTS", 100 * throttle_pct)
    mv[number("BATTERY_CHANNEL")] = millivolts("BATTERY_POINTS", 1000 * battery_v)
    mv[number("COOLANT_CHANNEL")] = SUPPLY_MV * thermistor_share(coolant_c)
    mv[number("INTAKE_CHANNEL")] = SUPPLY_MV * thermistor_share(intake_c)
    return [round(min(max(v, 0.0), SUPPLY_MV)) for v in mv]


def line(time_s: float, speed_rpm: float, mv: Sequence[int]) -> str:
    """Return one line of the emulator's input."""
    return f"{time_s * 1e6:.0f} {max(speed_rpm, 0.0):.2f} {' '.join(map(str, mv))}\n"


def engine_lines(samples: Iterable[Sample], ground_mv: float) -> Iterator[str]:
    """Yield the emulator's input for a simulated engine's samples."""
    for s in samples:
        mv = inputs(
            s.measured_lambda, s.map_kpa, s.throttle_pct, s.coolant_c, s.intake_c, s.battery_v,
            ground_mv,
        )  # fmt: skip
        yield line(s.time_us / 1e6, s.speed_rpm, mv)


def build_firmware(folder: Path, *extra: str) -> Path:
    """Return the firmware's ELF file, built by its Makefile; extra: such as -DSAMPLE_HZ=400."""
    need_simavr()
    need("make")
    folder.mkdir(exist_ok=True)
    run("make", "-C", KIT / "avr", f"OUT={folder}", f"EXTRA={' '.join(extra)}")
    return folder / "bridge.elf"


def build_emulator(folder: Path) -> Path:
    """Return the program that runs the firmware behind a pseudo-terminal."""
    need_simavr()
    program = folder / "bridge_sim"
    flags = ["-std=gnu99", "-Wall", "-Wextra", "-Werror", "-O2"]
    run("gcc", *flags, KIT / "sim" / "bridge_sim.c", "-lsimavr", "-lelf", "-o", program)
    return program


@contextmanager
def running(
    emulator: Path,
    firmware: Path,
    lines: Iterable[str],
    wheel: tuple[int, int] = (36, 1),
    report: list[str] | None = None,
) -> Iterator[str]:
    """Run a firmware with these input lines; yields the port, ends the emulator at the end.

    report: a list that gets what the emulator prints at its end; then it is let come to it.
    """
    command = [emulator, firmware, *wheel]
    process = subprocess.Popen(
        [str(word) for word in command],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stderr is not None
    feeder = threading.Thread(target=_feed, args=(process.stdin, lines), daemon=True)
    try:
        first = process.stdout.readline()
        assert first.startswith("port: "), process.communicate()
        feeder.start()
        yield first.removeprefix("port: ").strip()
        if report is not None:
            report.append(process.stdout.read())
    finally:
        process.terminate()
        feeder.join(10)
        process.wait(10)
        trouble = process.stderr.read()
        for stream in (process.stdout, process.stderr):
            stream.close()
    assert not trouble, trouble


def _feed(stdin: IO[str], lines: Iterable[str]) -> None:
    try:
        for text in lines:
            stdin.write(text)
        stdin.close()
    except BrokenPipeError:
        pass  # the reader has gone, and the emulator with it


def listen(url: str) -> bytes:
    """Return every byte that a port sends until it closes."""
    received = bytearray()
    with serial.Serial(url, 115200, timeout=0.2) as port:
        while True:
            try:
                received += port.read(4096)
            except serial.SerialException:
                return bytes(received)


def require_tools() -> None:
    """Skip where the emulator cannot run at all."""
    need_simavr()
    pytest.importorskip("termios", reason="no pseudo-terminals here")
