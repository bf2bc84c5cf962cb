"""What the view's tests share: the bench, a short recording, a session behind a view."""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest
from view_bench import new_session

from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.simulating import Order, prepare, write_recording
from breathmap.tools.run.observer import Observer
from breathmap.tools.run.sources import read_files
from breathmap.tools.view.app import View
from breathmap.tools.view.map import Look
from breathmap.tools.view.source import Notes, Source
from breathmap.tools.view.state import Knowing, Watch


@pytest.fixture(scope="session")
def ride(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty seconds of road riding, 25 samples a second."""
    path = tmp_path_factory.mktemp("view") / "ride.bin"
    write_recording(prepare(Order(minutes=2.0 / 3.0)), path, Screen(quiet=True))
    return path


Steps = Callable[[View, Any], Coroutine[Any, Any, None]]


@pytest.fixture
def run_view(ride: Path, tmp_path: Path) -> Callable[..., View]:
    """Run the view over the ride, with steps for Textual's pilot; returns it when it has closed."""

    def run(
        steps: Steps,
        size: tuple[int, int] = (80, 24),
        speed: float = 1000.0,
        look: Look | None = None,
    ) -> View:
        session = new_session()
        lock, watch, stop = threading.Lock(), Watch(session), Stop()

        def work(observer: Observer) -> None:
            read_files([ride], session, stop, observer)

        source = Source(session, watch, lock, stop, work, speed)
        view = View(
            source, watch, Knowing(session, watch, lock), Notes(tmp_path), lock, look or Look()
        )

        async def go() -> None:
            async with view.run_test(size=size) as pilot:
                await steps(view, pilot)
            stop.asked = True

        asyncio.run(go())
        if source.ident is not None:
            source.join()
        assert source.error is None
        return view

    return run
