"""The catalogue of causes: what, beside VE, can make a mixture look wrong. Host only.

A row a cause. Those with columns act on every observation through something measured, and are
weighed by odds; the prior size is what common practice meets on healthy and sick engines (no source
unless said). Those with a fact are tested outright. Adding a cause is one row here, and one test.
"""

from dataclasses import dataclass

from breathmap.learner.causes import facts
from breathmap.learner.causes.facts import FactTest
from breathmap.learner.causes.scene import (
    ColumnMaker,
    by_battery,
    by_cold,
    by_intake,
    by_lambda,
    by_open_time,
    by_pressure,
    leak,
    one_factor,
)

# Other ways to read the same samples.
SLOWER = "slower"
EXCHANGED = "exchanged"


@dataclass(frozen=True)
class Cause:
    """One row.

    text: the sentence; {size} is filled in where it has one. check: what to do with a gauge or a
    spanner. apart: what would tell it from its look-alikes. alike: causes that look much the same
    within one ride. columns: one or more forms of its column, averaged; sd: prior size in `unit`,
    digits: to print it with; sign: where only one is possible; per_bank: each bank for itself.
    reading: SLOWER or EXCHANGED. fact: a test that needs no odds. is_unsafe: a table learned under
    it harms when stored. is_static: it depends on speed and load alone, so a table can take it in.
    missing: what the samples lack when a column cannot be made.
    """

    name: str
    text: str
    check: str
    apart: str = ""
    alike: tuple[str, ...] = ()
    columns: tuple[ColumnMaker, ...] = ()
    sd: float = 0.0
    unit: str = ""
    digits: int = 2
    sign: int = 0
    per_bank: bool = False
    reading: str = ""
    fact: FactTest | None = None
    is_unsafe: bool = False
    is_static: bool = False
    missing: str = ""


_STATIC = ("pressure-offset", "dead-time", "fuel-factor")
# One number on everything has many names, and nothing in the samples parts them.
_FACTOR = ("intake-offset", "barometer")

_ODDS = (
    Cause(
        "exhaust-leak",
        "exhaust leak before the sensor: air that never burned, {size} of the gas at no flow",
        "listen and feel along the gaskets with the engine cold, or let smoke into the tail pipe; "
        "tighten, then ride again",
        "its share falls with the gas that flows now; a biased sensor's does not",
        ("sensor-biased",),
        # Where a leak has lost 1/e of itself, as parts of full flow: it shows at idle and light
        # load, and is gone at half flow.
        columns=(leak(0.06), leak(0.12), leak(0.25)),
        sd=0.25, sign=1, per_bank=True, is_unsafe=True, is_static=True,
    ),
    Cause(
        "pressure-offset",
        "manifold pressure sensor off by {size} (above zero: it reads too high)",
        "key on, engine off: it must read the barometer's pressure; check its hose for water "
        "and cracks",
        "dead time changes with battery voltage, pressure does not; the key-on reading decides",
        _STATIC,
        # Sensors of this kind are good to 1.5 % of full scale; aged hoses and wrong calibration
        # give twice that.
        columns=(by_pressure,), sd=3.0, unit="kPa", is_static=True,
        missing="the load axis is the throttle",
    ),
    Cause(
        "dead-time",
        "injector dead time off by {size} (above zero: they open later than the controller "
        "believes)",
        "look the injector's dead time up at the fuel pressure in use, or measure it on a flow "
        "bench at two pulse widths",
        "ride with lights and fans on: dead time shows with battery voltage, a pressure sensor "
        "does not",
        _STATIC,
        columns=(by_open_time,), sd=0.15, unit="ms", is_static=True,
        missing="no pulse width that goes with the table was sent",
    ),
    Cause(
        "fuel-factor",
        "one factor on everything, {size} lean: fuel pressure, injector size, displacement or the "
        "fuel's stoichiometry off",
        "put a gauge on the fuel rail, idling and at full load; compare injector, displacement and "
        "fuel with what the controller was told",
        "only what is known from elsewhere parts these: the gauge, the injector's part number, the "
        "fuel bought, a thermometer beside the intake sensor",
        (*_STATIC, *_FACTOR),
        columns=(one_factor,), sd=0.1, unit="%", digits=1, is_static=True,
    ),
    Cause(
        "intake-soaked",
        "intake air sensor soaked in hot metal: of each kelvin it reads above its mean, {size} is "
        "not the air's",
        "compare with a thermometer in the air box, hot and moving; move the sensor into the flow",
        "compare a cool morning with a hot afternoon at the same operating point",
        ("warm-up-fuel",),
        columns=(by_intake,), sd=0.5, unit="K", sign=1,
        missing="no intake temperature was sent",
    ),
    Cause(
        "warm-up-fuel",
        "fuel that grows as the coolant falls: {size} for each 10 K below 90 degC",
        "look for a warm-up or coolant correction still on, and whether the thermostat opens",
        "ride until the coolant stands still, and compare",
        ("intake-soaked",),
        columns=(by_cold,), sd=0.03, unit="%", digits=1, sign=1,
        missing="no coolant temperature was sent",
    ),
    Cause(
        "battery-slope",
        "injector dead time wrong by {size} for each volt below 13.5",
        "compare the controller's dead-time curve with the injector's over battery voltage",
        "a bench supply at two voltages decides",
        ("dead-time",),
        columns=(by_battery,), sd=0.05, unit="ms", digits=3,
        missing="no pulse width that goes with the table, or no battery voltage, was sent",
    ),
    Cause(
        "sensor-biased",
        "lambda sensor off by {size} (above zero: it reads too lean)",
        "hold it in free air and in the sister's place; look at its ground and its calibration",
        "two targets part it from fuel: a bias is 1/target; exchange it with its sister",
        ("exhaust-leak", "fuel-factor"),
        # A wideband kit of 0.01 to 0.02 lambda when new; an aged one twice that.
        columns=(by_lambda,), sd=0.04, unit="lambda", digits=3, per_bank=True,
        is_static=True,
    ),
    Cause(
        "sensor-slow",
        "lambda sensor slow: {size} its stated lag explains what it shows",
        "compare its answer to a fuel cut with its sister's; clean or replace it, and see that the "
        "heater is supplied",
        "replay --find-delay, on either bank",
        reading=SLOWER, unit="times", digits=0, per_bank=True, is_unsafe=True,
    ),
    Cause(
        "sensors-swapped",
        "the first two banks' sensors are exchanged, or wired to each other's place",
        "follow both cables; pull one plug and see which reading goes",
        "richen one bank alone and see which sensor answers",
        reading=EXCHANGED, is_unsafe=True,
        missing="it takes two banks with a wideband sensor each",
    ),
)  # fmt: skip

