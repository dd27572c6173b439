"""Scalar figures from made-up measures."""

from dataclasses import replace

import numpy as np
import pytest
from made_observations import CARTRIDGE, make_side

from grooveledger import tables
from grooveledger.metrics import UNITS, capture_metrics
from grooveledger.schemas.collect import METRICS
from grooveledger.schemas.registry import MEASURES, TABLES

SWEEP_HZ = np.geomspace(20.0, 20_000.0, 241)


def rows_of(name, **columns):
    """Columns of a measure as they are read back, those not given null, one length for all."""
    table = TABLES[name]
    length = max((np.size(value) for value in columns.values()), default=1)
    whole = {"capture": "c1", **dict.fromkeys(table.names[1:]), **columns}
    for key, value in whole.items():
        if np.ndim(value) == 0:
            whole[key] = [value] * length
    return tables.columns(tables.build(table, whole))


def tone(modulation, frequency_hz=1000.0, **facts):
    return {
        "kind": "tone",
        "modulation": modulation,
        "frequency_hz": frequency_hz,
        "duration_s": 20.0,
        **facts,
    }


def sweep(modulation, **facts):
    return {
        "kind": "sweep",
        "modulation": modulation,
        "start_hz": 20.0,
        "stop_hz": 20_000.0,
        "duration_s": 45.0,
        **facts,
    }


def figures(measures, side, octaves=0.0, cartridge=CARTRIDGE):
    """Rows of the metrics as dicts."""
    columns = capture_metrics(measures, side, cartridge, {"smoothing_octaves": octaves})
    lengths = {len(values) for values in columns.values()}
    assert len(lengths) == 1
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def only(rows, metric, channel):
    found = [row for row in rows if row["metric"] == metric and row["channel"] == channel]
    assert len(found) == 1, found
    return found[0]


# Level ------------------------------------------------------------------------------------------


def level_rows(side, sensitivities, phase_deg=1.5, limited=False):
    rows = [
        (track, channel, value)
        for track, channels in sensitivities.items()
        for channel, value in channels.items()
    ]
    both = {t for t in sensitivities if side.track(t).modulation in ("lateral", "vertical")}
    return rows_of(
        "level",
        track=[row[0] for row in rows],
        channel=[row[1] for row in rows],
        frequency_hz=[side.track(row[0]).frequency_hz for row in rows],
        sensitivity_mv_per_cm_s=[row[2] for row in rows],
        interchannel_phase_deg=[phase_deg if row[0] in both else None for row in rows],
        uncertainty_db=[0.3] * len(rows),
        limited=[limited] * len(rows),
    )


def test_output_is_at_the_rated_velocity():
    side = make_side(tone("left"), tone("right"))
    level = level_rows(side, {1: {"left": 1.2}, 2: {"right": 1.1}})
    output = only(figures({"level": level}, side), "output_mv", "left")
    # 5 cm/s peak is 3.5355 rms (IEC 60050-806: the velocity's measure has to be said).
    assert output["value"] == pytest.approx(1.2 * 3.5355, rel=1e-5)
    assert output["uncertainty"] == pytest.approx(output["value"] * 0.3 * np.log(10.0) / 20.0)
    assert (output["unit"], output["track"], output["track_position"]) == ("mV", 1, 0)
    rms = replace(CARTRIDGE, rated={"output_velocity_cm_s": 5.0, "output_velocity_measure": "rms"})
    output = only(figures({"level": level}, side, cartridge=rms), "output_mv", "right")
    assert output["value"] == pytest.approx(5.5)
    unrated = only(
        figures({"level": level}, side, cartridge=replace(CARTRIDGE, rated=None)),
        "output_mv",
        "left",
    )
    assert unrated["value"] == pytest.approx(1.2 * 3.5355, rel=1e-5)


def test_only_the_tones_nearest_to_1_khz_tell_the_output():
    side = make_side(tone("left", 315.0), tone("left"), tone("lateral", 3150.0))
    level = level_rows(side, {1: {"left": 1.0}, 2: {"left": 1.2}, 3: {"left": 2.0, "right": 2.0}})
    rows = figures({"level": level}, side)
    assert only(rows, "output_mv", "left")["track"] == 2
    assert not [row for row in rows if row["metric"] == "balance_db"]
    at_315 = {name: values[level["track"] != 2] for name, values in level.items()}
    assert only(figures({"level": at_315}, side), "output_mv", "left")["track"] == 1


