"""A session of the college's bench, and steps of the pilot, for the view's tests."""

import asyncio
from collections.abc import Callable
from typing import Any

from textual.widgets import Static

from breathmap.tools.demo.teaching_bench import college_bench, college_description
from breathmap.tools.run.session import Session
from breathmap.tools.view.app import View


def new_session() -> Session:
    """Return a session of the bench that has learned nothing."""
    parameters, controller = college_bench()
    tables = [controller.read_ve(bank) for bank in range(parameters.banks)]
    return Session(college_description(parameters, "wideband"), tables)


def shown(view: View, name: str) -> str:
    """Return the text of one part of the main screen."""
    return str(view.screen_stack[0].query_one(f"#{name}", Static).content)


async def until(condition: Callable[[], bool]) -> None:
    """Wait for something that must come."""
    async with asyncio.timeout(60.0):
        while not condition():
            await asyncio.sleep(0.02)


async def begin(view: View, pilot: Any) -> None:
    """Leave the start page; wait for the ride's end and an estimate."""
    await pilot.press("enter")
    await until(lambda: view.source.ended)
    view.knowing.look()
    view.refresh_all()
    await pilot.pause()
