"""What scatters is drawn faster, and is what it would be without that."""

import random

from breathmap.simulator.noise import normals


def test_normal_numbers_are_those_of_the_library() -> None:
    """Numbers are those of `random.Random.gauss`, to the last bit, also where other numbers are
    drawn from the same source in between, as misfires are."""
    ours, theirs = random.Random("one"), random.Random("one")
    normal = normals(ours)

    for k in range(2000):
        assert normal() == theirs.gauss(0.0, 1.0)
        if k % 3 == 0:
            assert ours.random() == theirs.random()
