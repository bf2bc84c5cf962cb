"""A headless browser for tests that look at pages; started once a module."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from selenium import webdriver

needs_browser = pytest.mark.skipif(
    shutil.which("chromium") is None or shutil.which("chromedriver") is None,
    reason="chromium and chromedriver are not installed (apt-get install chromium-driver)",
)


@contextmanager
def started_browser(width: int = 900, *more: str) -> Iterator[Any]:
    """A headless browser, its window so wide, that notes every message of the page's console.
    more: further arguments of its own."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for argument in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
        f"--window-size={width},1400", *more,
    ):  # fmt: skip
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    # The installed driver is named, so that none is looked for on the network.
    service = webdriver.ChromeService(executable_path=shutil.which("chromedriver"))
    driver = webdriver.Chrome(options=options, service=service)
    try:
        yield driver
    finally:
        driver.quit()
