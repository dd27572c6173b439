"""The demo as a newcomer runs it: its first page answers a reader's questions, and truly.

The truth is the simulator's: what befell each stylus (`simulate/demo.py`), which no file of the
archive holds.
"""

import html
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from grooveledger.configuration import load, read_config
from grooveledger.report.stylus_pictures import tracks_by_place
from grooveledger.simulate.demo import CUT_SHORT, LIVES, UNREADABLE, demo_truth
from grooveledger.storage import tables
from workspace import ENVIRONMENT, PARTS, copy_project

#: Lines that a person reads of a run.
LINES_MOST = 60
BREAK_IN_HOURS = 30.0
#: By which a figure of distortion rises to its limit: the default.
LIMIT_FACTOR = 1.5


class Demo(NamedTuple):
    project: Path
    lines: list[str]

    def cards(self) -> dict[str, str]:
        """What the first page says of each stylus, as text."""
        page = (self.project / "results/report/index.html").read_text(encoding="utf-8")
        listed = page[page.index('<ul class="entries">') : page.index('id="attention"')]
        cards = [_text(card) for card in listed.split('<div class="entry-head">')[1:]]
        return {card.split()[0]: card for card in cards}


def _text(markup: str) -> str:
    plain = re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", "", markup, flags=re.DOTALL))
    return " ".join(html.unescape(plain).replace("\N{MINUS SIGN}", "-").split())


def _interval(text: str) -> tuple[float, float]:
    low, high = re.findall(r"[-+]?\d+(?:\.\d+)?", text)
    return float(low), float(high)


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Demo:
    project = copy_project(tmp_path_factory.mktemp("demo") / "project", (*PARTS, "config"))
    ended = subprocess.run(
        [sys.executable, "scripts/run.py"],
        cwd=project,
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=False,
    )
    said = ended.stdout + ended.stderr
    assert ended.returncode == 0, said
    return Demo(project, said.splitlines())


def test_few_lines_are_printed(demo):
    assert len(demo.lines) <= LINES_MOST, "\n".join(demo.lines)


def test_pages_of_styli_are_light(demo):
    """With their scripts: each must open at once, also from a slow disk."""
    for page in (demo.project / "results/report/styli").glob("*.html"):
        scripts = page.with_suffix("").glob("*.js")
        assert page.stat().st_size + sum(path.stat().st_size for path in scripts) < 1_500_000


def test_which_stylus_is_the_worn_one(demo):
    rows = tables.read(demo.project / "results/tables/stylus_states.parquet").to_pylist()
    worn = max(rows, key=lambda row: LIVES[row["stylus"]](row["hours_now"]).flat_um)["stylus"]
    assert [name for name, card in demo.cards().items() if "past its limit" in card] == [worn]


def test_how_fast_when_and_how_sure(demo):
    """The true pace and the true hours at the limit lie within the intervals that are stated."""
    drift = tables.read(demo.project / "results/tables/drift.parquet").to_pylist()
    config = read_config(demo.project / "config/config.yaml")
    archive = load(config, demo.project)
    ((stylus, card),) = ((n, c) for n, c in demo.cards().items() if "past its limit" in c)
    decides, channel = re.search(r"Decides (Distortion at \d+ kHz), (left|right)", card).groups()
    metric = f"thd_{decides.split()[2]}khz_pct"
    (row,) = (
        row
        for row in drift
        if (row["stylus"], row["metric"], row["channel"]) == (stylus, metric, channel)
    )
    capture = next(row for row in archive.captures if row["stylus"] == stylus)
    planned, _ = demo_truth(archive, capture)
    tracks = tracks_by_place(row["track"])
    track = int(tracks.get(f"{capture['record']}/{capture['side']}", tracks.get("")))

    def true_pct(hours: float) -> float:
        then = replace(planned, stylus=LIVES[stylus](hours))
        return float(then.thd_pct(track, channel, [1000.0 * float(decides.split()[2])])[0])

    said = re.search(r"How fast \+[\d.]+ percentage points per 100 h \(95 %: (.*?), (\d+)", card)
    hours = np.linspace(BREAK_IN_HOURS, row["hours_last"], 100)
    pace = np.polyfit(hours, [true_pct(h) for h in hours], 1)[0] * 100.0
    low, high = _interval(said[1])
    assert low <= pace <= high, (said[1], pace)
    assert int(said[2]) == row["n"]

    start, now = (
        float(v) for v in re.search(r"h\) ([\d.]+) % Now \(\d+ h\) ([\d.]+) %", card).groups()
    )
    assert start == pytest.approx(true_pct(BREAK_IN_HOURS), rel=0.1)
    assert now == pytest.approx(true_pct(row["hours_last"]), rel=0.1)

    at_limit = np.interp(
        LIMIT_FACTOR * true_pct(BREAK_IN_HOURS), [true_pct(h) for h in hours], hours
    )
    low, high = _interval(re.search(r"at \d+ h \(95 %: (.*?) h\)", card)[1])
    assert low <= at_limit <= high, (low, high, at_limit)


def test_why(demo):
    """What wears in truth is what is named: treble, distortion, separation."""
    cards = demo.cards()
    why = next(re.search(r"Why: (.*?)\.", card)[1] for card in cards.values() if "Why:" in card)
    assert "tip and suspension" in why
    for quantity in ("distortion", "response", "separation"):
        assert quantity in why
    for quantity in ("speed", "noise"):
        assert quantity not in why


def test_what_to_do(demo):
    """The worn stylus was replaced; of the others too little is known, and what helps is said."""
    for card in demo.cards().values():
        to_do = re.search(r"What to do: (.*?\.)", card)[1]
        assert to_do == "Do not fit it again." if "past its limit" in card else "Make" in to_do


def test_only_what_went_wrong_is_flagged_or_rejected(demo):
    rows = tables.read(demo.project / "results/tables/captures.parquet").to_pylist()
    by_status = {
        status: {row["capture"] for row in rows if row["status"] == status}
        for status in ("flagged", "rejected")
    }
    assert by_status == {"flagged": set(CUT_SHORT), "rejected": UNREADABLE}
