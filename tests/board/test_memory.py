"""The board's two slots, evidence as a file, the generated layout, and the heap after a drive."""

import json
import os
import random
import struct
from binascii import crc32

import pytest
from bench_streams import healthy_sample
from board_bench import board_folder, small_description, tables_of, write_ride
from hypothesis import given, settings
from hypothesis import strategies as st

from breathmap.protocol.host.evidence import EvidenceError, from_bytes, to_bytes
from breathmap.protocol.wire.codes import PROTOCOL_VERSION
from breathmap.protocol.wire.framing import build_frame, cobs_decode, cobs_encode
from breathmap.protocol.wire.payload import decode_sample_into, encode_sample
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.base.errors import UserError
from breathmap.tools.board import slots, wire
from breathmap.tools.board.app import Application
from breathmap.tools.board.engine import BadEngineFile, read_engine
from breathmap.tools.install.files import SPARE, engine_text, heap_bytes, rom_image
from breathmap.tools.install.heap import HEAP_BYTES, MAP_BYTES, kinds, run_32_bit, run_64_bit
from breathmap.tools.make.board import main as make_board

# What is alive no longer grows after two minutes. The whole hour is run by
# BREATHMAP_BOARD_MINUTES=60 python -m pytest tests/board/test_memory.py
MINUTES = float(os.environ.get("BREATHMAP_BOARD_MINUTES", "3"))
SAMPLES = round(600 * MINUTES)


def application(folder, name="teaching bench", base=60.0, cells=4):
    """Return an application on CPython, four by four cells, whose frames go nowhere."""
    description = small_description(cells, name=name)
    text = engine_text(description, tables_of(description, base), 4)
    drawn = random.Random(7)
    return Application(
        read_engine(iter(text.splitlines()), json.loads),
        slots.Slots(str(folder)),
        lambda frame, wait: True,
        lambda: drawn.randrange(1, 2**32),
    )


def learn(app, count, seed=1):
    """Let both banks learn invented observations."""
    drawn = random.Random(seed)
    for _ in range(count):
        for evidence in app.evidences:
            terms = [drawn.gauss(0.0, 0.1) for _ in range(evidence.n_terms)]
            d = drawn.gauss(0.03, 0.01)
            evidence.learn_one(drawn.randrange(3), 0.4, 0.3, 0.2, 0.1, d, 1.0, 1.0, terms)


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    """Three saves: the files after the second, and the bytes that the third writes."""
    folder = tmp_path_factory.mktemp("slots")
    app = application(folder)
    for seed in (1, 2):
        learn(app, 30, seed)
        assert app.save()
    before = {name: (folder / name).read_bytes() for name in slots.NAMES}
    learn(app, 30, 3)
    assert app.save()
    (changed,) = [name for name in slots.NAMES if (folder / name).read_bytes() != before[name]]
    return before, changed, (folder / changed).read_bytes()


def test_a_power_cut_at_any_byte_leaves_old_or_new(saved, tmp_path):
    """However far a save got, the next start finds the whole old snapshot or the whole new one."""
    before, changed, written = saved
    for name, data in before.items():
        (tmp_path / name).write_bytes(data)
    found = []
    for length in range(len(written) + 1):
        (tmp_path / changed).write_bytes(written[:length])
        found.append(slots.Slots(str(tmp_path)).snapshot)
    assert found == [2] * len(written) + [3]


def test_a_flipped_byte_leaves_the_other_slot(saved, tmp_path):
    """Damage anywhere in the newer file makes the older one count, never a mixture."""
    before, changed, written = saved
    for name, data in before.items():
        (tmp_path / name).write_bytes(data)
    for at in range(0, len(written), 7):
        damaged = bytearray(written)
        damaged[at] ^= 0x55
        (tmp_path / changed).write_bytes(damaged)
        assert slots.Slots(str(tmp_path)).snapshot == 2


def test_saves_alternate(tmp_path):
    """Each save writes the file that does not hold the latest snapshot."""
    app = application(tmp_path)
    paths = []
    for _ in range(4):
        assert app.save()
        paths.append(app.slots.latest)
    assert paths[0] != paths[1]
    assert paths[:2] == paths[2:]


