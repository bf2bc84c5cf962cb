"""The simulated controller's side of the wire: tables and settings read, written and put in force.

Bytes in, frames out, no I/O: the service carries both. What is written is kept aside until `apply`,
which changes everything at once or nothing; the rules are those of SPEC.md. Knows the estimator as
little as the rest of this room: it stores what it is told.
"""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

from breathmap.protocol.host.all_frames import ALL_FRAMES
from breathmap.protocol.host.calibration import Calibration, Device, stored
from breathmap.protocol.host.link import NEED_DATA, FrameEvent, LinkReader
from breathmap.protocol.wire import control_fields as control
from breathmap.protocol.wire.control_fields import (
    ANSWER,
    APPLY,
    AXES,
    BAD_VALUE,
    CONSTANTS,
    CONTROLLER,
    DISCARD,
    DONE,
    NO_SUCH_PLACE,
    NOT_WRITABLE,
    REQUEST,
    SETTINGS,
    SWITCHES,
    TABLE_ROW,
    TABLE_TARGET,
    TABLE_VE,
)
from breathmap.protocol.wire.fields import IDENTITY, LOAD_AXES, FrameType
from breathmap.protocol.wire.payload import pack_payload, unpack_payload
from breathmap.simulator.controller import LAMBDA_STEP, STORED_MOST, VE_STEP_PCT, Controller
from breathmap.simulator.settings import SWITCHES as CONTROLLER_SWITCHES
from breathmap.simulator.table import Axes

FORGET_AFTER_US = 30_000_000
FIRMWARE = "0.1"
SERIAL = "INVENTED-1"

Message = tuple[FrameType, dict[str, Any]]


def calibration_of(controller: Controller) -> Calibration:
    """Return what a controller of the simulated engine holds; it can keep a mark, and has none."""
    settings = controller.read_settings()
    return Calibration(
        load_axis="map_kpa",
        speed_rpm=tuple(float(n) for n in controller.axes.speed_rpm),
        load=tuple(float(p) for p in controller.axes.load_kpa),
        ve_pct=tuple(tuple(controller.read_ve(bank)) for bank in range(controller.banks)),
        displacement_cm3=controller.displacement_cm3,
        target_lambda=tuple(controller.read_target()),
        settings={name: float(getattr(settings, name)) for name in CONTROLLER_SWITCHES},
        ve_step_pct=VE_STEP_PCT,
        ve_most_count=STORED_MOST,
        target_step_lambda=LAMBDA_STEP,
        target_most_count=STORED_MOST,
        device=Device(controller_name="simulated", serial=SERIAL, controller_firmware=FIRMWARE),
        mark="",
    )


def put_into(controller: Controller, calibration: Calibration) -> None:
    """Put a calibration in force in the simulated engine's controller, its axes too. ValueError
    where something does not fit; the controller is then as it was."""
    before = calibration_of(controller)
    try:
        _put_into(controller, calibration)
    except ValueError:
        _put_into(controller, before)
        raise


def _put_into(controller: Controller, calibration: Calibration) -> None:
    axes = Axes(calibration.speed_rpm, calibration.load)
    if axes != controller.axes:
        controller.write_axes(axes)
    for bank, cells in enumerate(calibration.ve_pct):
        controller.write_ve(bank, cells)
    switches = {name: value != 0.0 for name, value in calibration.settings.items()}
    target = calibration.target_lambda or tuple(controller.read_target())
    controller.write_settings(controller.settings.changed(target_lambda=target, **switches))
    controller.write_displacement(calibration.displacement_cm3)


