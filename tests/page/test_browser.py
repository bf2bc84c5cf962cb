"""The page as a browser shows it: maps, alarms, sound, sizes, and what is no longer live."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import needs_browser, started_browser
from page_bench import Shown, a_page
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from breathmap.learner.core import alarms
from breathmap.tools.page import server
from breathmap.tools.page.show import Page
from breathmap.tools.view.layers import LAYERS, layer_of
from breathmap.tools.view.map import number_text

pytestmark = needs_browser
EVIL = "<img src=x onerror='window.evil=1'><script>window.evil = 1</script>\"'\u202e"
SIZES = ((360, 740), (1280, 800), (1920, 1080))
HOT_C = 40.0


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for the module."""
    with started_browser() as driver:
        yield driver


@pytest.fixture(scope="module")
def data(ride: Path) -> bytes:
    """The ride's bytes."""
    return ride.read_bytes()


@pytest.fixture
def page() -> Iterator[Page]:
    """A page on this machine."""
    with a_page() as shown:
        yield shown


class Seen:
    """The page in the browser, and what stands there."""

    def __init__(self, browser: Any, page: Page) -> None:
        self._browser = browser
        resize(browser, 1280, 800)
        browser.get_log("browser")
        browser.get(page.server.address.link)

    def text(self, name: str) -> str:
        """Return the text of one part."""
        return str(self._browser.find_element(By.ID, name).text)

    def click(self, selector: str) -> None:
        """Click the first that fits."""
        self._browser.find_element(By.CSS_SELECTOR, selector).click()

    def run(self, script: str) -> Any:
        """Return what a script returns."""
        return self._browser.execute_script(script)

    def until(self, condition: Callable[[], Any]) -> None:
        """Wait for what must come."""
        WebDriverWait(self._browser, 20, 0.05).until(lambda _: condition())

    def classes(self) -> list[str]:
        """Return the body's classes."""
        return list(self.run("return [...document.body.classList]"))


def resize(browser: Any, width: int, height: int) -> None:
    """Let the browser be as large as a telephone, laptop or projector."""
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 640}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


MAP = """
const rows = [...document.querySelectorAll('#maps table')[arguments_bank].rows].slice(1).reverse();
return rows.map((row) => [...row.cells].slice(1).map((cell) => [cell.textContent, cell.className]));
"""


# How far to the right each word of the large page reaches.
WORDS = """
const word = document.getElementById('word'), range = document.createRange();
return ['STOP', 'WAITING', 'LEARNING', 'STANDING'].map((text) => {
  word.textContent = text;
  word.parentNode.className = text;
  range.selectNodeContents(word);
  return range.getBoundingClientRect().right;
});
"""


def test_maps_show_the_models_numbers(browser: Any, page: Page, data: bytes) -> None:
    """Every layer of every bank stands there as the terminal's view has it, with the operating
    point and the advised ground marked once, and no complaint on the console."""
    shown = Shown(page, data)
    shown.solve()
    seen = Seen(browser, page)
    seen.until(lambda: "rpm" in seen.text("head"))
    watch, snapshot = shown.looking.watch, shown.knowing.latest
    for number, name in enumerate(LAYERS):
        seen.click(f"#layers button:nth-child({number + 1})")
        for bank in (0, 1):
            layer = layer_of(name, watch, snapshot, bank)
            cells = seen.run(MAP.replace("arguments_bank", str(bank)))
            numbers = [
                [number_text(float(v), 5, layer.signed) for v in row] for row in layer.values
            ]
            assert [[text for text, _ in row] for row in cells] == numbers
            marks = [kind.split() for row in cells for _, kind in row]
            assert sum("here" in kind for kind in marks) == 1
            assert sum("aim" in kind for kind in marks) >= 4
            shades = sum(any(k[0] == "s" for k in kind) for kind in marks)
            assert shades == sum(text != "." for row in cells for text, _ in row)
    assert layer_of("coverage", watch, snapshot, 0).title in seen.text("layers")
    assert seen.text("next").startswith("go next: ")
    assert "last minute: used" in seen.text("spent")
    assert browser.get_log("browser") == []


def test_a_cell_is_chosen_by_tap_and_arrow_and_let_go(
    browser: Any, page: Page, data: bytes
) -> None:
    """The close-up follows the engine until a cell is chosen, and then again when asked to."""
    shown = Shown(page, data)
    shown.solve()
    seen = Seen(browser, page)
    seen.until(lambda: "nearest cell" in seen.text("cell"))
    axes = shown.session.description.axes
    seen.click("#maps section:nth-child(2) tr:last-child td:nth-of-type(3)")
    where = f"{axes.speed_rpm[2]:g} rpm, {axes.load[0]:g} kPa"
    seen.until(lambda: f"chosen cell {where}" in " ".join(seen.text("cell").split()))
    assert seen.text("close-title").startswith("right: ")
    assert "correction ± standard error" in seen.text("cell")
    seen.run(
        "document.querySelectorAll('#maps table')[1]"
        ".dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowUp'}))"
    )
    assert f"{axes.load[1]:g} kPa" in seen.text("cell")
    seen.click("#follow")
    assert "nearest cell" in seen.text("cell")


