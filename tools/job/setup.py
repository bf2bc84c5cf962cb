"""The set-up sheet: what to switch off or set flat while learning, with each original value.

One list serves the checklist for a person, what is written to a controller, and what `finish` puts
back. Wideband: a flat rich target, every correction off. Switching sensor: a flat stoichiometric
target in closed loop, transients and long-term adaptation off, spark retarded for heat; power
enrichment stays, because it protects at full load and its samples are refused anyway.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration

# Common practice, no source: about 13.0 : 1 on petrol, whose stoichiometric ratio is 14.6 : 1.
RICH_LAMBDA = 13.0 / 14.6
# Common practice, no source.
SPARK_RETARD_DEG = 4.0

# The line of the sheet that is no switch.
TARGET = "target"
SPARK_RETARD = "spark_retard_deg"
WIDEBAND_OFF = (
    "acceleration_enrichment",
    "deceleration_enleanment",
    "power_enrichment",
    "closed_loop",
    "long_term_adaptation",
    "idle_speed_control",
    "idle_heat_protection",
)
SWITCHING_OFF = ("acceleration_enrichment", "deceleration_enleanment", "long_term_adaptation")

WORDS = {
    "acceleration_enrichment": "acceleration enrichment",
    "deceleration_enleanment": "deceleration enleanment",
    "power_enrichment": "power enrichment",
    "closed_loop": "closed loop",
    "long_term_adaptation": "long-term adaptation",
    "idle_speed_control": "idle speed control",
    "idle_heat_protection": "idle heat protection",
    SPARK_RETARD: "spark retard against its table",
}
BEFORE_RUNNING = (
    "First check fuel pressure, injectors, sensors, and the exhaust for leaks.",
    "Learn on a brake or a closed road. Whoever rides or drives looks at no screen.",
    "Watch for knock and for lean mixture; stop at once when in doubt.",
    "The functions below protect the engine. Every one goes back before the vehicle is used.",
)
UNKNOWN = "______ (write it down first)"


@dataclass(frozen=True)
class Item:
    """One line of the sheet. name: a setting's, or TARGET. value: for learning, as a number;
    for spark, an amount to add."""

    name: str
    title: str
    original: str
    learning: str
    value: float


def flat_target(description: EngineDescription, calibration: Calibration) -> float:
    """Return the flat learning target, a lambda that the controller can store exactly."""
    wanted = 1.0 if description.method.is_switching else RICH_LAMBDA
    step = calibration.target_step_lambda
    return int(wanted / step + 0.5) * step


def sheet(description: EngineDescription, start: Calibration) -> list[Item]:
    """Return the lines for this engine and method, original values from the start."""
    switching = description.method.is_switching
    target = flat_target(description, start)
    afr = description.engine.afr
    in_afr = "" if afr is None else f" ({target * afr:.1f} : 1)"
    items = [
        Item(TARGET, "target lambda, whole table", _target_text(start.target_lambda),
             f"{target:.3f} flat{in_afr}", target)
    ]  # fmt: skip
    values = dict.fromkeys(SWITCHING_OFF if switching else WIDEBAND_OFF, 0.0)
    if switching:
        values["closed_loop"] = 1.0
    for name, value in values.items():
        items.append(Item(name, WORDS[name], _on(start.settings.get(name)), _on(value), value))
    if switching:
        was = start.settings.get(SPARK_RETARD)
        original = UNKNOWN if was is None else f"{was:g}°"
        learning = f"{SPARK_RETARD_DEG:g}° more" if was is None else f"{was + SPARK_RETARD_DEG:g}°"
        value = (was or 0.0) + SPARK_RETARD_DEG
        items.append(Item(SPARK_RETARD, WORDS[SPARK_RETARD], original, learning, value))
    return items


def _on(value: float | None) -> str:
    return UNKNOWN if value is None else ("on" if value else "off")


def _target_text(cells: Sequence[float] | None) -> str:
    if cells is None:
        return UNKNOWN
    low, high = min(cells), max(cells)
    return f"{low:.3f} flat" if low == high else f"{low:.3f} to {high:.3f}, see start/target.csv"


def learning_calibration(description: EngineDescription, present: Calibration) -> Calibration:
    """Return a calibration with the sheet laid over it, as far as the controller can be written.

    present: with the settings and target of the start.
    """
    items = sheet(description, present)
    settings = dict(present.settings)
    for item in items:
        if item.name in settings:
            settings[item.name] = item.value
    target = None
    if present.target_lambda is not None:
        target = (items[0].value,) * len(present.target_lambda)
    return replace(present, settings=settings, target_lambda=target)


def by_hand(items: Sequence[Item], calibration: Calibration | None) -> list[Item]:
    """Return the lines that a person must do; calibration: what the controller shows, or None."""
    if calibration is None:
        return list(items)
    return [
        item
        for item in items
        if item.name not in calibration.settings
        and not (item.name == TARGET and calibration.target_lambda is not None)
    ]


def sheet_text(description: EngineDescription, items: Sequence[Item], left: Sequence[Item]) -> str:
    """Return the sheet as Markdown. left: the lines that are still to be done by hand."""
    method = description.method.sensor
    lines = [
        f"# Set-up sheet: {description.engine.name}, {method} sensor",
        "",
        "Before running:",
        "",
        *[f"- {line}" for line in BEFORE_RUNNING],
        "",
        "Set for learning, and put back at the end:",
        "",
        "| set | put back | what | original | while learning |",
        "| --- | --- | --- | --- | --- |",
    ]
    hand = {item.name for item in left}
    for item in items:
        box = "[ ]" if item.name in hand else "[x] written"
        lines.append(f"| {box} | [ ] | {item.title} | {item.original} | {item.learning} |")
    lines += [
        "",
        "Flat targets and the spark figure are common practice, without a source.",
        "Other functions (over-run fuel cut, warm-up enrichment, rev limiter) stay as they are: "
        "samples that they touch are refused.",
    ]
    return "\n".join(lines) + "\n"