def test_balance_is_right_minus_left_of_a_pair_and_of_a_lateral_tone():
    side = make_side(tone("left"), tone("right"), tone("lateral"), tone("vertical"))
    both = {"left": 1.0, "right": 1.0}
    level = level_rows(side, {1: {"left": 4.0}, 2: {"right": 3.6}, 3: both, 4: both})
    rows = [r for r in figures({"level": level}, side) if r["metric"] == "balance_db"]
    assert [row["track"] for row in rows] == [1, 3, 4]
    # 4.0 against 3.6 mV is 0.915 dB (worked by hand).
    assert rows[0]["value"] == pytest.approx(-0.915, abs=1e-3)
    assert rows[1]["value"] == 0.0
    assert rows[0]["channel"] == "both"
    assert rows[0]["uncertainty"] == pytest.approx(0.3 * np.sqrt(2.0))
    phase = only(figures({"level": level}, side), "interchannel_phase_deg", "both")
    assert (phase["value"], phase["track"]) == (1.5, 3)


def test_a_dead_channel_has_no_balance():
    side = make_side(tone("lateral"))
    level = level_rows(side, {1: {"left": 1.0, "right": 0.0}}, limited=True)
    balance = only(figures({"level": level}, side), "balance_db", "both")
    assert np.isnan(balance["value"])
    assert balance["limited"]


# Curves -----------------------------------------------------------------------------------------


def response_rows(response_db, frequency_hz=SWEEP_HZ, track=1, channel="left"):
    return rows_of(
        "response",
        track=[track] * len(frequency_hz),
        channel=[channel] * len(frequency_hz),
        frequency_hz=frequency_hz,
        response_db=response_db,
        reference_hz=1000.0,
        uncertainty_db=0.4,
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
        "order_max": [5, 5, 5, 4, 2, 1],
        "limited": [False] * 5 + [True],
    }
    return rows_of("distortion", **{**columns, **changes})


def test_distortion_figures_carry_the_highest_order_counted():
    side = make_side(sweep("left"))
    rows = figures({"distortion": distortion_rows()}, side)
    thd = only(rows, "thd_1khz_pct", "left")
    assert (thd["value"], thd["order_max"], thd["limited"]) == (1.1, 5, False)
    assert thd["uncertainty"] == pytest.approx(0.02 / np.sqrt(2.0))
    assert only(rows, "h2_1khz_pct", "left")["value"] == 1.0
    at_3khz = only(rows, "thd_3khz_pct", "left")
    assert at_3khz["value"] == pytest.approx(2.0 + np.log2(1.5))
    assert at_3khz["order_max"] == 4
    assert only(rows, "thd_5khz_pct", "left")["order_max"] == 2
    assert np.isnan(only(rows, "thd_10khz_pct", "left")["value"])  # no harmonic below the limit


def test_one_harmonic_below_the_noise_of_all_is_a_bound():
    rows = figures({"distortion": distortion_rows()}, make_side(sweep("left")))
    third = only(rows, "h3_1khz_pct", "left")
    assert (third["value"], third["limited"]) == (0.02, True)


# One row, one figure ----------------------------------------------------------------------------


def test_figures_that_stand_in_a_table_are_taken_over():
    side = make_side(
        {
            "kind": "two_tone",
            "modulation": "lateral",
            "frequencies_hz": [400.0, 4000.0],
            "ratio": 4.0,
            "duration_s": 20.0,
        },
        tone("lateral", 3150.0, purpose="speed"),
        {"kind": "silent_groove", "duration_s": 30.0},
    )
    measures = {
        "intermodulation": rows_of(
            "intermodulation", track=1, channel="left", imd_pct=1.5, limited=False, floor_pct=0.1
        ),
        "speed": rows_of(
            "speed",
            track=2,
            channel="left",
            speed_error_pct=0.3,
            wow_flutter_weighted_pct=0.08,
            wow_flutter_unweighted_pct=0.12,
        ),
        "noise": rows_of(
            "noise",
            track=[3, 3],
            channel=["lateral", "left"],
            rumble_unweighted_db=[-40.0, -39.0],
            rumble_weighted_db=[-60.0, -59.0],
            hum_db=[-70.0, -70.0],
            hum_limited=[True, False],
            noise_a_db=[-62.0, -61.0],
            ticks_per_min=[3.0, 3.0],
        ),
    }
    rows = figures(measures, side)
    imd = only(rows, "imd_pct", "left")
    assert (imd["value"], imd["unit"]) == (1.5, "%")
    assert imd["uncertainty"] == pytest.approx(0.1 / np.sqrt(2.0))
    assert only(rows, "wow_flutter_weighted_pct", "left")["value"] == 0.08
    assert only(rows, "rumble_weighted_db", "lateral")["value"] == -60.0
    assert only(rows, "ticks_per_min", "left")["unit"] == "1/min"
    assert only(rows, "hum_db", "left")["track_position"] == 2
    assert not only(rows, "hum_db", "left")["limited"]
    assert only(rows, "hum_db", "lateral")["limited"]


