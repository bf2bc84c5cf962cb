"""How long a disturbance keeps samples out after it is over: no shorter, and no longer."""

import pytest
from bench_streams import healthy_sample, learn_all, steady_stream, twin_delay, twin_learner

from breathmap.learner.core import gates
from breathmap.learner.core.settings import Limits
from breathmap.protocol.wire import fields

# What is remembered of a lag, in lags; see `breathmap.learner.core.stream`.
LAGS = 3.0
# A sample may fall on either side of an end.
SAMPLE_S = 0.02
WAITS = [
    (fields.ACCELERATION_ENRICHMENT, gates.ENRICHMENT, "enrichment_recovery_s"),
    (fields.DECELERATION_ENLEANMENT, gates.ENRICHMENT, "enrichment_recovery_s"),
    (fields.POWER_ENRICHMENT, gates.OTHER_ENRICHMENT, "enrichment_recovery_s"),
    (fields.WARM_UP_ENRICHMENT, gates.OTHER_ENRICHMENT, "enrichment_recovery_s"),
    (fields.FUEL_CUT, gates.FUEL_CUT_RECOVERY, "fuel_cut_recovery_s"),
    (fields.REV_LIMIT, gates.FUEL_CUT_RECOVERY, "fuel_cut_recovery_s"),
]


def refused_for_s(learner, reason, seconds=6.0):
    """Feed a healthy stream after a disturbance that ended at 5 s; return for how long after the
    disturbance's last sample it was refused for that reason, and whether ever again."""
    bank = learner.banks[0]
    refused = []
    for sample in steady_stream(seconds, start_s=5.0):
        learner.learn_one(sample)
        refused.append(bool(bank.verdict & reason))
    over = refused.index(False)
    return (over + 1) * SAMPLE_S, any(refused[over:])


@pytest.mark.parametrize("recovery_s", [0.3, 1.0, 2.5])
@pytest.mark.parametrize(("flag", "reason", "limit"), WAITS)
def test_a_wait_lasts_delay_lag_and_recovery(flag, reason, limit, recovery_s):
    """After the last sample with a flag, its reason refuses for delay, three lags and the limit's
    recovery, and then no more."""
    learner = twin_learner(delay=twin_delay(sensor_lag_s=0.1))
    setattr(learner.settings.limits, limit, recovery_s)
    learn_all(learner, steady_stream(4.0))
    learn_all(learner, steady_stream(1.0, start_s=4.0, flags=flag))

    waited_s, again = refused_for_s(learner, reason)

    transport_s = learner.banks[0].delay_s - 0.1
    assert waited_s == pytest.approx(transport_s + LAGS * 0.1 + recovery_s, abs=1.5 * SAMPLE_S)
    assert not again


@pytest.mark.parametrize(("flag", "reason", "limit"), WAITS)
def test_a_flag_of_one_sample_is_waited_for(flag, reason, limit):
    """A flag seen in a single sample starts the whole wait, and a second one starts it anew."""
    learner = twin_learner()
    learn_all(learner, steady_stream(4.0))
    for time_s, flags in ((4.0, flag), (4.02, 0), (4.5, flag)):
        learner.learn_one(healthy_sample(time_us=round(time_s * 1e6), flags=flags))
    learn_all(learner, steady_stream(0.48, start_s=4.52))

    recovery_s = getattr(learner.settings.limits, limit)
    waited_s, again = refused_for_s(learner, reason)

    transport_s = learner.banks[0].delay_s - 0.07
    wanted_s = transport_s + LAGS * 0.07 + recovery_s
    assert waited_s + 0.48 == pytest.approx(wanted_s, abs=1.5 * SAMPLE_S)
    assert not again


def test_the_limits_of_themselves_wait():
    """Whoever changes nothing waits after an enrichment and after a cut: a film and a manifold need
    tenths of a second to settle (common practice, no source)."""
    limits = Limits()

    assert 0.2 <= limits.enrichment_recovery_s <= 3.0
    assert 0.2 <= limits.fuel_cut_recovery_s <= 3.0
