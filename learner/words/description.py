"""The engine description: a mapping as TOML gives it, checked, and turned into `Settings`.

`parse_description` refuses what it does not know and names the key, what is wrong and what is
allowed. Every field carries its unit in its name, its range, its default and a sentence;
`breathmap.learner.words.description_text` writes them out as an annotated example. No I/O: callers
read the files.
"""

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_core import ErrorDetails

from breathmap.learner.core.alarms import AlarmLimits
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import (
    FILM_S,
    FILM_TERMS,
    SWITCHING,
    WIDEBAND,
    BankSettings,
    Settings,
)
from breathmap.learner.core.settings import Limits as GateLimits
from breathmap.learner.core.table import Table, check_axis
from breathmap.learner.words.fuels import FUELS, afr_of
from breathmap.protocol.wire.fields import MAX_BANKS, MAX_BREAKPOINTS

DEFAULTS = GateLimits()
ALARMS = AlarmLimits()
# Keys of descriptions of 0.1.0 whose alarm there is no more.
EARLIER_ALARMS = ("rise_load", "rise_lambda")
DELAY = DelayModel()

# The load axis in words.
LOAD_NAMES = {"map_kpa": "manifold pressure", "throttle_pct": "throttle"}
# Units of the load axis: short, and where the reader is not told what a per cent is of.
LOAD_UNITS = {"map_kpa": "kPa", "throttle_pct": "%"}
LOAD_UNITS_SAID = {"map_kpa": "kPa", "throttle_pct": "% throttle"}


class DescriptionError(ValueError):
    """One line: the key, what is wrong with it, what to do."""


class Part(BaseModel):
    """What all parts of a description share: unknown keys, wrong types, nan and inf are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


# Breakpoints nearer to each other travel as the same.
NEAREST_BREAKPOINTS = 0.01


def _ascending(axis: list[float]) -> list[float]:
    check_axis("the", axis)
    for k in range(1, len(axis)):
        if axis[k] - axis[k - 1] < NEAREST_BREAKPOINTS:
            raise ValueError(
                f"breakpoint {k + 1} ({axis[k]:g}) is nearer to the one before "
                f"({axis[k - 1]:g}) than {NEAREST_BREAKPOINTS:g}"
            )
    return axis


def _no_controls(text: str) -> str:
    if not text.isprintable():
        raise ValueError("control characters and line ends are not allowed here")
    return text


Axis = Annotated[
    list[Annotated[float, Field(ge=0, le=30000)]],
    Field(min_length=2, max_length=MAX_BREAKPOINTS),
    AfterValidator(_ascending),
]
Name = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(_no_controls)]
# Of a log's column, as whatever program wrote it.
Heading = Annotated[str, Field(min_length=1, max_length=60)]
# Of columns with the same heading.
Nth = Annotated[int | None, Field(ge=1, le=999)]
NTH_TEXT = "which one, from the left, where several columns have this heading"
# Of a log: larger numbers are a mistake, or no number that is meant.
Number = Annotated[float, Field(ge=-1_000_000, le=1_000_000)]


def _file_name_part(name: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,30}", name):
        raise ValueError(f"use letters, digits, - and _ only (30 at most), got {name[:40]!r}")
    return name


# Names files and columns.
BankName = Annotated[str, AfterValidator(_file_name_part)]


class Engine(Part):
    """The engine itself."""

    name: Name = Field(description="what people call the engine")
    displacement_cm3: float = Field(ge=1, le=50000, description="swept volume of all cylinders")
    cylinders: int = Field(ge=1, le=16, description="number of cylinders")
    stoichiometric_afr: float | None = Field(
        None,
        gt=3,
        lt=40,
        description="stoichiometric air/fuel ratio by mass; needed when a log holds AFR and no "
        "fuel is named",
    )
    fuel: str | None = Field(
        None, description="fuel in use, for its stoichiometric ratio: " + ", ".join(FUELS)
    )

    @field_validator("fuel")
    @classmethod
    def _known(cls, name: str | None) -> str | None:
        if name is not None and name not in FUELS:
            raise ValueError(f"use one of {', '.join(FUELS)}, or give stoichiometric_afr")
        return name

    @property
    def afr(self) -> float | None:
        """Stoichiometric air/fuel ratio: as given, else the fuel's, else None."""
        if self.stoichiometric_afr is None and self.fuel is not None:
            return afr_of(self.fuel)
        return self.stoichiometric_afr


