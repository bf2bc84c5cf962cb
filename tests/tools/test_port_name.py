"""How a port is found again, and what is not taken for it."""

import os
import pty
import signal
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port_name import PortName, find, name_of


def adapter(
    device: Path | str, serial: str | None = "A1", socket: str = "1-1", pid: int = 7
) -> Any:
    """Return what the system lists of a USB adapter."""
    return SimpleNamespace(
        device=str(device), vid=5, pid=pid, serial_number=serial, location=socket
    )


def device(folder: Path, name: str) -> Path:
    """Return a new device's path."""
    path = folder / name
    path.write_bytes(b"")
    return path


def test_a_lasting_link_is_followed(tmp_path: Path) -> None:
    """A port with a link of its own is opened by that, whatever number it has when it is back."""
    links = tmp_path / "links"
    links.mkdir()
    old = device(tmp_path, "usb0")
    (links / "usb-bench-A1").symlink_to(old)
    name = name_of(str(old), links, lambda: [adapter(old)])
    assert name.link == str(links / "usb-bench-A1")
    assert find(name, list) == name.link

    (links / "usb-bench-A1").unlink()
    with pytest.raises(UserError, match="it is not there"):
        find(name, list)  # what stands under the old number may be another
    (links / "usb-bench-A1").symlink_to(device(tmp_path, "usb1"))
    assert os.path.realpath(find(name, list)) == str(tmp_path / "usb1")


def test_a_serial_number_is_found_in_any_socket(tmp_path: Path) -> None:
    """Without links the adapter's serial number tells where it is, and an adapter of another that
    has its name is not opened."""
    old, new = device(tmp_path, "usb0"), device(tmp_path, "usb1")
    name = name_of(str(old), tmp_path / "none", lambda: [adapter(old)])
    other = adapter(old, serial="B2")
    assert find(name, lambda: [other, adapter(new, socket="1-2")]) == str(new)
    with pytest.raises(UserError, match="another adapter has its name now"):
        find(name, lambda: [other])


def test_adapters_of_a_kind_without_a_number_are_told_by_their_socket(tmp_path: Path) -> None:
    """Two like adapters without serial numbers: the one in the old socket is it, the other never,
    and a link that both share is not relied on."""
    links = tmp_path / "links"
    links.mkdir()
    old, new = device(tmp_path, "usb0"), device(tmp_path, "usb1")
    (links / "usb-bench").symlink_to(old)
    name = name_of(str(old), links, lambda: [adapter(old, None)])
    assert not name.link
    neighbour = adapter(new, None, "1-2")
    with pytest.raises(UserError, match="plug it into its old socket"):
        find(name, lambda: [neighbour])
    assert find(name, lambda: [neighbour, adapter(tmp_path / "usb2", None)]).endswith("usb2")
    assert find(name, lambda: [adapter(old, None, "1-3")]) == str(old)


def test_addresses_and_plain_names_stay(tmp_path: Path) -> None:
    """A network address is opened as it is, a port that tells nothing of itself by its name."""
    address = "socket://127.0.0.1:3333"
    assert find(name_of(address, tmp_path, list), list) == address
    plain = device(tmp_path, "tty7")
    name = name_of(str(plain), tmp_path / "none", list)
    assert name == PortName(str(plain))
    assert find(name, list) == str(plain)
    plain.unlink()
    with pytest.raises(UserError, match="it is not there"):
        find(name, list)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks Linux whose terminal it is")
def test_a_terminal_window_is_not_taken_for_a_port(tmp_path: Path) -> None:
    """A pseudo-terminal's number that a terminal window has now is left alone: somebody types
    there."""
    child, master = pty.fork()
    if not child:
        os.write(1, os.ttyname(0).encode() + b"\n")
        time.sleep(60.0)
        os._exit(0)
    try:
        place = os.read(master, 100).decode().strip()
        with pytest.raises(UserError, match="somebody's terminal"):
            find(PortName(place), list)
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(master)
    master, other = os.openpty()
    assert find(PortName(os.ttyname(other)), list) == os.ttyname(other)
    os.close(master)
    os.close(other)
