"""The options of the page, for every command that can show one."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.run.observer import Show
from breathmap.tools.view.show import InView

if TYPE_CHECKING:
    from breathmap.tools.demo.simulating import Bench
    from breathmap.tools.page.engine import EnginePage
    from breathmap.tools.page.show import Page

AskedPage = Annotated[
    bool,
    typer.Option(
        "--page",
        help="Show it in a browser on this machine, too: prints a link to look at, from which "
        "nothing can be changed.",
    ),
]
PagePort = Annotated[
    int | None,
    typer.Option(
        min=0,
        max=65535,
        metavar="N",
        help="With --page: its port (default 8724; 0 picks a free one).",
        show_default=False,
    ),
]
PageHost = Annotated[
    str | None,
    typer.Option(
        metavar="HOST",
        help="With --page: this machine's address on the bench's network, for telephone, tablet "
        "and projector there. Whoever has the link with its key can look; it is not encrypted.",
        show_default=False,
    ),
]
Asked = tuple[bool, int | None, str | None]


@contextmanager
def page_asked(asked: Asked, screen: Screen) -> "Iterator[Page | None]":
    """Show a page where one was asked for; None where not. asked: the three options' values."""
    wanted, port, host = asked
    if not wanted:
        if port is not None or host is not None:
            raise UserError("--page-port and --page-host say where the page is: add --page")
        yield None
        return
    # Here, because the web server takes a moment to load.
    from breathmap.tools.page.address import DEFAULT_PORT, LOOPBACK, take_address
    from breathmap.tools.page.show import Page

    address = take_address(host or LOOPBACK, DEFAULT_PORT if port is None else port)
    with Page(address, screen) as page:
        yield page


def show_in(
    view: bool, page: "Page | None", screen: Screen, speed: float | None = None
) -> tuple[Show | None, InView | None]:
    """Return who shows a run, and the live view where it takes part. speed: see `InView`."""
    in_view = InView(speed) if view else None
    if page is None:
        return in_view, in_view
    from breathmap.tools.page.show import OnPage

    return OnPage(page, screen, speed, in_view), in_view


def engine_page(page: "Page | None", bench: "Bench") -> "EnginePage | None":
    """Return who shows a simulated engine on a page, where there is one."""
    if page is None:
        return None
    from breathmap.tools.demo.teaching_bench import BANKS
    from breathmap.tools.page.engine import EnginePage

    return EnginePage(page, BANKS, None if bench.drive is None else bench.drive.duration_s)
