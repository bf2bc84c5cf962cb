"""The reference bridge on the emulated microcontroller: built, wired to an engine, listened to.

The wiring is the firmware's calibration the other way round, read from its own configuration.
"""

import re
import subprocess
import threading
from contextlib import contextmanager
from math import exp

import pytest
import serial
from bridge_cases import KIT, need, need_simavr, run

CONFIG = (KIT / "avr" / "bridge_config.h").read_text("utf-8")
# The thermistors that the configuration's table was made for.
R25_OHM, BETA_K, PULL_UP_OHM = 2252.0, 3435.0, 2490.0


def numbers(name):
    """Return the numbers that the configuration defines under a name."""
    match = re.search(rf"#define {name} ([-\d, ul]+)", CONFIG)
    found = [int(n.strip().rstrip("ul")) for n in match[1].split(",")]
    return found[0] if len(found) == 1 else found


SUPPLY_MV = numbers("SUPPLY_MV")


def millivolts(name, value):
    """Return the voltage of a linear input at a raw value."""
    a_mv, a, b_mv, b = numbers(name)
    return a_mv + (value - a) * (b_mv - a_mv) / (b - a)


def thermistor_share(celsius):
    """Return the share of the supply over a thermistor at a temperature, by the B formula."""
    ohm = R25_OHM * exp(BETA_K * (1.0 / (celsius + 273.15) - 1.0 / 298.15))
    return ohm / (ohm + PULL_UP_OHM)


def inputs(
    lambdas=(0.88, 0.88), map_kpa=60.0, throttle_pct=20.0, coolant_c=85.0, intake_c=25.0,
    battery_v=13.8, ground_mv=0.0,
):  # fmt: skip
    """Return the eight voltages in mV of these quantities; NaN is a wire that is off (0 V)."""
    mv = [0.0] * 8
    for bank, value in enumerate(lambdas, start=1):
        mv[numbers(f"LAMBDA_{bank}_CHANNEL")] = (
            0.0 if value != value else millivolts(f"LAMBDA_{bank}_POINTS", 1e4 * value) + ground_mv
        )
    mv[numbers("GROUND_CHANNEL")] = ground_mv
    mv[numbers("MAP_CHANNEL")] = millivolts("MAP_POINTS", 100 * map_kpa)
    mv[numbers("THROTTLE_CHANNEL")] = millivolts("THROTTLE_POINTS", 100 * throttle_pct)
    mv[numbers("BATTERY_CHANNEL")] = millivolts("BATTERY_POINTS", 1000 * battery_v)
    mv[numbers("COOLANT_CHANNEL")] = SUPPLY_MV * thermistor_share(coolant_c)
    mv[numbers("INTAKE_CHANNEL")] = SUPPLY_MV * thermistor_share(intake_c)
    return [round(min(max(v, 0.0), SUPPLY_MV)) for v in mv]


def line(time_s, speed_rpm, mv):
    """Return one line of the emulator's input."""
    return f"{time_s * 1e6:.0f} {max(speed_rpm, 0.0):.2f} {' '.join(map(str, mv))}\n"


def engine_lines(samples, ground_mv):
    """Yield the emulator's input for a simulated engine's samples."""
    for s in samples:
        mv = inputs(
            s.measured_lambda, s.map_kpa, s.throttle_pct, s.coolant_c, s.intake_c, s.battery_v,
            ground_mv,
        )  # fmt: skip
        yield line(s.time_us / 1e6, s.speed_rpm, mv)


def build_firmware(folder, *extra):
    """Return the firmware's ELF file, built by its Makefile; extra: such as -DSAMPLE_HZ=400."""
    need_simavr()
    need("make")
    folder.mkdir(exist_ok=True)
    run("make", "-C", KIT / "avr", f"OUT={folder}", f"EXTRA={' '.join(extra)}")
    return folder / "bridge.elf"


def build_emulator(folder):
    """Return the program that runs the firmware behind a pseudo-terminal."""
    need_simavr()
    program = folder / "bridge_sim"
    flags = ["-std=gnu99", "-Wall", "-Wextra", "-Werror", "-O2"]
    run("gcc", *flags, KIT / "sim" / "bridge_sim.c", "-lsimavr", "-lelf", "-o", program)
    return program


@contextmanager
def running(emulator, firmware, lines, wheel=(36, 1), report=None):
    """Run a firmware with these input lines; yields the port, ends the emulator at the end.

    report: a list that gets what the emulator prints at its end; then it is let come to it.
    """
    command = [emulator, firmware, *wheel]
    process = subprocess.Popen(
        [str(word) for word in command],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
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


def _feed(stdin, lines):
    try:
        for text in lines:
            stdin.write(text)
        stdin.close()
    except BrokenPipeError:
        pass  # the reader has gone, and the emulator with it


def listen(url):
    """Return every byte that a port sends until it closes."""
    received = bytearray()
    with serial.Serial(url, 115200, timeout=0.2) as port:
        while True:
            try:
                received += port.read(4096)
            except serial.SerialException:
                return bytes(received)


def require_tools():
    """Skip where the emulator cannot run at all."""
    need_simavr()
    pytest.importorskip("termios", reason="no pseudo-terminals here")
