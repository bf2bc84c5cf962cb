"""What a command reported as done survives a power cut at any moment, with the page cache lost.

Each command that writes runs once while every operation on disk is kept in order. Then every state
that a cut after any of them may leave is made anew (`power_cut.py` says which), and looked at.
All states of all commands: BREATHMAP_EVERY=1.
"""

import os
import random
import sys
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest
from command_line import Ended
from disk_log import DiskLog
from disk_scenes import EVERY, HISTORY_PATH, SCENES, Scene, World, results_in
from power_cut import Tree, Volume, different, put, without_left_overs

from breathmap.tools.base.control import ControllerLink

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="folders cannot be synced there")

# States looked at, and states in which the command is run again, of each command.
LOOKED_AT, AGAIN = (100_000, 100) if EVERY else (16, 1)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """Jobs in every state."""
    world = World(tmp_path_factory.mktemp("cuts"))
    with world.ready():
        yield world


def recorded(world: World, scene: Scene) -> tuple[Volume, DiskLog, Ended]:
    """Run a scene's command to its end; return the disk before it, and what was done."""
    world.begin(scene.base)
    volume, log = Volume(world.root), DiskLog(world.root)
    real = ControllerLink.write

    def write(link: ControllerLink, *rest: object) -> object:
        # What is on record now must be there whatever happens, as if it had been said.
        log.said()
        return real(link, *rest)  # type: ignore[arg-type]

    with mock.patch.object(ControllerLink, "write", write):
        ended = world.run(log, scene.words)
    return volume, log, ended


def states(volume: Volume, log: DiskLog, chance: random.Random) -> list[tuple[bytes, Tree]]:
    """Return what cuts may leave, with the history that had been reported by then."""
    found: list[tuple[bytes, Tree]] = []
    seen: set[int] = set()
    reported = volume.kept().get(HISTORY_PATH) or b""
    for step in log.steps:
        volume.take(step)
        if step.what == "said":
            reported = volume.kept().get(HISTORY_PATH) or b""
        if not step.changes:
            continue
        for tree in volume.cuts(chance):
            key = hash((reported, frozenset(tree.items())))
            if key not in seen:
                seen.add(key)
                found.append((reported, tree))
    return found


def look(world: World, reported: bytes, tree: Tree) -> None:
    """Make a state and see whether the job in it holds all that was reported."""
    put(tree, world.root)
    if HISTORY_PATH not in tree:
        assert not reported, "the history is lost"
        return
    assert (tree[HISTORY_PATH] or b"").startswith(reported), "a record is lost"
    world.look()


@pytest.mark.parametrize("name", SCENES)
def test_what_was_reported_survives_a_power_cut(world: World, name: str) -> None:
    """Cut anywhere: the history holds every record that was reported and every file that it names,
    tables are of one run, and the command can be run again."""
    scene = SCENES[name]
    volume, log, ended = recorded(world, scene)
    assert ended.code == 0, ended.err
    results = [results_in(volume.kept())]
    chance = random.Random(name)
    found = states(volume, log, chance)
    results.append(results_in(volume.kept()))

    for tree in different(map(without_left_overs, volume.cuts(chance))):
        assert tree == without_left_overs(volume.kept()), "the end of the command is not synced"
    if HISTORY_PATH in volume.kept():
        found.append((volume.kept()[HISTORY_PATH] or b"", volume.kept()))
    chosen = found if len(found) <= LOOKED_AT else chance.sample(found, LOOKED_AT)
    for number, (reported, tree) in enumerate(chosen):
        for folder, files in results_in(tree).items():
            assert files in [one.get(folder) for one in results], "tables of two runs are mixed"
        look(world, reported, tree)
        if number < AGAIN and name != "report":
            world.reset_controller(scene.base)
            world.again(scene)


def test_the_model_loses_what_is_not_synced(tmp_path: Path) -> None:
    """A file written and renamed without any sync may be lost, empty, torn, or whole, under its old
    name or its new one; synced, it is whole."""
    root = tmp_path / "root"
    root.mkdir()
    for synced in (False, True):
        volume, log = Volume(root), DiskLog(root)
        with log:
            with (root / "new").open("wb") as file:
                file.write(b"whole")
                file.flush()
                if synced:
                    os.fsync(file.fileno())
            os.replace(root / "new", root / "named")
            if synced:
                folder = os.open(root, os.O_RDONLY)
                os.fsync(folder)
                os.close(folder)
        for step in log.steps:
            volume.take(step)
        chance = random.Random(1)
        found = different(tree for _ in range(200) for tree in volume.cuts(chance))
        assert {"named": b"whole"} in found
        assert ({"named": b""} in found) == ({} in found) == (not synced)
        assert ({"new": b"wh\0\0\0"} in found) == ({"named": bytes(5)} in found) == (not synced)
        assert (len(found) == 1) == synced
        (root / "named").unlink()
