"""CSV logs as samples."""

import math
from copy import deepcopy
from pathlib import Path

import pytest

from breathmap.learner.words.description import parse_description
from breathmap.learner.words.description_text import EXAMPLE
from breathmap.learner.words.log import LogError, LogReader
from breathmap.protocol.wire.fields import CLOSED_LOOP, FUEL_CUT, SENSOR_READY
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.base.errors import UserError
from breathmap.tools.logs.open import open_log

HEADER = (
    "Time (ms),Engine speed,Manifold pressure (mbar),Throttle,Coolant (F),Battery,"
    "Target AFR,Cut,AFR left,AFR right\n"
)
ROWS = "ms,rpm,mbar,%,F,V,,,,\n1000,3000,550,12.5,185,13.9,13,0,12.87,14.3\n"


def log(tmp_path: Path, text: str) -> LogReader:
    """Write a log and open it with the example description."""
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode("latin-1"))
    return open_log(path, parse_description(EXAMPLE))


def only(reader: LogReader) -> Sample:
    """Return a one-row log's sample."""
    (sample,) = list(reader.samples())
    return sample


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_columns_become_a_sample(tmp_path: Path, separator: str) -> None:
    """Scales, offsets, constants, AFR and time units of a log arrive in the sample."""
    text = (HEADER + ROWS).replace(",", separator)
    reader = log(tmp_path, "Logger 7 — invented\n".replace("—", "-") + text)

    sample = only(reader)

    assert sample.time_us == 1_000_000
    assert sample.speed_rpm == 3000.0
    assert sample.map_kpa == pytest.approx(55.0)
    assert sample.coolant_c == pytest.approx(85.0, abs=0.1)
    assert sample.intake_c == 25.0
    assert sample.target_lambda == pytest.approx(13.0 / 14.3)
    assert sample.measured_lambda == pytest.approx([0.9, 1.0])
    assert sample.sensor_state == [SENSOR_READY] * 2
    assert sample.fuel_multiplier == [1.0, 1.0]
    assert sample.flags == 0
    assert reader.skipped_rows == 1  # the row of units


def test_flags_and_missing_values(tmp_path: Path) -> None:
    """A flag is set by a number other than 0 or a word for yes; no number is not measured."""
    rows = "1000,3000,550,,185,x,13,on,12.9,\n"

    sample = only(log(tmp_path, HEADER + rows))

    assert sample.flags == FUEL_CUT
    assert math.isnan(sample.throttle_pct)
    assert math.isnan(sample.battery_v)
    assert math.isnan(sample.measured_lambda[1])


def test_closed_loop_is_assumed_where_the_method_needs_it(tmp_path: Path) -> None:
    """Without a column for it, closed loop is taken to be as the method says."""
    data = deepcopy(EXAMPLE)
    data["method"] = {"closed_loop": True}
    path = tmp_path / "log.csv"
    path.write_text(HEADER + ROWS)

    assert only(open_log(path, parse_description(data))).flags == CLOSED_LOOP


def test_missing_column_is_named(tmp_path: Path) -> None:
    """A column that the description names and the log lacks is named, with what there is."""
    with pytest.raises(UserError, match=r"no column 'Battery'.*its header reads: Time"):
        log(tmp_path, HEADER.replace("Battery", "Volts") + ROWS)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("3000", "1e300", "line 3, column 'Engine speed': 1e300 .* 1e.06 at most"),
        ("3000", "-1e300", "line 3, column 'Engine speed': -1e300"),
        ("550", "1e8", "line 3, column 'Manifold pressure .mbar.': 1e8"),
        ("1000", "1e300", "line 3, column 'Time .ms.'"),
        ("12.5", "9" * 5000, None),
        ("12.5", "inf", None),
        ("12.5", "nan", None),
        ("12.5", "1e-308", None),
        ("12.5", "x" * 140_000, "line 3 .*field limit"),
    ],
)
def test_a_number_that_cannot_be_is_refused(
    tmp_path: Path, old: str, new: str, said: str | None
) -> None:
    """A number that no engine gives is refused with line, column and bound; what is no number (nan
    and inf, too) is not measured."""
    text = HEADER + ROWS.replace(old, new, 1)
    if said is None:
        sample = only(log(tmp_path, text))
        assert math.isnan(sample.throttle_pct) or sample.throttle_pct == 1e-308
        return
    with pytest.raises(LogError, match=said):
        list(log(tmp_path, text).samples())
