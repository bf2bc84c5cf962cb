"""Evidence from elsewhere: sums that nothing could have been learned to are refused."""

import json
from array import array
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap, refused
from hypothesis import given, settings
from hypothesis import strategies as st

from breathmap.learner.core import kernel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.exact.possible import check_possible
from breathmap.protocol.host.evidence import Snapshot, from_bytes, to_bytes


def learned(
    seed: int, count: int = 300, terms: int = 2, typecode: str = "d", scatter: float = 0.02
) -> Evidence:
    """Return the evidence of random observations over a table of 4 x 5."""
    rng = np.random.default_rng(seed)
    evidence = Evidence(5, 4, terms, typecode)
    for _ in range(count):
        index = int(rng.integers(0, 3)) * 5 + int(rng.integers(0, 4))
        v0, v1, v2, v3 = rng.dirichlet(np.ones(4)).tolist()
        columns = array("d", rng.normal(0.0, 0.3, terms))
        d = 0.05 + float(rng.normal(0.0, scatter))
        weight, share = float(rng.uniform(0.0, 1.0)), float(rng.uniform(0.0, 1.0))
        evidence.learn_one(index, v0, v1, v2, v3, d, weight, share, columns)
    evidence.close_block()
    evidence.leave_square()
    return evidence


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    count=st.sampled_from([0, 1, 2, 50, 400]),
    terms=st.integers(0, 4),
    typecode=st.sampled_from("df"),
    scatter=st.sampled_from([0.0, 0.01, 0.5]),
)
def test_what_was_learned_is_possible(
    seed: int, count: int, terms: int, typecode: str, scatter: float
) -> None:
    """Evidence of any observations, in either precision, is taken."""
    check_possible(learned(seed, count, terms, typecode, scatter))


def set_all(evidence: Evidence, column: int, value: float) -> None:
    """Set one number of every cell."""
    for k in range(column, len(evidence.cells), kernel.PER_CELL):
        evidence.cells[k] = value


def set_sum(evidence: Evidence, place: int, value: float) -> None:
    """Set one of the sums."""
    evidence.sums[place] = value


def grow_right_hand_side(evidence: Evidence) -> None:
    """Make the corrections twenty times what the readings show."""
    for k in range(kernel.RHS, len(evidence.cells), kernel.PER_CELL):
        evidence.cells[k] *= 20.0


def spoil_border(evidence: Evidence) -> None:
    """Make a term's products larger than their squares allow."""
    for k in range(len(evidence.border)):
        evidence.border[k] = 1e3


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda e: set_all(e, kernel.SELF, -1.0), "squares below 0"),
        (lambda e: set_all(e, kernel.EAST, 1e9), "shares are not the weight"),
        (lambda e: set_all(e, kernel.COVERAGE, 1e9), "more coverage than weight"),
        (lambda e: set_all(e, kernel.COVERAGE, -1.0), "squares below 0"),
        (grow_right_hand_side, "corrections larger than the readings"),
        (spoil_border, "squares that are none"),
        (lambda e: set_sum(e, kernel.COUNT, -1.0), "sums below 0"),
        (lambda e: set_sum(e, kernel.COUNT, 1.0), "more weight than samples"),
        (lambda e: set_sum(e, kernel.WEIGHT, 1e-9), "shares are not the weight"),
        (lambda e: set_sum(e, kernel.SQUARE, 0.0), "corrections larger than the readings"),
        (lambda e: setattr(e, "noise", 0.0), "noise"),
        (lambda e: setattr(e, "noise", 1e29), "noise"),
    ],
)
def test_impossible_sums_are_refused(damage: Callable[[Evidence], None], said: str) -> None:
    """Each kind of sum that no observations give is refused, with what is wrong."""
    evidence = learned(1)
    damage(evidence)

    with pytest.raises(ValueError, match=f"cannot come from samples: .*{said}") as caught:
        check_possible(evidence)

    assert "\n" not in str(caught.value)


def test_file_with_right_checks_and_impossible_sums(
    breathmap: Breathmap, bench: Path, recording: Path
) -> None:
    """A file of evidence with every check right and impossible sums is refused; nothing is made."""
    out, again = bench.parent / "out", bench.parent / "again"
    assert breathmap("replay", bench, recording, "--out", out).code == 0
    snapshot = from_bytes((out / "evidence.bin").read_bytes())
    for numbers in snapshot.numbers:
        for k in range(kernel.SELF, len(numbers.cells), kernel.PER_CELL):
            numbers.cells[k] *= -1.0
    heads = tuple(
        head | {"data_crc": numbers.crc()}
        for head, numbers in zip(snapshot.heads, snapshot.numbers, strict=True)
    )
    damaged = bench.parent / "damaged.bin"
    damaged.write_bytes(to_bytes(Snapshot(heads, snapshot.numbers)))

    refused(
        breathmap("replay", bench, damaged, "--out", again),
        "damaged.bin: bank left: its sums cannot come from samples",
    )
    assert not again.exists()

    whole = breathmap("replay", bench, out / "evidence.bin", "--out", again, "--json")
    assert json.loads(whole.out)["samples"] > 0