class ControlServer:
    """Answers requests about one controller.

    calibration: what it holds. in_force: called with the new calibration on `apply`; a ValueError
    from it refuses the whole. writable: a False answers every write with `not_writable`. A
    calibration whose device has no serial is one that does not know the `controller` frame.
    keeps_mark, writes_axes: whether a mark, and other axes, can be written.
    """

    def __init__(
        self,
        calibration: Calibration,
        in_force: Callable[[Calibration], None] = lambda _: None,
        device_name: str = "simulated twin",
        sample_rate_hz: float = 25.0,
        writable: bool = True,
        keeps_mark: bool = True,
        writes_axes: bool = True,
    ) -> None:
        self.calibration = calibration
        self._keeps_mark = keeps_mark
        self._writes_axes = writes_axes
        self._in_force = in_force
        self._device_name = device_name
        self._sample_rate_hz = sample_rate_hz
        self._writable = writable
        self._reader = LinkReader(ALL_FRAMES)
        self._aside: list[Message] = []
        self._heard_us = 0
        self._out: list[Message] = []

    def identity(self) -> dict[str, Any]:
        """Return the values of the identity frame."""
        calibration = self.calibration
        return {
            "device_name": self._device_name,
            "firmware": FIRMWARE,
            "banks": calibration.banks,
            "sample_rate_hz": self._sample_rate_hz,
            "load_axis": LOAD_AXES.index(calibration.load_axis),
            "speed_points": [{"speed_rpm": n} for n in calibration.speed_rpm],
            "load_points": [{"load": p} for p in calibration.load],
        }

    def controller(self) -> bytes | None:
        """Return the payload of the `controller` frame, None when this one has no serial."""
        if not self.calibration.device.serial:
            return None
        return pack_payload(*self.calibration.controller())

    def feed(self, data: bytes) -> None:
        """Take bytes that a host sent."""
        self._reader.feed(data)

    def answers(self, time_us: int) -> list[tuple[int, bytes]]:
        """Act on what was fed; return the frames to send as (type number, payload)."""
        if time_us - self._heard_us > FORGET_AFTER_US:
            self._aside.clear()
        while (event := self._reader.next_event()) is not NEED_DATA:
            if isinstance(event, FrameEvent):
                self._heard_us = time_us
                self._act(event)
        out, self._out = self._out, []
        return [(kind.number, pack_payload(kind, values)) for kind, values in out]

    def _act(self, event: FrameEvent) -> None:
        kinds = {
            kind.number: kind
            for kind in (REQUEST, TABLE_ROW, AXES, CONSTANTS, SWITCHES, CONTROLLER)
        }
        kind = kinds.get(event.type)
        if kind is None:
            return
        values = unpack_payload(kind, event.payload)
        outcome = self._request(values) if kind is REQUEST else self._write(kind, values)
        if outcome is not None:
            self._out.append(
                (ANSWER, {"answered_sequence": event.sequence, "outcome": outcome})
            )  # fmt: skip

    def _request(self, values: dict[str, Any]) -> int | None:
        """Meet a request; return an outcome where an answer frame is due."""
        action = values["action"]
        calibration = self.calibration
        if action == control.SEND_IDENTITY:
            self._out.append((IDENTITY, self.identity()))
        elif action == control.SEND_CONSTANTS:
            self._out.append(calibration.constants())
        elif action == control.SEND_SWITCHES:
            self._out.append(calibration.switches())
        elif action == control.SEND_CONTROLLER and calibration.device.serial:
            self._out.append(calibration.controller())
        elif action == control.SEND_AXES:
            if not (self._writes_axes and self._writable):
                return NOT_WRITABLE
            self._out.append(calibration.axes())
        elif action == control.SEND_ROW:
            place = (values["table"], values["bank"], values["row"])
            if place not in calibration.rows():
                return NO_SUCH_PLACE
            self._out.append(calibration.row(*place))
        elif action == APPLY:
            return self._apply()
        elif action == DISCARD:
            self._aside.clear()
            return DONE
        else:
            return NO_SUCH_PLACE
        return None

    def _write(self, kind: FrameType, values: dict[str, Any]) -> int:
        """Check a write and keep it aside."""
        if not self._writable:
            return NOT_WRITABLE
        if kind is TABLE_ROW:
            outcome = self._check_row(values)
        elif kind is AXES:
            outcome = self._check_axes(values)
        elif kind is CONSTANTS:
            outcome = self._check_constants(values)
        elif kind is CONTROLLER:
            outcome = self._check_controller(values)
        else:
            outcome = self._check_switches(values)
        if outcome == DONE:
            self._aside.append((kind, values))
        return outcome

    def _check_row(self, values: dict[str, Any]) -> int:
        calibration = self.calibration
        place = (values["table"], values["bank"], values["row"])
        if place not in calibration.rows() or values["cell_count"] != len(calibration.speed_rpm):
            return NO_SUCH_PLACE
        is_ve = values["table"] == TABLE_VE
        most = calibration.ve_most_count if is_ve else calibration.target_most_count
        fits = all(0 <= cell["count"] <= most for cell in values["cells"])  # NaN does not
        return DONE if fits else BAD_VALUE

    def _check_axes(self, values: dict[str, Any]) -> int:
        if not self._writes_axes:
            return NOT_WRITABLE
        mine = self.calibration
        speeds, loads = _points_in(values)
        if (len(speeds), len(loads)) != (len(mine.speed_rpm), len(mine.load)):
            return NO_SUCH_PLACE
        # NaN, a breakpoint that is not told, does not rise either.
        rises = all(low < high for axis in (speeds, loads) for low, high in pairwise(axis))
        return DONE if rises else BAD_VALUE

    def _check_constants(self, values: dict[str, Any]) -> int:
        mine = self.calibration.constants()[1]
        others = [name for name in mine if name != "displacement_mm3"]
        if any(values[name] != mine[name] for name in others):
            return NOT_WRITABLE
        return DONE if values["displacement_mm3"] > 0 else BAD_VALUE

    def _check_controller(self, values: dict[str, Any]) -> int:
        mine = self.calibration.controller()[1]
        if not self.calibration.device.serial:
            return NO_SUCH_PLACE
        others = [name for name in mine if name != "mark"]
        if not self._keeps_mark or any(values[name] != mine[name] for name in others):
            return NOT_WRITABLE
        return DONE

    def _check_switches(self, values: dict[str, Any]) -> int:
        for entry in values["switches"]:
            number = entry["setting"]
            if number >= len(SETTINGS) or SETTINGS[number] not in self.calibration.settings:
                return NO_SUCH_PLACE
            if SETTINGS[number] in CONTROLLER_SWITCHES and entry["value"] not in (0.0, 1.0):
                return BAD_VALUE
        return DONE

    def _apply(self) -> int:
        if not self._writable:
            return NOT_WRITABLE
        new = self.calibration
        for kind, values in self._aside:
            new = _changed(new, kind, values)
        try:
            self._in_force(new)
        except ValueError:
            return BAD_VALUE
        if not new.has_axes_of(self.calibration):
            self.calibration = new
            self._out.append((IDENTITY, self.identity()))
        self.calibration = new
        self._aside.clear()
        return DONE


