"""The report's file: escaped, without a connection, and looked at in a headless browser."""

import base64
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import needs_browser, started_browser
from report_bench import made_up_bank, made_up_data
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from breathmap.tools.report.data import PassRow
from breathmap.tools.report.write import render

EVIL = "<script>window.evil = 1</script>\"'</script><!--"


def test_names_are_escaped_everywhere() -> None:
    """Names from files never become markup or script: not in the text, not in the figures."""
    bank = made_up_bank(EVIL)
    data = made_up_data(
        bank,
        engine=EVIL,
        notes=[("now", EVIL)],
        setup=[EVIL],
        passes=[PassRow(k, EVIL, 10, 5, 1.0, 1.0) for k in (1, 2)],
    )
    text = render(data)

    assert "<script>window.evil" not in text
    assert "&lt;script&gt;window.evil" in text


def test_file_is_alone_and_forbids_connections(written: Path) -> None:
    """The file loads nothing from anywhere and its policy forbids every connection."""
    text = written.read_text(encoding="utf-8")
    markup = re.sub(r"<script.*?</script>", "", text, flags=re.S)

    assert not re.search(r"(src|href)\s*=\s*[\"'](?!#|data:)", markup)
    policy = re.search('http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    assert policy is not None
    rules = dict(rule.strip().split(" ", 1) for rule in policy[1].split(";"))
    assert rules["default-src"] == "'none'"
    assert all(source.startswith("'sha256-") for source in rules["script-src"].split())
    assert '<link rel="stylesheet"' not in markup
    assert len(text.encode()) < 5_000_000


def test_every_part_is_there_with_its_unit(written: Path) -> None:
    """Every heading that a reader looks for is there, and says its unit."""
    text = written.read_text(encoding="utf-8")

    for heading in (
        "How good it is", "What to do next", "Cautions", "VE before, %", "VE proposed, %",
        "Correction, % of VE", "Standard error of the correction, %",
        "Coverage, equivalent independent samples", "Fuelling error over time, %",
        "Residuals, %", "Refusals by reason", "Decisions, cell by cell", "Convergence over passes",
        "Set-up and restoration", "delay, injection to reading", "Notes of the run",
    ):  # fmt: skip
        assert heading in text, heading
    assert "&lt;b&gt;plugs&lt;/b&gt;" in text
    assert text.count('<tr><td class="n">1000</td>') == 2 * 12


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for the module."""
    # Or it draws a long page, without a graphics card, again and again while nobody looks.
    with started_browser(900, "--disable-threaded-compositing") as driver:
        yield driver


# Bokeh draws inside shadow roots; this walks through them.
DEEP = """
const found = [];
function walk(node) {
  node.querySelectorAll("*").forEach(function (e) {
    if (e.matches(arguments_selector)) found.push(e);
    if (e.shadowRoot) walk(e.shadowRoot);
  });
}
walk(document);
"""


def deep(selector: str, give: str) -> str:
    """Return a script that finds elements through shadow roots and returns something of them."""
    return f'const arguments_selector = "{selector}";' + DEEP + f"return {give};"


@pytest.fixture(scope="module")
def opened(browser: Any, written: Path) -> Any:
    """The browser with the whole report drawn, for all who only look at it."""
    browser.get(written.as_uri())
    WebDriverWait(browser, 60).until(
        lambda d: d.execute_script(deep(".bk-Figure", "found.length")) >= 24
    )
    return browser


@needs_browser
def test_fits_an_a4_page(opened: Any) -> None:
    """Printed on A4 nothing sticks out: the page is no wider than the paper between its margins."""
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    # 210 mm less two margins of 12 mm, at 96 dots to the inch.
    opened.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 703, "height": 1000, "deviceScaleFactor": 1, "mobile": False},
    )
    widest = opened.execute_script(
        "return Math.max(...Array.from(document.querySelectorAll('table, .figure, .box, h2'))"
        ".filter(e => e.offsetParent).map(e => e.getBoundingClientRect().right))"
    )
    assert widest <= 703.5
    inner = opened.execute_script(
        "return Math.max(...Array.from(document.querySelectorAll('.figure'))"
        ".map(e => e.scrollWidth))"
    )
    assert inner <= 703
    assert opened.execute_script(
        "return Array.from(document.querySelectorAll('.decisions td')).some(e => e.offsetParent)"
    )
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@needs_browser
def test_paper_takes_six_pages(opened: Any) -> None:
    """Printed as it comes, a report of two banks takes six pages at most; with everything, more."""

    def pages() -> int:
        order = {"preferCSSPageSize": True, "printBackground": True}
        data = base64.b64decode(opened.execute_cdp_cmd("Page.printToPDF", order)["data"])
        return len(re.findall(rb"/Type\s*/Page[^s]", data))

    short = pages()
    assert short <= 6
    tick = "document.getElementById('print-all').checked = arguments[0]"
    opened.execute_script(tick, True)
    assert pages() > short
    opened.execute_script(tick, False)


@needs_browser
def test_a_telephone_shows_it(opened: Any) -> None:
    """On a screen 400 dots wide the page itself does not move sideways, and every map is whole;
    only wide tables move, each for itself."""
    opened.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 400, "height": 800, "deviceScaleFactor": 1, "mobile": True},
    )
    assert opened.execute_script("return document.documentElement.scrollWidth") <= 400
    assert opened.execute_script("return innerWidth") == 400
    cut = (
        "return Array.from(document.querySelectorAll('.figure, .decisions'))"
        ".filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1).length"
    )
    assert opened.execute_script(cut) == 0
    opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@needs_browser
def test_looked_at_in_a_browser(opened: Any, written: Path) -> None:
    """In a headless browser every figure is drawn, hovering a cell tells its values, a heading
    sorts the decisions, and the console stays silent."""
    wait = WebDriverWait(opened, 20)
    figures = len(re.findall(r'class="figure"', written.read_text(encoding="utf-8")))
    assert figures == 2 * (5 + 1 + 5 + 1)
    # The first layer of each figure is its drawing; further ones lie over it.
    wait.until(lambda d: d.execute_script(deep(".bk-Figure", "found.length")) >= figures)

    for figure in opened.find_elements(By.CSS_SELECTOR, ".figure"):
        # What is drawn larger than its figure is cut off, and looks empty.
        heights = opened.execute_script(
            deep("svg", "found.map(e => e.getBoundingClientRect().height)").replace(
                "walk(document)", "walk(arguments[0])"
            ),
            figure,
        )
        assert 150 < max(heights) <= figure.rect["height"] + 1, figure.rect

    first = opened.find_element(By.CSS_SELECTOR, ".figure")
    opened.execute_script("arguments[0].scrollIntoView({block: 'center'})", first)
    ActionChains(opened).move_to_element(first).pause(0.3).move_by_offset(3, 3).perform()
    tips = deep(".bk-Tooltip", "found.map(e => (e.shadowRoot || e).textContent).join(' ')")
    wait.until(lambda d: "rpm" in d.execute_script(tips))
    shown = opened.execute_script(tips)
    for word in ("VE before", "kPa", "found", "coverage", "decision"):
        assert word in shown

    opened.find_element(By.XPATH, "//details[.//table[@class='sortable']]/summary").click()
    table = opened.find_element(By.CSS_SELECTOR, "table.sortable")
    heading = table.find_elements(By.CSS_SELECTOR, "th button")[5]
    heading.click()
    column = opened.execute_script(
        "return Array.from(arguments[0].tBodies[0].rows)"
        ".map(r => parseFloat(r.cells[5].textContent))",
        table,
    )
    assert column == sorted(column)
    assert len(column) == 192

    bad = [entry for entry in opened.get_log("browser") if entry["level"] != "INFO"]
    assert bad == []


@needs_browser
def test_a_bank_named_like_a_script_is_harmless(browser: Any, tmp_path: Path) -> None:
    """A report full of hostile names runs none of them and still draws."""
    path = tmp_path / "evil.html"
    path.write_text(render(made_up_data(made_up_bank(EVIL), engine=EVIL)), encoding="utf-8")
    browser.get(path.as_uri())
    WebDriverWait(browser, 20).until(
        lambda d: d.execute_script(deep(".bk-Figure", "found.length")) >= 5
    )

    assert browser.execute_script("return window.evil === undefined")
    assert [e for e in browser.get_log("browser") if e["level"] != "INFO"] == []


INJECTED = (
    "<script>window.evil = 1</script>",
    '<img src="data:," onerror="window.evil = 1">',
    '<svg onload="window.evil = 1"></svg>',
    '<iframe srcdoc="<script>parent.evil = 1</script>"></iframe>',
    '<script src="data:text/javascript,window.evil=1"></script>',
    '<body onpageshow="window.evil = 1">',
)


@needs_browser
def test_an_injected_script_does_not_run(browser: Any, tmp_path: Path) -> None:
    """Markup that got into the file all the same runs nothing, each kind is refused by the page's
    policy, and the figures are still drawn."""
    page = render(made_up_data(made_up_bank("left")))
    path = tmp_path / "injected.html"
    path.write_text(page.replace("<header>", f"{''.join(INJECTED)}<header>"), encoding="utf-8")
    browser.get_log("browser")
    browser.get(path.as_uri())
    WebDriverWait(browser, 20).until(
        lambda d: d.execute_script(deep(".bk-Figure", "found.length")) >= 5
    )

    assert browser.execute_script("return window.evil === undefined")
    said = [entry["message"] for entry in browser.get_log("browser")]
    assert sum("Content Security Policy" in line for line in said) >= len(INJECTED)
