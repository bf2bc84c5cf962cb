"""The page's server: who may look, at what, and that no viewer costs the run anything."""

import http.client
import re
import socket
import time
from collections.abc import Iterator
from functools import partial

import pytest
from page_bench import KEY, Viewer, a_page, ask, free_address
from processes import wait_for

from breathmap.tools.base.errors import UserError
from breathmap.tools.page import address, server
from breathmap.tools.page.address import take_address
from breathmap.tools.page.show import Page


@pytest.fixture
def page() -> Iterator[Page]:
    """A page on this machine."""
    with a_page() as shown:
        yield shown


def test_page_is_whole_by_itself_and_forbids_the_rest(page: Page) -> None:
    """The page names no place but its own, its policy forbids every other, and every answer says
    that it is neither kept, framed, guessed at nor told on."""
    link = page.server.address.link
    for name in ("", "page.css", "page.js", "icon.svg"):
        status, headers, body = ask(link + name)
        assert status == 200
        rules = dict(
            rule.strip().split(" ", 1) for rule in headers["Content-Security-Policy"].split(";")
        )
        assert rules["default-src"] == "'none'"
        assert {rules[f"{kind}-src"] for kind in ("script", "style", "img", "connect")} == {
            "'self'"
        }
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cache-Control"] == "no-store"
        assert "Server" not in headers
        assert "Access-Control-Allow-Origin" not in headers
        assert re.sub("http://www.w3.org/2000/svg", "", body).count("//") == 0 or name == "page.js"
        assert "http" not in re.sub("http://www.w3.org/2000/svg", "", body)
    assert "carbon monoxide" in ask(link)[2]
    assert "second person" in ask(link)[2]


def test_nothing_can_be_commanded(page: Page) -> None:
    """Only GET is answered, for the page, its files and its news; there is nothing else."""
    link = page.server.address.link
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD"):
        for name in ("", "events", "page.js", "anything"):
            assert ask(link + name, method)[0] == 405
    for name in ("anything", "page.html", "../news.py", "%2e%2e/news.py", "files/page.js"):
        assert ask(link + name)[0] == 404


def test_other_names_that_lead_here_are_refused(page: Page) -> None:
    """A name that somebody else made lead to this machine shows nothing."""
    link = page.server.address.link
    port = page.server.address.sockets[0].getsockname()[1]
    for host in ("evil.example", f"evil.example:{port}", "127.0.0.1", f"127.0.0.1:{port + 1}", ""):
        for name in ("", "events", "page.js"):
            status, _, body = ask(link + name, host=host)
            assert status == 403
            assert "<" not in body
    for host in (f"localhost:{port}", f"LOCALHOST:{port}", f"127.0.0.1:{port}"):
        assert ask(link, host=host)[0] == 200


def test_key_is_needed() -> None:
    """With a key nothing is shown without it, whole and as it is; the link opens the page."""
    with a_page(KEY) as page:
        link = page.server.address.link
        bare = link.removesuffix(f"{KEY}/")
        for path in ("", "events", "page.js", f"{KEY[:-1]}/", f"{KEY}x/events", f"{KEY.upper()}/"):
            assert ask(bare + path)[0] == 403, path
        assert ask(link)[0] == 200
        assert ask(link + "page.js")[0] == 200
        viewer = Viewer(link)
        assert viewer.status == 200
        viewer.close()


def test_keys_are_random_long_and_easy_to_type() -> None:
    """No two keys are alike, and none has letters that are taken for others."""
    keys = {address.new_key() for _ in range(100)}
    assert len(keys) == 100
    assert all(len(key) == 16 and not set(key) & set("0O1Il") for key in keys)


@pytest.mark.parametrize(
    ("host", "said"),
    [
        ("0.0.0.0", "no address of one network"),
        ("::", "no address of one network"),
        ("no-such-host.invalid", "no address is known under that name"),
        ("203.0.113.77", "this machine has no such address"),
    ],
)
def test_where_the_page_cannot_be_is_told(host: str, said: str) -> None:
    """An address that is nobody's, everybody's or another's is refused with what to do."""
    with pytest.raises(UserError, match=said):
        take_address(host, 0)


