"""From correction to table: rounding, holding, limiting, clipping."""

import numpy as np
import pytest

from learner.description import Axes, Storage
from learner.solve import Solution
from tools.proposal import CLIPPED, HELD, NEIGHBOURS, NOT_VISITED, VISITED, propose

AXES = Axes(speed_rpm=[1000.0, 2000.0], load=[30.0, 60.0])


def solution(change: list[float], error: float, coverage: list[float]) -> Solution:
    """Return a solution of a 2 x 2 table; cells without coverage are not visited."""
    cover = np.array(coverage).reshape(2, 2)
    return Solution(
        correction=np.array(change).reshape(2, 2),
        standard_error=np.full((2, 2), error),
        coverage=cover,
        visited=cover > 0.0,
        noise=0.01,
        widening=1.0,
        table_sd=0.1,
        roughness=0.1,
        term_values=np.zeros(0),
        term_errors=np.zeros(0),
        used=100,
    )


def test_visited_cells_move_and_are_rounded() -> None:
    """A well-covered cell gets VE times one plus its correction, to the nearest storage step."""
    proposal = propose(
        [80.0] * 4, solution([0.1, -0.1, 0.004, 0.002], 0.01, [50.0] * 4), Storage(), AXES
    )

    assert proposal.cells_pct.ravel().tolist() == [88.0, 72.0, 80.5, 80.0]
    assert set(proposal.decisions.ravel()) == {VISITED}
    assert proposal.clips == []


def test_thin_evidence_never_leans_out() -> None:
    """A cell with little coverage may become richer, and is held where it would become leaner."""
    proposal = propose(
        [80.2] * 4, solution([0.1, -0.1, 0.1, -0.1], 0.02, [1.0, 1.0, 50.0, 50.0]), Storage(), AXES
    )

    assert proposal.cells_pct.ravel().tolist() == [88.0, 80.2, 88.0, 72.0]
    assert proposal.decisions.ravel().tolist() == [VISITED, HELD, VISITED, VISITED]


def test_unvisited_cells_move_by_their_error_at_most() -> None:
    """A cell never visited moves up by its standard error at most, down never, and is marked."""
    proposal = propose(
        [80.0] * 4, solution([0.2, -0.2, 0.001, 0.03], 0.05, [0.0] * 4), Storage(), AXES
    )

    assert proposal.cells_pct.ravel().tolist() == [84.0, 80.0, 80.0, 82.5]
    assert proposal.decisions.ravel().tolist() == [NEIGHBOURS, NOT_VISITED, NOT_VISITED, NEIGHBOURS]


def test_what_cannot_be_stored_is_clipped_and_told() -> None:
    """A cell above the controller's most is set to the most, with the lean error that leaves."""
    proposal = propose(
        [120.0] * 4, solution([0.1, 0.0, 0.0, 0.0], 0.01, [50.0] * 4), Storage(), AXES
    )

    assert proposal.cells_pct[0, 0] == 127.5
    assert proposal.decisions[0, 0] == CLIPPED
    (clip,) = proposal.clips
    assert (clip.speed_rpm, clip.load) == (1000.0, 30.0)
    assert clip.lean_pct == pytest.approx(100 * (132.0 / 127.5 - 1.0))
    assert proposal.counts()[CLIPPED] == 1
