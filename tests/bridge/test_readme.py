"""What the bridge's README says is so: its programs run, its numbers and words are real."""

import ctypes
import re
import subprocess
import sys

import pytest
from bridge_bench import (
    build_emulator,
    build_firmware,
    inputs,
    line,
    number,
    require_tools,
    running,
)
from bridge_cases import C99, KIT, need, run
from checkout import ROOT

from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.protocol.host.link import FrameEvent, LinkReader
from breathmap.protocol.wire.fields import SAMPLE
from breathmap.protocol.wire.payload import unpack_payload
from breathmap.tools.bench import bridge as bench_bridge

README = (KIT / "README.md").read_text("utf-8")
SCHEMATIC = (KIT / "schematic.svg").read_text("utf-8")


def fenced(language):
    """Return the one fenced block of a language."""
    (block,) = re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)
    return block


def test_the_printing_program_prints(tmp_path):
    """The calibration's program shows what the bridge measures."""
    require_tools()
    emulator = build_emulator(tmp_path)
    firmware = build_firmware(tmp_path / "built", "-DSENSOR_WARM_UP_S=1")
    lines = [line(t, 3000, inputs(lambdas=(0.97, 0.83), map_kpa=62.4)) for t in (0, 2)]
    with running(emulator, firmware, lines) as url:
        done = subprocess.run(
            [sys.executable, "-c", fenced("python"), url],
            capture_output=True, text=True, timeout=60, cwd=ROOT,
        )  # fmt: skip
    # It runs until the port is gone, as it does when somebody pulls the plug.
    assert done.stderr.strip().splitlines()[-1].startswith("serial.serialutil.SerialException")
    last = done.stdout.splitlines()[-1]
    left, right, map_kpa, throttle_pct, speed_rpm = map(float, re.findall(r"[\d.]+", last))
    assert left == pytest.approx(0.97, abs=0.003)
    assert right == pytest.approx(0.83, abs=0.003)
    assert map_kpa == pytest.approx(62.4, abs=0.2)
    assert throttle_pct == pytest.approx(20, abs=0.2)
    assert speed_rpm == pytest.approx(3000, abs=2)


def test_the_c_example_makes_a_frame(tmp_path):
    """The example compiles without a warning, and its frame says what it was given."""
    need("gcc")
    source, library = tmp_path / "example.c", tmp_path / "example.so"
    # The buffer is the example's own; a test needs a way in.
    reach = (
        "const uint8_t *frame_bytes(void); const uint8_t *frame_bytes(void) { return buffer; }\n"
    )
    declared = "uint16_t make_sample(uint32_t, uint16_t, uint16_t, uint16_t);\n"
    source.write_text(f"#include <stdint.h>\n{declared}{fenced('c')}{reach}", "utf-8")
    flags = [*C99, "-Wmissing-prototypes", "-shared", "-fPIC", "-I", KIT]
    run("gcc", *flags, source, KIT / "breathmap_link.c", "-o", library)
    example = ctypes.CDLL(str(library))
    example.frame_bytes.restype = ctypes.POINTER(ctypes.c_uint8)
    length = example.make_sample(1234, 3250, 6240, 9712)
    reader = LinkReader()
    reader.feed(bytes(example.frame_bytes()[:length]))
    event = reader.next_event()
    assert isinstance(event, FrameEvent)
    assert (event.type, event.time_us) == (SAMPLE.number, 1234)
    values = unpack_payload(SAMPLE, event.payload)
    assert (values["speed_rpm"], values["map_kpa"]) == (3250.0, 62.4)
    assert values["bank"][0]["measured_lambda"] == 0.9712


def test_the_words_are_those_on_the_screen():
    """What the README quotes of `breathmap learn` is what it says."""
    for reason in ("engine_not_running", "sensor_fault"):
        assert f"*{EXPLANATIONS[reason][0]}*" in README


def test_the_measured_numbers_are_about_right(tmp_path):
    """Flash, RAM and cycles as written are within 15 % of what this compiler gives."""
    require_tools()
    costs, sizes = bench_bridge.measure(tmp_path)
    cycles = next(c.cycles for c in costs if c.what == "encode sample, 2 banks")
    written = re.search(
        r"flash ([\d.]+) of 32 KiB, RAM (\d+) bytes and \d+ of stack, ([\d,]+) cycles", README
    )
    assert written is not None
    flash_kib, ram, said = written.groups()
    assert float(flash_kib) * 1024 == pytest.approx(sizes[1].flash_bytes, rel=0.15)
    assert int(ram) == pytest.approx(sizes[1].ram_bytes, rel=0.15)
    assert int(said.replace(",", "")) == pytest.approx(cycles, rel=0.15)


def test_schematic_and_configuration_agree():
    """Each channel of the configuration is the pin that the schematic draws it on."""
    rows = re.findall(r">([^<]+)</text>\n(?:<(?!text)[^\n]*\n|<text[^\n]*class[^\n]*\n)*"
                      r"<text[^>]*>(ADC\d)</text>", SCHEMATIC)  # fmt: skip
    pins = dict(rows)
    wanted = {
        "LAMBDA_1": "lambda controller 1", "LAMBDA_2": "lambda controller 2",
        "GROUND": "analogue ground", "MAP": "manifold pressure", "THROTTLE": "throttle",
        "COOLANT": "coolant", "INTAKE": "intake", "BATTERY": "V_PROT",
    }  # fmt: skip
    for name, start in wanted.items():
        found = [pin for text, pin in pins.items() if text.startswith(start)]
        assert found == [f"ADC{number(f'{name}_CHANNEL')}"], (name, pins)


def test_every_caution_is_there():
    """The README warns of gas, heat, moving parts, fire, transients and ground loops."""
    for word in ("carbon monoxide", "Exhausts burn", "belts", "fire extinguisher", "load dump",
                 "fuse", "mains earth", "isolator", "tapped, not loaded"):  # fmt: skip
        assert word in README, word