def test_alarm_is_called_seen_and_called_again(browser: Any, page: Page, data: bytes) -> None:
    """An alarm stands in its banner with the time when it began, sounds, is set aside by who has
    seen it, for that viewer alone, and comes back when its cause does."""
    shown = Shown(page, data[: len(data) // 3], coolant_c=HOT_C)
    seen = Seen(browser, page)
    seen.until(lambda: "STOP NOW: ENGINE TOO HOT" in seen.text("alarms"))
    began = seen.text("alarms")
    assert "at 0:0" in began
    assert seen.text("word") == "STOP"
    assert "hold it" not in seen.text("state")
    seen.until(lambda: seen.run("return document.getElementById('sound').dataset.last") == "STOP")
    assert "tap here once" in seen.text("sound-note")
    button = browser.find_element(By.CSS_SELECTOR, "#alarms button")
    shown.feed(data[len(data) // 3 : len(data) // 3 + 2000])
    shown.looking.watch.came_s[alarms.HOT] += 1.0
    shown.show()
    seen.until(lambda: "(again at" in seen.text("alarms"))
    button.click()  # it stays under the finger while its words change
    seen.until(lambda: seen.text("word") != "STOP")
    assert seen.text("alarms").startswith("seen here: STOP NOW")
    assert shown.session.alarms.latched[alarms.HOT]
    limits = shown.session.alarms.limits
    limits.coolant_max_c = 140.0
    shown.feed(data[len(data) // 3 + 2000 : len(data) // 2])
    limits.coolant_max_c = HOT_C
    shown.feed(data[len(data) // 2 :])
    seen.until(lambda: seen.text("word") == "STOP")
    assert "(again at 0:1" in seen.text("alarms")
    assert began.split(".")[0] in seen.text("alarms")
    with shown.looking.lock:
        shown.session.alarms.acknowledge()
        limits.coolant_max_c = 140.0
    shown.show()
    seen.until(lambda: not seen.text("alarms"))


def test_sound_is_unlocked_by_one_tap(browser: Any, page: Page, data: bytes) -> None:
    """One tap lets alarms be heard, and the note says so from then on."""
    Shown(page, data[:20_000])
    seen = Seen(browser, page)
    seen.until(lambda: "rpm" in seen.text("head"))
    seen.click("#sound")
    seen.until(lambda: "Sound is on" in seen.text("sound-note"))


def test_names_from_files_are_shown_and_never_run(browser: Any, page: Page, data: bytes) -> None:
    """Markup, script and changes of direction in the names of engine and banks are plain text."""
    Shown(page, data[:20_000], EVIL, HOT_C)
    page.over({"lines": [EVIL], "rows": [["", EVIL]], "warnings": [EVIL]})
    seen = Seen(browser, page)
    seen.until(lambda: "<script>" in seen.text("title"))
    assert "<script>" in seen.text("maps")
    assert "<script>" in seen.text("outcome")
    assert "\\u202e" in seen.text("head")
    assert seen.run("return window.evil === undefined && document.images.length === 0")


def test_no_size_scrolls_sideways(browser: Any, page: Page, data: bytes) -> None:
    """At a telephone's 360 dots, on a laptop and on a projector all has its place, maps and large
    word, with an alarm and without."""
    shown = Shown(page, data[: len(data) // 2], coolant_c=HOT_C)
    shown.solve()
    page.post(lambda: {"cause": {"line": "not VE alone: " + "long " * 30, "page": ["word " * 40]}})
    seen = Seen(browser, page)
    seen.until(lambda: "STOP" in seen.text("alarms"))
    for _ in ("maps", "large"):
        for size in SIZES:
            resize(browser, *size)
            wide = seen.run("return [document.documentElement.scrollWidth, innerWidth]")
            assert wide[0] <= wide[1] == size[0]
            assert max(seen.run(WORDS)) <= size[0]
        seen.click("#big")
    resize(browser, 360, 740)
    assert shown.session.samples > 100
    assert browser.find_element(By.CSS_SELECTOR, "#maps .chosen table").rect["width"] > 300


def test_a_lost_line_and_a_run_that_hangs_never_look_live(
    browser: Any, page: Page, data: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is no longer news is grey and says how old it is: at once when the line is lost, and
    when the run has said nothing for seconds though the line is there."""
    # Faster than in life.
    monkeypatch.setattr(server, "STILL_S", 0.2)
    script = page.server.pages["page.js"]
    page.server.pages["page.js"] = script.replace(b"QUIET_MS = 2500", b"QUIET_MS = 700")
    assert page.server.pages["page.js"] != script
    shown = Shown(page, data[: len(data) // 2])
    seen = Seen(browser, page)
    seen.until(lambda: "rpm" in seen.text("head"))
    shown.feed(data[len(data) // 2 :])
    seen.until(lambda: "NO NEWS FROM THE RUN" in seen.text("lost"))
    assert "old" in seen.classes()
    assert seen.text("word") == "LOST"
    shown.show()
    seen.until(lambda: "old" not in seen.classes())
    # As a cable that was pulled: nothing is said any more, not even goodbye.
    page.news.phase = "running"
    page.server._call(page.server._over.set)
    seen.until(lambda: "CONNECTION LOST: this is old, the last news came" in seen.text("lost"))
    assert "old" in seen.classes()


def test_the_end_stays_with_its_outcome(browser: Any, page: Page, data: bytes) -> None:
    """When the run is over the page keeps its last picture, says so, shows what came of it, and
    takes the line's end for no loss."""
    Shown(page, data, coolant_c=HOT_C)
    seen = Seen(browser, page)
    seen.until(lambda: "STOP NOW" in seen.text("alarms"))
    page.over({"rows": [["", "left"], ["used", "87 %"]], "lines": ["Written to monday."]})
    page.server.end()
    seen.until(lambda: "THE RUN HAS ENDED" in seen.text("ended"))
    assert "87 %" in seen.text("rows")
    # What is past calls nobody any more.
    seen.until(lambda: seen.text("alarms").startswith("in the run: STOP NOW"))
    assert "Written to monday." in seen.text("outcome")
    assert "old" not in seen.classes()
    logs = [entry["message"] for entry in browser.get_log("browser")]
    assert not [line for line in logs if "policy" in line.lower()], json.dumps(logs)