class Axes(Part):
    """Axes of the VE tables; all banks share them."""

    load_axis: Literal["map_kpa", "throttle_pct"] = Field(
        "map_kpa", description="what the load axis is: manifold pressure, or throttle opening"
    )
    speed_rpm: Axis = Field(description="speed breakpoints, ascending")
    load: Axis = Field(description="load breakpoints in kPa or %, ascending")

    @property
    def load_unit(self) -> str:
        """The load axis's unit, short."""
        return LOAD_UNITS[self.load_axis]

    @property
    def load_unit_said(self) -> str:
        """The load axis's unit, in words."""
        return LOAD_UNITS_SAID[self.load_axis]


class Delay(Part):
    """From injection to the sensor's reading: cycles, then the exhaust pipe, then the sensor."""

    cycles: float = Field(
        DELAY.cycles,
        ge=0,
        le=5,
        description="engine cycles from injection to the opening exhaust valve",
    )
    exhaust_volume_cm3: float = Field(
        DELAY.exhaust_volume_cm3,
        ge=0,
        le=100000,
        description="gas volume from the exhaust valves to the sensor",
    )
    sensor_lag_s: float = Field(
        DELAY.sensor_lag_s,
        ge=0.001,
        le=2,
        description="first-order time constant of the sensor and its electronics",
    )
    exhaust_temp_k: float = Field(
        DELAY.exhaust_temp_k,
        ge=300,
        le=1500,
        description="mean gas temperature in that volume",
    )


class Bank(Part):
    """The cylinders served by one lambda sensor."""

    name: BankName = Field(description="letters, digits, - and _; names the result files")
    table: Name = Field(description="CSV file with the bank's VE table, beside this file")
    cylinders: int | None = Field(
        None, ge=1, le=16, description="cylinders of this bank; left out: an equal share"
    )
    delay: Delay = Field(default_factory=Delay, description="injection to reading")


class Method(Part):
    """How the learning is done, and the model's finer points."""

    sensor: Literal["wideband", "switching"] = Field(
        "wideband", description="what kind of lambda sensor"
    )
    closed_loop: bool = Field(
        False, description="true: the controller trims the fuel; a switching sensor always needs it"
    )
    film_s: float = Field(
        FILM_S, ge=0.001, le=5, description="time constant that the fuel-film terms start from, s"
    )
    film_terms: int = Field(
        FILM_TERMS,
        ge=0,
        le=3,
        description="how many of film, its growth with load, its time constant to learn; 0: none",
    )
    charge_lead: bool = Field(
        True, description="one more term, for air that changes between injection and intake"
    )
    sample_rate_hz: float = Field(
        50.0, ge=1, le=1000, description="highest sample rate expected; sizes the memory"
    )
    history_s: float = Field(
        2.5, ge=0.5, le=30, description="how far back the delay may reach (longest delay)"
    )
    noise_pct: float = Field(
        2.0, ge=0.01, le=20, description="first guess of one reading's scatter; found from the data"
    )

    @property
    def is_switching(self) -> bool:
        """True with a stock sensor that says rich or lean and no more."""
        return self.sensor == "switching"


class Storage(Part):
    """How the controller stores a VE cell."""

    step_pct: float = Field(0.4, ge=0.001, le=10, description="VE step of one stored count")
    max_pct: float = Field(102.0, ge=1, le=1000, description="largest VE the controller can store")


class Trims(Part):
    """A controller that holds one common VE table and a trim of it for each bank."""

    per: Literal["cell", "bank"] = Field(
        "cell", description="a trim table a bank, on the same axes, or one number a bank"
    )
    step_pct: float = Field(0.5, ge=0.001, le=10, description="step of one trim, % of fuel")
    max_pct: float = Field(25.0, gt=0, lt=90, description="largest trim either way, % of fuel")


