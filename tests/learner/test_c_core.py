"""The C core gives the Python core's numbers, bit for bit, and can be mixed with it at will."""

import importlib
import os
import re
from collections.abc import Sequence

import numpy as np
import pytest
from bench_streams import road_stream, twin_settings
from bridge_cases import KIT, need, run
from checkout import EARLIER, ROOT
from core_bench import (
    FLAGS,
    SANITIZERS,
    numbers_for_c,
    printed_of,
    run_harness,
    sources,
    table_of,
    use_c,
    use_python,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from learner_state import differences, state_of

from breathmap.learner.core.settings import SWITCHING, BankSettings, Settings
from breathmap.learner.core.stream import Learner
from breathmap.learner.core.table import Table
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.learner.fast import compiled
from breathmap.learner.fast.many import learn_many, rows
from breathmap.protocol.host.recording import read_recording
from breathmap.protocol.wire.sample import NAN, Sample
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.faults import fault
from breathmap.simulator.run import bench, simulate
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.bench.convergence import describe
from breathmap.tools.make import core as make_core

VALUES = (0.0, -1.0, 1e9, float("inf"), float("-inf"), NAN)
TARGETS = {
    "host gcc": ["gcc", "-O2"],
    # clang finds what it warns of before it optimizes.
    "host clang": ["clang", "-O0"],
    "Cortex-M4F": ["arm-none-eabi-gcc", "-mcpu=cortex-m4", "-mthumb", "-mfloat-abi=hard", "-Os"],
}


@pytest.fixture(params=["C", "Python"])
def core(request, monkeypatch):
    """Each core in turn."""
    {"C": use_c, "Python": use_python}[request.param](monkeypatch)
    return request.param


@pytest.fixture(scope="module", params=["double", "float"])
def harness(request, tmp_path_factory):
    """The program around the C learner under the sanitizers; its real type, and where it is."""
    need("gcc")
    program = tmp_path_factory.mktemp("harness") / "harness"
    flags = [*FLAGS, "-O0", *SANITIZERS, f"-DBREATHMAP_REAL={request.param}"]
    here = ROOT / "tests/learner/c_harness.c"
    link = KIT / "breathmap_link.c"
    run("gcc", *flags, *sources(), link, here, "-lm", "-o", program)
    return request.param, program


def faulty_ride(seed: int, minutes: float = 2.0) -> tuple[list[Sample], Settings]:
    """A simulated ride with a stuck sensor and a misfire; samples and settings."""
    parameters, controller = bench(seed=seed)
    faults = [fault("sensor-stuck", bank=0, start_s=40.0, stop_s=60.0), fault("misfire", bank=1)]
    ride = RoadRide(60 * minutes, seed)
    samples = list(simulate(parameters, controller, ride, seed, faults=faults))
    return samples, describe(parameters, controller)


def taught_one_by_one(learner: Learner, samples: Sequence[Sample]) -> Learner:
    """Teach a learner in Python, sample by sample."""
    for sample in samples:
        learner.learn_one(sample)
    return learner


def assert_same(left: Learner, right: Learner) -> None:
    """Two learners hold the same, bit for bit, private numbers included."""
    assert not differences(state_of(left), state_of(right))


@pytest.mark.parametrize("kind", [Learner, CarefulLearner])
def test_a_ride_with_faults_is_learned_alike(core, kind):
    """Stuck and misfiring, a ride leaves the numbers of `learn_one` in all of the learner."""
    samples, engine = faulty_ride(3)
    one, many = taught_one_by_one(kind(engine), samples), kind(engine)
    verdicts = learn_many(many, table_of(samples))
    assert_same(one, many)
    assert (verdicts.verdict == 0).sum() > 1000
    if kind is CarefulLearner:
        assert many.taken_out[0] > 10
        assert verdicts.taken_out[-1].tolist() == many.taken_out


def test_verdicts_are_what_each_sample_got(core):
    """Row by row the arrays hold what the banks said after that sample."""
    samples, engine = faulty_ride(5, 1.0)
    one = CarefulLearner(engine)
    verdicts = learn_many(CarefulLearner(engine), table_of(samples))
    for row, sample in enumerate(samples):
        one.learn_one(sample)
        for number, bank in enumerate(one.banks):
            seen, evidence = bank.seen, bank.evidence
            assert verdicts.verdict[row, number] == bank.verdict
            assert verdicts.outlier[row, number] == evidence.outlier
            assert verdicts.taken_out[row, number] == one.taken_out[number]
            for name in ("weight", "observation", "delay_s", "stuck_s"):
                assert getattr(verdicts, name)[row, number] == getattr(bank, name), name
            for name in ("speed_rpm", "load", "load_travel"):
                assert getattr(verdicts, name)[row, number] == getattr(seen, name), name
            assert verdicts.residual[row, number] == evidence.residual


def test_every_recording_here_is_learned_alike(monkeypatch):
    """Every recording of two banks among the tests' data, damaged ones too, leaves the same in both
    cores."""
    description = read_description(EARLIER / "bench/engine.toml")
    engine = description.settings(read_tables(EARLIER / "bench/engine.toml", description))
    counts = []
    for path in sorted((ROOT / "tests/data").rglob("*.bin")):
        table = read_recording(path.read_bytes()).table
        if table["measured_lambda"].shape[1] < 2:
            continue
        learners = []
        for choose in (use_c, use_python):
            choose(monkeypatch)
            learners.append(CarefulLearner(engine))
            learn_many(learners[-1], table)
        assert_same(*learners)
        counts.append(len(table))
    assert len(counts) > 1
    assert sum(counts) > 1000


# What of the settings may differ, and streams of anything at all.
ENGINES = st.fixed_dictionaries(
    {
        "banks": st.integers(1, 3),
        "film_terms": st.integers(0, 3),
        "charge_lead": st.booleans(),
        "closed_loop": st.booleans(),
        "load_is_throttle": st.booleans(),
        "sensor_kind": st.sampled_from([0, SWITCHING]),
        "history_s": st.sampled_from([0.4, 2.5]),
    }
)
ODD = st.tuples(
    st.integers(0, 299),
    st.sampled_from(
        ["speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v",
         "target_lambda", "measured_lambda", "fuel_multiplier", "flags", "sensor_state",
         "lost_before", "time_us"]
    ),
    st.one_of(st.sampled_from(VALUES), st.floats(0.5, 1.5), st.floats(-200.0, 9000.0)),
)  # fmt: skip


def odd_stream(banks: int, seed: int, odd: Sequence[tuple[int, str, float]]) -> list[Sample]:
    """A wandering engine's samples with some values changed to anything."""
    samples = list(road_stream(12.0, 25.0, banks, seed))
    for place, name, value in odd:
        sample = samples[place]
        whole = int(value) if abs(value) < 1e6 else 3
        if name == "time_us":
            sample.time_us += 20_000 * whole
        elif name in ("flags", "lost_before"):
            setattr(sample, name, abs(whole) % 512)
        elif name == "sensor_state":
            sample.sensor_state = [abs(whole) % 5] * banks
        elif name in ("measured_lambda", "fuel_multiplier"):
            setattr(sample, name, [value] * banks)
        else:
            setattr(sample, name, value)
    return samples


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(ENGINES, st.integers(0, 9), st.lists(ODD, max_size=30), st.lists(st.integers(1, 90)))
def test_any_stream_is_learned_alike_however_it_is_cut(monkeypatch, engine, seed, odd, cuts):
    """Streams with anything in them, in pieces that C and Python learn by turns, leave the numbers
    of Python alone."""
    use_c(monkeypatch)
    samples = odd_stream(engine["banks"], seed, odd)
    engine = twin_settings(**engine)
    one, mixed = taught_one_by_one(CarefulLearner(engine), samples), CarefulLearner(engine)
    table, start = table_of(samples), 0
    for turn, size in enumerate([*cuts, len(table)]):
        part = table[start : start + size]
        start += size
        if turn % 2:
            taught_one_by_one(mixed, list(map(copied, rows(part))))
        else:
            learn_many(mixed, part)
    learn_many(mixed, table[start:])
    assert_same(one, mixed)


def copied(sample: Sample) -> Sample:
    """Return a sample of its own."""
    made = Sample(sample.banks)
    vars(made).update(vars(sample))
    return made


def test_memory_that_the_caller_gives_is_enough(harness, tmp_path):
    """Under the sanitizers, in memory of just the size it asks for, the C learner gives the
    Python learner's numbers of the same precision, bit for bit."""
    real, program = harness
    samples, engine = faulty_ride(7)
    typecode = real[0]
    banks = [
        BankSettings(b.name, Table(list(b.table.speed_rpm), list(b.table.load),
                                   list(b.table.cells), typecode), b.delay)
        for b in engine.banks
    ]  # fmt: skip
    engine = Settings(banks, sample_rate_hz=25.0)
    one = taught_one_by_one(Learner(engine, typecode), samples)
    _, lines = run_harness(program, numbers_for_c(engine, 25.0, table_of(samples)), tmp_path)
    assert one.banks[0].used_count > 1000
    for left, right in zip(lines, printed_of(one), strict=True):
        assert left == right, left[0]


def test_two_banks_of_16_by_16_fit_below_32_kb(harness, tmp_path):
    """In single precision, at 25 samples a second, 16 x 16 x 2 cells take less than 32,768 bytes;
    and a learner that cannot be has no size."""
    real, program = harness
    axes = [float(500 * k) for k in range(1, 17)], [float(6 * k) for k in range(1, 17)]
    table = Table(*axes, [60.0] * 256)
    engine = Settings([BankSettings("a", table, twin_settings().banks[0].delay)] * 2)
    rows_of_none = np.zeros(0, table_of(list(road_stream(0.1, banks=2))).dtype)
    size, _ = run_harness(program, numbers_for_c(engine, 25.0, rows_of_none), tmp_path)
    print(f"{real}: {size} bytes")
    assert size < 32_768 if real == "float" else size < 65_536


@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("real", ["double", "float"])
def test_it_compiles_without_a_warning(target, real, tmp_path):
    """gcc and clang for hosts, and gcc for a Cortex-M4F, find nothing to warn of."""
    compiler, *options = TARGETS[target]
    need(compiler)
    for source in sources():
        run(compiler, *FLAGS, *options, f"-DBREATHMAP_REAL={real}", "-c", source,
            "-o", tmp_path / "made.o")  # fmt: skip


def test_the_environment_asks_for_python(monkeypatch):
    """BREATHMAP_PURE_PYTHON=1 forces the Python core, and what is told of it says so."""
    use_c(monkeypatch)
    assert compiled.core_name() == "C core"
    use_python(monkeypatch)
    assert compiled.PURE in compiled.core_name()


def test_a_core_of_other_sources_is_not_used(monkeypatch, tmp_path):
    """A shared object made of other sources, or that is none, leaves the Python core running."""
    need("gcc")
    monkeypatch.delenv(compiled.PURE, raising=False)
    other, none = tmp_path / "other.so", tmp_path / "none.so"
    words = make_core.command(other)
    words = [word.replace("BREATHMAP_SOURCES=", "BREATHMAP_SOURCES=1+") for word in words]
    run(*[word.replace("-O2", "-O0") for word in words])
    none.write_bytes(b"nothing")
    monkeypatch.setattr(compiled, "built", lambda: [none, other])
    assert compiled.library() is None
    assert "Python core" in compiled.core_name()


def test_without_a_compiler_one_line_says_so(monkeypatch, capsys):
    """make_core ends with 2 and one line where the compiler is missing; nothing else changes."""
    monkeypatch.setenv("CC", os.devnull + "/none")
    assert make_core.main([]) == 2
    assert "no compiler" in capsys.readouterr().err


def test_too_few_banks_are_refused(core):
    """Samples of one bank for an engine of two raise ValueError, and nothing is learned."""
    learner = Learner(twin_settings(2))
    with pytest.raises(ValueError, match="carries 1 banks, the engine has 2"):
        learn_many(learner, table_of(list(road_stream(1.0))))
    assert learner.banks[0].seen_count == 0


def test_single_precision_is_learned_in_python(monkeypatch):
    """A learner in single precision goes the Python way, and gives its numbers."""
    use_c(monkeypatch)
    samples = list(road_stream(20.0))
    one = taught_one_by_one(Learner(twin_settings(), "f"), samples)
    many = Learner(twin_settings(), "f")
    learn_many(many, table_of(samples))
    assert_same(one, many)


@pytest.mark.parametrize("name", ["alarms", "gates", "history", "kernel", "lean", "stream"])
def test_both_cores_have_the_same_constants(name: str) -> None:
    """A number with a name stands in a C file as in its Python module."""
    source = (ROOT / "learner" / "c" / f"{name}.c").read_text(encoding="utf-8")
    module = importlib.import_module(f"breathmap.learner.core.{name}")
    found = re.findall(r"^#define ([A-Z_0-9]+) \(?(-?[0-9.e]+)\)?$", source, re.MULTILINE)
    shared = [(word, text) for word, text in found if hasattr(module, word)]
    assert shared
    for word, text in shared:
        assert getattr(module, word) == float(text), word
