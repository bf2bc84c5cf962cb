"""What the caution benchmark shows over many engines, held over one on every change."""

import pytest

from breathmap.tools.bench.caution import means, run_engine

MINUTES = (1.0, 3.0)


@pytest.fixture(scope="module")
def scores():
    """One engine's scores under every rule."""
    return run_engine((404, "continuous", MINUTES))


@pytest.mark.parametrize("minutes", MINUTES)
def test_the_rule_beats_thresholds_in_everything(scores, minutes):
    """The rule of a proposal leaves less error than the thresholds of 0.1.0, and fewer cells too
    lean, visited and not."""
    ours, thresholds = (means(scores, minutes, rule) for rule in ("standard", "threshold"))
    assert ours[0] < 0.8 * thresholds[0]
    assert ours[1] <= thresholds[1]
    assert ours[2] < thresholds[2]
