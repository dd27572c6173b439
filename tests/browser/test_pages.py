"""Pages in a real browser: quiet, self-contained, legible, narrow, quick.

Headless Chromium is steered through chromedriver, by the W3C WebDriver protocol over loopback.
"""

import base64
import json
import re
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import make_archive
import make_report
from grooveledger.measure.quantities import METRICS
from grooveledger.report import index
from grooveledger.report.grids import rows_of
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words as words_of
from grooveledger.vocabulary import words

NARROW_PX = 390
WIDE_PX = 1200
#: Of a small portable computer.
SMALL_SCREEN_PX = 1366
#: Of a sheet of A4 within its margins of 12 mm, at 96 to the inch.
PAPER_PX = 703
LEAST_CONTRAST = 4.5
#: Flags that keep the browser quiet and off the network.
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--hide-scrollbars",
)  # fmt: skip
#: Lowest contrast of any text of the page, and where it is.
CONTRAST = """
const canvas = document.createElement("canvas").getContext("2d", {willReadFrequently: true});
function rgba(colour) {
  canvas.clearRect(0, 0, 1, 1);
  canvas.fillStyle = colour;
  canvas.fillRect(0, 0, 1, 1);
  return [...canvas.getImageData(0, 0, 1, 1).data];
}
function luminance([r, g, b]) {
  const [x, y, z] = [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * x + 0.7152 * y + 0.0722 * z;
}
function ground(element) {
  for (let e = element; e; e = e.parentElement) {
    const colour = rgba(getComputedStyle(e).backgroundColor);
    if (colour[3] > 250) return colour;
  }
  return [255, 255, 255, 255];
}
let worst = {ratio: 99, text: ""}, seen = 0;
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const element = walker.currentNode.parentElement, text = walker.currentNode.textContent.trim();
  if (!text || ["SCRIPT", "STYLE", "title"].includes(element.tagName)) continue;
  if (!element.getClientRects().length) continue;
  const style = getComputedStyle(element);
  const inside = element.closest("svg");
  const one = luminance(rgba(inside ? style.fill : style.color));
  const other = luminance(ground(element));
  const ratio = (Math.max(one, other) + 0.05) / (Math.min(one, other) + 0.05);
  seen += 1;
  if (ratio < worst.ratio) worst = {ratio, text, tag: element.tagName};
}
return {...worst, seen};
"""
TOO_WIDE = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
LOADED = "return document.readyState === 'complete' && performance.timing.loadEventEnd > 0"
LOAD_MS = "return performance.timing.loadEventEnd - performance.timing.navigationStart"
#: The longest table of a stylus's page.
DRIFT_TABLE = "const table = document.querySelector('[aria-label^=Drift] table')"
#: Texts of pictures that cover one another or are cut off, as the page shows them.
COVERED = """
document.querySelectorAll("details").forEach(d => { d.open = true; });
const found = [];
for (const svg of document.querySelectorAll("svg.picture")) {
  if (!svg.getClientRects().length) continue;
  const name = svg.closest("figure")?.id || svg.parentElement.id;
  const edge = svg.getBoundingClientRect();
  const texts = [...svg.querySelectorAll("text")].filter(t => t.textContent.trim())
    .map(t => ({said: t.textContent.trim(), box: t.getBoundingClientRect()}));
  for (const {said, box} of texts)
    if (box.left < edge.left - 1 || box.right > edge.right + 1
      || box.top < edge.top - 1 || box.bottom > edge.bottom + 1) found.push([name, said, "edge"]);
  texts.forEach((one, i) => texts.slice(i + 1).forEach(other => {
    const [a, b] = [one.box, other.box];
    const width = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const height = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (width > 1 && height > 0.3 * Math.min(a.height, b.height))
      found.push([name, one.said, other.said]);
  }));
}
return found;
"""
#: Elements that can be scrolled but not reached with the keyboard.
UNREACHABLE = """
return [...document.querySelectorAll("*")].filter(e => e.scrollWidth > e.clientWidth + 1
  && ["auto", "scroll"].includes(getComputedStyle(e).overflowX)
  && e.tabIndex < 0 && e.clientWidth).map(e => e.outerHTML.slice(0, 80));
"""


