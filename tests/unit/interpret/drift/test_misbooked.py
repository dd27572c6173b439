"""Captures that were booked on the wrong stylus, record, side or copy."""

import numpy as np
import pytest

import drift_histories as study
from grooveledger.interpret.drift import odd_captures_table
from grooveledger.interpret.drift.history import record_parts

N = 20
HOURS = 40.0 + 12.0 * np.arange(N)
LEVELS_DB = np.array([[-1.0], [2.0], [5.0], [25.0], [30.0], [-3.0]])
#: How a second copy differs from the first, figure by figure.
COPY_DB = np.array([[0.6], [-0.8], [0.7], [0.9], [-0.6], [0.8]])


def odd_of(played, booked, day=None, hours=HOURS, seed=6, copy_db=COPY_DB):
    """Name the odd captures of a stylus whose copies `played` the sheet calls `booked`."""
    rng = np.random.default_rng(seed)
    second = np.asarray(played) == "second"
    values = LEVELS_DB + np.where(second, copy_db, 0.0) - 0.3 * hours / 100.0
    values = values + 0.05 * rng.standard_normal(values.shape)
    table = study.long_table(values, hours, day=day)
    table["copy"] = np.tile(np.asarray(booked, dtype=object), len(values))
    return odd_captures_table(*study.archive_of(table), {})


def copies(*exchanged):
    """Return the copies that were played in turn, and what a sheet with faults says of them."""
    played = ["first", "second"] * (N // 2)
    booked = list(played)
    for i in exchanged:
        booked[i] = "second" if played[i] == "first" else "first"
    return played, booked


def test_a_capture_booked_on_the_wrong_copy_is_named():
    odd = odd_of(*copies(8))
    assert list(odd["capture"]) == ["one-00008"]
    assert list(odd["fits_record"]) == ["a/a, copy first"]
    assert list(odd["fits_stylus"]) == [None]
    assert odd["sentence"].iloc[0] == (
        "Capture one-00008 does not fit record a/a, copy second, but a/a, copy first: check the "
        "sheet's `copy`."
    )


def test_copies_exchanged_within_a_day_are_named():
    """The mean of the day is what it should be: only the captures themselves show it."""
    day = np.arange(N) // 2
    odd = odd_of(*copies(8, 9), day=day, hours=40.0 + 20.0 * day + 0.5 * (np.arange(N) % 2))
    found = dict(zip(odd["capture"], odd["fits_record"], strict=True))
    assert found == {"one-00008": "a/a, copy first", "one-00009": "a/a, copy second"}


@pytest.mark.parametrize("day", [None, np.arange(N) // 2])
def test_captures_booked_rightly_are_not_named(day):
    for seed in range(5):
        assert not len(odd_of(*copies(), day=day, seed=seed))


def test_copies_that_are_alike_are_not_told_apart():
    assert not len(odd_of(*copies(8), copy_db=np.zeros((6, 1))))


def test_a_side_that_was_mistaken_is_named():
    rng = np.random.default_rng(2)
    sides = np.array(["a", "b"] * (N // 2), dtype=object)
    values = LEVELS_DB + np.where(sides == "b", COPY_DB, 0.0)
    values = values + 0.05 * rng.standard_normal(values.shape)
    sides[5] = "a"
    table = study.long_table(values, HOURS)
    table["side"] = np.tile(sides, len(values))
    odd = odd_captures_table(*study.archive_of(table), {})
    assert list(odd["fits_record"]) == ["a/b"]
    assert odd["sentence"].iloc[0].endswith("check the sheet's `side`.")


def test_a_label_of_a_record_has_three_parts():
    assert record_parts("bench-a/a") == ("bench-a", "a", "")
