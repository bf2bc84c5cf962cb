"""The engine description: what is accepted, what is refused and how it is said."""

import re
import tomllib
from copy import deepcopy
from typing import Any

import pytest

from breathmap.learner.core.alarms import AlarmLimits
from breathmap.learner.core.settings import SWITCHING
from breathmap.learner.core.settings import Limits as GateLimits
from breathmap.learner.core.snapshot import fingerprint
from breathmap.learner.words.description import (
    Alarms,
    DescriptionError,
    Limits,
    parse_description,
)
from breathmap.learner.words.description_text import EXAMPLE, annotated_example


def changed(path: str, value: Any) -> dict[str, Any]:
    """Return the example with one key set; the path's parts are separated by points."""
    data = deepcopy(EXAMPLE)
    at: Any = data
    *way, last = path.split(".")
    for part in way:
        at = at[int(part)] if part.isdigit() else at.setdefault(part, {})
    at[last] = value
    return data


def test_annotated_example_says_what_it_means() -> None:
    """The annotated example reads back as exactly the description it was made from."""
    assert parse_description(tomllib.loads(annotated_example())) == parse_description(EXAMPLE)


def test_annotated_example_explains_every_key() -> None:
    """Above every key of the annotated example stands a comment."""
    lines = annotated_example().splitlines()
    keys = [k for k, line in enumerate(lines) if re.match(r"(# )?[a-z_]+ = ", line)]

    assert len(keys) > 40
    assert all(lines[k - 1].startswith("# ") for k in keys)
    for name in Limits.model_fields:
        assert any(f"{name} = " in line for line in lines)


def test_example_log_can_be_uncommented() -> None:
    """Where no log is described, the commented example of one is valid once its first # is gone."""
    without = {k: v for k, v in EXAMPLE.items() if k != "log"}
    text = annotated_example(parse_description(without))
    head, _, log = text.partition("# --- a CSV log")
    log = log.partition("\n")[2]
    uncommented = "\n".join(line[2:] for line in log.splitlines())

    assert parse_description(tomllib.loads(head)).log is None
    assert parse_description(tomllib.loads(head + uncommented)) == parse_description(EXAMPLE)


def test_limits_are_the_gates_limits() -> None:
    """The description has every threshold of the gates, with the same default, and no other."""
    assert Limits().model_dump() == vars(GateLimits())


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("engne", {}, "engne: unknown key; did you mean engine?"),
        ("engine.displacment_cm3", 689.0, "did you mean displacement_cm3?"),
        ("bank.0.delay.colour", 1.0, r"bank\[entry 1\].delay.colour: unknown key; known here: cyc"),
        ("axes.load", [20.0, 40.0, 30.0], "axes.load: the axis must ascend"),
        ("axes.load", [20.0], "axes.load: .*at least 2"),
        ("axes.speed_rpm", [1000.0, float("nan")], "finite number, got nan"),
        ("axes.speed_rpm", ["1000", 2000.0], r"axes.speed_rpm\[entry 1\]: .*number"),
        (
            "engine.displacement_cm3",
            -1.0,
            "engine.displacement_cm3: should be greater than or equal to 1",
        ),
        ("engine.cylinders", 2.5, "engine.cylinders"),
        ("engine.cylinders", 3, "3 cylinders do not divide among 2 banks"),
        ("bank.1.cylinders", 2, "for every bank or for none"),
        ("bank.1.name", "LEFT", "two banks have the same name"),
        ("bank.1.name", "../out", "use letters, digits"),
        ("method.sensor", "narrow", "'wideband' or 'switching'"),
        ("method.closed_loop", 1, "boolean"),
        ("storage.step_pct", 0.0, "greater than or equal to 0.001"),
        ("engine.displacement_cm3", 1e-308, "greater than or equal to 1, got 1e-308"),
        ("engine.displacement_cm3", 10**400, "engine.displacement_cm3: .*got 1000"),
        ("engine.cylinders", 10**400, "engine.cylinders: .*got 1000"),
        ("engine.name", "x\x1b[2J", "engine.name: .*control characters"),
        ("bank.0.table", "a\0b", r"bank.entry 1..table: .*control characters"),
        ("bank.0.delay.sensor_lag_s", 5e-324, "sensor_lag_s: .*0.001"),
        ("axes.load", [0.0, 5e-324, 50.0], "axes.load: .*breakpoint 2 .* 0.01"),
        ("log.speed_rpm.scale", 1e308, "log.speed_rpm.scale: .*1000000, got 1e.308"),
        ("log.coolant_c.offset", -1e7, "log.coolant_c.offset: .*-1000000"),
        ("log.intake_c.constant", 1e7, "log.intake_c.constant: .*1000000"),
        ("method.noise_pct", 1e-308, "method.noise_pct: .*0.01"),
        ("method.film_s", 1e-308, "method.film_s: .*0.001"),
        ("limits.coolant_min_c", 120.0, "coolant_min_c must be below coolant_max_c"),
        ("log.map_kpa", None, "log.map_kpa is missing"),
        ("log.time.unit", "h", "'s', 'ms', 'us', 'min' or 'clock'"),
        ("log.speed_rpm", {"column": "a", "constant": 1.0}, "either column or constant"),
        ("engine.stoichiometric_afr", None, "give engine.stoichiometric_afr"),
        ("axes.load_axis", "throttle", "'map_kpa' or 'throttle_pct'"),
        ("alarms.above_target", [0.07], "target_load has 2 values and above_target 1: give one"),
        ("alarms.above_target", [0.07, 0.0], r"alarms.above_target\[entry 2\]: .*0.02"),
        ("alarms.target_load", [90.0, 60.0], "alarms.target_load: the axis must ascend"),
    ],
)
def test_faulty_key_is_named(path: str, value: object, said: str) -> None:
    """Each fault is refused in one line that names the key and what is allowed."""
    with pytest.raises(DescriptionError, match=said) as caught:
        parse_description(changed(path, value))

    assert "\n" not in str(caught.value)