class Limits(Part):
    """Thresholds of the gates: a sample beyond one of them is refused, with its reason."""

    speed_min_rpm: float = Field(
        DEFAULTS.speed_min_rpm, ge=0, le=5000, description="below: the engine is not running"
    )
    coolant_min_c: float = Field(
        DEFAULTS.coolant_min_c, ge=-60, le=150, description="below: still warming up"
    )
    coolant_max_c: float = Field(
        DEFAULTS.coolant_max_c, ge=0, le=250, description="above: too hot to trust"
    )
    battery_min_v: float = Field(
        DEFAULTS.battery_min_v, ge=0, le=36, description="below: injectors open late"
    )
    lambda_min: float = Field(
        DEFAULTS.lambda_min, ge=0.3, le=1, description="richest reading a wideband gives reliably"
    )
    lambda_max: float = Field(
        DEFAULTS.lambda_max, ge=1, le=6, description="leanest reading a wideband gives reliably"
    )
    fuel_cut_recovery_s: float = Field(
        DEFAULTS.fuel_cut_recovery_s, ge=0, le=30, description="wait after an over-run fuel cut"
    )
    enrichment_recovery_s: float = Field(
        DEFAULTS.enrichment_recovery_s, ge=0, le=30, description="wait after an enrichment"
    )
    throttle_travel_max_pct: float = Field(
        DEFAULTS.throttle_travel_max_pct, gt=0, le=100, description="throttle moved further: refuse"
    )
    load_travel_max: float = Field(
        DEFAULTS.load_travel_max, gt=0, le=500, description="load moved further (kPa or %): refuse"
    )
    speed_travel_max_rpm: float = Field(
        DEFAULTS.speed_travel_max_rpm, gt=0, le=10000, description="speed moved further: refuse"
    )
    load_travel_half: float = Field(
        DEFAULTS.load_travel_half,
        gt=0,
        le=500,
        description="travel of load (kPa or %) that halves a sample's weight",
    )
    speed_travel_half_rpm: float = Field(
        DEFAULTS.speed_travel_half_rpm,
        gt=0,
        le=10000,
        description="travel of speed that halves a sample's weight",
    )
    film_half: float = Field(
        DEFAULTS.film_half,
        gt=0,
        le=100,
        description="film column (a fraction of the fuel flow) that halves the weight once more",
    )
    target_change_max: float = Field(
        DEFAULTS.target_change_max, ge=0, le=1, description="change of target lambda in the delay"
    )
    stuck_after_s: float = Field(
        DEFAULTS.stuck_after_s,
        gt=0,
        le=600,
        description="a reading unchanged for so much time of moving load is taken as stuck",
    )
    loop_turn_max_s: float = Field(
        DEFAULTS.loop_turn_max_s,
        gt=0,
        le=60,
        description="a switching sensor's loop has settled while it turns at least this often",
    )
    gap_max_s: float = Field(
        DEFAULTS.gap_max_s, gt=0, le=10, description="a longer silence breaks the history"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.coolant_min_c >= self.coolant_max_c:
            raise ValueError("coolant_min_c must be below coolant_max_c")
        return self


class Alarms(Part):
    """When a run calls out: beyond these somebody must act. They gate no sample."""

    target_load: Axis = Field(
        default_factory=lambda: list(ALARMS.target_load),
        description="loads (kPa or %) of above_target; below the first it says nothing",
    )
    above_target: list[Annotated[float, Field(ge=0.02, le=2)]] = Field(
        default_factory=lambda: list(ALARMS.above_target),
        description="lambda above target that is too lean at each of target_load, straight lines "
        "between",
    )
    lean_load: Axis = Field(
        default_factory=lambda: list(ALARMS.lean_load),
        description="loads (kPa or %) of lean_lambda, the last line; below the first it says "
        "nothing",
    )
    lean_lambda: list[Annotated[float, Field(ge=0.5, le=6)]] = Field(
        default_factory=lambda: list(ALARMS.lean_lambda),
        description="lambda that is too lean whatever the target, at each of lean_load, straight "
        "lines between",
    )
    coolant_max_c: float = Field(
        ALARMS.coolant_max_c, ge=0, le=250, description="coolant above: stop and let it cool"
    )
    link_lost_s: float = Field(
        ALARMS.link_lost_s, gt=0, le=60, description="nothing received for so long"
    )
    frames_lost_pct: float = Field(
        ALARMS.frames_lost_pct, gt=0, le=100, description="share of frames lost of late"
    )

    @model_validator(mode="before")
    @classmethod
    def _of_an_earlier_version(cls, data: Any) -> Any:
        if isinstance(data, dict):
            return {name: value for name, value in data.items() if name not in EARLIER_ALARMS}
        return data

    @model_validator(mode="after")
    def _same_length(self) -> Self:
        for loads, lambdas in (("target_load", "above_target"), ("lean_load", "lean_lambda")):
            counts = len(getattr(self, loads)), len(getattr(self, lambdas))
            if counts[0] != counts[1]:
                raise ValueError(
                    f"{loads} has {counts[0]} values and {lambdas} {counts[1]}: give one lambda "
                    "per load"
                )
        return self


class Caution(Part):
    """Where a lean mixture does most harm."""

    high_load: float | None = Field(
        None,
        gt=0,
        le=30000,
        description="from this load on (kPa or %) a proposal leans out twice as carefully: half "
        "the leanness, half the risk; left out: nowhere",
    )


class Goal(Part):
    """What is to be learned, for the advice where to go next."""

    error_pct: float = Field(
        1.0, gt=0, le=20, description="expected fuelling error, rms over the ground, to come below"
    )
    speed_rpm: Axis | None = Field(
        None, max_length=2, description="lowest and highest speed wanted; left out: all"
    )
    load: Axis | None = Field(
        None, max_length=2, description="lowest and highest load wanted; left out: all"
    )


class Column(Part):
    """One quantity of a log: value = column * scale + offset, or a constant."""

    column: Heading | None = Field(None, description="the column's heading in the log")
    nth: Nth = Field(None, description=NTH_TEXT)
    scale: Number = Field(1.0, description="value = column * scale + offset")
    offset: Number = Field(0.0, description="see scale")
    constant: Number | None = Field(None, description="instead of a column: always this value")

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.column is None) == (self.constant is None):
            raise ValueError("give either column or constant")
        return self


