"""Who sends: read from the first frames of a connection, before anything is learned from it."""

from typing import Any

from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Device, device_of
from breathmap.protocol.host.link import NEED_DATA, FrameEvent, LinkReader
from breathmap.protocol.wire.control_fields import CONTROLLER
from breathmap.protocol.wire.fields import FRAMES, IDENTITY, LOAD_AXES
from breathmap.protocol.wire.payload import unpack_payload
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.protocol_version import refuse_newer

# Frames that a run takes notice of; others are skipped and counted.
TAKEN = (*FRAMES, CONTROLLER)
# Breakpoints travel rounded to this.
SPEED_STEP_RPM = 0.5
LOAD_STEP = 0.01


class Introduction:
    """Reads a connection's bytes for its device. source: named in errors.

    frames: whole frames of ours so far. device: who it is, None before it said so. is_complete: it
    has said all that it will: one that has a serial says so right after its first identity.
    """

    def __init__(self, source: str) -> None:
        self._source = source
        self._reader = LinkReader(TAKEN)
        self._identities = 0
        self._controller: dict[str, Any] | None = None
        self.identity: dict[str, Any] | None = None

    @property
    def frames(self) -> int:
        return self._reader.counters.frames

    @property
    def device(self) -> Device | None:
        return None if self.identity is None else device_of(self.identity, self._controller)

    @property
    def is_complete(self) -> bool:
        return self._identities > 0 and (self._identities > 1 or self._controller is not None)

    def feed(self, data: bytes) -> None:
        """Take what has arrived; UserError where it speaks a later version of the protocol."""
        self._reader.feed(data)
        while (event := self._reader.next_event()) is not NEED_DATA:
            if isinstance(event, FrameEvent) and event.type == IDENTITY.number:
                self.identity = unpack_payload(IDENTITY, event.payload)
                self._identities += 1
            elif isinstance(event, FrameEvent) and event.type == CONTROLLER.number:
                self._controller = unpack_payload(CONTROLLER, event.payload)
            else:
                refuse_newer(self._source, "device", self._reader.counters, event)


def check_identity(source: str, identity: dict[str, Any], description: EngineDescription) -> None:
    """Raise UserError where a device's banks or axes are not the description's."""
    misfit = misfit_of(identity, description)
    if misfit is not None:
        what, key = misfit
        raise UserError(f"{source}: {what}: correct {key}")


def misfit_of(identity: dict[str, Any], description: EngineDescription) -> tuple[str, str] | None:
    """Return in what a device differs from the description, and under which key that stands; None
    where it may be the described one."""
    axes = description.axes
    if identity["banks"] != len(description.bank):
        what = (
            f"the device has {identity['banks']} banks, the engine description "
            f"{len(description.bank)}"
        )
        return what, "its [[bank]] entries"
    axis = identity["load_axis"]
    kind = LOAD_AXES[axis] if axis < len(LOAD_AXES) else "unknown"
    if kind not in ("unknown", axes.load_axis):
        what = f"the device's load axis is {kind}, the engine description's {axes.load_axis}"
        return what, "axes.load_axis"
    speeds = [point["speed_rpm"] for point in identity["speed_points"]]
    loads = [point["load"] for point in identity["load_points"]]
    if what := _misfit_of_axis(speeds, axes.speed_rpm, SPEED_STEP_RPM):
        return what, "axes.speed_rpm"
    if what := _misfit_of_axis(loads, axes.load, LOAD_STEP):
        return what, "axes.load"
    return None


def _misfit_of_axis(device: list[float], described: list[float], step: float) -> str:
    if not device:  # the device does not know its axes
        return ""
    if len(device) != len(described):
        return (
            f"the device has {len(device)} breakpoints where the engine description has "
            f"{len(described)}"
        )
    for place, (there, here) in enumerate(zip(device, described, strict=True), start=1):
        if not abs(there - here) <= step:
            return (
                f"breakpoint {place} is {there:g} in the device and {here:g} in the engine "
                "description"
            )
    return ""