def _points_in(values: dict[str, Any]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the speeds and loads of an `axes` frame."""
    speeds = tuple(point["speed_rpm"] for point in values["speed_points"])
    return speeds, tuple(point["load"] for point in values["load_points"])


def _changed(before: Calibration, kind: FrameType, values: dict[str, Any]) -> Calibration:
    """Return a calibration with one written frame laid over it."""
    if kind is AXES:
        speeds, loads = _points_in(values)
        return replace(before, speed_rpm=speeds, load=loads)
    if kind is CONSTANTS:
        return replace(before, displacement_cm3=values["displacement_mm3"] / 1000.0)
    if kind is CONTROLLER:
        return replace(before, mark=values["mark"])
    if kind is SWITCHES:
        switches = {SETTINGS[e["setting"]]: e["value"] for e in values["switches"]}
        return replace(before, settings={**before.settings, **switches})
    width = len(before.speed_rpm)
    at = values["row"] * width
    is_target = values["table"] == TABLE_TARGET
    step = before.target_step_lambda if is_target else before.ve_step_pct
    row = stored(step, (cell["count"] for cell in values["cells"]))
    if is_target:
        cells = before.target_lambda or ()
        return replace(before, target_lambda=cells[:at] + row + cells[at + width :])
    tables = list(before.ve_pct)
    cells = tables[values["bank"]]
    tables[values["bank"]] = cells[:at] + row + cells[at + width :]
    return replace(before, ve_pct=tuple(tables))
