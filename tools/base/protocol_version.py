"""A device that speaks a later version of the protocol is refused in one line, everywhere alike."""

from breathmap.protocol.host.link import Counters, Event, NewerVersion
from breathmap.protocol.wire.fields import PROTOCOL_VERSION
from breathmap.tools.base.errors import UserError

# So many frames of a later version, and none of ours, are no accident.
NEWER_FRAMES = 3


def refuse_newer(where: str, device: str, counters: Counters, event: Event) -> None:
    """UserError when an event shows that the device speaks a later version; else nothing."""
    if not isinstance(event, NewerVersion) or counters.frames:
        return
    if counters.newer_version >= NEWER_FRAMES:
        raise UserError(
            f"{where}: the {device} speaks protocol version {event.version}, this software knows "
            f"version {PROTOCOL_VERSION}: update breathmap"
        )