def test_an_address_of_a_network_has_a_key(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is not loopback gets a link with a key, and is known by its name and its number."""
    bound = free_address().sockets
    monkeypatch.setattr(
        socket, "getaddrinfo", lambda *rest, **more: [(2, 1, 6, "", ("192.0.2.7", 0))]
    )
    monkeypatch.setattr(address, "bind_sockets", lambda port, name: bound)
    taken = take_address("bench.example", 0)
    port = bound[0].getsockname()[1]
    taken.close()
    assert re.fullmatch(rf"http://bench\.example:{port}/[a-z2-9]{{16}}/", taken.link)
    assert taken.hosts == {f"bench.example:{port}", f"192.0.2.7:{port}"}


def test_a_viewer_that_vanishes_leaves_nothing(page: Page) -> None:
    """Viewers come, vanish and come back, and each sees what is now; none is kept."""
    link, viewers = page.server.address.link, page.server.viewers
    for number in range(5):
        page.post(partial(dict, head=[str(number)]))
        viewer = Viewer(link)
        assert viewer.take()["parts"] == {"head": [str(number)]}
        wait_for(lambda: len(viewers) == 1)
        viewer.close()
        wait_for(lambda: not viewers, seconds=10.0)


def test_a_slow_viewer_holds_up_nobody_and_gets_the_newest(page: Page) -> None:
    """While one viewer takes nothing, posting never waits and others have every snapshot; when it
    goes on, it skips to the newest."""
    link = page.server.address.link
    page.post(lambda: {"head": [""]})
    slow, quick = Viewer(link), Viewer(link)
    quick.take()
    longest_s = 0.0
    for number in range(60):
        began = time.monotonic()
        page.post(partial(dict, head=[str(number), "x" * 400_000]))
        longest_s = max(longest_s, time.monotonic() - began)
        while quick.parts["head"][0] != str(number):
            quick.take()
    assert longest_s < 5.0
    came = 0
    while not slow.parts or slow.parts["head"][0] != "59":
        slow.take()
        came += 1
    assert came < 45
    slow.close()
    quick.close()


def test_too_many_viewers_are_told_so(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond a bound a viewer is sent away, and those who look go on looking."""
    monkeypatch.setattr(server, "MOST_VIEWERS", 1)
    first = Viewer(page.server.address.link)
    wait_for(lambda: len(page.server.viewers) == 1)
    assert ask(page.server.address.link + "events")[0] == 503
    page.post(lambda: {"head": ["1"]})
    while "head" not in first.parts:
        first.take()
    first.close()


def test_connections_without_end_are_closed(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever opens connections and asks nothing takes no more of the run's files than a few; when
    they are gone the page is there again."""
    monkeypatch.setattr(server, "MOST_CONNECTIONS", 3)
    where = page.server.address.sockets[0].getsockname()
    idle = [socket.create_connection(where, timeout=20.0) for _ in range(8)]
    assert sum(_is_closed(one) for one in idle[3:]) == 5
    for one in idle:
        one.close()
    wait_for(lambda: _answers(page.server.address.link))


def _is_closed(connection: socket.socket) -> bool:
    try:
        return connection.recv(1) == b""
    except ConnectionError:
        return True


def _answers(link: str) -> bool:
    try:
        return ask(link)[0] == 200
    except (OSError, http.client.HTTPException):
        return False


def test_the_end_is_told_to_who_looks() -> None:
    """A run that ends without an outcome says so to its viewers before the page goes."""
    with a_page() as page:
        viewer = Viewer(page.server.address.link)
        viewer.take()
    while viewer.phase != "over":
        viewer.take()
    assert "without a result" in viewer.parts["outcome"]["lines"][0]
    viewer.close()
    with pytest.raises(OSError, match="refused"):
        ask(page.server.address.link)


def test_a_mistake_on_the_page_ends_no_run(page: Page) -> None:
    """What cannot be shown is told once, and the run goes on without the page."""

    def wrong() -> dict[str, object]:
        raise KeyError("nothing here")

    page.post(wrong)
    page.post(lambda: {"head": ["1"]})
    assert page.news.version == 0
