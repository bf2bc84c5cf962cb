"""The reference bridge, executed: what it reads, says, drops and survives, and that it teaches."""

import csv
import re
import subprocess

import numpy as np
import pytest
from bridge_bench import (
    SUPPLY_MV,
    build_emulator,
    build_firmware,
    engine_lines,
    inputs,
    line,
    listen,
    number,
    require_tools,
    running,
    thermistor_share,
)
from bridge_cases import need, run
from processes import BREATHMAP

from breathmap.protocol.host.link import NEED_DATA, LinkReader
from breathmap.protocol.wire.events import FrameEvent, Restarted
from breathmap.protocol.wire.fields import (
    IDENTITY,
    NO_BANK,
    SAMPLE,
    SENSOR_FAULT,
    SENSOR_READY,
    SENSOR_WARMING,
    STATUS,
)
from breathmap.protocol.wire.payload import unpack_payload
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.run import simulate
from breathmap.tools.base.files import read_table
from breathmap.tools.demo.accuracy import accuracy, covered_points, fresh_points
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.run.learning import load
from breathmap.tools.run.session import Session

FLASH_MOST = 16 * 1024
RAM_MOST = 1024
# The next step of a 10-bit converter, with a margin for the reading's own place inside its step.
STEP_MV = 1.5 * SUPPLY_MV / 1024
GROUND_MV = 37.0


@pytest.fixture(scope="module")
def emulator(tmp_path_factory):
    """The emulator, built once."""
    require_tools()
    return build_emulator(tmp_path_factory.mktemp("emulator"))


@pytest.fixture(scope="module")
def firmware(tmp_path_factory):
    """The firmware as it is shipped."""
    return build_firmware(tmp_path_factory.mktemp("firmware"))


@pytest.fixture(scope="module")
def quick_firmware(tmp_path_factory):
    """The firmware for a sensor that is warm after a second."""
    return build_firmware(tmp_path_factory.mktemp("quick"), "-DSENSOR_WARM_UP_S=1")


def heard(emulator, firmware, lines, wheel=(36, 1)):
    """Return the link events of one run, and the reader's counters."""
    with running(emulator, firmware, lines, wheel) as url:
        data = listen(url)
    reader = LinkReader()
    reader.feed(data)
    events = []
    while (event := reader.next_event()) is not NEED_DATA:
        events.append(event)
    return events, reader.counters


def frames(events, frame_type):
    """Return (event, values) of every frame of one type."""
    return [
        (e, unpack_payload(frame_type, e.payload))
        for e in events
        if isinstance(e, FrameEvent) and e.type == frame_type.number
    ]


def steps(*settings, each_s=0.6, speed_rpm=3000.0):
    """Return input lines that hold each setting for a while, and when each ends."""
    lines = [line(i * each_s, speed_rpm, inputs(**s)) for i, s in enumerate(settings)]
    ends = [each_s * (i + 1) for i in range(len(settings))]
    return [*lines, line(ends[-1], speed_rpm, inputs(**settings[-1]))], ends


def settled(events, ends):
    """Return the last sample before each end."""
    samples = frames(events, SAMPLE)
    return [[v for e, v in samples if e.time_us < 1e6 * end - 30_000][-1] for end in ends]


# --- size -----------------------------------------------------------------------------------------


def test_flash_and_ram(emulator, firmware, capsys):
    """The firmware takes at most 16 KiB of flash and, with its deepest stack, 1 KiB of RAM."""
    need("avr-size")
    text, data, bss = map(int, run("avr-size", firmware).stdout.splitlines()[1].split()[:3])
    lines = [line(t, 9000, inputs()) for t in (0, 2, 6)]
    report: list[str] = []
    with running(emulator, firmware, lines, report=report) as url:
        listen(url)
    found = re.search(r"stack: (\d+) bytes", "".join(report))
    assert found is not None
    stack = int(found[1])
    with capsys.disabled():
        print(
            f"\nbridge firmware: flash {text + data} of {FLASH_MOST} bytes, RAM {data + bss} "
            f"and {stack} of stack, of {RAM_MOST} bytes"
        )
    assert 1000 < text + data <= FLASH_MOST
    assert stack > 20
    assert data + bss + stack <= RAM_MOST


