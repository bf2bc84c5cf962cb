"""Looking for the delay from the command line: it is told, with errors, and nothing is changed."""

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap

from breathmap.learner.api import DelayModel, FoundDelay
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.run.delay_report import RecentSamples, delay_lines, delay_summary, worth_saying
from breathmap.tools.run.results import SUMMARY


@pytest.fixture(scope="module")
def ten_minutes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten minutes of road riding."""
    path = tmp_path_factory.mktemp("ride") / "ride.bin"
    write_recording(prepare(Order(minutes=10.0)), path, Screen(quiet=True))
    return path


def test_replay_finds_the_delay(breathmap: Breathmap, bench: Path, ten_minutes: Path) -> None:
    """replay --find-delay says each bank's delay with its error and what to write, and does not
    change the description."""
    before = bench.read_bytes()
    out = bench.parent / "out"

    ended = breathmap("replay", bench, ten_minutes, "--out", out, "--find-delay")

    assert ended.code == 0
    assert bench.read_bytes() == before
    for text in (
        "left: delay",
        "right: delay",
        "ms",
        "±",
        "exhaust_volume_cm3 =",
        "sensor_lag_s =",
    ):
        assert text in ended.out
    found = json.loads((out / SUMMARY).read_text())["delay_found"]
    assert {bank["told"] for bank in found.values()} == {True}
    # The far bank's gas travels longer.
    assert 0.08 < found["left"]["delay_s"] < found["right"]["delay_s"] < 0.4
    assert all(0.0 < bank["delay_standard_error_s"] < 0.03 for bank in found.values())


def test_looking_for_the_delay_changes_nothing_learned(
    breathmap: Breathmap, bench: Path, recording: Path
) -> None:
    """With and without --find-delay the same is learned; only with it the summary has a delay."""
    out, plain = bench.parent / "out", bench.parent / "plain"

    assert breathmap("replay", bench, recording, "--out", out, "--find-delay").code == 0
    assert breathmap("replay", bench, recording, "--out", plain).code == 0

    assert "delay_found" in json.loads((out / SUMMARY).read_text())
    assert "delay_found" not in json.loads((plain / SUMMARY).read_text())
    name = "left-correction.csv"
    assert (out / name).read_text() == (plain / name).read_text()


def test_too_short_a_recording_is_told(breathmap: Breathmap, bench: Path, tmp_path: Path) -> None:
    """A recording too short to tell the delay says so, and is learned all the same."""
    short = tmp_path / "short.bin"
    write_recording(prepare(Order(minutes=0.3)), short, Screen(quiet=True))

    ended = breathmap("replay", bench, short, "--out", tmp_path / "out", "--find-delay")

    assert ended.code == 0
    assert "delay not looked for" in ended.out
    assert "at least 500" in ended.out


def test_recent_samples_are_the_latest_in_order() -> None:
    """The ring keeps the latest samples, oldest first, and takes copies."""
    recent = RecentSamples(10, 2)
    sample = Sample(2)
    for number in range(25):
        sample.time_us = number
        sample.measured_lambda[1] = number / 10.0
        recent.add(sample)

    table = recent.table()

    assert table["time_us"].tolist() == list(range(15, 25))
    assert table["measured_lambda"][:, 1] == pytest.approx(np.arange(15, 25) / 10.0)


def found(known: bool, separate: bool, noise: float) -> FoundDelay:
    """An outcome of the search."""
    model = DelayModel(1.4, 500.0, 0.07, swept_cm3=344.5)
    return FoundDelay(model, 0.2, 0.01, (0.1, 20.0, 0.01), noise, 0.012, known, separate, 9000)


@pytest.mark.parametrize(
    ("outcome", "said", "not_said", "worth"),
    [
        (found(True, True, 0.010), "To use it, write", "no need to change", True),
        (found(True, True, 0.012), "no need to change", "Only their combination", False),
        (found(True, False, 0.010), "Only their combination", "no need to change", True),
        (found(False, False, 0.010), "does not excite the delay", "To use it", False),
        ("only 3 usable samples", "delay not looked for", "To use it", False),
    ],
)
def test_the_advice_fits_the_outcome(
    outcome: FoundDelay | str, said: str, not_said: str, worth: bool
) -> None:
    """What is advised depends on whether the delay is told, better, and its parts told apart."""
    table = Table([1000.0, 2000.0], [30.0, 60.0], [70.0] * 4)
    settings = Settings([BankSettings("left", table, DelayModel())])

    text = "\n".join(delay_lines({"left": outcome}, settings))

    assert said in text
    assert not_said not in text
    assert worth_saying({"left": outcome}) is worth
    is_told = json.loads(delay_summary({"left": outcome})["left"].model_dump_json())["told"]
    assert is_told is (isinstance(outcome, FoundDelay) and outcome.known)
