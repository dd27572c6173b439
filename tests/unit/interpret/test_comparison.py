"""Styli side by side, over the hours that follow break-in."""

import numpy as np
import pandas as pd
import pytest

from grooveledger.interpret.comparison import comparison_curves, comparison_table
from grooveledger.schemas.interpret import COMPARISON
from grooveledger.storage import tables

SETTINGS = {"comparison_hours": 50.0}
STYLI = pd.DataFrame({"stylus": ["s1", "s2"], "break_in_hours": [30.0, 10.0]})
CAPTURES = pd.DataFrame(
    {
        "capture": ["early", "one", "two", "late", "other", "bad"],
        "stylus": ["s1", "s1", "s1", "s1", "s2", "s2"],
        "cartridge": ["mm", "mm", "mm", "mm", "mi", "mi"],
        "stylus_hours": [5.0, 40.0, 60.0, 300.0, 20.0, 30.0],
        "status": ["ok", "ok", "flagged", "ok", "ok", "rejected"],
    }
)


def metrics(values, limited=()):
    return CAPTURES.drop(columns="status").assign(
        metric="response_10khz_db",
        channel="left",
        value=[float(value) for value in values],
        unit="dB",
        uncertainty=0.5,
        expanded=1.0,
        limited=[name in limited for name in CAPTURES["capture"]],
        track_position=1,
        record="r",
        side=["a", "a", "b", "a", "a", "a"],
        chain="bench",
        copy=None,
    )


def test_means_over_the_hours_that_follow_break_in():
    table = comparison_table(CAPTURES, metrics([9, 1, 2, 9, 4, 9]), STYLI, SETTINGS)
    rows = {row.stylus: row for row in table.itertuples(index=False)}
    assert list(table["stylus"]) == ["s2", "s1"]
    assert rows["s1"].value == 1.5
    assert rows["s1"].sd == pytest.approx(np.sqrt(0.5))
    assert (rows["s1"].n, rows["s1"].hours_first, rows["s1"].hours_last) == (2, 40.0, 60.0)
    assert rows["s1"].records == "r a, r b"
    assert (rows["s2"].value, rows["s2"].n) == (4.0, 1)
    assert np.isnan(rows["s2"].sd)
    built = tables.build(COMPARISON, {name: table[name].tolist() for name in COMPARISON.names})
    assert built.num_rows == 2


def test_what_differs_between_the_styli_is_named():
    table = comparison_table(CAPTURES, metrics([9, 1, 2, 9, 4, 9]), STYLI, SETTINGS)
    assert set(table["differs_in"]) == {"records"}  # s1 of both sides, s2 of side a alone
    alike = metrics([9, 1, 2, 9, 4, 9]).assign(side="a")
    table = comparison_table(CAPTURES, alike, STYLI, SETTINGS)
    assert set(table["differs_in"]) == {""}
    loads = alike.assign(chain=["bench", "bench", "bench", "bench", "other", "bench"])
    loads["copy"] = ["old", "old", "old", "old", "new", "old"]
    table = comparison_table(CAPTURES, loads, STYLI, SETTINGS)
    assert set(table["differs_in"]) == {"chains, copies"}


def test_bounds_are_counted_not_averaged():
    table = comparison_table(
        CAPTURES, metrics([9, 1, 2, 9, 4, 9], limited=("one", "other")), STYLI, SETTINGS
    )
    rows = {row.stylus: row for row in table.itertuples(index=False)}
    assert (rows["s1"].value, rows["s1"].n, rows["s1"].n_limited) == (2.0, 1, 1)
    assert np.isnan(rows["s2"].value)
    assert rows["s2"].n == 0


def test_the_first_track_of_the_plan_counts():
    second = metrics([7] * 6).assign(track_position=2)
    both = pd.concat([second, metrics([9, 1, 2, 9, 4, 9])])
    table = comparison_table(CAPTURES, both, STYLI, SETTINGS)
    assert list(table["value"]) == [4.0, 1.5]


def test_nothing_to_compare():
    assert comparison_table(CAPTURES, metrics([np.nan] * 6), STYLI, SETTINGS).empty
    response = curve("early", [0, 0])
    assert comparison_curves(CAPTURES, response, STYLI, SETTINGS).empty


def curve(capture, response_db):
    return pd.DataFrame(
        {
            "capture": capture,
            "track": 1,
            "channel": "left",
            "frequency_hz": [1000.0, 10_000.0],
            "response_db": response_db,
            "reference_hz": 1000.0,
            "uncertainty_db": 0.1,
            "limited": False,
        }
    )


def test_curves_are_means_too():
    response = pd.concat([curve("early", [0, 9]), curve("one", [0, 1]), curve("two", [0, 2])])
    found = comparison_curves(CAPTURES, response, STYLI, SETTINGS)
    assert set(found["stylus"]) == {"s1"}
    np.testing.assert_allclose(found["response_db"], [0.0, 1.5])
