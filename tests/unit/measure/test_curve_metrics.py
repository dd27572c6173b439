"""Scalar figures that are read off curves."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.curve_metrics import (
    band_values,
    interpolation_part,
    is_readable,
    mistuning_part,
)
from made_figures import SWEEP_HZ, figures, only, rows_of, sweep, tone
from made_observations import CHAIN, make_side


def response_rows(response_db, frequency_hz=SWEEP_HZ, track=1, channel="left"):
    return rows_of(
        "response",
        track=[track] * len(frequency_hz),
        channel=[channel] * len(frequency_hz),
        frequency_hz=frequency_hz,
        response_db=response_db,
        reference_hz=1000.0,
        uncertainty_db=0.4,
        noise_db=0.4,
        limited=[False] * len(frequency_hz),
    )


def test_a_response_is_read_on_log_frequency():
    side = make_side(sweep("left"))
    slope_db = -2.0 * np.log2(SWEEP_HZ / 1000.0)
    rows = figures({"response": response_rows(slope_db)}, side)
    for metric, hz in [
        ("response_100hz_db", 100.0),
        ("response_5khz_db", 5000.0),
        ("response_10khz_db", 10_000.0),
        ("response_15khz_db", 15_000.0),
        ("response_20khz_db", 20_000.0),
    ]:
        found = only(rows, metric, "left")
        assert found["value"] == pytest.approx(-2.0 * np.log2(hz / 1000.0))
        assert found["uncertainty"] == pytest.approx(0.4)
    # Half the spread from 1 to 10 kHz, and the frequency at which 3 dB are lost.
    deviation = only(rows, "response_deviation_db", "left")
    assert deviation["value"] == pytest.approx(np.log2(10.0))
    limit = only(rows, "upper_limit_hz", "left")
    assert limit["value"] == pytest.approx(1000.0 * 2.0**1.5, rel=1e-6)
    assert np.isnan(only(rows, "response_peak_hz", "left")["value"])


def test_a_figure_beyond_the_curve_is_null():
    side = make_side(sweep("left"))
    upto = SWEEP_HZ[SWEEP_HZ < 16_000.0]
    rows = figures({"response": response_rows(np.zeros(len(upto)), upto)}, side)
    assert only(rows, "response_15khz_db", "left")["value"] == 0.0
    assert np.isnan(only(rows, "response_20khz_db", "left")["value"])
    assert np.isnan(only(rows, "upper_limit_hz", "left")["value"])
    short = SWEEP_HZ[SWEEP_HZ < 9_000.0]
    rows = figures({"response": response_rows(np.zeros(len(short)), short)}, side)
    assert np.isnan(only(rows, "response_deviation_db", "left")["value"])


@pytest.mark.parametrize("peak_hz", [8000.0, 11_017.2, 17_127.9])
def test_the_peak_is_found_between_points(peak_hz):
    side = make_side(sweep("left"))
    octaves = np.log2(SWEEP_HZ / peak_hz)
    rows = figures({"response": response_rows(2.9 - 3.0 * octaves**2)}, side)
    assert only(rows, "response_peak_hz", "left")["value"] == pytest.approx(peak_hz, rel=1e-6)
    assert only(rows, "response_peak_db", "left")["value"] == pytest.approx(2.9, abs=1e-9)


def test_a_response_that_rises_to_its_end_peaks_there():
    side = make_side(sweep("left"))
    rows = figures({"response": response_rows(np.log2(SWEEP_HZ / 1000.0))}, side)
    assert only(rows, "response_peak_hz", "left")["value"] == pytest.approx(20_000.0)
    assert only(rows, "response_peak_db", "left")["value"] == pytest.approx(np.log2(20.0))


def test_smoothing_takes_ripple_off_a_figure():
    side = make_side(sweep("left"))
    ripple = response_rows((-1.0) ** np.arange(241))
    rough = only(figures({"response": ripple}, side), "response_10khz_db", "left")
    smooth = only(figures({"response": ripple}, side, 1.0), "response_10khz_db", "left")
    assert abs(rough["value"]) > 0.2
    assert abs(smooth["value"]) < 0.06


def separation_rows(separation_db, limited, frequency_hz=SWEEP_HZ, track=1):
    return rows_of(
        "separation",
        track=[track] * len(frequency_hz),
        channel=["left"] * len(frequency_hz),
        frequency_hz=frequency_hz,
        separation_db=separation_db,
        floor_db=np.asarray(separation_db) + 20.0,
        limited=limited,
    )


def test_separation_at_frequencies_and_its_least_from_1_to_10_khz():
    side = make_side(sweep("left"))
    separation_db = 30.0 - 4.0 * np.abs(np.log2(SWEEP_HZ / 1000.0))
    rows = figures({"separation": separation_rows(separation_db, SWEEP_HZ > 9000.0)}, side)
    assert only(rows, "separation_1khz_db", "left")["value"] == pytest.approx(30.0, abs=0.05)
    at_5khz = only(rows, "separation_5khz_db", "left")
    assert at_5khz["value"] == pytest.approx(30.0 - 4.0 * np.log2(5.0))
    assert not at_5khz["limited"]
    # The noise is 20 dB under the crosstalk: the part in phase with it is 0.0707 of it, 0.614 dB.
    assert at_5khz["uncertainty"] == pytest.approx(20.0 / np.log(10.0) * 0.1 / np.sqrt(2.0))
    at_10khz = only(rows, "separation_10khz_db", "left")
    assert at_10khz["limited"]
    assert np.isnan(at_10khz["uncertainty"])
    least = only(rows, "separation_min_db", "left")
    assert least["value"] == pytest.approx(30.0 - 4.0 * np.log2(10.0))
    assert least["limited"]


def test_a_tone_is_a_curve_of_one_point():
    side = make_side(tone("left"), sweep("left"))
    spot = separation_rows([25.0], [False], np.array([1000.0]))
    rows = figures({"separation": spot}, side)
    assert only(rows, "separation_1khz_db", "left")["value"] == 25.0
    # Null once, not once a track; and not at all where another track has the figure.
    assert np.isnan(only(rows, "separation_5khz_db", "left")["value"])
    full = separation_rows(np.full(241, 27.0), np.zeros(241, bool), track=2)
    both = {name: np.concatenate([spot[name], full[name]]) for name in spot}
    rows = figures({"separation": both}, side)
    at_1khz = [row for row in rows if row["metric"] == "separation_1khz_db"]
    assert [(row["track"], row["value"]) for row in at_1khz] == [(1, 25.0), (2, 27.0)]
    assert only(rows, "separation_5khz_db", "left")["track"] == 2


def distortion_rows(**changes):
    hz = np.array([500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0])
    columns = {
        "track": [1] * 6,
        "channel": ["left"] * 6,
        "frequency_hz": hz,
        "thd_pct": [1.0, 1.1, 2.0, 3.0, 5.0, np.nan],
        "h2_pct": [0.9, 1.0, 1.8, 2.5, 5.0, np.nan],
        "h3_pct": [0.3, 0.01, 0.5, 1.0, np.nan, np.nan],
        "floor_pct": [0.02] * 5 + [np.nan],
        "noise_pct": [0.015] * 5 + [np.nan],
        "h2_noise_pct": [0.014] * 5 + [np.nan],
        "h3_noise_pct": [0.014, np.nan, 0.014, 0.014, np.nan, np.nan],
        "order_max": [5, 5, 5, 4, 2, 1],
        "limited": [False] * 5 + [True],
    }
    return rows_of("distortion", **{**columns, **changes})


def test_distortion_figures_carry_the_highest_order_counted():
    side = make_side(sweep("left"))
    rows = figures({"distortion": distortion_rows()}, side)
    thd = only(rows, "thd_1khz_pct", "left")
    assert (thd["value"], thd["order_max"], thd["limited"]) == (1.1, 5, False)
    assert thd["uncertainty"] == pytest.approx(0.015)
    assert only(rows, "h2_1khz_pct", "left")["value"] == 1.0
    # Points an octave apart tell nothing of what lies between them.
    assert np.isnan(only(rows, "thd_3khz_pct", "left")["value"])
    near = distortion_rows(frequency_hz=[500.0, 1000.0, 2700.0, 3300.0, 8000.0, 16_000.0])
    at_3khz = only(figures({"distortion": near}, side), "thd_3khz_pct", "left")
    share = np.log(3000.0 / 2700.0) / np.log(3300.0 / 2700.0)
    assert at_3khz["value"] == pytest.approx(2.0 + share)
    assert at_3khz["order_max"] == 4
    assert np.isnan(only(rows, "thd_10khz_pct", "left")["value"])  # no harmonic below the limit


def test_the_preamplifiers_tolerance_moves_a_harmonic_by_its_own_part():
    """0.5 dB is 5.9 % of a second harmonic (10^(0.5/20) - 1), as a rectangle 3.3 %."""
    chain = replace(CHAIN, response_tolerance_db=0.5)
    rows = figures({"distortion": distortion_rows()}, make_side(sweep("left")), chain=chain)
    second = only(rows, "h2_1khz_pct", "left")
    assert second["u_preamplifier"] == pytest.approx(1.0 * 0.0332, rel=0.01)
    thd = only(rows, "thd_1khz_pct", "left")
    assert thd["u_preamplifier"] == pytest.approx(0.0332 * 1.0, rel=0.01)  # nearly all of it is H2


def test_a_response_that_does_not_refer_to_1_khz_has_no_figure_that_says_so():
    hz = SWEEP_HZ[SWEEP_HZ > 1200.0]
    rows = response_rows(np.zeros(len(hz)), hz)
    rows["reference_hz"] = np.full(len(hz), 1700.0)
    found = figures({"response": rows}, make_side(sweep("left")))
    for metric in ("response_10khz_db", "response_peak_db", "upper_limit_hz"):
        assert np.isnan(only(found, metric, "left")["value"])


def test_a_sweep_from_2_khz_that_falls_throughout_peaks_at_its_first_point():
    hz = SWEEP_HZ[SWEEP_HZ >= 2000.0]
    rows = response_rows(-np.log2(hz / 2000.0), hz)
    found = figures({"response": rows}, make_side(sweep("left")))
    assert only(found, "response_peak_hz", "left")["value"] == hz[0]


def test_an_upper_limit_is_as_sure_as_the_slope_it_lies_on():
    """A slope of 12 dB an octave turns 0.4 dB into 2.3 % of frequency (2^(0.4/12))."""
    slope_db = np.minimum(0.0, -12.0 * np.log2(SWEEP_HZ / 10_000.0))
    found = only(
        figures({"response": response_rows(slope_db)}, make_side(sweep("left"))),
        "upper_limit_hz",
        "left",
    )
    assert found["value"] == pytest.approx(10_000.0 * 2.0**0.25, rel=1e-4)
    assert found["uncertainty"] / found["value"] == pytest.approx(2.0 ** (0.4 / 12.0) - 1, rel=0.03)


def test_one_harmonic_that_noise_hides_is_a_bound():
    rows = figures({"distortion": distortion_rows()}, make_side(sweep("left")))
    third = only(rows, "h3_1khz_pct", "left")
    assert (third["value"], third["limited"]) == (0.01, True)


@pytest.mark.parametrize(("on_hz", "is_on_point"), [(1004.0, True), (996.0, True), (1006.0, False)])
def test_a_curve_of_distant_points_is_read_on_a_point_to_half_a_per_cent(on_hz, is_on_point):
    assert is_readable(np.array([300.0, on_hz, 3000.0]), 1000.0) == is_on_point


def test_a_tone_off_its_frequency_is_off_by_the_slope_of_its_curve():
    """3 % are 0.0426 octaves: at 6 dB an octave a quarter of a decibel."""
    hz = 1000.0 * 2.0 ** np.arange(-3.0, 4.0)
    slope_db = 6.0 * np.log2(hz)
    assert mistuning_part(hz, slope_db, 1.03 * hz, 2000.0) == pytest.approx(6.0 * np.log2(1.03))
    assert mistuning_part(hz, slope_db, hz / 1.03, 3000.0) == pytest.approx(6.0 * np.log2(1.03))
    assert mistuning_part(hz, slope_db, hz, 2000.0) == 0.0
    one_off = np.where(hz == 500.0, 1.03 * hz, hz)
    assert mistuning_part(hz, slope_db, one_off, 2000.0) == 0.0
    assert mistuning_part(hz[:1], slope_db[:1], hz[:1], 125.0) == 0.0


def test_what_a_bend_may_hide_between_two_points():
    """A parabola lies a d^2 off the line through its neighbours at d, a quarter of it half-way."""
    hz = 1000.0 * 2.0 ** np.arange(-3.0, 4.0)
    bent_db = 0.8 * np.log2(hz / 1000.0) ** 2
    halfway = interpolation_part(hz, bent_db, 1000.0 * np.sqrt(2.0))
    assert halfway == pytest.approx(0.8 / 4.0 / np.sqrt(3.0))
    assert interpolation_part(hz, bent_db, 2000.0) == 0.0
    assert interpolation_part(hz, 3.0 * np.log2(hz), 1500.0) == pytest.approx(0.0, abs=1e-9)
    # Beyond an end as of the last three points; of two points no bend is known.
    end = interpolation_part(hz, bent_db, 130.0)
    assert end == pytest.approx(0.8 / 4.0 / np.sqrt(3.0))
    assert interpolation_part(hz[:2], bent_db[:2], 200.0) == 0.0


@pytest.mark.parametrize(("ratio", "has_values"), [(1.284, True), (1.286, False)])
def test_a_band_with_a_gap_of_more_than_a_third_of_an_octave_has_no_spread(ratio, has_values):
    """Nominal thirds of an octave are up to 1.28 apart (ISO 266)."""
    hz = np.array([1000.0, *np.geomspace(1000.0 * ratio, 12e3, 40)])
    values = np.arange(float(len(hz)))
    found = band_values(hz, values)
    assert bool(len(found)) == has_values
    assert is_readable(hz, 1100.0) == has_values
    if has_values:
        # From 1 to 10 kHz: the first point is the lower end, the upper lies between two points.
        assert found.min() == 0.0
        assert found.max() == np.interp(np.log(10_000.0), np.log(hz), values)