# --- what it says ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def steady(emulator, firmware):
    """Eleven seconds at one operating point."""
    lines = [line(t, 3000, inputs(ground_mv=GROUND_MV)) for t in (0, 11)]
    return heard(emulator, firmware, lines)


def test_identity_first_and_every_five_seconds(steady):
    """Identity is the first frame, number 0, and comes again every 5 s."""
    events, _ = steady
    identities = frames(events, IDENTITY)
    assert events[0] is identities[0][0]
    assert events[0].sequence == 0
    gaps = np.diff([e.time_us for e, _ in identities])
    assert len(gaps) == 2
    assert np.all(np.abs(gaps - 5e6) < 2000)
    values = identities[0][1]
    assert (values["device_name"], values["banks"]) == ("bench bridge", 2)
    assert values["sample_rate_hz"] == 50.0
    assert (values["load_axis"], values["speed_count"], values["load_count"]) == (0, 0, 0)


def test_samples_at_fifty_hertz(steady):
    """Samples come 50 times a second by the device's own clock, without drift, and none is lost."""
    events, counters = steady
    times = np.array([e.time_us for e, _ in frames(events, SAMPLE)])
    assert len(times) in (549, 550, 551)
    # A conversion or a frame being built may hold the loop up, never for long and never for good.
    assert np.all(np.abs(np.diff(times) - 20_000) < 2000)
    assert abs((times[-1] - times[0]) - 20_000 * (len(times) - 1)) < 2000
    assert counters.bad == counters.lost == counters.restarted == 0


def test_the_clock_wraps_and_nothing_happens(emulator, tmp_path):
    """When the 32-bit clock wraps, samples, speed and status go on as before."""
    # 131,072 overflows of the 16-bit timer are 2^32 microseconds; 30 of them are one second.
    built = build_firmware(tmp_path / "late", f"-DFIRST_OVERFLOWS={131_072 - 30}ul")
    events, counters = heard(emulator, built, [line(t, 3000, inputs()) for t in (0, 3.5)])
    assert counters.bad == counters.lost == 0
    samples = frames(events, SAMPLE)
    times = np.array([e.time_us for e, _ in samples])
    assert times[0] > 2**32 - 1_000_000
    assert times[-1] < 3_000_000
    assert np.all(np.abs(np.diff(times) % 2**32 - 20_000) < 2000)
    assert all(v["speed_rpm"] == pytest.approx(3000, rel=0.001) for _, v in samples[10:])
    assert [v["uptime_s"] for _, v in frames(events, STATUS)] == [1, 2, 3]


def test_status_once_a_second(steady):
    """Status counts what was sent, says that nothing was dropped and that there is no learner."""
    events, _ = steady
    statuses = frames(events, STATUS)
    assert [v["uptime_s"] for _, v in statuses] == list(range(1, len(statuses) + 1))
    assert len(statuses) in (10, 11)
    for event, values in statuses:
        assert values["frames_sent"] == event.sequence
        assert (values["frames_dropped"], values["bank"]) == (0, NO_BANK)


