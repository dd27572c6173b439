"""Captures that sentences name are links to their pages."""

import pytest

from grooveledger.report.mentions import linker

KNOWN = ("c01", "c01.b", "2024-05-18-two", "2024-05-18", "7", "treble")


@pytest.mark.parametrize(
    ("sentence", "links"),
    [
        ("Capture c01 is odd: repeat c01.b.", ["c01", "c01.b"]),
        ("c01.flac can't be read as audio", []),
        ("Look at 2024-05-18-two, made on 2024-05-18.", ["2024-05-18-two"]),
        ("Repeat capture 2024-05-18 and wait 7 h.", ["2024-05-18"]),
        ("Capture 7 lost treble.", ["7"]),
        ("Repeat captures c01 and xc01, c012, c01-b", ["c01"]),
        ("Make 7 more captures", []),
        ("", []),
        (None, []),
    ],
)
def test_ids_and_nothing_else(sentence, links):
    made = linker(KNOWN, "../")(sentence)
    assert made.striptags() == (sentence or "")
    assert made.count("<a ") == len(links)
    for name in links:
        assert f'<a href="../captures/{name}.html">{name}</a>' in made


def test_what_a_person_wrote_stays_text():
    assert linker({"c01"})("<b>c01 & c02</b>") == (
        '&lt;b&gt;<a href="captures/c01.html">c01</a> &amp; c02&lt;/b&gt;'
    )
