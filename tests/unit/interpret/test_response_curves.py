"""Choice and averaging of response curves."""

import numpy as np
import pandas as pd

from grooveledger.interpret.response_curves import Curve, after_break_in, channel_curves, mean_curve


def rows(capture="c", track=1, channel="left", hz=(500.0, 1000.0, 2000.0), reference_hz=1000.0):
    return pd.DataFrame(
        {
            "capture": capture,
            "track": track,
            "channel": channel,
            "frequency_hz": hz,
            "response_db": np.arange(len(hz), dtype=float),
            "reference_hz": reference_hz,
            "uncertainty_db": 0.1,
            "limited": False,
        }
    )


def test_the_track_that_reaches_highest_is_taken():
    response = pd.concat(
        [
            rows(track=1),
            rows(track=2, hz=(900.0, 1000.0, 9000.0, 20_000.0)),
            rows(track=3, hz=(4_000.0, 40_000.0), reference_hz=5_700.0),
            rows(channel="right", track=4),
        ]
    )
    curves = channel_curves(response)
    assert set(curves) == {("c", "left"), ("c", "right")}
    np.testing.assert_array_equal(curves["c", "left"].frequency_hz, [900, 1000, 9000, 20_000])


def test_bounds_and_gaps_are_left_out_and_order_does_not_matter():
    response = rows(hz=(4000.0, 1000.0, 2000.0, 500.0))
    response.loc[0, "limited"] = True
    response.loc[2, "response_db"] = np.nan
    curve = channel_curves(response)["c", "left"]
    np.testing.assert_array_equal(curve.frequency_hz, [500, 1000])
    np.testing.assert_array_equal(curve.response_db, [3, 1])


def test_mean_over_what_all_cover():
    first = Curve(np.array([500.0, 1000, 2000, 4000]), np.zeros(4), np.full(4, 0.2))
    second = Curve(np.array([900.0, 3600]), np.array([0.0, 2.0]), np.full(2, 0.4))
    mean = mean_curve([first, second])
    np.testing.assert_array_equal(mean.frequency_hz, [1000, 2000])
    # On log frequency 2 kHz lies at log(2000/900)/log(4) of the way.
    expected = np.log(np.array([1000, 2000]) / 900) / np.log(4)
    np.testing.assert_allclose(mean.response_db, expected)
    np.testing.assert_allclose(mean.uncertainty_db, 0.3)


def test_break_in_is_each_styluss_own():
    captures = pd.DataFrame(
        {
            "capture": ["a", "b", "c", "d", "e"],
            "stylus": ["s1", "s1", "s2", "s2", "s2"],
            "stylus_hours": [40.0, 20.0, 12.0, np.nan, 50.0],
            "status": ["ok", "ok", "flagged", "ok", "rejected"],
        }
    )
    styli = pd.DataFrame({"stylus": ["s1", "s2"], "break_in_hours": [30.0, 10.0]})
    assert list(after_break_in(captures, styli)["capture"]) == ["a", "c"]