def test_what_is_loaded_is_what_was_saved(tmp_path):
    """After a restart evidence, origin and counts are those of the last save."""
    app = application(tmp_path)
    learn(app, 50)
    assert app.save()
    again = application(tmp_path)
    assert again.origin == app.origin
    for ours, theirs in zip(app.evidences, again.evidences, strict=True):
        assert list(ours.cells) == list(theirs.cells)
        assert list(ours.sums) == list(theirs.sums)
        assert ours.noise == theirs.noise


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"name": "other bench"}, "another engine"), ({"base": 70.0}, "another table")],
)
def test_a_board_leaves_foreign_evidence_alone(changes, words, tmp_path):
    """Evidence of another engine or table in a board's memory is not learned on, in one line."""
    app = application(tmp_path)
    learn(app, 50)
    assert app.save()
    other = application(tmp_path, **changes)
    assert words in other.note
    assert "\n" not in other.note
    assert not any(any(evidence.cells) for evidence in other.evidences)


def test_a_failing_memory_is_said_and_survived(tmp_path):
    """When nothing can be written the save says so, and the older snapshot is still there."""
    folder, gone = tmp_path / "flash", tmp_path / "gone"
    folder.mkdir()
    app = application(folder)
    assert app.save()
    folder.rename(gone)
    assert not app.save()
    assert slots.Slots(str(gone)).snapshot == 1


def test_a_slot_is_an_evidence_file(saved):
    """The host reads a board's slot as a file of evidence, and writes the same bytes again."""
    _, _, written = saved
    assert to_bytes(from_bytes(written)) == written


def test_a_cut_evidence_file_is_refused_whole(saved):
    """An evidence file cut anywhere is refused in one line, never half taken."""
    _, _, written = saved
    for length in range(0, len(written), 3):
        with pytest.raises(EvidenceError) as error:
            from_bytes(written[:length])
        assert "\n" not in str(error.value)


def test_newer_and_unknown_frames_in_evidence_are_named(saved):
    """Evidence of a later protocol version, or with a frame that is none, is one clear line."""
    _, _, written = saved
    body = cobs_decode(written[: written.index(0)])
    newer = bytes([PROTOCOL_VERSION + 1]) + body[1:-4]
    frame = cobs_encode(newer + struct.pack("<I", crc32(newer))) + b"\0"
    with pytest.raises(EvidenceError, match="update breathmap"):
        from_bytes(frame)
    with pytest.raises(EvidenceError, match="type 99"):
        from_bytes(build_frame(99, 0, 0, b"") + written)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=600))
def test_no_bytes_make_evidence_by_accident(data):
    """Arbitrary bytes raise EvidenceError and nothing else."""
    with pytest.raises(EvidenceError):
        from_bytes(data)


@pytest.mark.parametrize("cut", [0, 1, 3, 7])
def test_a_damaged_engine_file_is_one_line(cut):
    """An engine file that is cut or foreign is refused in one line that says what to do."""
    description = small_description(4)
    lines = engine_text(description, tables_of(description)).splitlines()[:cut]
    with pytest.raises(BadEngineFile, match="install it again"):
        read_engine(iter(lines), json.loads)
    with pytest.raises(BadEngineFile, match="install it again"):
        read_engine(iter(["{}"]), json.loads)


def test_the_boards_layout_is_fresh():
    """tools/board/layout.py is what the field table gives."""
    assert make_board(["--check"]) == 0


numbers = st.floats(-200.0, 40000.0) | st.just(float("nan"))


@given(st.lists(numbers, min_size=8, max_size=8), st.lists(numbers, min_size=4, max_size=4))
def test_the_board_packs_and_reads_samples_as_the_table_does(fixed, banks):
    """The board's own sample codec agrees with the field table's, value by value."""
    sample = Sample(2)
    names = ("speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v")
    for name, value in zip((*names, "pulse_width_ms", "target_lambda"), fixed, strict=True):
        setattr(sample, name, value)
    sample.measured_lambda, sample.fuel_multiplier = banks[:2], banks[2:]
    payload = encode_sample(sample)
    assert wire.encode_sample(sample) == payload
    one, two = Sample(2), Sample(2)
    decode_sample_into(payload, one)
    wire.decode_sample(payload, two)
    assert repr(vars(one)) == repr(vars(two))


