"""Pages in a real browser: quiet, self-contained, legible, narrow, quick.

Headless Chromium is steered through chromedriver, by the W3C WebDriver protocol over loopback.
"""

import json
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import make_archive
import make_report
from grooveledger.report import index

NARROW_PX = 390
WIDE_PX = 1200
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


def test_printed_pages_show_what_is_folded_and_no_navigation(
    browser: Browser, report: Path
) -> None:
    browser.width(WIDE_PX)
    browser.media(kind="print")
    browser.open(report / "styli" / "worn.html")
    shown = "return getComputedStyle(document.querySelector('{}')).display"
    assert browser.run(shown.format(".trail")) == "none"
    assert browser.run("return document.querySelector('details .picture').checkVisibility()")
    browser.media()


def test_the_list_of_captures_sorts_and_filters(browser: Browser, report: Path) -> None:
    browser.width(WIDE_PX)
    browser.open(report / "index.html")
    browser.run("document.querySelectorAll('#list th button')[0].click()")
    first = "return document.querySelector('#list tbody tr').textContent"
    assert "c0000" in browser.run(first)
    browser.run("document.querySelectorAll('#list th button')[0].click()")
    assert "c0006" in browser.run(first)
    browser.run(
        "const f = document.getElementById('filter'); f.value = 'worn flagged c00';"
        "f.dispatchEvent(new Event('input'))"
    )
    assert browser.run("return document.getElementById('shown').textContent") == "0 of 7"
    browser.run(
        "const f = document.getElementById('filter'); f.value = 'rejected';"
        "f.dispatchEvent(new Event('input'))"
    )
    assert browser.run("return document.getElementById('shown').textContent") == "1 of 7"


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


def test_a_newcomer_finds_which_stylus_wears_how_fast_and_when_it_is_due(
    browser: Browser, report: Path
) -> None:
    """From the words of the first entry alone."""
    browser.open(report / "index.html")
    entry = browser.run("return document.querySelector('.entries li').innerText")
    assert entry.startswith("worn")
    assert "past its limit" in entry
    plain = entry.replace("\N{NO-BREAK SPACE}", " ")
    assert "falling 2.0 dB per 100 h; limit passed at about 400 h" in plain
    assert "Due at 400 h" in plain
