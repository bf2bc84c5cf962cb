"""Where the page is: host, port, key, its link, and under which names a browser may ask for it."""

import errno
import ipaddress
import secrets
import socket
from dataclasses import dataclass

from tornado.netutil import bind_sockets

from breathmap.tools.base.disk import why
from breathmap.tools.base.errors import UserError

LOOPBACK = "127.0.0.1"
DEFAULT_PORT = 8724
# 80 bits, in letters and digits that nobody confuses when they are typed into a telephone.
LETTERS = "abcdefghijkmnpqrstuvwxyz23456789"
KEY_LENGTH = 16
# So little is kept on its way to a viewer that does not take it.
SEND_BUFFER_BYTES = 65536


@dataclass(frozen=True)
class Address:
    """sockets: bound, and listening. key: the link's secret part, "" on loopback. hosts: what a
    browser's Host header may say; a name of somebody else's that leads here is not among them."""

    sockets: list[socket.socket]
    link: str
    key: str
    hosts: frozenset[str]

    def close(self) -> None:
        """Listen no more."""
        for one in self.sockets:
            one.close()


def take_address(host: str = LOOPBACK, port: int = DEFAULT_PORT) -> Address:
    """Listen; UserError in one line when that cannot be done. port: 0 picks a free one."""
    host = host.strip("[]").lower()
    numbers = _numbers_of(host)
    if any(number.is_unspecified or number.is_multicast for number in numbers):
        raise UserError(
            f"--page-host {host} is no address of one network: name this machine's own address on "
            "the bench's network"
        )
    is_loopback = all(number.is_loopback for number in numbers)
    try:
        sockets = bind_sockets(port, str(numbers[0]))
    except OSError as error:
        raise UserError(_why_not(host, port, error)) from None
    for one in sockets:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    port = sockets[0].getsockname()[1]
    names = {host, *map(str, numbers), *(("localhost", LOOPBACK, "::1") if is_loopback else ())}
    hosts = {f"{_bracketed(name)}:{port}" for name in names}
    if port == 80:
        hosts |= {_bracketed(name) for name in names}
    key = "" if is_loopback else new_key()
    link = f"http://{_bracketed(host)}:{port}/" + (f"{key}/" if key else "")
    return Address(sockets, link, key, frozenset(hosts))


def new_key() -> str:
    """Return a random key."""
    return "".join(secrets.choice(LETTERS) for _ in range(KEY_LENGTH))


def _numbers_of(host: str) -> list[ipaddress.IPv4Address | ipaddress.IPv6Address]:
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise UserError(
            f"--page-host {host}: no address is known under that name; give this machine's address "
            "on the bench's network"
        ) from None
    return [ipaddress.ip_address(str(one[4][0]).split("%")[0]) for one in found]


def _bracketed(name: str) -> str:
    return f"[{name}]" if ":" in name else name


def _why_not(host: str, port: int, error: OSError) -> str:
    where = f"the page cannot be at {_bracketed(host)}:{port}"
    if error.errno == errno.EADDRINUSE:
        return f"{where}: another program has that port; give another with --page-port (0: any)"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{where}: this machine has no such address; give its own with --page-host"
    if error.errno == errno.EACCES:
        return f"{where}: no permission; give a port from 1024 on with --page-port"
    return f"{where}: {why(error)}"
