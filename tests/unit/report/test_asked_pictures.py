"""Pictures for a post or a paper stand by themselves: heading, facts, and no text over another."""

from pathlib import Path

import pytest

import make_report
import make_tables
from grooveledger.faults import ConfigurationFaults
from grooveledger.report import asked_pictures
from grooveledger.report.pictures.style import Picture
from text_boxes import collisions

CHAINS = {"bench": make_tables.CHAIN}
LOAD = "47 k\N{GREEK CAPITAL LETTER OMEGA}, 155 pF"


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_report.shared(tmp_path_factory).parent


def said(picture: Picture) -> str:
    return " | ".join(text.get_text() for text in picture.figure.texts)


def test_a_stylus(results: Path) -> None:
    picture = asked_pictures.stylus_trend("worn", None, results / "tables", 30.0, CHAINS)
    assert "Separation at 1 kHz" in said(picture)
    assert f"Stylus worn of mm-one; bench-a; {LOAD}" in said(picture)
    assert collisions(picture) == []


def test_a_curve(results: Path) -> None:
    picture = asked_pictures.capture_curve("c0001", "distortion", None, results, CHAINS)
    assert "Harmonic distortion" in said(picture)
    assert f"c0001: stylus settled, bench-a side a, {LOAD}" in said(picture)
    assert collisions(picture) == []


def test_two_captures_of_different_styli_each_have_a_line(results: Path) -> None:
    pictures = asked_pictures.two_captures(("c0000", "c0001"), "response", "left", results, CHAINS)
    for picture in pictures:
        assert f"c0000, 120 h: stylus worn, bench-a side a, {LOAD}" in said(picture)
        assert f"c0001, 60 h: stylus settled, bench-a side a, {LOAD}" in said(picture)
        assert collisions(picture) == []
    assert "c0001 less c0000" in said(pictures[1])


def test_two_captures_that_are_alike_share_their_facts(results: Path) -> None:
    both, _ = asked_pictures.two_captures(("c0000", "c0003"), "response", "left", results, CHAINS)
    assert said(both).count("stylus worn, bench-a side a") == 1
    assert collisions(both) == []


def test_what_is_not_there_is_answered_with_what_is(results: Path) -> None:
    with pytest.raises(ConfigurationFaults, match=r"no c9999\. There is c0000, c0001"):
        asked_pictures.capture_curve("c9999", "response", None, results, CHAINS)
    with pytest.raises(ConfigurationFaults, match="no wear"):
        asked_pictures.stylus_trend("worn", "wear", results / "tables", 30.0, CHAINS)