def test_a_steady_engine_reads_right(emulator, quick_firmware):
    """Every input comes back within a step of the converter, whatever the ground offset."""
    values = {"map_kpa": 62.4, "throttle_pct": 18.25, "battery_v": 13.82, "lambdas": (0.97, 0.83)}
    settings = [{**values, "ground_mv": mv} for mv in (0.0, 0.0, 0.0, GROUND_MV, 120.0)]
    lines, ends = steps(*settings)
    lambda_step = STEP_MV * 0.6 / 4000
    for sample in settled(heard(emulator, quick_firmware, lines)[0], ends)[2:]:
        assert sample["map_kpa"] == pytest.approx(62.4, abs=STEP_MV * 95 / 4250)
        assert sample["throttle_pct"] == pytest.approx(18.25, abs=STEP_MV * 100 / 4000)
        assert sample["battery_v"] == pytest.approx(13.82, abs=STEP_MV * 20 / 5000)
        assert sample["target_lambda"] == 0.88
        assert np.isnan(sample["pulse_width_ms"])
        for bank, wanted in enumerate((0.97, 0.83)):
            one = sample["bank"][bank]
            # Two readings are subtracted, each with its own step.
            assert one["measured_lambda"] == pytest.approx(wanted, abs=2 * lambda_step)
            assert (one["fuel_multiplier"], one["sensor_state"]) == (1.0, SENSOR_READY)


def test_temperatures_by_table(emulator, quick_firmware):
    """Thermistors read within 1.5 degC from -20 to 110 degC, by straight lines between entries."""
    wanted = list(range(-20, 111, 10))
    settings = [{"coolant_c": c, "intake_c": 90 - c} for c in wanted]
    lines, ends = steps(*settings, each_s=0.1)
    for sample, c in zip(settled(heard(emulator, quick_firmware, lines)[0], ends), wanted,
                         strict=True):  # fmt: skip
        assert sample["coolant_c"] == pytest.approx(c, abs=1.5)
        assert sample["intake_c"] == pytest.approx(90 - c, abs=1.5)


def test_the_thermistor_table_is_the_formula():
    """Each entry is the temperature at which the thermistor takes that share of the supply."""
    table = numbers_of_table()
    assert len(table) == 33
    for place, tenths in enumerate(table):
        # The ends of the table stand for what a share of 0 or 1 never reaches.
        share = min(max(place / 32, 16 / 1024), 1008 / 1024)
        assert thermistor_share(tenths / 10) == pytest.approx(share, abs=0.0005)


def numbers_of_table():
    """Return the entries of the configuration's thermistor table."""
    from bridge_bench import CONFIG

    body = re.search(r"#define COOLANT_TABLE \\\n\s+\{([^}]*)\}", CONFIG)
    assert body is not None
    return [int(n) for n in body[1].replace("\\", "").split(",")]


def test_a_wire_that_is_off_is_not_a_value(emulator, quick_firmware):
    """Open, shorted and saturated inputs travel as not measured, never as a number."""
    off = float("nan")
    good, dead, full = inputs(), [0] * 8, [SUPPLY_MV] * 8
    lines = [line(t, 3000, mv) for t, mv in ((0, good), (1.5, dead), (2, full), (2.5, good))]
    lines.append(line(3, 3000, inputs(lambdas=(off, 0.9))))
    lines.append(line(3.5, 3000, good))
    events, _ = heard(emulator, quick_firmware, lines)
    ok, nothing, saturated, again, one_off = settled(events, (1.5, 2, 2.5, 3, 3.5))
    names = ("map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v")
    for sample in (nothing, saturated):
        assert [n for n in names if not np.isnan(sample[n])] == []
        assert all(np.isnan(b["measured_lambda"]) for b in sample["bank"])
    assert [b["sensor_state"] for b in nothing["bank"]] == [SENSOR_FAULT] * 2
    for sample in (ok, again):
        assert [n for n in names if np.isnan(sample[n])] == []
        assert [b["sensor_state"] for b in sample["bank"]] == [SENSOR_READY] * 2
    assert [b["sensor_state"] for b in one_off["bank"]] == [SENSOR_FAULT, SENSOR_READY]
    assert one_off["bank"][1]["measured_lambda"] == pytest.approx(0.9, abs=0.002)


def test_a_cold_sensor_is_not_believed(steady, emulator, quick_firmware):
    """Until its warm-up time is over a sensor is said to be warming and no lambda is sent."""
    events, _ = steady
    for _, sample in frames(events, SAMPLE):  # 11 of 20 seconds
        assert sample["bank"][0]["sensor_state"] == SENSOR_WARMING
        assert np.isnan(sample["bank"][0]["measured_lambda"])