class TimeColumn(Part):
    """The log's clock."""

    column: Heading = Field(description="the column's heading in the log")
    nth: Nth = Field(None, description=NTH_TEXT)
    unit: Literal["s", "ms", "us", "min", "clock"] = Field(
        "s", description="unit of the log's clock; clock: h:mm:ss, alone or behind a date"
    )


class LambdaColumn(Column):
    """A mixture in a log, as lambda or as AFR."""

    unit: Literal["lambda", "afr"] = Field(
        "lambda", description="afr is divided by engine.stoichiometric_afr"
    )


class LogBank(Part):
    """Columns of one bank, in the order of the banks."""

    measured_lambda: LambdaColumn = Field(description="the sensor's reading")
    fuel_multiplier: Column | None = Field(
        None, description="closed-loop multiplier, 1 = no trim; left out: 1"
    )


class Log(Part):
    """Columns of a log, for `replay`. A flag's column counts as set when it is not 0."""

    hold_s: float = Field(
        0.0,
        ge=0,
        le=60,
        description="a cell left empty keeps the value above it for so long, for logs that write "
        "a value only when it changes; 0: it was not measured",
    )
    take_odd_values: bool = Field(
        False, description="true: learn from values that look like another unit, too"
    )
    time: TimeColumn = Field(description="time of the row")
    speed_rpm: Column = Field(description="engine speed")
    map_kpa: Column | None = Field(None, description="manifold absolute pressure")
    throttle_pct: Column | None = Field(None, description="throttle opening")
    coolant_c: Column | None = Field(None, description="coolant temperature")
    intake_c: Column | None = Field(None, description="intake air temperature")
    battery_v: Column | None = Field(None, description="battery voltage")
    target_lambda: LambdaColumn = Field(description="the commanded mixture")
    fuel_cut: Column | None = Field(None, description="flag: injection is cut")
    closed_loop: Column | None = Field(None, description="flag: the closed loop acts")
    acceleration_enrichment: Column | None = Field(
        None, description="flag: acceleration enrichment acts"
    )
    bank: list[LogBank] = Field(min_length=1, max_length=MAX_BANKS, description="one per bank")