class Browser:
    """One session of headless Chromium."""

    def __init__(self, chromium: str, driver: str, profile: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self._process = subprocess.Popen(
            [driver, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self._url = f"http://127.0.0.1:{port}"
        self._await_driver()
        options = {"binary": chromium, "args": [*FLAGS, f"--user-data-dir={profile}"]}
        capabilities = {
            "browserName": "chrome",
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
        }
        made = self._call("POST", "/session", {"capabilities": {"alwaysMatch": capabilities}})
        self._url += f"/session/{made['sessionId']}"

    def _await_driver(self) -> None:
        for _ in range(100):
            try:
                self._call("GET", "/status")
            except OSError:
                time.sleep(0.1)
            else:
                return
        raise RuntimeError("chromedriver does not answer")

    def _call(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            self._url + path, data, {"Content-Type": "application/json"}, method=method
        )
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)["value"]

    def open(self, path: Path) -> None:
        self._call("POST", "/url", {"url": path.as_uri()})

    def run(self, script: str) -> Any:
        return self._call("POST", "/execute/sync", {"script": script, "args": []})

    def command(self, name: str, **parameters: Any) -> Any:
        return self._call("POST", "/goog/cdp/execute", {"cmd": name, "params": parameters})

    def width(self, pixels: int) -> None:
        self.command(
            "Emulation.setDeviceMetricsOverride",
            width=pixels, height=800, deviceScaleFactor=1, mobile=pixels < WIDE_PX,
        )  # fmt: skip

    def media(self, scheme: str = "light", kind: str = "screen") -> None:
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.command("Emulation.setEmulatedMedia", media=kind, features=features)

    def log(self, kind: str) -> list[Any]:
        return list(self._call("POST", "/se/log", {"type": kind}))

    def close(self) -> None:
        try:
            self._call("DELETE", "")
        finally:
            self._process.terminate()
            self._process.wait(10)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("chromium and chromedriver are not installed: pages were seen by no browser")
    opened = Browser(chromium, driver, tmp_path_factory.mktemp("profile"))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_report.shared(tmp_path_factory)


@pytest.fixture(scope="module")
def pages(report: Path) -> list[Path]:
    """Every kind of page."""
    names = (
        "index.html", "comparison.html", "captures/c0001.html", "captures/c0006.html",
        "styli/worn.html", "styli/fresh.html", "loading/mm-one.html", "methods/index.html",
        "methods/resonance.html",
    )  # fmt: skip
    return [report / name for name in names]


def test_no_console_error_and_no_request_off_the_disk(browser: Browser, pages: list[Path]) -> None:
    browser.log("browser")
    browser.log("performance")
    for path in pages:
        browser.open(path)
    assert [entry for entry in browser.log("browser") if entry["level"] == "SEVERE"] == []
    messages = [json.loads(entry["message"])["message"] for entry in browser.log("performance")]
    asked = [
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
        # The browser's own first page asks for things too.
        and message["params"]["documentURL"].startswith("file:")
    ]
    assert len(asked) >= len(pages)
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def test_no_page_is_wider_than_a_narrow_screen(browser: Browser, pages: list[Path]) -> None:
    browser.width(NARROW_PX)
    for path in pages:
        browser.open(path)
        assert browser.run(TOO_WIDE) <= 0, path.name


def test_no_text_of_a_picture_covers_another_or_is_cut_off(
    browser: Browser, pages: list[Path]
) -> None:
    for width in (WIDE_PX, NARROW_PX):
        browser.width(width)
        for path in pages:
            browser.open(path)
            assert browser.run(COVERED) == [], (path.name, width)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_contrast_as_shown(browser: Browser, pages: list[Path], scheme: str) -> None:
    """WCAG 2.2, 1.4.3, of every text on the page, pictures included."""
    browser.width(WIDE_PX)
    browser.media(scheme)
    for path in pages:
        browser.open(path)
        worst = browser.run(CONTRAST)
        assert worst["seen"] > 20
        assert worst["ratio"] >= LEAST_CONTRAST, (path.name, worst)
    browser.media()


def test_all_that_scrolls_can_be_reached_with_the_keyboard(
    browser: Browser, pages: list[Path]
) -> None:
    browser.width(NARROW_PX)
    for path in pages:
        browser.open(path)
        assert browser.run(UNREACHABLE) == [], path.name


def test_printed_pages_have_no_navigation(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.media(kind="print")
    browser.open(report / "styli" / "worn.html")
    shown = "return getComputedStyle(document.querySelector('{}')).display"
    assert browser.run(shown.format(".trail")) == "none"
    assert browser.run(shown.format(".tools")) == "none"
    browser.media()


def test_tables_sort_and_filter(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.open(report / "styli" / "worn.html")
    browser.run(f"{DRIFT_TABLE}; table.querySelectorAll('th button')[0].click()")
    sort = f"{DRIFT_TABLE}; return [...table.tBodies[0].rows].map(r => r.cells[0].textContent)"
    names = browser.run(sort)
    assert len(names) == 8
    assert names == sorted(names, key=str.lower)
    browser.run(f"{DRIFT_TABLE}; table.querySelectorAll('th button')[0].click()")
    assert browser.run(sort) == names[::-1]
    shown = f"{DRIFT_TABLE}; return [...table.tBodies[0].rows].filter(r => !r.hidden).length"
    tools = f"{DRIFT_TABLE}; const tools = table.closest('.scroll').previousElementSibling;"
    browser.run(f"{tools} tools.querySelector('[type=checkbox]').click()")
    moving = browser.run(shown)
    marked = f"{DRIFT_TABLE}; return table.querySelectorAll('tr[data-moves]').length"
    assert 0 < moving == browser.run(marked) < len(names)
    browser.run(
        f"{tools} const f = tools.querySelector('[type=search]'); f.value = 'separation left';"
        "f.dispatchEvent(new Event('input'))"
    )
    assert browser.run(shown) == 1
    assert browser.run(f"{tools} return tools.textContent").endswith(f"1 of {len(names)}")


def test_numbers_sort_as_numbers(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.open(report / "styli" / "worn.html")
    column = f"{DRIFT_TABLE}; const at = [...table.tHead.rows[0].cells]"
    column += ".findIndex(h => h.textContent.startsWith('Change per 100 h'));"
    browser.run(f"{column} table.tHead.rows[0].cells[at].querySelector('button').click()")
    found = browser.run(
        f"{column} return [...table.tBodies[0].rows].map(r => r.cells[at].textContent)"
    )
    numbers = [
        float(text.split()[0].replace("\N{MINUS SIGN}", "-"))
        for text in found
        if text != "\N{EN DASH}"
    ]
    assert len(numbers) > 3
    assert numbers == sorted(numbers)


def test_what_decides_of_a_figure_is_in_view_on_a_small_screen(
    browser: Browser, report: Path
) -> None:
    """On paper as well, and whatever the figures are called."""
    longest = max((f"{words_of.metric(name)}, right (dB)" for name in METRICS), key=len)
    decides = ("Verdict", "Due (95 %)", "Change per 100 h (95 %)", "At the start", "Now", "Limit")
    for width, kind in ((SMALL_SCREEN_PX, "screen"), (PAPER_PX, "print")):
        browser.width(width)
        browser.media(kind=kind)
        browser.open(report / "styli" / "worn.html")
        ends = browser.run(
            f"{DRIFT_TABLE}; const ends = {{}};"
            f"for (const row of table.tBodies[0].rows) row.cells[0].textContent = '{longest}';"
            "for (const head of table.tHead.rows[0].cells)"
            "ends[head.textContent] = head.getBoundingClientRect().right; return ends"
        )
        assert set(decides) <= set(ends)
        assert all(0 < ends[head] <= width for head in decides), (kind, ends)
    browser.media()


def test_figures_are_in_view_on_a_narrow_screen(browser: Browser, report: Path) -> None:
    """Not their names alone: those wrap."""
    browser.width(NARROW_PX)
    for page in ("captures/c0001.html", "styli/worn.html"):
        browser.open(report / page)
        ends = browser.run(
            "return [...document.querySelectorAll('.scroll > table')]"
            ".filter(t => t.getClientRects().length && t.tHead)"
            ".map(t => [t.tBodies[0].rows[0].cells[1].getBoundingClientRect().right,"
            " t.textContent.slice(0, 40)])"
        )
        assert ends
        assert [said for end, said in ends if end > NARROW_PX] == []


def values_at(browser: Browser, figure: str, px: float) -> str:
    """Text under a picture with the pointer at a place of its own coordinates."""
    return str(
        browser.run(
            f"const svg = document.querySelector('#{figure} svg');"
            f"const spot = new DOMPoint({px}, 100).matrixTransform(svg.getScreenCTM());"
            "const at = {clientX: spot.x, clientY: spot.y};"
            "svg.dispatchEvent(new PointerEvent('pointermove', at));"
            f"return document.querySelector('#{figure} .values').textContent"
        )
    )


def test_values_under_the_pointer_are_the_tables(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.open(report / "captures" / "c0001.html")
    rows = tables.columns(tables.read(report.parent / "captures" / "c0001" / "response.parquet"))
    checked = 0
    for px in (90, 180, 300, 400, 440):
        said = values_at(browser, "response", px).replace("\N{MINUS SIGN}", "-")
        found = re.fullmatch(r"([\d.]+) Hz: left (-?[\d.]+) dB, right (-?[\d.]+) dB", said)
        assert found, said
        frequency_hz, *values = map(float, found.groups())
        for channel, value in zip(("left", "right"), values, strict=True):
            own = rows["channel"] == channel
            at = np.argmin(np.abs(rows["frequency_hz"][own] - frequency_hz))
            assert rows["frequency_hz"][own][at] == pytest.approx(frequency_hz, rel=2e-3, abs=0.01)
            assert value == pytest.approx(rows["response_db"][own][at], abs=0.006)
            checked += 1
    assert checked == 10


def test_the_keyboard_reads_values_and_hides_lines(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.open(report / "captures" / "c0001.html")
    press = (
        "const holder = document.querySelector('#response .scroll'); holder.focus();"
        "holder.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowRight', bubbles: true}));"
        "return document.querySelector('#response .values').textContent"
    )
    first, second = browser.run(press), browser.run(press)
    assert first.startswith("20.00 Hz: left")
    assert float(second.split()[0]) > 20
    assert browser.run("return document.querySelector('#response .values').ariaLive") == "polite"
    hide = (
        "const key = document.querySelector('#response .key[data-line=left]');"
        "key.dispatchEvent(new KeyboardEvent('keydown', {key: 'Enter', bubbles: true}));"
        "return [key.getAttribute('role'), key.tabIndex, key.getAttribute('aria-pressed')]"
    )
    assert browser.run(hide) == ["button", 0, "false"]
    assert "left" not in browser.run(press)
    assert browser.run(hide)[2] == "true"
    assert "left" in browser.run(press)


def test_a_curve_is_copied_as_csv(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.open(report / "captures" / "c0001.html")
    browser.run(
        "window.copied = ''; Object.defineProperty(navigator, 'clipboard',"
        "{value: {writeText: async text => { window.copied = text; }}});"
        "document.querySelector('#response button.copy').click()"
    )
    lines = browser.run("return window.copied").splitlines()
    assert lines[0] == '"line","Frequency (Hz)","Response (dB)"'
    rows = tables.columns(tables.read(report.parent / "captures" / "c0001" / "response.parquet"))
    own = rows["channel"] == "left"
    left = np.array([line.split(",")[1:] for line in lines if line.startswith('"left"')], float)
    assert len(left) == own.sum()
    assert left[:, 0] == pytest.approx(rows["frequency_hz"][own], rel=1e-4)
    assert left[:, 1] == pytest.approx(rows["response_db"][own], abs=1e-3)


def test_any_two_captures_are_compared(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.open(report / "styli" / "worn.html")
    assert browser.run("return document.querySelector('#compare').checkVisibility()")
    chosen = browser.run(
        "return ['a', 'b'].map(n => document.getElementById('compare-' + n))"
        ".map(s => s.selectedOptions[0].textContent.split(',')[0])"
    )
    said = browser.run("return document.getElementById('compare-result').textContent")
    found = re.search(
        r"largest change (-?[\d.]+) dB at (\d+) Hz", said.replace("\N{MINUS SIGN}", "-")
    )
    assert found, said
    change, frequency_hz = map(float, found.groups())
    values = []
    for capture in chosen:
        path = report.parent / "captures" / capture / "response.parquet"
        rows = tables.columns(tables.read(path))
        own = rows["channel"] == "left"
        values.append(np.interp(frequency_hz, rows["frequency_hz"][own], rows["response_db"][own]))
    assert change == pytest.approx(values[1] - values[0], abs=0.03)
    browser.run(
        "const a = document.getElementById('compare-a'); a.value = '1';"
        "a.dispatchEvent(new Event('change'))"
    )
    assert browser.run("return document.getElementById('compare-result').textContent") != said
    assert browser.run("return document.querySelectorAll('#compare-picture .curve').length") == 3


def test_the_first_and_newest_that_have_a_curve_are_compared(
    browser: Browser, report: Path
) -> None:
    """The newest capture may be of a side without a response."""
    browser.width(WIDE_PX)
    browser.open(report / "styli" / "worn.html")
    said = browser.run(
        "for (const end of 'ab') document.getElementById('compare-' + end).replaceChildren();"
        "const line = [[20, 1000, 20000], [0, 0, 1]];"
        "const made = (capture, curves) => ({capture, hours: 1, record: 'r, a', curves});"
        "stylusCurves([made('x', {}), made('one', {response: {left: line}}),"
        "made('two', {response: {left: line}}), made('y', {})]);"
        "return document.getElementById('compare-result').textContent"
    )
    assert said.startswith("two less one: largest change 0.00 dB")
    assert "due to that" not in said
    said = browser.run(
        "for (const end of 'ab') document.getElementById('compare-' + end).replaceChildren();"
        "const line = [[20, 1000, 20000], [0, 0, 1]];"
        "const made = (capture, record) => ({capture, hours: 1, record,"
        "curves: {response: {left: line}}});"
        "stylusCurves([made('w', 's, a'), made('one', 'r, a'), made('x', 's, a'),"
        "made('two', 'r, a')]);"
        "return document.getElementById('compare-result').textContent"
    )
    assert said.startswith("two less one:"), "records differ by their own share"
    other = browser.run(
        "const a = document.getElementById('compare-a'); a.value = '0';"
        "a.dispatchEvent(new Event('change'));"
        "return document.getElementById('compare-result').textContent"
    )
    assert other.endswith("differ in record, side or chain, and part of the change is due to that.")


def test_a_stylus_prints_on_two_sheets(browser: Browser, report: Path) -> None:
    """What decides, what to do and what moves; tables and whole life stay on the screen."""
    browser.media(kind="print")
    browser.open(report / "styli" / "worn.html")
    printed = base64.b64decode(browser.command("Page.printToPDF", preferCSSPageSize=True)["data"])
    browser.media()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 2


def test_the_index_of_a_thousand_captures_opens_within_a_second(
    browser: Browser, tmp_path: Path
) -> None:
    make_archive.write_archive(tmp_path, 1000, curves=False)
    index.write(tmp_path / "tables", tmp_path / "index.html", make_archive.styli())
    assert (tmp_path / "index.html").stat().st_size < 2_000_000
    browser.width(WIDE_PX)
    times_ms = []
    for _ in range(3):
        browser.open(tmp_path / "index.html")
        assert browser.run(LOADED)
        times_ms.append(browser.run(LOAD_MS))
    assert min(times_ms) < 1000, times_ms


def test_a_newcomer_reads_the_answers_from_the_first_entry_alone(
    browser: Browser, report: Path
) -> None:
    """Which stylus, how fast, when, how sure, why, and what to do."""
    browser.open(report / "index.html")
    entry = browser.run("return document.querySelector('.entries li').innerText")
    plain = " ".join(entry.replace("\N{NO-BREAK SPACE}", " ").split())
    (state,) = rows_of(report.parent / "tables" / "stylus_states.parquet", stylus="worn")
    assert plain.startswith("worn")
    assert "past its limit" in plain
    drift = rows_of(report.parent / "tables" / "drift.parquet", stylus="worn")
    decides = (state["due_metric"], state["due_channel"])
    (row,) = [row for row in drift if (row["metric"], row["channel"]) == decides]
    slope, low, high = words.slope(row)
    assert f"How fast {slope} dB per 100 h (95 %: {low} to {high}" in plain
    sentence = state["sentence"].replace("\N{NO-BREAK SPACE}", " ")
    passed = re.search(r"limit passed (\d+ h) ago", sentence)
    assert passed, sentence
    assert sentence in plain, "why"
    assert f"was due {passed[1]} ago" in plain
    assert f"at {state['due_hours']:.0f} h (95 %:" in plain
    assert f"What to do: {state['recommendation']}" in plain
