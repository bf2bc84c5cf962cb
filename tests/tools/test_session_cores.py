"""A session comes to the same with either core: evidence, alarms, trace, delays, counters."""

import json
from pathlib import Path
from typing import Any

import pytest
from checkout import EARLIER
from core_bench import use_c, use_python
from learner_state import differences, state_of

from breathmap.learner.causes.witness import Witness
from breathmap.learner.fast.reading import BulkReader
from breathmap.tools.base.errors import UserError
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare
from breathmap.tools.run.delay_report import RecentSamples
from breathmap.tools.run.learning import load
from breathmap.tools.run.session import Session

FAULTS = "sensor-stuck,exhaust-leak=0.4@left,frames-lost,misfire"
SPANS = {Path("second"): [(20.0, 30.0)]}


@pytest.fixture(scope="module")
def rides() -> dict[str, bytes]:
    """Recordings by name: an invented ride with faults, and what 0.1.0 recorded, damaged."""
    bench = prepare(Order(minutes=4.0, seed=5, faults=FAULTS))
    ride = b"".join(frame for _, frame in frames_on_cable(bench))
    damaged = bytearray((EARLIER / "ride.bin").read_bytes())
    for at in range(500, len(damaged), 997):
        damaged[at] ^= 0x41
    return {"first": ride, "second": bytes(damaged), "third": ride[5000:90_000]}


def learned(rides: dict[str, bytes], size: int) -> Session:
    """A session that has learned all of them in pieces of so many bytes, a span left out."""
    session = Session(*load(EARLIER / "bench/engine.toml"))
    session.recent = RecentSamples(2000, 2)
    session.witness = Witness(2)
    session.leave_out(SPANS)
    for name, data in rides.items():
        session.begin(name)
        for at in range(0, len(data), size):
            session.feed(data[at : at + size])
    return session


def held_by(session: Session) -> dict[str, Any]:
    """All that a session holds and is asked for, as plain values."""
    assert session.recent is not None
    return {
        "trace": json.dumps(session.trace.as_dict()),
        "places": state_of(session.trace),
        "learner": state_of(session.learner),
        "alarms": state_of(session.alarms),
        "delays": state_of(session.delays),
        "counters": session.counters.as_dict(),
        "witness": state_of(session.witness),
        "recent": session.recent.table().tobytes(),
        "samples": [session.samples, session.left_out_count, session.latest],
        "pending": [session.pending_bytes, session.source_frames, session.identity],
    }


def test_both_cores_come_to_the_same(rides, monkeypatch):
    """Three sources, one damaged and one with a span left out, with faults that raise alarms: bit
    for bit the same, in pieces of any size."""
    use_python(monkeypatch)
    slow = held_by(learned(rides, 4096))
    use_c(monkeypatch)
    for size in (700, 65_536):
        session = learned(rides, size)
        assert isinstance(session._reader, BulkReader)
        assert not differences(slow, held_by(session))
    assert sum(session.alarms.episodes.counts) > 2
    assert session.learner.taken_out[0] > 10
    assert session.left_out_count > 100


def test_what_is_kept_is_bounded_alike(rides, monkeypatch):
    """What was seen beyond the most that is kept is forgotten at the same samples; where the bins
    of time double in length on the way, both cores' traces are the same."""
    monkeypatch.setattr("breathmap.learner.causes.witness.MOST_SAMPLES", 1000)
    monkeypatch.setattr("breathmap.tools.run.trace.MOST_TIME_BINS", 4)
    use_python(monkeypatch)
    short = {"first": rides["first"][:120_000], "second": rides["second"]}
    slow = held_by(learned(short, 4096))
    use_c(monkeypatch)
    fast = held_by(learned(short, 20_000))
    assert not differences(slow["witness"], fast["witness"])
    assert slow["trace"] == fast["trace"]
    for bank in json.loads(slow["trace"])["banks"].values():
        assert bank["over_time"]["bin_s"] >= 40.0  # of 10 at first


def test_what_looks_at_each_sample_sees_each(rides, monkeypatch):
    """A watcher is called with every sample, with either core."""
    seen: dict[str, list[int]] = {}
    for name, choose in (("C", use_c), ("Python", use_python)):
        choose(monkeypatch)
        session = Session(*load(EARLIER / "bench/engine.toml"))
        times: list[int] = []
        seen[name] = times
        session.watcher = lambda sample, times=times: times.append(sample.time_us)
        session.begin("second")
        session.feed(rides["second"])
    assert len(seen["C"]) > 500
    assert seen["C"] == seen["Python"]


def test_another_number_of_banks_is_refused_alike(monkeypatch):
    """A recording of one bank is refused with the same line by either core, after as many
    samples."""
    one = b"".join(f for _, f in frames_on_cable(prepare(Order(minutes=0.2))))
    description, tables = load(EARLIER / "bench/engine.toml")
    lines = set()
    for choose in (use_c, use_python):
        choose(monkeypatch)
        session = Session(description, tables)
        session.learner.banks.pop()
        session.begin("one")
        session._identities = 2
        with pytest.raises(UserError) as caught:
            session.feed(one)
        lines.add((str(caught.value), session.samples))
    assert len(lines) == 1