class EngineDescription(Part):
    """Everything about one engine that learning needs, its tables' files included."""

    engine: Engine
    axes: Axes
    method: Method = Field(default_factory=Method)
    storage: Storage = Field(default_factory=Storage)
    bank: list[Bank] = Field(min_length=1, max_length=MAX_BANKS)
    limits: Limits = Field(default_factory=Limits)
    alarms: Alarms = Field(default_factory=Alarms)
    goal: Goal = Field(default_factory=Goal)
    caution: Caution = Field(default_factory=Caution)
    trims: Trims | None = None
    log: Log | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        names = [bank.name.lower() for bank in self.bank]
        if len(set(names)) < len(names):
            raise ValueError("two banks have the same name; result files are named after banks")
        cylinders = self.engine.cylinders
        if all(bank.cylinders is None for bank in self.bank):
            if cylinders % len(self.bank):
                raise ValueError(
                    f"{cylinders} cylinders do not divide among {len(self.bank)} banks; "
                    "give each bank its cylinders"
                )
        elif any(bank.cylinders is None for bank in self.bank):
            raise ValueError("give cylinders for every bank or for none")
        elif sum(bank.cylinders or 0 for bank in self.bank) > cylinders:
            raise ValueError(f"the banks have more cylinders than the engine's {cylinders}")
        if self.axes.load_axis == "throttle_pct" and self.axes.load[-1] > 100:
            raise ValueError("axes.load goes above 100 % throttle; or is load_axis map_kpa?")
        if self.trims is not None and len(self.bank) < 2:
            raise ValueError("trims need two banks or more: one bank's trim is its table")
        if self.log is not None:
            self._check_log(self.log)
        return self

    def _check_log(self, log: Log) -> None:
        if len(log.bank) != len(self.bank):
            raise ValueError(f"log.bank has {len(log.bank)} entries for {len(self.bank)} banks")
        needed = [self.axes.load_axis]
        if (self.method.film_terms or self.method.charge_lead) and "map_kpa" not in needed:
            needed.append("map_kpa")
        for name in needed:
            if getattr(log, name) is None:
                raise ValueError(
                    f"log.{name} is missing; "
                    + (
                        "the load axis needs it"
                        if name == self.axes.load_axis
                        else "the global terms need it (or set method.film_terms = 0 and "
                        "method.charge_lead = false)"
                    )
                )
        mixtures = [log.target_lambda, *(bank.measured_lambda for bank in log.bank)]
        if self.engine.afr is None and any(m.unit == "afr" for m in mixtures):
            raise ValueError("the log holds AFR: give engine.stoichiometric_afr or engine.fuel")

    def swept_cm3(self, bank: int) -> float:
        """Displacement of bank number `bank` (from 0), cm3."""
        engine = self.engine
        share = self.bank[bank].cylinders or engine.cylinders // len(self.bank)
        return engine.displacement_cm3 * share / engine.cylinders

    def alarm_limits(self) -> AlarmLimits:
        """Return the thresholds of the alarms."""
        limits = AlarmLimits()
        for name, value in self.alarms.model_dump().items():
            setattr(limits, name, value)
        return limits

    def settings(self, cells: Sequence[Sequence[float]]) -> Settings:
        """Return the learner's settings.

        cells: per bank a flat list of VE in per cent, index = load_index * speed_count +
        speed_index. Raises DescriptionError when a table does not fit the axes or a cell is not
        positive.
        """
        if len(cells) != len(self.bank):
            raise DescriptionError(f"{len(cells)} tables for {len(self.bank)} banks")
        banks = []
        for number, bank in enumerate(self.bank):
            try:
                table = Table(self.axes.speed_rpm, self.axes.load, list(cells[number]))
            except ValueError as error:
                raise DescriptionError(f"table of bank {bank.name}: {error}") from None
            delay = DelayModel(swept_cm3=self.swept_cm3(number), **bank.delay.model_dump())
            banks.append(BankSettings(bank.name, table, delay))
        method = self.method
        settings = Settings(
            banks,
            load_is_throttle=self.axes.load_axis == "throttle_pct",
            sensor_kind=SWITCHING if method.is_switching else WIDEBAND,
            closed_loop=method.closed_loop,
            film_s=method.film_s,
            film_terms=method.film_terms,
            charge_lead=method.charge_lead,
            sample_rate_hz=method.sample_rate_hz,
            history_s=method.history_s,
            noise=method.noise_pct / 100.0,
        )
        for name, value in self.limits.model_dump().items():
            setattr(settings.limits, name, value)
        return settings


def parse_description(data: Mapping[str, Any]) -> EngineDescription:
    """Return the checked description. Raises DescriptionError: one line on the first fault."""
    try:
        return EngineDescription.model_validate(dict(data))
    except ValidationError as error:
        faults = error.errors()
        # An unknown key explains a missing one more often than the other way round.
        first = min(faults, key=lambda fault: fault["type"] != "extra_forbidden")
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        raise DescriptionError(_explain(first) + more) from None


def _place(loc: Sequence[int | str]) -> str:
    """A key path for people: entries count from 1."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[entry {part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def _explain(fault: ErrorDetails) -> str:
    loc = fault["loc"]
    place = _place(loc)
    if fault["type"] == "extra_forbidden":
        return f"{place}: unknown key; {_allowed(loc)}"
    if fault["type"] == "missing":
        return f"{place}: this key is missing; add it"
    message = fault["msg"].removeprefix("Value error, ").removeprefix("Input ")
    if fault["type"] == "value_error":
        return f"{place}: {message}" if place else message
    message = message[0].lower() + message[1:]
    return f"{place}: {message}, got {_shown(fault['input'])}"


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _allowed(loc: Sequence[int | str]) -> str:
    """What could have been meant by an unknown key."""
    model: type[BaseModel] = EngineDescription
    for part in loc[:-1]:
        if isinstance(part, str):
            model = part_of(model, part) or model
    names = list(model.model_fields)
    close = get_close_matches(str(loc[-1]), names, n=1)
    return f"did you mean {close[0]}?" if close else f"known here: {', '.join(names)}"


def part_of(model: type[BaseModel], name: str) -> type[BaseModel] | None:
    """The nested model that a field holds, alone, optional or in a list; None for plain values."""
    waiting: list[Any] = [model.model_fields[name].annotation]
    while waiting:
        kind = waiting.pop()
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
        waiting.extend(getattr(kind, "__args__", ()))
    return None
