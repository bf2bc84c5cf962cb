"""Serves the page: a small web server in a thread of its own, read-only, that knows only `News`.

GET and nothing else; every answer is a file of ours or the stream of news (server-sent events).
Without the link's key, or under a name that is not ours (another's name that was made to lead
here), the answer is 403. A viewer costs a coroutine, and at most one message that is on its way.
"""

import asyncio
import contextlib
import hmac
import threading
from pathlib import Path
from typing import Any

from tornado.httpserver import HTTPServer
from tornado.iostream import IOStream, StreamClosedError
from tornado.web import Application, RequestHandler

from breathmap.tools.base.pages import environment
from breathmap.tools.page.address import Address
from breathmap.tools.page.news import OVER, News
from breathmap.tools.report.words import CAUTIONS
from breathmap.tools.view.map import CIVIDIS, ink_on
from breathmap.tools.view.operator import STATE_COLOURS, STATE_INK

FILES = Path(__file__).with_name("files")
KINDS = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# A viewer hears so often that there is nothing new, and so knows that the line is alive.
STILL_S = 1.0
# A viewer that takes nothing for so long is gone.
GIVE_UP_S = 15.0
MOST_VIEWERS = 64
# A run needs files of its own: whoever opens connections without end takes none of them away.
MOST_CONNECTIONS = 200
HEADER_BYTES = 16384
# How long viewers may take to get the last message, and the thread to end.
LAST_S = 1.5
END_S = 5.0


class Server:
    """Listens from the beginning, answers from `start` to `end`."""

    def __init__(self, address: Address, news: News) -> None:
        self.address = address
        self.news = news
        # One for each viewer, set when there is something new. The server's thread's alone.
        self.viewers: set[asyncio.Event] = set()
        self.pages = _files()
        self._loop = asyncio.new_event_loop()
        self._over = asyncio.Event()
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def start(self) -> None:
        """Answer from now on."""
        self.news.woken = lambda: self._call(self._wake)
        self._thread.start()

    def end(self) -> None:
        """Let the viewers have the last news, and answer no more."""
        self._call(self._over.set)
        if self._thread.is_alive():
            self._thread.join(END_S)
        self.address.close()

    def _call(self, what: Any) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has been closed
            self._loop.call_soon_threadsafe(what)

    def _wake(self) -> None:
        for viewer in self.viewers:
            viewer.set()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        finally:
            self._loop.close()

    async def _serve(self) -> None:
        application = Application(
            [(r"/(.*)", Answer, {"server": self})], log_function=lambda handler: None
        )
        server = Doorkeeper(
            application,
            max_header_size=HEADER_BYTES,
            max_body_size=HEADER_BYTES,
            idle_connection_timeout=60.0,
            body_timeout=5.0,
        )
        server.add_sockets(self.address.sockets)
        await self._over.wait()
        server.stop()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._all_served(), LAST_S)
        await server.close_all_connections()

    async def _all_served(self) -> None:
        while self.viewers and self.news.phase == OVER:
            await asyncio.sleep(0.02)


class Doorkeeper(HTTPServer):
    """Lets so many connections in at a time, and closes others at once."""

    def initialize(self, *rest: Any, **more: Any) -> None:
        """Called by the constructor."""
        super().initialize(*rest, **more)
        self.open = 0

    def handle_stream(self, stream: IOStream, address: Any) -> None:
        """A connection has come."""
        if self.open >= MOST_CONNECTIONS:
            stream.close()
            return
        self.open += 1
        super().handle_stream(stream, address)

    def on_close(self, server_conn: object) -> None:
        """A connection has gone."""
        self.open -= 1
        super().on_close(server_conn)


class Answer(RequestHandler):
    """One answer. What is asked for stands behind the key: `KEY/page.js`."""

    SUPPORTED_METHODS = ("GET",)

    def initialize(self, server: Server) -> None:
        self._server = server
        self._wake = asyncio.Event()

    def set_default_headers(self) -> None:
        self.clear_header("Server")
        for name, value in (
            ("Content-Security-Policy", POLICY),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Cross-Origin-Opener-Policy", "same-origin"),
            ("Cache-Control", "no-store"),
        ):
            self.set_header(name, value)

    async def get(self, path: str) -> None:
        """Answer."""
        address = self._server.address
        if self.request.host.lower() not in address.hosts:
            self._refuse(403, "This is not the name under which the page is shown.")
            return
        name = path
        if address.key:
            given, _, name = path.partition("/")
            if not hmac.compare_digest(given.encode(), address.key.encode()):
                self._refuse(403, "The page is shown to those who have its link, key and all.")
                return
        if name == "events":
            await self._tell()
        elif name in self._server.pages:
            self.set_header("Content-Type", KINDS.get(name, "text/html; charset=utf-8"))
            self.finish(self._server.pages[name])
        else:
            self._refuse(404, "There is no such page.")

    def _refuse(self, status: int, line: str) -> None:
        self.set_status(status)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish(line + "\n")

    def write_error(self, status_code: int, **rest: Any) -> None:
        """Answer what is no GET, or no request, with its number alone."""
        self._refuse(status_code, f"{status_code}: this page is only looked at.")

    def on_connection_close(self) -> None:
        self._wake.set()

    async def _tell(self) -> None:
        server = self._server
        if len(server.viewers) >= MOST_VIEWERS:
            self._refuse(503, f"{MOST_VIEWERS} viewers look at it already.")
            return
        self.set_header("Content-Type", "text/event-stream; charset=utf-8")
        server.viewers.add(self._wake)
        try:
            await self._tell_on()
        except StreamClosedError:
            pass
        except TimeoutError:
            self.detach().close()
        finally:
            server.viewers.discard(self._wake)

    async def _tell_on(self) -> None:
        """Send what changed whenever something did, and that the line is alive."""
        news, version = self._server.news, -1
        self.write("retry: 1000\n\n")
        while True:
            self._wake.clear()
            text, version = news.message(version)
            self.write(f"data: {text}\n\n")
            await asyncio.wait_for(self.flush(), GIVE_UP_S)
            if news.phase == OVER and version == news.version:
                return
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), STILL_S)


def _files() -> dict[str, bytes]:
    """Return what can be asked for by name."""
    templates = environment(FILES)
    shades = [(colour, ink_on(step)) for step, colour in enumerate(CIVIDIS)]
    states = [(state, colour, STATE_INK[state]) for state, colour in STATE_COLOURS.items()]
    css = templates.get_template("page.css").render(shades=shades, states=states)
    html = templates.get_template("page.html").render(cautions=CAUTIONS)
    files = {name: (FILES / name).read_bytes() for name in ("page.js", "icon.svg")}
    return files | {"page.css": css.encode(), "": html.encode()}
