"""A port that can be found again after it was unplugged, and is not taken for another.

By its lasting link where the system keeps one, else by the adapter's serial number, else in the
same socket, else by the same name. A network address stays as it is.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serial.tools import list_ports

from breathmap.tools.base.errors import UserError

LINKS = Path("/dev/serial/by-id")
# Pseudo-terminals: a new terminal window may get the number that a simulated port had.
TERMINALS = "/dev/pts/"
Listing = Callable[[], Sequence[Any]]


@dataclass(frozen=True)
class PortName:
    """How a port is known. url: as the person gave it. link: its lasting name, "" where there is
    none. usb: (vendor, product, serial number, socket) of its adapter, None where it tells none."""

    url: str
    link: str = ""
    usb: tuple[int, int, str, str] | None = None


def name_of(url: str, links: Path = LINKS, listing: Listing = list_ports.comports) -> PortName:
    """Return how a port that is there can be found again."""
    if "://" in url:
        return PortName(url)
    place = os.path.realpath(url)
    usb = next((_usb(port) for port in listing() if os.path.realpath(port.device) == place), None)
    # Without a serial number two adapters of a kind share one link.
    is_unique = usb is None or usb[2]
    link = next((str(link) for link in _links_in(links) if os.path.realpath(link) == place), "")
    return PortName(url, link if is_unique else "", usb)


def find(name: PortName, listing: Listing = list_ports.comports) -> str:
    """Return what to open. UserError, in words that follow "waiting for it: ", while it is not
    there."""
    if "://" in name.url:
        return name.url
    if name.link:
        return _there(name.link)
    if name.usb is not None:
        return _by_adapter(name, name.usb, listing())
    place = os.path.realpath(_there(name.url))
    if place.startswith(TERMINALS) and _is_somebodys_terminal(place):
        raise UserError("somebody's terminal has its name now")
    return name.url


def _usb(port: Any) -> tuple[int, int, str, str] | None:
    if port.vid is None or port.pid is None:
        return None
    return (port.vid, port.pid, port.serial_number or "", port.location or "")


def _links_in(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() else []


def _there(path: str) -> str:
    # On Windows names of ports are no files.
    if os.name != "nt" and not os.path.exists(path):
        raise UserError("it is not there")
    return path


def _by_adapter(name: PortName, usb: tuple[int, int, str, str], ports: Sequence[Any]) -> str:
    known = [(port.device, _usb(port)) for port in ports]
    same = [(device, found) for device, found in known if found and found[:3] == usb[:3]]
    in_socket = [device for device, found in same if found[3] == usb[3]]
    place = os.path.realpath(name.url)
    by_name = [device for device, _ in same if os.path.realpath(device) == place]
    # Its serial number says that it is ours wherever it is plugged in.
    anywhere = [device for device, _ in same] if usb[2] and len(same) == 1 else []
    for device in (*in_socket, *by_name, *anywhere):
        return str(device)
    if any(os.path.realpath(device) == place for device, _ in known):
        raise UserError("another adapter has its name now")
    raise UserError("it is not there" if usb[2] else "it is not there; plug it into its old socket")


def _is_somebodys_terminal(path: str) -> bool:
    """True when a process has it as its controlling terminal (Linux tells)."""
    try:
        number = os.stat(path).st_rdev
        return any(_terminal_of(folder) == number for folder in Path("/proc").glob("[0-9]*"))
    except OSError:
        return False


def _terminal_of(process: Path) -> int:
    try:
        # Behind the name of the program, which may hold anything but ends with the last ")".
        fields = (process / "stat").read_text(errors="replace").rpartition(")")[2].split()
        return _device_number(int(fields[4]))
    except (OSError, IndexError, ValueError):
        return -1


def _device_number(packed: int) -> int:
    """Return a device number as `os.stat` gives it from that of a `stat` file of Linux."""
    return os.makedev((packed >> 8) & 0xFFF, (packed & 0xFF) | ((packed >> 12) & 0xFFF00))