_KNOWN_ONLY = (
    Cause(
        "intake-offset",
        "intake air sensor off by the same everywhere",
        "compare with a thermometer, cold and hot",
        "within one ride it is one factor on everything, as fuel pressure is",
        ("fuel-factor",),
        missing="within one ride it is the same as fuel-factor",
    ),
    Cause(
        "barometer",
        "altitude or weather not compensated",
        "compare the controller's barometer with the weather's; look for a blocked vent",
        "ride at two altitudes, or on two days",
        ("fuel-factor",),
        fact=facts.barometer,
    ),
)

_FACTS = (
    Cause(
        "sensor-stuck", "lambda reading stuck",
        "breathe on the sensor or pull its plug: the reading must move; check its controller",
        fact=facts.stuck, is_unsafe=True,
    ),
    Cause(
        "sensor-dead", "lambda sensor failed or not ready",
        "check plug, heater fuse and the sensor's controller", fact=facts.dead,
    ),
    Cause(
        "sensor-deaf", "lambda sensor does not see air in a fuel cut",
        "the sensor is dead, in the wrong bank, or its controller holds its value",
        fact=facts.free_air, is_unsafe=True,
    ),
    Cause(
        "sensor-late", "lambda sensor answers a fuel cut late: its tip is dirty or old",
        "exchange it with its sister and cut again; clean or replace it, and see that the heater "
        "is supplied",
        fact=facts.answers_late, is_unsafe=True,
    ),
    Cause(
        "film-differs", "one bank's mixture follows the load otherwise than its sister's",
        "replay --find-delay, on either bank; exchange the sensors: what goes along is a sensor's, "
        "what stays is a delay stated wrong, or an injector's spray or aim",
        "a slow sensor looks like a film, and so does a delay that is stated wrong",
        ("sensor-slow",),
        fact=facts.film_differs,
    ),
    Cause(
        "delay-differs", "one bank's delay is off from what is stated otherwise than its sister's",
        "measure both pipes from valve to sensor (check --pipe), and exchange the sensors: what "
        "goes along is a slow sensor's",
        "a slow sensor looks like a longer delay",
        ("sensor-slow",),
        fact=facts.delay_differs,
    ),
    Cause(
        "misfire", "misfires: unburned oxygen reads as lean",
        "plugs, leads, coils and compression of that bank; never richen a misfire away",
        "a leak is steady, a misfire comes in spikes", fact=facts.misfire,
    ),
    Cause(
        "forgot-transient", "enrichment by a moving throttle was left on",
        "set the learning set-up again: breathmap prepare", fact=facts.transients,
    ),
    Cause(
        "forgot-closed-loop", "closed loop was left on",
        "set the learning set-up again: breathmap prepare", fact=facts.closed_loop,
    ),
    Cause(
        "forgot-adaptation", "long-term adaptation was left on",
        "set the learning set-up again: breathmap prepare", fact=facts.adaptation,
    ),
    Cause(
        "forgot-fuel-cut", "a fuel cut was left on, or the limiter was ridden into",
        "set the learning set-up again: breathmap prepare", fact=facts.fuel_cut,
    ),
    Cause(
        "forgot-target", "the target table is not flat",
        "set the learning set-up again: breathmap prepare; or learn with it, which takes longer",
        fact=facts.target,
    ),
    Cause(
        "forgot-power", "full-load enrichment was left on",
        "set the learning set-up again: breathmap prepare", fact=facts.power,
    ),
    Cause(
        "forgot-warm-up", "warm-up enrichment acts on a warm engine",
        "set the learning set-up again: breathmap prepare", fact=facts.warm_up,
    ),
    Cause(
        "hidden-fuel", "fuel moved by what has no flag: a loop, an adaptation, a correction",
        "look through the controller's corrections for one that is still on; map its flag",
        fact=facts.hidden_fuel,
    ),
    Cause(
        "clock", "times out of order: rows mixed up, or a clock that restarts",
        "sort the log by time, or look at the device's supply", fact=facts.clock,
    ),
    Cause(
        "columns-swapped", "pressure and throttle in each other's column",
        "correct the [log] columns, or the device's wiring", fact=facts.columns_swapped,
    ),
    Cause(
        "wrong-unit", "a quantity in another unit",
        "correct the unit in [log], or in the device", fact=facts.units,
    ),
    Cause(
        "link", "frames lost on the way",
        "a shorter or shielded cable, a lower baud rate, a common ground", fact=facts.link,
    ),
)  # fmt: skip

CAUSES: dict[str, Cause] = {cause.name: cause for cause in (*_ODDS, *_KNOWN_ONLY, *_FACTS)}