def test_resonance_has_its_axis_for_a_channel():
    low = {"kind": "sweep", "purpose": "resonance", "start_hz": 25.0, "stop_hz": 4.0}
    side = make_side(
        {**low, "modulation": "lateral", "duration_s": 60.0},
        {**low, "modulation": "vertical", "duration_s": 60.0},
    )
    fit = rows_of(
        "resonance_fit",
        track=[1, 2],
        axis=["lateral", "vertical"],
        resonance_hz=[9.0, np.nan],
        dynamic_compliance_um_per_mn=[15.0, np.nan],
        resonance_uncertainty_hz=[0.09, np.nan],
    )
    rows = figures({"resonance_fit": fit}, side)
    assert only(rows, "resonance_lateral_hz", "lateral")["value"] == 9.0
    compliance = only(rows, "dynamic_compliance_um_per_mn", "lateral")
    assert compliance["uncertainty"] == pytest.approx(0.3)
    assert np.isnan(only(rows, "resonance_vertical_hz", "vertical")["value"])


@pytest.mark.parametrize(
    ("lost", "value", "limited"),
    [
        ([False, False, True, True], 50.0, False),
        ([False] * 4, 70.0, True),  # at least the largest step
        ([True] * 4, np.nan, False),
    ],
)
def test_the_tracked_amplitude_is_the_last_step_before_mistracking(lost, value, limited):
    side = make_side(
        {
            "kind": "amplitude_steps",
            "modulation": "lateral",
            "frequency_hz": 315.0,
            "amplitudes_um": [40.0, 50.0, 60.0, 70.0],
            "step_s": 5.0,
        }
    )
    steps = rows_of(
        "tracking_ability",
        track=[1] * 4,
        channel=["right"] * 4,
        amplitude_um=[40.0, 50.0, 60.0, 70.0],
        thd_pct=[1.0, 1.0, 12.0, 12.0],
        mistracking=lost,
    )
    found = only(figures({"tracking_ability": steps}, side), "tracked_amplitude_um", "right")
    assert found["value"] == pytest.approx(value, nan_ok=True)
    assert found["limited"] is limited


# The whole --------------------------------------------------------------------------------------

NAMES = {
    "output_mv",
    "balance_db",
    "interchannel_phase_deg",
    "response_100hz_db",
    "response_5khz_db",
    "response_10khz_db",
    "response_15khz_db",
    "response_20khz_db",
    "response_peak_db",
    "response_peak_hz",
    "response_deviation_db",
    "upper_limit_hz",
    "separation_1khz_db",
    "separation_5khz_db",
    "separation_10khz_db",
    "separation_min_db",
    "thd_1khz_pct",
    "thd_3khz_pct",
    "thd_5khz_pct",
    "thd_10khz_pct",
    "h2_1khz_pct",
    "h3_1khz_pct",
    "imd_pct",
    "speed_error_pct",
    "wow_flutter_weighted_pct",
    "wow_flutter_unweighted_pct",
    "rumble_unweighted_db",
    "rumble_weighted_db",
    "hum_db",
    "noise_a_db",
    "ticks_per_min",
    "resonance_lateral_hz",
    "resonance_vertical_hz",
    "dynamic_compliance_um_per_mn",
    "tracked_amplitude_um",
}


def test_every_figure_has_a_unit_and_no_other():
    assert set(UNITS) == NAMES
    for metric, unit in UNITS.items():
        ending = {"%": "pct", "1/min": "per_min", "um/mN": "um_per_mn"}.get(unit, unit.lower())
        assert metric.endswith(f"_{ending}")


def test_no_measures_no_figures():
    side = make_side(tone("left"))
    assert figures({}, side) == []
    empty = {name: tables.columns(tables.empty(TABLES[name])) for name in MEASURES}
    assert figures(empty, side) == []


def test_the_columns_make_the_metrics_table():
    side = make_side(tone("left"), tone("right"))
    level = level_rows(side, {1: {"left": 1.2}, 2: {"right": 1.1}})
    columns = capture_metrics({"level": level}, side, CARTRIDGE, {"smoothing_octaves": 0.0})
    sheet = dict.fromkeys(name for name in METRICS.names if name not in columns)
    made = tables.build(METRICS, {**sheet, **columns, "capture": "c1"})
    assert made.num_rows == 3
    assert made["order_max"].null_count == 3