@pytest.mark.parametrize(("teeth", "wheel"), [(35, (36, 1)), (58, (60, 2)), (1, (1, 0))])
def test_speed_from_a_tooth_wheel(emulator, tmp_path, teeth, wheel):
    """Speed is right within 0.1 % over the whole range, 0 at rest, null until a whole turn."""
    built = build_firmware(tmp_path / "wheel", f"-DWHEEL_TEETH={teeth}")
    speeds = [0.0, 900.0, 2500.0, 6400.5, 11000.0, 0.0, 1500.0]
    lines = [line(0.8 * i, n, inputs()) for i, n in enumerate([*speeds, 1500.0])]
    events, _ = heard(emulator, built, lines, wheel)
    ends = [0.8 * (i + 1) for i in range(len(speeds))]
    for wanted, sample in zip(speeds, settled(events, ends), strict=True):
        assert sample["speed_rpm"] == pytest.approx(wanted, rel=0.001, abs=0.5)
    samples = [v["speed_rpm"] for e, v in frames(events, SAMPLE) if 0.7e6 < e.time_us < 1.6e6]
    unknown = [n for n in samples if np.isnan(n)]
    # A turn at 900 rpm takes 67 ms, three to four samples, and an edge to begin with.
    assert 2 <= len(unknown) <= 8


# --- overload, reset, watchdog --------------------------------------------------------------------


def test_overload_drops_whole_frames_and_counts_them(emulator, tmp_path):
    """Asked for more than the line carries, it drops whole frames, counts them, and breaks none."""
    built = build_firmware(tmp_path / "fast", "-DSAMPLE_HZ=400")
    lines = [line(t, 3000, inputs()) for t in (0, 6.5)]
    events, counters = heard(emulator, built, lines)
    assert counters.bad == counters.restarted == 0
    last = frames(events, STATUS)[-1]
    dropped = last[1]["frames_dropped"]
    assert dropped > 300
    # What the reader misses up to that status is what the device says it dropped.
    lost = sum(e.count for e in events[: events.index(last[0])] if hasattr(e, "count"))
    assert lost == dropped
    assert last[1]["frames_sent"] + dropped == last[0].sequence
    # The line is nearly full: 16 MHz / 8 / 17 gives 117,647 baud, ten bits a byte.
    assert 0.88 < counters.bytes / 6.5 / 11_764.7 <= 1.0
    assert len(frames(events, IDENTITY)) == 2


def test_after_a_reset_it_begins_anew(emulator, firmware):
    """Pulled into reset, as by a brown-out, it comes back with identity, number 0."""
    lines = [line(t, 3000, inputs()) for t in (0, 2)]
    lines += ["reset\n", *[line(t, 3000, inputs()) for t in (2.1, 4)]]
    events, counters = heard(emulator, firmware, lines)
    assert counters.restarted == 1
    restarted = next(i for i, e in enumerate(events) if isinstance(e, Restarted))
    first = events[restarted + 1]
    assert (first.type, first.sequence) == (IDENTITY.number, 0)
    assert first.time_us < 10_000
    assert counters.bad <= 1  # the frame that the reset cut
    # The speed is there again, and nothing of the time before is left.
    after = [v for e, v in frames(events[restarted:], SAMPLE)]
    assert after[-1]["speed_rpm"] == pytest.approx(3000, rel=0.001)
    assert frames(events[restarted:], STATUS)[0][1]["uptime_s"] == 1


def test_the_watchdog_ends_a_hang(emulator, firmware):
    """A main loop that never comes back is reset within half a second, and frames go on."""
    lines = [line(0, 3000, inputs()), line(2, 3000, inputs()), "hang\n", line(4, 3000, inputs())]
    events, counters = heard(emulator, firmware, lines)
    assert counters.restarted == 1
    restarted = next(i for i, e in enumerate(events) if isinstance(e, Restarted))
    assert events[restarted + 1].sequence == 0
    samples = frames(events[restarted:], SAMPLE)
    assert len(samples) >= 75
    assert samples[-1][1]["speed_rpm"] == pytest.approx(3000, rel=0.001)


