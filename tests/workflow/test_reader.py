"""What a person reads on the first page, held to what really happened in the demo.

The demo as its workshop had it on the eve of the replacement: the worn stylus still plays. One
side of each day and of each stylus is recorded anew and measured by the whole workflow.
"""

import csv
import re
import shutil
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import yaml

from grooveledger.configuration import Archive, load, read_config
from grooveledger.interpret.drift.limits import DEFAULT_LIMITS, limits_of
from grooveledger.report.grids import rows_of
from grooveledger.simulate.demo import LIVES, demo_truth
from grooveledger.simulate.demo_archive import make_demo
from grooveledger.vocabulary import metric_words
from workspace import PROJECT, Workspace, copy_project

#: The stylus that replaces the worn one: nobody knows of it yet.
REPLACEMENT = "mm-one-2"
SIDE = "a"


@dataclass(frozen=True)
class Entry:
    """An entry of the first page, as read; and its facts, each under its heading."""

    stylus: str
    text: str
    facts: dict[str, str]


class Entries(HTMLParser):
    """Reads the entries of the first page: nothing but the text that a person sees."""

    def __init__(self) -> None:
        super().__init__()
        self.entries: list[Entry] = []
        self._tags: list[str] = []
        self._words: list[str] = []
        self._term = ""
        self._inside = 0

    def handle_starttag(self, tag, attrs):
        if tag == "ul" and (self._inside or ("class", "entries") in attrs):
            self._inside += 1
        if self._inside == 1 and tag == "li":
            self.entries.append(Entry("", "", {}))
        if self._inside and tag in ("dt", "dd", "h3"):
            self._words = []

    def handle_data(self, data):
        if self._inside and self.entries:
            self._words.append(data)
            self._change(text=self.entries[-1].text + data)

    def handle_endtag(self, tag):
        if tag == "ul" and self._inside:
            self._inside -= 1
        said = plain("".join(self._words))
        if self._inside and tag == "h3":
            self._change(stylus=said)
        elif self._inside and tag == "dt":
            self._term = said
        elif self._inside and tag == "dd":
            self._change(facts=self.entries[-1].facts | {self._term: said})

    def _change(self, **what):
        self.entries[-1] = replace(self.entries[-1], **what)


def plain(text: str) -> str:
    """Text with one kind of space and of minus."""
    return " ".join(text.replace("\N{MINUS SIGN}", "-").split())


def numbers(text: str) -> list[float]:
    return [float(found) for found in re.findall(r"[-+]?\d+(?:\.\d+)?", text)]


@pytest.fixture(scope="module")
def eve(tmp_path_factory: pytest.TempPathFactory) -> tuple[Archive, Workspace]:
    """The demo before the replacement, recorded, and measured up to its first page."""
    root = tmp_path_factory.mktemp("eve")
    shutil.copytree(PROJECT / "config", root / "archive" / "config")
    folder = root / "archive"
    styli, fitted_on = [], ""
    for row in read_sheet(folder / "config/styli.tsv"):
        if row["stylus"] == REPLACEMENT:
            fitted_on = row["fitted_on"]
        else:
            styli.append(row)
    write_sheet(folder / "config/styli.tsv", styli)
    captures = read_sheet(folder / "config/captures.tsv")
    write_sheet(
        folder / "config/captures.tsv",
        [row for row in captures if row["side"] == SIDE and row["captured_at"] < fitted_on],
    )
    log = read_sheet(folder / "config/playing_log.tsv")
    write_sheet(
        folder / "config/playing_log.tsv", [row for row in log if row["stylus"] != REPLACEMENT]
    )
    config = read_config(folder / "config/config.yaml")
    for name in ("captures_dir", "captures", "styli", "cartridges", "chains", "records_dir"):
        config[name] = str(folder / config[name])
    config["playing_log"] = str(folder / config["playing_log"])
    config["results"] = str(folder / "results")
    (folder / "config.yaml").write_text(yaml.safe_dump(config), encoding="utf-8")
    with ProcessPoolExecutor(2) as pool:
        make_demo(config, folder, pool, lambda line: None)
    workspace = Workspace(copy_project(root / "project"), folder)
    workspace.run(str(workspace.results / "report" / "index.html"))
    return load(config, folder), workspace


def read_sheet(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter="\t"))


def write_sheet(path: Path, rows: list[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0], delimiter="\t", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="module")
def entries(eve: tuple[Archive, Workspace]) -> list[Entry]:
    reader = Entries()
    page = eve[1].results / "report" / "index.html"
    reader.feed(page.read_text(encoding="utf-8"))
    return [replace(entry, text=plain(entry.text)) for entry in reader.entries]


