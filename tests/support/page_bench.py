"""A page on a free port of this machine, and viewers that read it without a browser."""

import http.client
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any
from urllib.parse import urlsplit

from view_bench import new_session

from breathmap.learner.words.description import EngineDescription
from breathmap.tools.base.screen import Screen
from breathmap.tools.page.address import Address, take_address
from breathmap.tools.page.show import Page, Teller
from breathmap.tools.run.session import Session
from breathmap.tools.view.looking import Looking
from breathmap.tools.view.state import Knowing, Watch

KEY = "abcdefghijkmnpqr"


def free_address(key: str = "") -> Address:
    """Return a free port of this machine, with a key as on another network."""
    address = take_address(port=0)
    return replace(address, key=key, link=address.link + (f"{key}/" if key else ""))


@contextmanager
def a_page(key: str = "") -> Iterator[Page]:
    """A page that nothing is shown on yet."""
    with Page(free_address(key), Screen(quiet=True)) as page:
        yield page


class Shown:
    """A session on a page; bytes are learned, and solved, as the test says."""

    def __init__(self, page: Page, data: bytes = b"", name: str = "", coolant_c: float = 0) -> None:
        self.session = named(name) if name else new_session()
        if coolant_c:
            self.session.alarms.limits.coolant_max_c = coolant_c
        lock, watch = threading.Lock(), Watch(self.session)
        self.looking = Looking(self.session, watch, lock)
        self.knowing = Knowing(self.session, watch, lock)
        self.teller = Teller(page, self.looking, self.knowing)
        self.session.begin("test")
        self.feed(data)

    def feed(self, data: bytes) -> None:
        """Learn, and show it."""
        with self.looking.learning():
            self.session.feed(data)
        self.show()

    def solve(self) -> None:
        """Find what takes long, and show it."""
        self.knowing.look()
        self.show()

    def show(self) -> None:
        """Hand over a snapshot, due or not."""
        self.teller._posted_s = self.teller._landed_s = float("-inf")
        self.teller.tell()


def named(name: str) -> Session:
    """Return a session whose engine and banks are called so."""
    session = new_session()
    description: EngineDescription = session.description
    banks = [bank.model_copy(update={"name": name}) for bank in description.bank]
    engine = description.engine.model_copy(update={"name": name})
    session.description = description.model_copy(update={"bank": banks, "engine": engine})
    return session


class Viewer:
    """Reads the stream of news as a browser does."""

    def __init__(self, link: str) -> None:
        where = urlsplit(link)
        assert where.hostname is not None
        self.socket = socket.create_connection((where.hostname, where.port or 80), timeout=20.0)
        request = f"GET {where.path}events HTTP/1.1\r\nHost: {where.netloc}\r\n\r\n"
        self.socket.sendall(request.encode())
        self._answer = http.client.HTTPResponse(self.socket)
        self._answer.begin()
        self.status = self._answer.status
        self.parts: dict[str, Any] = {}
        self.phase = ""

    def take(self) -> dict[str, Any]:
        """Return the next message."""
        while not (line := self._answer.readline()).startswith(b"data: "):
            assert line, "the stream has ended"
        message: dict[str, Any] = json.loads(line[6:])
        self.parts |= message["parts"]
        self.phase = message["phase"]
        return message

    def close(self) -> None:
        """Vanish."""
        self._answer.close()
        self.socket.close()


def ask(link: str, method: str = "GET", host: str | None = None) -> tuple[int, dict[str, str], str]:
    """Return status, headers and body of one request."""
    where = urlsplit(link)
    connection = http.client.HTTPConnection(where.netloc, timeout=20.0)
    connection.request(method, where.path, headers={} if host is None else {"Host": host})
    answer = connection.getresponse()
    body = answer.read().decode()
    connection.close()
    return answer.status, dict(answer.getheaders()), body
