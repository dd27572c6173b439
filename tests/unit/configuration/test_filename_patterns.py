"""Patterns of files' names."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.configuration.filename_patterns import (
    FilenamePattern,
    day_in,
    pattern_problems,
    read_name,
)

KNOWN = {
    "stylus": ["mm-one", "mm-one-1"],
    "record": ["bench-a", "bench-b"],
    "side": ["a", "b"],
    "chain": ["bench"],
}


def read(pattern, path):
    return read_name([FilenamePattern(pattern, KNOWN)], path)


@pytest.mark.parametrize(
    ("pattern", "path", "cells"),
    [
        (
            "{stylus}_{record}{side}_{captured_at}",
            "mm-one-1_bench-ab_2024-03-02.flac",
            {"stylus": "mm-one-1", "record": "bench-a", "side": "b", "captured_at": "2024-03-02"},
        ),
        # Ids hold hyphens; those that are known decide where one ends.
        ("{stylus}-{side}", "mm-one-1-a.wav", {"stylus": "mm-one-1", "side": "a"}),
        ("{stylus}-{any}-{side}", "mm-one-1-a.wav", {"stylus": "mm-one", "side": "a"}),
        ("{captured_at:%d.%m.%Y} {any}", "02.03.2024 x.wav", {"captured_at": "2024-03-02"}),
        ("{captured_at:%Y%m%d_%H%M}", "20240302_2015.w64", {"captured_at": "2024-03-02T20:15"}),
        ("{captured_at:%y%m%d}{any}", "240302 live.caf", {"captured_at": "2024-03-02"}),
        ("{any}", "whatever.wav", {}),
        ("{stylus}", "MM-ONE.WAV", {"stylus": "mm-one"}),
        ("{stylus}/{side}{any}", "mm-one/a take 2.wav", {"stylus": "mm-one", "side": "a"}),
        ("{side}", "folder/other/a.wav", {"side": "a"}),
        (
            "{capture} {stylus_hours}h {temperature_c}C {record_plays} {note}",
            "x.1 120.5h -3C 7 after cleaning.aiff",
            {"capture": "x.1", "stylus_hours": "120.5", "temperature_c": "-3", "record_plays": "7",
             "note": "after cleaning"},
        ),
        ("(take) [{side}]+", "(take) [b]+.wav", {"side": "b"}),
    ],
)  # fmt: skip
def test_a_name_gives_its_cells(pattern, path, cells):
    assert pattern_problems([pattern]) == []
    assert read(pattern, path) == (cells, [])


@pytest.mark.parametrize(
    ("path", "day"),
    [
        ("2021-03-04 side A (2).wav", "2021-03-04"),
        ("side a 20210304.flac", "2021-03-04"),
        ("2021_03_04/take 2.wav", "2021-03-04"),
        ("2021-03-04/2021.03.04 a.wav", "2021-03-04"),
        ("20210304T2015.wav", "2021-03-04"),
        ("2021-03-04 again as 2021-03-05.wav", None),
        ("2021-02-30.wav", None),
        ("2021-0304.wav", None),
        ("04-03-2021.wav", None),
        ("120210304.wav", None),
        ("48000 24.wav", None),
    ],
)
def test_a_day_written_year_first_is_found_wherever_it_stands(path, day):
    assert day_in(path) == day


def test_the_first_pattern_that_fits_is_taken():
    patterns = [FilenamePattern(text, KNOWN) for text in ("{stylus}", "{side}", "{any}")]
    assert read_name(patterns, "b.wav") == ({"side": "b"}, [])


def test_a_word_that_is_no_id_is_told():
    assert read("{stylus}_{side}", "mm-two_a.wav") == ({}, [("stylus", "mm-two")])
    assert read("{stylus}_{side}", "nothing of the kind.wav") == ({}, [])


def test_a_date_that_is_none_does_not_fit():
    assert read("{captured_at}", "2024-02-30.wav") == ({}, [])


@pytest.mark.parametrize(
    ("pattern", "problem"),
    [
        ("{styls}", "'styls' is no field"),
        ("{file}", "'file' is no field"),
        ("{side}{side}", "'side' is there twice"),
        ("{side", "a brace that belongs to no field"),
        ("{captured_at:%A}", "no form of a date"),
        ("{captured_at:%Y}", "has no month or no day"),
    ],
)
def test_a_pattern_that_can_not_be_is_told(pattern, problem):
    problems = pattern_problems(["{any}", pattern])
    assert problem in problems[0].problem
    assert problems[0].path == ("register", "patterns", 1)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=30), st.text(max_size=30))
def test_no_pattern_and_no_name_break_the_reader(pattern, name):
    for text in (pattern, "{stylus}" + pattern, pattern + "{captured_at:%d%m" + pattern + "%Y}"):
        if not pattern_problems([text]):
            read(text, name)