class Life:
    """What really became of one figure of a stylus, at a room of the demo's mean temperature."""

    def __init__(self, archive: Archive, stylus: str, metric: str, channel: str) -> None:
        own = [row for row in archive.captures if row["stylus"] == stylus]
        self._truth, _ = demo_truth(archive, own[0])
        self._stylus, self.metric, self.channel = stylus, metric, channel
        self.hours = np.array(sorted({row["stylus_hours"] for row in own}))
        break_in_hours = archive.styli[stylus]["break_in_hours"]
        self.hours = self.hours[self.hours >= break_in_hours]
        self.start_hours = break_in_hours

    def at(self, hours: float) -> float:
        """Value of the figure, as the groove in question would give it."""
        truth = replace(self._truth, stylus=LIVES[self._stylus](hours))
        kind, place = self.metric.split("_")[:2]
        hz = 1000.0 * float(place.removesuffix("khz"))
        tracks = [one.track for one in truth.tracks if self._serves(one.plan, kind, hz)]
        if kind == "thd":
            return float(truth.thd_pct(tracks[-1], self.channel, hz)[0])
        if kind == "response":
            return float(truth.response_db(tracks[-1], self.channel, [hz])[0])
        return float(truth.separation(tracks[-1], [hz])[0][0])

    def _serves(self, plan, kind: str, hz: float) -> bool:
        if kind == "thd":
            return plan.kind == "tone_steps" and hz in plan.frequencies_hz
        return plan.kind == "sweep" and plan.modulation == self.channel

    @property
    def limit(self) -> float:
        (limit,) = limits_of(DEFAULT_LIMITS[self.metric])
        return limit.value(self.at(self.start_hours))

    def limit_hours(self) -> float:
        """Hours at which the limit was met; infinite where it never was."""
        hours = np.arange(self.start_hours, self.hours[-1] + 1.0)
        gone = np.array([self.at(at) for at in hours]) - self.at(self.start_hours)
        room = self.limit - self.at(self.start_hours)
        passed = gone / room >= 1.0
        return float(hours[np.argmax(passed)]) if passed.any() else np.inf

    def pace(self) -> float:
        """Mean change per 100 h over the hours of the captures."""
        return 100.0 * float(np.polyfit(self.hours, [self.at(at) for at in self.hours], 1)[0])


@pytest.fixture(scope="module")
def worn(eve: tuple[Archive, Workspace], entries: list[Entry]) -> Life:
    """What really became of the figure that the first entry says decides."""
    name, _, channel = entries[0].facts["Decides"].rpartition(", ")
    (metric,) = [key for key in DEFAULT_LIMITS if metric_words.metric(key) == name]
    return Life(eve[0], entries[0].stylus, metric, channel)


def test_which_stylus(eve: tuple[Archive, Workspace], entries: list[Entry], worn: Life) -> None:
    """The first entry is the stylus that is worn, and no other is said to wear."""
    archive = eve[0]
    beyond = {
        stylus: Life(archive, stylus, worn.metric, worn.channel).limit_hours() < np.inf
        for stylus in archive.styli
    }
    assert [stylus for stylus, passed in beyond.items() if passed] == [entries[0].stylus]
    assert "past its limit" in entries[0].text
    assert {entry.stylus for entry in entries} == set(archive.styli)
    for entry in entries[1:]:
        assert not entry.facts, "nothing decides on a stylus that does not wear"
        assert not re.search("falling|rising|limit|move", entry.text)


def test_how_fast(entries: list[Entry], worn: Life) -> None:
    slope, _, _, low, high, _ = numbers(entries[0].facts["How fast"])
    assert low < slope < high
    assert low <= worn.pace() <= high
    assert slope == pytest.approx(worn.pace(), rel=0.1)
    (said,) = re.findall(r"(rising|falling) ([\d.]+)", entries[0].text)
    assert said[0] == ("rising" if worn.pace() > 0 else "falling")
    assert float(said[1]) == pytest.approx(abs(slope), abs=0.006)


def test_when_and_how_sure(entries: list[Entry], worn: Life) -> None:
    """The interval holds the hours at which the limit was met, and is narrow enough to serve."""
    said = re.fullmatch(
        r"was due (\d+) h ago \(about .+\), at (\d+) h \(95 %: (\d+) to (\d+) h\)",
        entries[0].facts["When"],
    )
    assert said, entries[0].facts["When"]
    ago, at, low, high = map(float, said.groups())
    now = worn.hours[-1]
    assert ago == pytest.approx(now - at, abs=1.0)
    assert low <= worn.limit_hours() <= high
    assert at == pytest.approx(worn.limit_hours(), rel=0.1)
    assert high - low < 0.5 * now


def test_why(eve: tuple[Archive, Workspace], entries: list[Entry], worn: Life) -> None:
    """The figure that decides, from where to where, its limit, and what bears on it."""
    facts = entries[0].facts
    metrics = rows_of(eve[1].results / "tables" / "metrics.parquet", stylus=entries[0].stylus)
    own = [row["uncertainty"] for row in metrics if row["metric"] == worn.metric]
    doubt = 2.0 * max(own)
    (start,) = [numbers(text)[0] for head, text in facts.items() if head.startswith("At the start")]
    (now,) = [numbers(text)[0] for head, text in facts.items() if head.startswith("Now")]
    assert start == pytest.approx(worn.at(worn.start_hours), abs=doubt)
    assert now == pytest.approx(worn.at(worn.hours[-1]), abs=doubt)
    assert numbers(facts["Limit"])[0] == pytest.approx(worn.limit, abs=doubt)
    assert f"from {start:g} to {now:g}" in entries[0].text


def test_what_to_do(entries: list[Entry], worn: Life) -> None:
    """The worn stylus is to be replaced; of the others more captures are asked for."""
    assert worn.limit_hours() < worn.hours[-1]
    said = entries[0].text.partition("What to do: ")[2]
    assert "replace it" in said
    for entry in entries[1:]:
        said = entry.text.partition("What to do: ")[2]
        assert said.startswith("Make ")
        assert "replace" not in said
