"""A controller's calibration as one record: to frames, from frames, and compared field by field.

Everything that can be read from a controller and everything this program may write: axes, VE
tables per bank, target table, switches, displacement constant, how cells are stored. No I/O.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from breathmap.protocol.wire import control_fields as control
from breathmap.protocol.wire.control_fields import (
    AXES,
    CONSTANTS,
    CONTROLLER,
    REQUEST,
    SETTINGS,
    SWITCHES,
    TABLE_ROW,
    TABLE_TARGET,
    TABLE_VE,
)
from breathmap.protocol.wire.events import FrameEvent
from breathmap.protocol.wire.fields import IDENTITY, LOAD_AXES, FrameType
from breathmap.protocol.wire.payload import unpack_payload

# Settings that an earlier version named otherwise, by its name: files keep it.
NAMED_BEFORE = {"idle_control": "idle_speed_control"}

# Wanted frame and its values; what a controller is asked or told.
Message = tuple[FrameType, dict[str, Any]]


class CalibrationError(ValueError):
    """What a controller told does not make a calibration: one line says why."""


def stored(step: float, counts: Iterable[float]) -> tuple[float, ...]:
    """Return what cells of so many counts hold: 0.4 times 152 is 60.8, and not 60.800000000000004.

    So a cell compares equal with itself read from text.
    """
    return tuple(round(step * count, 9) for count in counts)


def present_names(settings: Mapping[str, float]) -> dict[str, float]:
    """Return settings by the names of this version; names that no version knew stay."""
    return {NAMED_BEFORE.get(name, name): value for name, value in settings.items()}


@dataclass(frozen=True)
class Device:
    """Which device and which controller; empty where it does not say.

    device_name, firmware: of the `identity` frame. controller_name, serial, controller_firmware: of
    the `controller` frame; a serial is had by no other.
    """

    device_name: str = ""
    firmware: str = ""
    controller_name: str = ""
    serial: str = ""
    controller_firmware: str = ""

    def is_other_than(self, known: "Device") -> str:
        """Return in words why this is not the device known, "" when it may be that one.

        Where both tell a serial it alone decides, where one does the device's name, else its name
        and firmware.
        """
        if self.serial and known.serial:
            names: tuple[str, ...] = ("serial",)
        elif self.serial or known.serial:
            names = ("device_name",)
        else:
            names = ("device_name", "firmware")
        for name in names:
            mine, theirs = getattr(self, name), getattr(known, name)
            if mine != theirs:
                return f"its {name.replace('_', ' ')} is {mine!r}, not {theirs!r}"
        return ""


@dataclass(frozen=True)
class Calibration:
    """One controller's calibration. Raises ValueError when tables do not fit the axes.

    load_axis: "map_kpa" or "throttle_pct". speed_rpm, load: breakpoints. ve_pct: per bank a flat
    tuple of cells, index = load_index * speed_count + speed_index. target_lambda: the same, one
    table for all banks, or None when not known. settings: value by name of SETTINGS, those known.
    displacement_cm3: what the fuel is computed from. A cell stores count * step, count at most
    `..._most_count`. device: whose it is. mark: what a host left in the controller, "" nothing,
    None where it cannot hold one.
    """

    load_axis: str
    speed_rpm: tuple[float, ...]
    load: tuple[float, ...]
    ve_pct: tuple[tuple[float, ...], ...]
    displacement_cm3: float
    target_lambda: tuple[float, ...] | None = None
    settings: Mapping[str, float] = field(default_factory=dict)
    ve_step_pct: float = 0.4
    ve_most_count: int = 255
    target_step_lambda: float = 0.005
    target_most_count: int = 255
    device: Device = field(default=Device(), compare=False)
    mark: str | None = None

    def __post_init__(self) -> None:
        size = len(self.speed_rpm) * len(self.load)
        for cells in (*self.ve_pct, *([self.target_lambda] if self.target_lambda else [])):
            if len(cells) != size:
                raise ValueError(f"a table has {len(cells)} cells, the axes need {size}")
        for name in self.settings:
            if name not in SETTINGS:
                raise ValueError(f"there is no setting {name!r}; known: {', '.join(SETTINGS)}")

    @property
    def banks(self) -> int:
        """Number of banks."""
        return len(self.ve_pct)

    def counts(self, table: int, bank: int) -> list[int]:
        """Return a table's cells as stored: rounded to whole counts, clipped to what fits."""
        if table == TABLE_VE:
            cells, step, most = self.ve_pct[bank], self.ve_step_pct, self.ve_most_count
        elif self.target_lambda is not None:
            cells, step, most = self.target_lambda, self.target_step_lambda, self.target_most_count
        else:
            raise ValueError("the target table is not known")
        return [min(max(int(cell / step + 0.5), 0), most) for cell in cells]

    def row(self, table: int, bank: int, row: int) -> Message:
        """Return one row as a `table_row` frame."""
        width = len(self.speed_rpm)
        counts = self.counts(table, bank)[row * width : (row + 1) * width]
        cells = [{"count": count} for count in counts]
        return TABLE_ROW, {"table": table, "bank": bank, "row": row, "cells": cells}

    def axes(self) -> Message:
        """Return the `axes` frame."""
        return AXES, {
            "speed_points": [{"speed_rpm": n} for n in self.speed_rpm],
            "load_points": [{"load": p} for p in self.load],
        }

    def has_axes_of(self, other: "Calibration") -> bool:
        """True when both have the same breakpoints."""
        return (self.speed_rpm, self.load) == (other.speed_rpm, other.load)

    def has_shape_of(self, other: "Calibration") -> bool:
        """True when tables of both have as many rows, columns and banks, over the same load."""
        shapes = [(c.load_axis, len(c.speed_rpm), len(c.load), c.banks) for c in (self, other)]
        return shapes[0] == shapes[1]

    def constants(self) -> Message:
        """Return the `constants` frame."""
        return CONSTANTS, {
            "displacement_mm3": int(self.displacement_cm3 * 1000.0 + 0.5),
            "ve_step_pct": self.ve_step_pct,
            "ve_most_count": self.ve_most_count,
            "target_step_lambda": self.target_step_lambda,
            "target_most_count": self.target_most_count,
        }

    def switches(self, names: Sequence[str] | None = None) -> Message:
        """Return the `switches` frame of all settings known, or of those named."""
        chosen = self.settings if names is None else names
        entries = [{"setting": SETTINGS.index(n), "value": self.settings[n]} for n in chosen]
        return SWITCHES, {"switches": entries}

    def controller(self) -> Message:
        """Return the `controller` frame."""
        return CONTROLLER, {
            "controller_name": self.device.controller_name,
            "serial": self.device.serial,
            "firmware": self.device.controller_firmware,
            "mark": self.mark or "",
        }

    def rows(self) -> Iterator[tuple[int, int, int]]:
        """Yield (table, bank, row) of every row of every table known."""
        tables = [(TABLE_VE, bank) for bank in range(self.banks)]
        if self.target_lambda is not None:
            tables.append((TABLE_TARGET, 0))
        for table, bank in tables:
            for row in range(len(self.load)):
                yield table, bank, row

    def changes_from(self, before: "Calibration") -> list[Message]:
        """Return the frames that turn `before`, as a controller holds it, into this one.

        Settings that `before` lacks are left out, and so is a mark that it cannot hold. With other
        axes every row goes, whether it differs or not. Raises ValueError where tables of the two
        have another number of rows, columns or banks.
        """
        if not self.has_shape_of(before):
            raise ValueError("the two calibrations have other axes or banks")
        is_on_others = not self.has_axes_of(before)
        messages = [self.axes()] if is_on_others else []
        for place in self.rows():
            if place[0] == TABLE_TARGET and before.target_lambda is None:
                continue
            message = self.row(*place)
            if is_on_others or message != before.row(*place):
                messages.append(message)
        if self.constants()[1] != before.constants()[1]:
            messages.append(self.constants())
        changed = [
            name
            for name, value in self.settings.items()
            if name in before.settings and before.settings[name] != value
        ]
        if changed:
            messages.append(self.switches(changed))
        if None not in (self.mark, before.mark) and self.mark != before.mark:
            messages.append(replace(before, mark=self.mark).controller())
        return messages


