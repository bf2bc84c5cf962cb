"""The page of `breathmap plot`, looked at in a headless browser."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import needs_browser, started_browser
from plot_bench import made_up_drive
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from breathmap.tools.plot.write import render

EVIL = "<script>window.evil = 1</script>\"'</script><!--<img src=x onerror='window.evil = 1'>"
INJECTED = (
    "<script>window.evil = 1</script>"
    '<img src="data:," onerror="window.evil = 1">'
    '<script src="data:text/javascript,window.evil=1"></script>'
)

pytestmark = needs_browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless browser."""
    with started_browser(width=1280) as driver:
        yield driver


def opened(browser: Any, path: Path, page: str) -> Any:
    """Open a page; return its first canvas, once it is drawn."""
    path.write_text(page, encoding="utf-8")
    browser.get(path.as_uri())
    WebDriverWait(browser, 20).until(
        lambda d: d.execute_script("return document.getElementById('at').textContent") != ""
    )
    return browser.find_element(By.CSS_SELECTOR, "canvas")


def values(browser: Any, said: str, drive: int = 0) -> str:
    """Return the values under the cursor once they hold a text."""
    find = f"return document.querySelectorAll('.values')[{drive}].textContent"
    WebDriverWait(browser, 10).until(lambda d: said in d.execute_script(find))
    return str(browser.execute_script(find))


def test_names_run_nothing_and_values_show(browser: Any, tmp_path: Path) -> None:
    """Names full of markup are shown as text; pointer and keys move one cursor over all drives,
    which tells values, errors, reasons and alarms, and the console stays silent."""
    drives = [made_up_drive(EVIL, 1000, (EVIL, "right")), made_up_drive("other", 600)]
    page = render(drives, is_beside=False)
    assert "<script>window" not in page
    canvas = opened(browser, tmp_path / "evil.html", page)

    ActionChains(browser).move_to_element(canvas).perform()
    shown = values(browser, "learned")
    middle = re.search(r"at 0:(\d\d\.\d\d): speed \d{4} rpm, load \d\d\.\d kPa", shown)
    assert middle is not None, shown
    assert float(middle[1]) == pytest.approx(9.65, abs=0.3)
    assert EVIL in shown
    assert re.search(r"0\.9\d\d0\.90\d ± 0\.0040\.950learned", shown)
    at = f"at 0:{middle[1]}"
    assert at in values(browser, "learned", drive=1)

    canvas.send_keys(Keys.ARROW_RIGHT)
    values(browser, f"at 0:{float(middle[1]) + 0.02:05.2f}")
    canvas.send_keys(Keys.HOME)
    shown = values(browser, "at 0:00.00")
    assert shown.count("not learned: ") == 2
    assert "the load moved too far" in shown
    assert "the throttle moved too far" in shown
    browser.find_element(By.CSS_SELECTOR, "button[data-from]").click()
    assert "ALARM: lean under load" in values(browser, "at 0:02.00")
    canvas.send_keys(Keys.END)
    assert values(browser, "over", drive=1) == "This drive is over."

    assert browser.execute_script("return window.evil === undefined")
    assert [entry for entry in browser.get_log("browser") if entry["level"] != "INFO"] == []


def test_the_peak_stays_and_shows_closer(browser: Any, tmp_path: Path) -> None:
    """A peak of one sample among many is drawn in the whole view; closer, the cursor finds it."""
    page = render([made_up_drive("long", 20_000)], is_beside=False)
    canvas = opened(browser, tmp_path / "long.html", page)
    # The first track's highest dark dot is that of the peak: the scale follows it.
    dark = """
        const c = document.querySelector('canvas'), x = Math.round((46 + (c.width - 52) / 2));
        const dots = c.getContext('2d').getImageData(x - 3, 19, 7, 40).data;
        for (let k = 0; k < dots.length; k += 4) if (dots[k] < 80 && dots[k + 3]) return true;
        return false;"""
    assert browser.execute_script(dark)
    # The labels take 40 dots more on the left than on the right.
    ActionChains(browser).move_to_element_with_offset(canvas, 20, 0).perform()
    for _ in range(8):
        canvas.send_keys("+")
    ActionChains(browser).move_to_element_with_offset(canvas, 20, 0).perform()
    canvas.send_keys(Keys.ARROW_LEFT * 4)
    for _ in range(24):
        if "speed 8000" in values(browser, "speed"):
            break
        canvas.send_keys(Keys.ARROW_RIGHT)
    assert "speed 8000" in values(browser, "speed")


def test_an_injected_script_does_not_run(browser: Any, tmp_path: Path) -> None:
    """Markup that got into the file all the same runs nothing, and the page still works."""
    page = render([made_up_drive("ride", 500)], is_beside=False)
    page = page.replace("<header>", f"{INJECTED}<header>")
    assert INJECTED in page
    canvas = opened(browser, tmp_path / "injected.html", page)
    ActionChains(browser).move_to_element(canvas).perform()
    values(browser, "learned")

    assert browser.execute_script("return window.evil === undefined")
    said = " ".join(entry["message"] for entry in browser.get_log("browser"))
    assert "Content Security Policy" in said


def test_a_telephone_shows_it(browser: Any, tmp_path: Path) -> None:
    """On a screen 360 dots wide the page does not move sideways, and a finger finds values."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 360, "height": 800, "deviceScaleFactor": 1, "mobile": True},
    )
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    canvas = opened(browser, tmp_path / "small.html", render([made_up_drive("r", 500)] * 2, True))
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 360
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    box = browser.execute_script(
        "const r = arguments[0].getBoundingClientRect(); return [r.left, r.top, r.width]", canvas
    )
    point = {"x": box[0] + box[2] / 2, "y": box[1] + 60}
    for kind, points in (("touchStart", [point]), ("touchEnd", [])):
        order = {"type": kind, "touchPoints": points}
        browser.execute_cdp_cmd("Input.dispatchTouchEvent", order)
    assert "speed" in values(browser, "learned", drive=1)
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
