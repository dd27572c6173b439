"""Curves of a table, one a track and channel."""

import numpy as np

from grooveledger.measure.metric_rows import groups

COLUMNS = {
    "track": np.array([2, 1, 2, 2, 1]),
    "channel": np.array(["right", "left", "left", "right", "left"], object),
    "frequency_hz": np.array([300.0, 20.0, 5.0, 100.0, 10.0]),
    "level_db": np.array([1.0, 2.0, 3.0, 4.0, 5.0]),
}


def test_tracks_and_channels_in_order_and_frequencies_rising():
    found = [(t, c, r["level_db"].tolist()) for t, c, r in groups({"x": COLUMNS}, "x")]
    assert found == [(1, "left", [5.0, 2.0]), (2, "left", [3.0]), (2, "right", [4.0, 1.0])]


def test_by_another_column_and_without_frequencies_in_the_order_of_the_table():
    columns = {"track": np.array([1, 1, 1]), "axis": np.array([*"vlv"]), "q": np.arange(3.0)}
    found = [(t, a, r["q"].tolist()) for t, a, r in groups({"x": columns}, "x", by="axis")]
    assert found == [(1, "l", [1.0]), (1, "v", [0.0, 2.0])]


def test_a_table_that_the_capture_has_not_got_gives_none():
    assert list(groups({"x": COLUMNS}, "y")) == []