@dataclass(frozen=True)
class Difference:
    """One field in which two calibrations differ. part: "ve", "target_lambda", "settings",
    "displacement_cm3", "axes" or "storage"; place: which one of that part."""

    part: str
    place: str
    before: Any
    after: Any


def differences(before: Calibration, after: Calibration) -> tuple[int, list[Difference]]:
    """Compare field by field; return how many fields were compared, and those that differ.

    VE and target cells compare as stored, count by count.
    """
    found: list[Difference] = []
    compared = 0

    def compare(part: str, place: str, left: Any, right: Any) -> None:
        nonlocal compared
        compared += 1
        if left != right:
            found.append(Difference(part, place, left, right))

    for name in ("load_axis", "speed_rpm", "load", "banks"):
        compare("axes", name, getattr(before, name), getattr(after, name))
    for name in ("ve_step_pct", "ve_most_count", "target_step_lambda", "target_most_count"):
        compare("storage", name, getattr(before, name), getattr(after, name))
    if found:  # cells of different tables cannot be compared one by one
        return compared, found
    compare("displacement_cm3", "", before.constants()[1]["displacement_mm3"] / 1000.0,
            after.constants()[1]["displacement_mm3"] / 1000.0)  # fmt: skip
    for name in [n for n in SETTINGS if n in before.settings or n in after.settings]:
        compare("settings", name, before.settings.get(name), after.settings.get(name))
    for bank in range(before.banks):
        _compare_cells(before, after, TABLE_VE, bank, compare)
    known = (before.target_lambda is not None, after.target_lambda is not None)
    if all(known):
        _compare_cells(before, after, TABLE_TARGET, 0, compare)
    else:
        compare("target_lambda", "known", *known)
    return compared, found


