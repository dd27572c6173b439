"""Scalar figures from made-up measures."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.export.all_tables import TABLES
from grooveledger.measure.metrics import capture_metrics
from grooveledger.measure.quantities import MEASURES
from grooveledger.measure.quantities import METRICS as DECLARED
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS
from grooveledger.storage import tables
from made_figures import figures, only, rows_of, tone
from made_observations import CARTRIDGE, CHAIN, make_side

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
        uncertainty_db=[0.5] * len(rows),
        noise_db=[0.3] * len(rows),
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
    # The record's level, gain and full scale add theirs.
    exact = figures({"level": level}, side)
    assert only(exact, "output_mv", "left")["u_gain"] == 0.0
    chain = replace(CHAIN, gain_tolerance_db=0.5, full_scale_tolerance_db=0.2)
    known = only(figures({"level": level}, side, chain=chain), "output_mv", "left")
    expected_db = np.sqrt(0.3**2 + (0.5**2 + 0.2**2) / 3.0)
    assert known["uncertainty"] == pytest.approx(known["value"] * expected_db * np.log(10.0) / 20)
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
    # One tolerance in both channels of one track cancels; two tracks have each their own.
    toleranced = make_side(
        tone("left"), tone("right"), tone("lateral"), tone("vertical"), response_tolerance_db=1.5
    )
    chain = replace(CHAIN, gain_tolerance_db=5.0, channel_match_db=0.2)
    rows = figures({"level": level}, toleranced, chain=chain)
    pair, lateral, _ = (row for row in rows if row["metric"] == "balance_db")
    assert lateral["uncertainty"] == pytest.approx(np.sqrt(2 * 0.3**2 + 0.2**2 / 3.0))
    assert pair["u_record"] == pair["u_second_track"] == pytest.approx(1.5 / np.sqrt(3.0))
    phase = only(figures({"level": level}, side), "interchannel_phase_deg", "both")
    assert (phase["value"], phase["track"]) == (1.5, 3)


def test_a_dead_channel_has_no_balance():
    side = make_side(tone("lateral"))
    level = level_rows(side, {1: {"left": 1.0, "right": 0.0}}, limited=True)
    balance = only(figures({"level": level}, side), "balance_db", "both")
    assert np.isnan(balance["value"])
    assert balance["limited"]


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
    # Four equal noises n read as 2 sqrt 2 n; in the sum of a pair two add by chance, in phase: n.
    assert imd["uncertainty"] == pytest.approx(0.1 / np.sqrt(8.0))
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
    assert set(DECLARED) >= NAMES
    for metric, unit in ((metric.name, metric.unit) for metric in DECLARED.values()):
        ending = {"%": "pct", "1/min": "per_min", "um/mN": "um_per_mn"}.get(unit, unit.lower())
        assert metric.endswith(f"_{ending}")


def test_of_figures_without_a_value_one_stays_unless_another_track_has_one():
    side = make_side(*[tone(channel) for channel in ("left", "right", "left", "right")])
    nothing = {1: {"left": np.nan}, 2: {"right": np.nan}, 3: {"left": np.nan}, 4: {"right": 1.0}}
    stated = [
        (figure["channel"], figure["value"])
        for figure in figures({"level": level_rows(side, nothing)}, side)
        if figure["metric"] == "output_mv"
    ]
    assert [channel for channel, _ in stated] == ["left", "right"]
    assert np.isnan(stated[0][1])
    assert np.isfinite(stated[1][1])


def test_no_measures_no_figures():
    side = make_side(tone("left"))
    assert figures({}, side) == []
    empty = {name: tables.columns(tables.empty(TABLES[name])) for name in MEASURES}
    assert figures(empty, side) == []


def test_the_columns_make_the_metrics_table():
    side = make_side(tone("left"), tone("right"))
    level = level_rows(side, {1: {"left": 1.2}, 2: {"right": 1.1}})
    columns = capture_metrics({"level": level}, side, CARTRIDGE, CHAIN, {"smoothing_octaves": 0.0})
    made = tables.build(CAPTURE_METRICS, {**columns, "capture": "c1"})
    assert made.num_rows == 3
    assert made["order_max"].null_count == 3
