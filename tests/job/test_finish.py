"""The proof of `finish`, line by line: what may differ, what may not, and what is left to hands."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from command_line import Breathmap
from job_bench import engine_files, made_up_calibration, standing

from breathmap.protocol.host.calibration import Calibration
from breathmap.simulator.control_server import ControlServer
from breathmap.tools.base.errors import UserError
from breathmap.tools.job.finish import BEFORE_USE, proof_text, prove
from breathmap.tools.job.folder import Job
from breathmap.tools.job.new import Origin, described
from breathmap.tools.job.records import Finished
from breathmap.tools.job.setup import WIDEBAND_OFF, WORDS

START = made_up_calibration(2, 4, 3)
NAMES = ["left", "right"]


def with_ve(start: Calibration, **moved: dict[int, float]) -> Calibration:
    """Return a calibration with VE cells moved, bank by bank."""
    banks = [list(cells) for cells in start.ve_pct]
    for number, name in enumerate(NAMES):
        for place, by in moved.get(name, {}).items():
            banks[number][place] += by
    return replace(start, ve_pct=tuple(map(tuple, banks)))


def test_ve_and_displacement_may_differ() -> None:
    """Each bank's cells are counted apart, and the displacement by itself."""
    final = with_ve(START, left={0: 0.4, 7: -0.8, 11: 0.4}, right={5: 1.2})
    proof = prove(START, final, NAMES)
    assert proof.ve_by_bank == {"left": 3, "right": 1}
    assert proof.displacement is None
    assert len(proof.allowed) == 4
    # 4 fields of axes, 4 of storage, displacement, three settings, two VE tables and the target.
    assert proof.compared == 4 + 4 + 1 + 3 + 3 * 12

    moved = prove(START, replace(final, displacement_cm3=2000.0), NAMES)
    assert moved.displacement is not None
    assert (moved.displacement.before, moved.displacement.after) == (1998.5, 2000.0)
    assert len(moved.allowed) == 5
    assert prove(START, START, NAMES).allowed == []


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (lambda c: replace(c, settings={**c.settings, "closed_loop": 0.0}), "settings closed_loop"),
        (lambda c: replace(c, target_lambda=(0.9, *c.target_lambda[1:])), "target_lambda"),
        (lambda c: replace(c, speed_rpm=(900.0, *c.speed_rpm[1:])), "speed_rpm"),
    ],
)
def test_nothing_else_may_differ(change: Callable[[Calibration], Calibration], place: str) -> None:
    """A setting, the target, an axis: refused, with the first place and how many more."""
    with pytest.raises(UserError, match=f"{place}.* in 0 more places.*nothing was finished"):
        prove(START, change(with_ve(START, left={1: 0.4})), NAMES)
    if place == "speed_rpm":
        return  # on other axes nothing else can be compared
    # Settings are compared before the target, in order of their names.
    first = place if place.startswith("settings") else "settings rev_limiter"
    more = change(
        replace(START, displacement_cm3=5.0, settings={**START.settings, "rev_limiter": 0.0})
    )
    with pytest.raises(UserError, match=f"{first}.* in 1 more places"):
        prove(START, more, NAMES)