def _compare_cells(
    before: Calibration, after: Calibration, table: int, bank: int, compare: Any
) -> None:
    width = len(before.speed_rpm)
    is_ve = table == TABLE_VE
    step = before.ve_step_pct if is_ve else before.target_step_lambda
    old, new = before.counts(table, bank), after.counts(table, bank)
    for at, (left, right) in enumerate(zip(old, new, strict=True)):
        where = f"{before.speed_rpm[at % width]:g} rpm, {before.load[at // width]:g}"
        place = f"bank {bank + 1}, {where}" if is_ve else where
        compare(control.TABLES[table], place, left * step, right * step)


class CalibrationReader:
    """Gathers a calibration from link events, and says what is still to be asked for.

    Call `take` with every event, and send the requests that `wanted` returns (again, when no
    answer came) until it returns none; then `calibration` is whole.
    """

    def __init__(self) -> None:
        self._identity: dict[str, Any] | None = None
        self._constants: dict[str, Any] | None = None
        self._switches: dict[str, float] | None = None
        self._controller: dict[str, Any] | None = None
        self._rows: dict[tuple[int, int, int], list[int]] = {}
        self._absent: set[int] = set()

    def take(self, event: Any) -> None:
        """Note one event; others than the frames of a calibration are passed over."""
        if not isinstance(event, FrameEvent):
            return
        if event.type == IDENTITY.number:
            self._identity = unpack_payload(IDENTITY, event.payload)
        elif event.type == CONSTANTS.number:
            self._constants = unpack_payload(CONSTANTS, event.payload)
        elif event.type == SWITCHES.number:
            entries = unpack_payload(SWITCHES, event.payload)["switches"]
            self._switches = {
                SETTINGS[e["setting"]]: e["value"] for e in entries if e["setting"] < len(SETTINGS)
            }
        elif event.type == CONTROLLER.number:
            self._controller = unpack_payload(CONTROLLER, event.payload)
        elif event.type == TABLE_ROW.number:
            values = unpack_payload(TABLE_ROW, event.payload)
            counts = [cell["count"] for cell in values["cells"]]
            if all(count == count for count in counts):
                place = (values["table"], values["bank"], values["row"])
                self._rows[place] = [int(count) for count in counts]

    def refuse(self, request: dict[str, Any]) -> None:
        """Note that the controller will not send what this request asked for."""
        if request["action"] == control.SEND_ROW and request["table"] == TABLE_TARGET:
            self._absent.add(TABLE_TARGET)
        elif request["action"] == control.SEND_SWITCHES:
            self._switches = {}
        elif request["action"] == control.SEND_CONTROLLER:
            self._controller = {}
        else:
            raise CalibrationError("the device cannot read its controller's tables")

    def wanted(self) -> list[dict[str, Any]]:
        """Return the values of the `request` frames still needed; none when all is there."""
        if self._identity is None:
            return [_request(control.SEND_IDENTITY)]
        identity = self._identity
        if not identity["speed_count"] or not identity["load_count"]:
            raise CalibrationError("the device does not know its controller's axes")
        requests = []
        if self._constants is None:
            requests.append(_request(control.SEND_CONSTANTS))
        if self._switches is None:
            requests.append(_request(control.SEND_SWITCHES))
        if self._controller is None:
            requests.append(_request(control.SEND_CONTROLLER))
        tables = [(TABLE_VE, bank) for bank in range(identity["banks"])]
        if TABLE_TARGET not in self._absent:
            tables.append((TABLE_TARGET, 0))
        for table, bank in tables:
            for row in range(identity["load_count"]):
                if (table, bank, row) not in self._rows:
                    requests.append(_request(control.SEND_ROW, table, bank, row))
        return requests

    def calibration(self) -> Calibration:
        """Return what was gathered. Raises CalibrationError when it makes no calibration."""
        if self._identity is None or self._constants is None or self.wanted():
            raise CalibrationError("the calibration is not whole yet")
        identity, constants = self._identity, self._constants
        axis = identity["load_axis"]
        if not 0 < axis < len(LOAD_AXES):
            raise CalibrationError("the device does not say what its load axis is")
        steps = (constants["ve_step_pct"], constants["target_step_lambda"])
        mosts = (constants["ve_most_count"], constants["target_most_count"])
        if any(value != value for value in (*steps, *mosts)) or not constants["displacement_mm3"]:
            raise CalibrationError("the device does not say how its controller stores cells")

        def cells(table: int, bank: int) -> tuple[float, ...]:
            rows = [self._rows[table, bank, row] for row in range(identity["load_count"])]
            return stored(steps[table], (count for row in rows for count in row))

        try:
            return Calibration(
                load_axis=LOAD_AXES[axis],
                speed_rpm=tuple(p["speed_rpm"] for p in identity["speed_points"]),
                load=tuple(p["load"] for p in identity["load_points"]),
                ve_pct=tuple(cells(TABLE_VE, bank) for bank in range(identity["banks"])),
                displacement_cm3=constants["displacement_mm3"] / 1000.0,
                target_lambda=None if TABLE_TARGET in self._absent else cells(TABLE_TARGET, 0),
                settings=self._switches or {},
                ve_step_pct=steps[0],
                ve_most_count=int(mosts[0]),
                target_step_lambda=steps[1],
                target_most_count=int(mosts[1]),
                device=device_of(identity, self._controller),
                mark=(self._controller or {}).get("mark"),
            )
        except ValueError as error:
            raise CalibrationError(str(error)) from None


def device_of(identity: Mapping[str, Any], controller: Mapping[str, Any] | None) -> Device:
    """Return who an `identity` frame and a `controller` frame (None: there was none) name."""
    controller = controller or {}
    return Device(
        identity["device_name"],
        identity["firmware"],
        controller.get("controller_name", ""),
        controller.get("serial", ""),
        controller.get("firmware", ""),
    )


def _request(action: int, table: int = 0, bank: int = 0, row: int = 0) -> dict[str, Any]:
    return {"action": action, "table": table, "bank": bank, "row": row}


REQUEST_APPLY: Message = (REQUEST, _request(control.APPLY))
REQUEST_DISCARD: Message = (REQUEST, _request(control.DISCARD))
