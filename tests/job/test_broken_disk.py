"""A disk that is full, fails or forbids, or too little memory, at any operation of any command: one
line, exit code 2, and nothing half-written.

Each command that writes is broken at some of its operations on disk, reading ones too; at all of
them: BREATHMAP_EVERY=1.
"""

import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import Ended
from disk_log import ERRORS, DiskLog
from disk_scenes import EVERY, HISTORY_PATH, SCENES, World, results_in
from power_cut import tree_of
from processes import BREATHMAP

from breathmap.tools.base.disk import REMEDIES
from breathmap.tools.cli.main import NO_MEMORY

# Operations of each command that are broken.
BROKEN = 100_000 if EVERY else 4


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """Jobs in every state."""
    world = World(tmp_path_factory.mktemp("broken"))
    with world.ready():
        yield world


def assert_one_line(ended: Ended, error: Exception) -> None:
    """Assert that one line says what failed and what to do."""
    assert ended.code == 2
    assert ended.err.startswith("breathmap: ")
    assert ended.err.count("\n") == 1
    remedy = REMEDIES[error.errno or 0] if isinstance(error, OSError) else NO_MEMORY
    assert remedy in ended.err


@pytest.mark.parametrize("name", SCENES)
def test_a_broken_operation_is_told_and_leaves_nothing_half_done(world: World, name: str) -> None:
    """Whichever operation fails, one line says so, the job holds, tables are of one run, nothing
    is left over, and the command can be run again; where it was no loss, the command succeeds."""
    scene = SCENES[name]
    world.begin(scene.base)
    before = tree_of(world.root)
    log = DiskLog(world.root)
    assert world.run(log, scene.words).code == 0
    kinds = world.kinds()
    results = [results_in(before), results_in(tree_of(world.root))]
    chance = random.Random(name)
    numbers = range(1, log.count + 1)
    # Drawing the report takes its time.
    wanted = BROKEN if name != "report" or EVERY else 1
    for number in sorted(chance.sample(numbers, min(wanted, log.count))):
        world.begin(scene.base)
        broken = DiskLog(world.root, number, chance.choice(ERRORS))
        ended = world.run(broken, scene.words)
        place = f"{broken.error!r} at {number}: {broken.broken}"
        assert broken.broken, place
        if ended.code:
            assert_one_line(ended, broken.error)
        else:
            assert world.kinds() == kinds, place
        after = tree_of(world.root)
        assert not [path for path in after if "refused" in path], place
        history = after.get(HISTORY_PATH) or b""
        assert history.startswith(before.get(HISTORY_PATH) or b""), place
        for folder, files in results_in(after).items():
            assert files in [one.get(folder) for one in results], place
        if history:
            world.look()
        else:
            left = {path for path in after if ".new-" in path}
            # What the disk does not let go of stays.
            kept = {broken.broken.path} if broken.broken.what == "remove" else set()
            assert left <= kept, place
        if name != "report":
            world.again(scene)


@pytest.mark.parametrize(
    ("name", "file"), [("take in", "recording-002.bin"), ("board fetch", ".bin")]
)
def test_what_cannot_be_read_is_not_put_aside(world: World, name: str, file: str) -> None:
    """A recording or evidence that the disk fails to read may be whole: it stays where it is, and
    counts once it can be read."""
    scene = SCENES[name]
    world.begin(scene.base)
    log = DiskLog(world.root)
    assert world.run(log, scene.words).code == 0
    done = [step for step in log.steps if step.what != "said"]
    read = [
        number
        for number, step in enumerate(done, start=1)
        if step.what in ("look", "read") and step.path.endswith(file)
    ]
    assert len(read) > 5
    for number in read[:: 1 if EVERY else 6]:
        world.begin(scene.base)
        ended = world.run(DiskLog(world.root, number, ERRORS[1]), scene.words)
        assert_one_line(ended, ERRORS[1])
        assert not list(world.root.rglob("refused-*"))
        world.again(scene)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_behind_standard_output() -> None:
    """What cannot be printed for want of room is told in one line, without Python's own words."""
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(
            [*BREATHMAP, "check", "--example"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ended.returncode == 2
    assert ended.stderr.count("\n") == 1
    assert "No space left on device; make room" in ended.stderr
