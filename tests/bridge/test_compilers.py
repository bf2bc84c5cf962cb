"""The C kit on the processors it is for: every vector, executed by emulators; and what it costs."""

import json
import subprocess

import pytest
from bridge_cases import C99, KIT, MCU, need, need_simavr, run

from breathmap.tools.bench import bridge as bench_bridge
from breathmap.tools.make import bridge as make_bridge

VECTORS = json.loads((KIT.parent / "vectors.json").read_text("utf-8"))
PASSED = (
    f"{len(VECTORS['frames'])} frame vectors, {len(VECTORS['streams'])} stream vectors: passed\n"
)
SOURCES = [KIT / "breathmap_link.c", KIT / "selftest" / "selftest.c"]
# A tenth of the 20 ms between two samples, at 16 MHz.
MOST_CYCLES = 32_000


def damaged(vectors):
    """Return the vectors with one expected byte changed."""
    first = vectors["frames"][0]
    payload = "00" + first["payload"][2:]
    return {**vectors, "frames": [{**first, "payload": payload}, *vectors["frames"][1:]]}


def on_cortex_m(folder, vectors, core):
    """Build the self-test for a Cortex-M and run it; returns the finished process."""
    need("arm-none-eabi-gcc", "qemu-system-arm")
    (folder / "vectors.h").write_text(make_bridge.vectors_text(vectors), "utf-8")
    elf = folder / "selftest.elf"
    run(
        "arm-none-eabi-gcc", *C99, "-Os", f"-mcpu={core}", "-mthumb", "-nostartfiles",
        "-T", KIT / "selftest" / "cortex_m.ld", "-I", folder, *SOURCES,
        KIT / "selftest" / "cortex_m.c", "-o", elf,
    )  # fmt: skip
    machine = {"cortex-m3": "mps2-an385", "cortex-m4": "mps2-an386"}[core]
    command = ["qemu-system-arm", "-M", machine, "-nographic", "-monitor", "none"]
    command += ["-serial", "none", "-semihosting-config", "enable=on,target=native"]
    return subprocess.run(
        [*command, "-kernel", str(elf)], capture_output=True, text=True, timeout=60
    )


@pytest.mark.parametrize("core", ["cortex-m3", "cortex-m4"])
def test_every_vector_on_a_cortex_m(tmp_path, core):
    """An emulated Cortex-M reads and writes every vector as the host does."""
    done = on_cortex_m(tmp_path, VECTORS, core)
    assert done.stdout + done.stderr == PASSED
    assert done.returncode == 0


def test_a_cortex_m_says_when_it_fails(tmp_path):
    """With one byte of a vector changed the same program fails."""
    done = on_cortex_m(tmp_path, damaged(VECTORS), "cortex-m3")
    assert "FAILED" in done.stdout + done.stderr
    assert done.returncode == 1


@pytest.fixture(scope="module")
def run_elf(tmp_path_factory):
    """The program that runs another on an emulated AVR."""
    need_simavr()
    program = tmp_path_factory.mktemp("run_elf") / "run_elf"
    flags = ["-std=gnu99", "-Wall", "-Wextra", "-Werror", "-O2"]
    run("gcc", *flags, KIT / "sim" / "run_elf.c", "-lsimavr", "-lelf", "-o", program)
    return program


def on_avr(folder, vectors, run_elf):
    """Build the self-test for an AVR and run it; returns the finished process."""
    (folder / "vectors.h").write_text(make_bridge.vectors_text(vectors), "utf-8")
    elf = folder / "selftest.elf"
    target = ["avr-gcc", f"-mmcu={MCU}", *C99, "-Os", "-I", folder]
    run(*target, *SOURCES, KIT / "selftest" / "avr.c", "-o", elf)
    return subprocess.run([run_elf, elf, MCU], capture_output=True, text=True, timeout=60)


def test_every_vector_on_an_avr(tmp_path, run_elf):
    """An emulated AVR, with its 16-bit integers, reads and writes every vector as the host does."""
    done = on_avr(tmp_path, VECTORS, run_elf)
    assert done.stdout == PASSED
    assert done.returncode == 0, done.stderr


def test_an_avr_says_when_it_fails(tmp_path, run_elf):
    """With one byte of a vector changed the same program fails."""
    done = on_avr(tmp_path, damaged(VECTORS), run_elf)
    assert "FAILED" in done.stdout
    assert done.returncode == 1


def test_the_benchmark_measures(tmp_path):
    """Every operation costs cycles in proportion to its bytes, and below a tenth of 20 ms."""
    need_simavr()
    costs, sizes = bench_bridge.measure(tmp_path)
    by_name = {cost.what: cost for cost in costs}
    two, eight = by_name["encode sample, 2 banks"], by_name["encode sample, 8 banks"]
    assert (two.wire_bytes, eight.wire_bytes) == (43, 73)
    a_byte = (eight.cycles - two.cycles) / (eight.wire_bytes - two.wire_bytes)
    assert 50 < a_byte < 500
    assert all(1000 < cost.cycles < MOST_CYCLES for cost in costs)
    link, firmware = sizes
    assert 1000 < link.flash_bytes < firmware.flash_bytes < 16_384
    assert link.ram_bytes == 0


def test_the_benchmark_says_what_is_missing(monkeypatch, capsys):
    """Without the compiler: one line that says what to install, and exit code 2."""
    monkeypatch.setenv("PATH", "")
    assert bench_bridge.main() == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert "avr-gcc" in lines[0]
    assert "apt-get install" in lines[0]
