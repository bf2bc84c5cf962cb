"""What `history --verify` takes for the same: rounding in the last printed digit and no more."""

import pytest

from breathmap.tools.job.history import same_but_rounding


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("rpm,800\n20,1.25\n", "rpm,800\n20,1.25\n", True),
        ("rpm,800\n20,1.25\n", "rpm,800\n20,1.26\n", True),
        ("20,-0.00\n", "20,0.00\n", True),
        ("rpm,800\n20,1.25\n", "rpm,800\n20,1.27\n", False),
        ("20,1.2\n", "20,1.25\n", False),
        ("20,1\n", "20,2\n", False),
        ("20,thin\n", "20,held\n", False),
        ("20,1.25\n", "20,1.25\n30,1.25\n", False),
        ("20,nan\n", "20,1.25\n", False),
        ("20,1.2e5\n", "20,1.3e5\n", False),
    ],
)
def test_only_the_last_digit_may_differ(one: str, other: str, same: bool) -> None:
    """One unit of the last decimal may differ; words, whole numbers and shapes may not."""
    assert same_but_rounding(one, other) is same