def test_the_proof_says_what_was_compared() -> None:
    """Numbers by part, each field that differs, and whether the controller was read."""
    description = described(Origin(displacement_cm3=1998.5, banks=("left", "right")), START)
    final = replace(with_ve(START, left={2: 0.4}), displacement_cm3=2000.0)
    proof = prove(START, final, NAMES)
    text = proof_text(proof, description, False, "")
    assert f"{proof.compared} fields" in text
    assert "| VE cells, left | yes | 1 |" in text
    assert "| VE cells, right | yes | 0 |" in text
    assert "| after a rebase | 1: 1998.5 to 2000 cm3 (rebase) |" in text
    for part in ("axes, banks", "storage", "settings", "target table"):
        assert f"| {part} | no | 0 |" in text
    assert "The controller was not read: see checklist.md" in text
    before = START.ve_pct[0][2]
    assert f"- ve {proof.allowed[-1].place}: {before:g} to {before + 0.4:g}" in text
    read = proof_text(prove(START, START, NAMES), description, True, "COM3")
    assert "The controller at COM3 was written, read back whole, and holds exactly this." in read
    assert "not read" not in read
    assert "| displacement constant | after a rebase | 0 |" in read


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented engine with a ride."""
    return engine_files(tmp_path_factory.mktemp("made") / "engine")


@pytest.mark.parametrize("prepares", [True, False])
def test_finish_by_hand_leaves_a_checklist(
    breathmap: Breathmap, tmp_path: Path, engine: Path, prepares: bool
) -> None:
    """Without a port nothing is called read back: the list says what to put back, or, where nothing
    was ever set for learning, what to compare."""
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", engine).code == 0
    if prepares:
        assert breathmap("prepare", job).code == 0
    done = breathmap("finish", job, *([] if prepares else ["--never-prepared"]))
    assert done.code == 0, done.err
    checklist = (job / "final" / "checklist.md").read_text("utf-8")
    assert "displacement constant: 1998.5 cm3" in checklist
    assert "VE table of bank1: final/bank1.csv" in checklist
    assert ("back to" in checklist) == prepares
    assert ("is it " in checklist) != prepares
    assert all(line in checklist for line in BEFORE_USE)
    assert "speeds, rpm" not in checklist, "no axes have changed"
    assert "target.csv" not in checklist
    said = " ".join(done.out.split())
    assert "displacement constant: 1998.5 cm3" in said
    assert "Every field that differs" not in said
    assert "The controller was not read" in said
    for line in BEFORE_USE:
        assert f"- {line}" in said
    record = Job(job).latest(Finished)
    assert record is not None
    assert (record.by_wire, record.verified, record.differing) == (False, False, 0)
    assert set(record.files) >= {"proof.md", "checklist.md", "calibration.toml"}


@pytest.mark.parametrize("offers_all", [True, False])
def test_verified_is_only_what_was_read_back_whole(
    breathmap: Breathmap, tmp_path: Path, offers_all: bool
) -> None:
    """A controller that does not offer every function of the sheet is read back, but a person has
    to put the rest back: that is named, and the job is not called verified."""
    offered = dict.fromkeys(WIDEBAND_OFF if offers_all else WIDEBAND_OFF[1:], 1.0)
    server = ControlServer(replace(made_up_calibration(1, 4, 3, "map_kpa"), settings=offered))
    job = tmp_path / "job"
    with standing(server) as url:
        made = breathmap("new", job, "--port", url)
        assert made.code == 0, made.err
        done = breathmap("finish", job, "--port", url, "--never-prepared")
    assert done.code == 0, done.err
    said = " ".join((done.out + done.err).split())
    missing = f"the controller does not offer {WORDS[WIDEBAND_OFF[0]]}: put it back by hand"
    assert (missing in said) != offers_all
    assert f"The controller at {url} was written, read back whole" in said
    assert "- [ ]" not in said
    record = Job(job).latest(Finished)
    assert record is not None
    assert record.by_wire
    assert record.verified == offers_all


def test_what_was_left_open_is_said(breathmap: Breathmap, tmp_path: Path, engine: Path) -> None:
    """A pass that was not proposed, a proposal that was not accepted; once accepted, neither."""
    job = tmp_path / "job"
    assert breathmap("new", job, "--engine", engine).code == 0
    assert breathmap("prepare", job).code == 0
    assert "Note:" not in breathmap("finish", job).out
    other = tmp_path / "other"
    assert breathmap("new", other, "--engine", engine).code == 0
    assert breathmap("prepare", other).code == 0
    assert breathmap("learn", other, engine.with_name("ride.bin")).code == 0
    said = " ".join(breathmap("finish", other).out.split())
    assert "pass 1 was not proposed and is left out" in said


def test_an_unaccepted_proposal_is_left_out(
    breathmap: Breathmap, tmp_path: Path, engine: Path
) -> None:
    """`finish` says which proposal it leaves out, and nothing of an accepted one."""
    job = tmp_path / "job"
    for words in (
        ("new", job, "--engine", engine),
        ("prepare", job),
        ("learn", job, engine.with_name("ride.bin")),
        ("propose", job),
    ):
        done = breathmap(*words)
        assert done.code == 0, done.err
    said = " ".join(breathmap("finish", job).out.split())
    assert "proposal 1 was not accepted and is left out" in said
    again = tmp_path / "again"
    for words in (
        ("new", again, "--engine", engine),
        ("prepare", again),
        ("learn", again, engine.with_name("ride.bin")),
        ("propose", again),
        ("accept", again),
    ):
        assert breathmap(*words).code == 0
    assert "left out" not in " ".join(breathmap("finish", again).out.split())