def test_alarms_are_the_alarms_limits() -> None:
    """The description has every threshold of the alarms, with the same default, and no other; keys
    of 0.1.0 whose alarm is gone are read over."""
    assert Alarms().model_dump() == vars(AlarmLimits())
    earlier = parse_description(changed("alarms.rise_load", 15.0))
    assert earlier == parse_description(EXAMPLE)


def test_alarms_are_no_part_of_the_fingerprint() -> None:
    """Evidence stays evidence of its table when the alarms' limits change."""
    size = len(EXAMPLE["axes"]["load"]) * len(EXAMPLE["axes"]["speed_rpm"])
    marks = set()
    for above in ([0.07, 0.05], [0.2, 0.1]):
        description = parse_description(changed("alarms.above_target", above))
        assert description.alarm_limits().above_target == above
        settings = description.settings([[80.0] * size] * 2)
        marks.add(fingerprint(settings, settings.banks[0].table))
    assert len(marks) == 1


def test_settings_carry_everything() -> None:
    """The learner's settings hold the description's delay, share of displacement and limits."""
    data = changed("limits.battery_min_v", 10.5)
    data["method"] = {"sensor": "switching", "film_s": 0.3, "film_terms": 2, "noise_pct": 3.0}
    description = parse_description(data)
    size = len(description.axes.load) * len(description.axes.speed_rpm)

    settings = description.settings([[80.0] * size, [70.0] * size])

    assert settings.limits.battery_min_v == 10.5
    assert settings.sensor_kind == SWITCHING
    assert settings.closed_loop
    assert settings.film_s == 0.3
    assert settings.film_terms == 2
    assert settings.noise == pytest.approx(0.03)
    assert [b.name for b in settings.banks] == ["left", "right"]
    assert settings.banks[1].delay.exhaust_volume_cm3 == 1100.0
    assert settings.banks[1].delay.swept_cm3 == pytest.approx(599.0)
    assert settings.banks[1].table.cells[3] == 70.0


def test_settings_refuse_a_bad_table() -> None:
    """A table that does not fit the axes is refused by its bank's name."""
    description = parse_description(EXAMPLE)

    with pytest.raises(DescriptionError, match="table of bank right"):
        description.settings([[80.0] * 64, [70.0] * 63])