def test_a_storm_of_edges_is_survived(emulator, firmware):
    """Noise on the wheel's wire, 250,000 edges a second, costs counted samples and no more."""
    calm, storm = 3000.0, 420_000.0
    lines = [line(t, n, inputs()) for t, n in ((0, calm), (2, storm), (3, calm), (5, calm))]
    events, counters = heard(emulator, firmware, lines)
    assert counters.bad == 0
    last = frames(events, STATUS)[-1]
    lost = sum(e.count for e in events[: events.index(last[0])] if hasattr(e, "count"))
    assert lost == last[1]["frames_dropped"] > 0
    samples = frames(events, SAMPLE)
    assert samples[-1][1]["speed_rpm"] == pytest.approx(calm, rel=0.001)
    times = np.array([e.time_us for e, _ in samples])
    # None is made up afterwards: even in the storm no two stand closer than their period allows.
    assert np.diff(times).min() > 10_000


# --- the whole chain ------------------------------------------------------------------------------

MINUTES = 2.0
SEED = 3


def test_breathmap_learns_through_the_bridge(emulator, firmware, tmp_path, capsys):
    """Two minutes of riding through sensors, converter, wires and frames: `breathmap learn` leaves
    less than a sixth of the fuelling error, and hardly more than the samples themselves teach."""
    parameters, controller = college_bench()
    description = write_college(tmp_path / "bench", parameters, controller)
    out = tmp_path / "learned"
    kept = []

    def samples():
        for sample in simulate(parameters, controller, RoadRide(60 * MINUTES, SEED), SEED, 50.0):
            kept.append(sample)
            yield sample

    with running(emulator, firmware, engine_lines(samples(), GROUND_MV)) as url:
        learned = subprocess.run(
            [*BREATHMAP, "learn", str(description), url, "--out", str(out), "--give-up", "0"],
            capture_output=True, text=True, timeout=280,
        )  # fmt: skip
    assert learned.returncode == 0, learned.stderr
    direct = learn_directly(description, kept)
    speed_rpm, map_kpa = fresh_points(parameters, controller, minutes=5.0)
    for place, bank in enumerate(("left", "right")):
        cells = read_table(
            out / f"{bank}-proposed.csv", TWIN_AXES.speed_rpm, list(TWIN_AXES.load_kpa)
        )
        covered = covered_points(speed_rpm, map_kpa, coverage_of(out / f"{bank}-coverage.csv"))
        before, after, without = (
            accuracy(parameters, place, table, speed_rpm, map_kpa, covered)
            for table in (controller.read_ve(place), cells, direct[place])
        )
        with capsys.disabled():
            print(
                f"\n{bank}, {MINUTES:g} min through the bridge, {100 * after.covered:.0f} % of a "
                f"fresh ride covered: {before.rms_pct:.2f} % before, {after.rms_pct:.2f} % after; "
                f"straight from the samples {without.rms_pct:.2f} %"
            )
        assert after.covered > 0.1
        assert before.rms_pct > 4.0
        assert after.rms_pct < before.rms_pct / 6
        assert after.rms_pct < 1.2 * without.rms_pct + 0.05


def learn_directly(description, samples):
    """Return the proposed tables, flat, after the same samples without any bridge."""
    session = Session(*load(description))
    for sample in samples:
        if sample.time_us >= 1e6 * number("SENSOR_WARM_UP_S"):
            session.learn(sample)
    results = session.propose(session.solve())
    return [r.proposal.cells_pct.ravel().tolist() for r in results if r.proposal is not None]


def coverage_of(path):
    """Return a coverage table, shape (load_count, speed_count)."""
    with path.open(newline="") as file:
        rows = list(csv.reader(file))[1:]
    return np.array([[float(cell) for cell in row[1:]] for row in rows])