def test_a_lamp_is_lit_while_the_mixture_is_too_lean(tmp_path):
    """The lamp goes on with the lean alarm and off when it is over; without one nothing is kept."""
    lit: list[bool] = []
    app = application(tmp_path)
    app._lamp = lit.append
    sample = healthy_sample(2, map_kpa=98.0, target_lambda=0.88, measured_lambda=0.88)
    for measured, count in ((0.88, 50), (1.0, 20), (0.88, 50)):
        sample.measured_lambda[:] = [0.88, measured]
        for _ in range(count):
            sample.time_us += 40_000
            app.take(sample, b"")
    assert lit == [True, False]
    assert app.save()
    assert "1; worst: lambda 1.00, limit 0.93 (right), 3000 rpm" in (
        (tmp_path / "alarms.txt").read_text()
    )
    quiet = application(tmp_path / "quiet")
    (tmp_path / "quiet").mkdir()
    assert quiet.save()
    assert not (tmp_path / "quiet" / "alarms.txt").exists()


def memory_of(run, *arguments):
    """Call one of the heap's measures, or skip with the reason when a runtime is missing."""
    try:
        return run(*arguments)
    except UserError as error:
        if "missing" in str(error) or "not installed" in str(error):
            pytest.skip(str(error))
        raise


@pytest.fixture(scope="module")
def drive(tmp_path_factory):
    """Two banks of 16 x 16 cells: (folder of the engine file, a drive at 10 Hz, ROM image)."""
    folder = tmp_path_factory.mktemp("drive")
    description = small_description(16, sample_rate_hz=10.0)
    board = board_folder(folder / "flash", description, tables_of(description))
    image = folder / "rom.img"
    image.write_bytes(memory_of(rom_image, board))
    data = folder / "data"
    data.mkdir()
    (data / "engine.txt").write_bytes((board / "engine.txt").read_bytes())
    ride = folder / "ride.bin"
    assert write_ride(ride, MINUTES, rate_hz=10.0) == SAMPLES
    return data, ride, image


@pytest.fixture(scope="module")
def on_32_bit(drive):
    """What the drive on 32-bit words said."""
    return memory_of(run_32_bit, *drive)


def test_a_boards_heap_has_a_quarter_to_spare_after_a_drive(on_32_bit):
    """Two banks of 16 x 16 cells, history, protocol and application leave a quarter of a 96 KiB
    heap free after simulated driving, counted on 32-bit words with the modules in a ROM
    image; what is alive does not move over a thousand samples."""
    said = on_32_bit
    free = HEAP_BYTES - MAP_BYTES - said["most"]
    print(said, f"{free} bytes, {100 * free / HEAP_BYTES:.1f} % free")
    assert said["seen"] == SAMPLES
    assert said["saved"] > 0.8 * MINUTES
    assert free >= SPARE * HEAP_BYTES
    # A value may be a constant at one moment and an object at the other.
    assert abs(said["steady"]) <= 128
    assert said["end"] - said["built"] < 2048


def test_a_drive_runs_in_a_small_heap(drive):
    """The same drive runs to its end where the collector comes at any moment and finds less room
    than a 96 KiB heap leaves: on 64-bit words, whose objects are twice as large, in a heap of twice
    what three quarters hold beside the arrays."""
    data, ride, image = drive
    arrays = 2 * (4 * 11) * 256
    size = int(2 * ((1.0 - SPARE) * HEAP_BYTES - arrays) + arrays) + image.stat().st_size
    said = memory_of(run_64_bit, data, ride, image, size)
    assert said["arrays"] == arrays
    assert said["seen"] == SAMPLES
    assert said["saved"] > 0.8 * MINUTES
    assert abs(said["steady"]) <= 256
    assert said["end"] - said["built"] < 4096


def test_learning_allocates_nothing_but_floats(drive):
    """Decoding a sample and learning from it allocates no object but floats, over five hundred
    samples; reading and sending its frame stay below a bound; the count sees other objects."""
    learn, frames, control = (
        memory_of(kinds, *drive, stage) for stage in ("learn", "frames", "control")
    )
    print(learn, frames)
    assert learn.others == 0.0
    assert learn.floats < 2000
    assert learn.bytes == 32 * learn.floats
    assert frames.others < 80
    assert frames.bytes - 32 * frames.floats < 4000
    # A tuple, a list, and what the list holds.
    assert control.others == 3.0


def test_the_heap_that_install_names_is_what_is_measured(on_32_bit):
    """What `board install` says an engine needs follows from the bytes that stay alive."""
    description = small_description(16, sample_rate_hz=10.0)
    needs = heap_bytes(description.settings(tables_of(description)), 4, in_rom=True)
    assert needs * (1.0 - SPARE) == pytest.approx(on_32_bit["most"], rel=0.05)
