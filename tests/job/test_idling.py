"""Idling, for however long and under whatever goal, is never good enough; a drive can be."""

from pathlib import Path

import pytest
from command_line import Breathmap
from job_bench import Twin, engine_files

from breathmap.learner.decide.finished import Judgement, judge
from breathmap.learner.decide.proposal import Rules, propose
from breathmap.learner.words.description import Goal
from breathmap.protocol.host.bulk import samples_table
from breathmap.simulator.control_server import calibration_of
from breathmap.simulator.drives import Drive, Idle, RoadRide
from breathmap.simulator.run import simulate
from breathmap.simulator.service import FrameStream
from breathmap.simulator.settings import learning_setup
from breathmap.tools.demo.teaching_bench import college_bench, college_description
from breathmap.tools.run.session import Session


def learned(drive: Drive) -> Session:
    """Return a session that learned a drive of the college's bench."""
    parameters, controller = college_bench()
    tables = [controller.read_ve(bank) for bank in range(2)]
    session = Session(college_description(parameters, "wideband"), tables)
    session.learn_many(samples_table(simulate(parameters, controller, drive, 1, reuse=True), 2))
    return session


def judgements(session: Session, goal: Goal, target: float = 0.02) -> list[Judgement]:
    """Judge each bank as `propose` does."""
    description = session.description
    storage, axes = description.storage, description.axes
    found = []
    for cells, result in zip(session.tables, session.solve(), strict=True):
        proposal = propose(cells, result.solution, storage, axes, Rules())
        used_s = float(result.solution.used) / 25.0
        found.append(
            judge(cells, result.solution, proposal, axes, storage, used_s, target, goal)
        )  # fmt: skip
    return found


@pytest.fixture(scope="module")
def idled() -> Session:
    """Three minutes of idling."""
    return learned(Idle(180.0))


@pytest.fixture(scope="module")
def driven() -> Session:
    """A quarter of an hour on the road."""
    return learned(RoadRide(900.0, 3))


@pytest.mark.parametrize(
    "goal",
    [
        Goal(),
        Goal(speed_rpm=[2000.0, 5000.0], load=[40.0, 90.0]),
        Goal(speed_rpm=[1000.0, 1500.0]),
        Goal(speed_rpm=[1000.0, 1500.0], load=[20.0, 45.0]),
        Goal(speed_rpm=[1250.0, 1260.0], load=[33.0, 34.0]),
        Goal(error_pct=20.0),
    ],
    ids=str,
)
def test_three_minutes_of_idling_are_never_enough(idled: Session, goal: Goal) -> None:
    """The few cells that idling visits are well known after three minutes, and nothing is done:
    not on all axes, not on a goal's ground, and not on a goal that names little else."""
    for judgement in judgements(idled, goal):
        assert not judgement.finished
        assert judgement.visited <= 10
    whole = judgements(idled, Goal())[0]
    assert all(region.finished for region in whole.regions)
    assert whole.regions
    assert whole.unvisited / whole.cells > 0.95


def test_a_quarter_of_an_hour_on_the_road_is_enough(driven: Session) -> None:
    """A road ride of a quarter of an hour finishes the ground that it went over to within 4 %, and
    tells what it did not visit of the axes."""
    for judgement in judgements(driven, Goal(), target=0.04):
        assert judgement.finished
        assert judgement.cells == 192
        assert 0.15 < judgement.unvisited / judgement.cells < 0.45


def test_a_goal_is_what_is_judged(driven: Session) -> None:
    """Of the same ride, a goal on common ground is reached, and one on ground that a road
    ride leaves out is not, for what was never visited."""
    common = judgements(driven, Goal(speed_rpm=[2500.0, 4400.0], load=[38.0, 72.0]))
    rare = judgements(driven, Goal(speed_rpm=[1000.0, 2500.0], load=[72.0, 105.0]))

    assert all(judgement.finished for judgement in common)
    assert {judgement.cells for judgement in common} == {36}
    assert not any(judgement.finished for judgement in rare)
    assert all(judgement.unvisited > judgement.most_unvisited for judgement in rare)


def test_propose_says_what_was_never_visited(breathmap: Breathmap, tmp_path: Path) -> None:
    """After three minutes of idling `propose` names the share of the ground that was never visited,
    and advises to learn on, not to finish."""
    twin, job, ride = Twin(), tmp_path / "job", tmp_path / "idle.bin"
    twin.controller.write_settings(learning_setup("wideband"))
    engine = engine_files(tmp_path / "engine", calibration_of(twin.controller))
    samples = simulate(twin.parameters, twin.controller, Idle(180.0), 1, reuse=True)
    ride.write_bytes(b"".join(frame for _, frame in FrameStream(samples, 2, control=twin.server)))
    assert breathmap("new", job, "--engine", engine).code == 0
    assert breathmap("learn", job, ride).code == 0

    proposed = breathmap("propose", job)

    assert proposed.code == 0, proposed.err
    said = " ".join(proposed.out.split())
    assert "of the table's 36 cells were never visited" in said
    assert "Good enough" not in said
    assert "Next: learn" in said
    assert "never visited" in said[said.index("Next: learn") :]
