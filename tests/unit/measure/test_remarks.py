"""Wrong descriptions tell on themselves, each with its own remark; right ones raise no alarm."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.measure.remarks import DrivenLevels, modulation_remarks
from grooveledger.simulate import StylusTruth
from grooveledger.simulate.stylus import TYPICAL_CROSSTALK, TYPICAL_HARMONICS
from made_descriptions import RATED, SIDE, STYLUS, captured, changed, only, remarked, sweeps
from made_observations import CHAIN

# No false alarms --------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    output_db=st.floats(-1.5, 1.5),  # and 0.5 of balance: within 2 dB of the sheet's
    balance_db=st.floats(-1.0, 1.0),
    record_db=st.floats(-0.4, 0.4),  # a record whose levels keep their tolerance
    tip=st.tuples(st.floats(16_000.0, 40_000.0), st.floats(0.5, 1.1)),
    coil=st.sampled_from([(480.0, 750.0), (900.0, 1200.0), (90.0, 300.0), (0.0, 0.0)]),
    load_pf=st.floats(50.0, 450.0),
    flat_um=st.floats(0.0, 8.0),
    crosstalk_db=st.floats(-8.0, 9.0),
    harmonics=st.floats(0.2, 4.0),
    law=st.sampled_from(["constant_velocity", "constant_amplitude", "iec98"]),
    ends=st.sampled_from([(20.0, 20_000.0), (500.0, 40_000.0), (20_000.0, 1000.0), (800.0, 20.0)]),
    equalisation=st.sampled_from(["iec98", "iec98_rumble", "flat"]),
    speed_error_pct=st.floats(-2.5, 2.5),
    radius_mm=st.floats(60.0, 146.0),
)
def test_a_right_description_of_anything_realistic_raises_no_alarm(
    output_db, balance_db, record_db, tip, coil, load_pf, flat_um, crosstalk_db, harmonics, law,
    ends, equalisation, speed_error_pct, radius_mm,
):  # fmt: skip
    leak = tuple((hz, db + crosstalk_db, phase) for hz, db, phase in TYPICAL_CROSSTALK)
    stylus = StylusTruth(
        sensitivity_mv_per_cm_s=tuple(
            RATED * 10.0 ** ((output_db + sign * balance_db / 2.0) / 20.0) for sign in (1, -1)
        ),
        tip_resonance_hz=tip[0],
        tip_q=tip[1],
        coil_inductance_mh=coil[0],
        coil_resistance_ohm=coil[1],
        flat_um=flat_um,
        crosstalk_left_to_right=leak,
        crosstalk_right_to_left=leak,
        harmonics=tuple((hz, *(harmonics * pct for pct in row)) for hz, *row in TYPICAL_HARMONICS),
    )
    side = sweeps(recorded=law, start_hz=ends[0], stop_hz=ends[1])
    side = changed(radius_mm=radius_mm, side=side)
    real = replace(
        side,
        calibration=tuple(
            (track.track, 1000.0, record_db * (-1) ** track.track) for track in side.tracks
        ),
    )
    chain = replace(CHAIN, equalisation=equalisation, input_capacitance_pf=load_pf)
    capture = captured(real, chain, stylus, speed_error_pct=speed_error_pct)
    assert remarked(capture, side, chain) == []


@pytest.mark.parametrize("numbers", [(1,), (3,), (5,), (1, 2), (1, 3), (8,)])
def test_few_tracks_raise_no_alarm_either(numbers):
    side = replace(SIDE, tracks=tuple(t for t in SIDE.tracks if t.track in numbers))
    assert remarked(captured(side), side) == []


def test_noise_alone_raises_no_alarm():
    silent = replace(STYLUS, sensitivity_mv_per_cm_s=(1e-9, 1e-9))
    assert remarked(captured(SIDE, stylus=silent, floor_fs=1e-3)) == []


def test_nothing_observed_raises_no_alarm():
    orders, tracks = captured(SIDE)
    nothing = {name: values[:0] for name, values in orders.items()}
    assert remarked((nothing, {name: values[:0] for name, values in tracks.items()})) == []


# Channels ---------------------------------------------------------------------------------------


def file_channels(capture, change):
    orders, tracks = capture
    orders = {name: values.copy() for name, values in orders.items()}
    change(orders)
    return orders, tracks


def test_exchanged_and_inverted_channels_are_left_to_stage_1():
    def exchange(orders):
        other = {"left": "right", "right": "left"}
        orders["channel"] = np.array([other[c] for c in orders["channel"]], object)

    def invert(orders):
        orders["phase_deg"][orders["channel"] == "right"] += 180.0

    assert remarked(file_channels(captured(SIDE), exchange)) == []
    assert remarked(file_channels(captured(SIDE), invert)) == []


@pytest.mark.parametrize("weak", ["left", "right"])
def test_a_channel_that_is_weak_everywhere(weak):
    def weaken(orders):
        orders["amplitude_fs"][orders["channel"] == weak] *= 0.03

    track, text = only(remarked(file_channels(captured(SIDE), weaken)))
    assert track is None
    assert text.startswith(f"the {weak} channel is")
    assert "leads and contacts" in text


def test_a_channel_that_carries_nothing_is_left_to_stage_1():
    def kill(orders):
        orders["amplitude_fs"][orders["channel"] == "right"] *= 1e-3

    assert remarked(file_channels(captured(SIDE), kill)) == []


def test_a_mono_switch():
    def mix(orders):
        left, right = (orders["channel"] == name for name in ("left", "right"))
        wave = orders["amplitude_fs"] * np.exp(1j * np.radians(orders["phase_deg"]))
        mean = 0.5 * (wave[left] + wave[right])
        for side in (left, right):
            orders["amplitude_fs"][side] = np.abs(mean)
            orders["phase_deg"][side] = np.degrees(np.angle(mean))

    side = replace(SIDE, tracks=SIDE.tracks[:7])
    _, text = only(remarked(file_channels(captured(side), mix), side))
    assert "alike within 0.0 dB where one groove wall is driven (tracks 1, 2, 3, 4)" in text
    assert "mono switch" in text


@pytest.mark.parametrize(
    ("number", "really", "described"),
    [
        (1, "left", "right"),
        (1, "lateral", "left"),
        (3, "vertical", "left"),
        (5, "left", "lateral"),
        (5, "vertical", "lateral"),
        (8, "lateral", "vertical"),
        (8, "right", "vertical"),
    ],
)
def test_one_track_of_another_modulation_is_named(number, really, described):
    capture = captured(changed(number, modulation=really))
    track, text = only(remarked(capture, changed(number, modulation=described)))
    assert track == number
    assert text.startswith(f"track {number} is described as {described}, but ")
    assert "correct its modulation" in text


# Sweeps and distortion --------------------------------------------------------------------------


@pytest.mark.parametrize("really_s", [34.0, 46.0])
def test_a_sweep_of_another_length(really_s):
    capture = captured(changed(4, duration_s=really_s), speed_error_pct=2.0)
    track, text = only(remarked(capture))
    assert track == 4
    assert text.startswith(f"track 4 lasts {really_s:.1f} s at the right speed, but is described")


def test_what_stage_1_said_of_a_sweep_is_not_said_again():
    orders, tracks = captured(changed(4, duration_s=30.0))
    tracks["remark"][3] = "is cut off by the end of the capture at 100.0 s"
    assert remarked((orders, tracks)) == []


def test_distortion_beyond_all_reason():
    broken = replace(
        STYLUS, harmonics=tuple((hz, 60.0, 30.0, 10.0, 5.0) for hz, *_ in TYPICAL_HARMONICS)
    )
    side = changed(velocity_cm_s=5.0)
    orders, tracks = captured(side, stylus=broken)
    track, text = only(remarked((orders, tracks), side))
    assert track is None
    assert text.startswith("half of the distortion figures are at ")
    assert "stylus under a glass" in text
    tracks["clipped"][:] = True
    assert remarked((orders, tracks), side) == []


# Thresholds -------------------------------------------------------------------------------------


def levels(modulation, left_db, phase_cos=1.0, number=1):
    return DrivenLevels(
        replace(SIDE.tracks[0], track=number, modulation=modulation), left_db, phase_cos
    )


@pytest.mark.parametrize(("imbalance_db", "is_weak"), [(5.9, False), (6.1, True), (44.0, True)])
def test_a_channel_is_weak_from_6_db(imbalance_db, is_weak):
    tracks = [levels("lateral", imbalance_db), levels("lateral", imbalance_db, number=2)]
    said, as_described = modulation_remarks(tracks, 10.0)
    assert [("right channel is" in text) for _, text in said] == [True] * is_weak
    assert as_described == (frozenset() if is_weak else {1, 2})


def test_a_channel_that_carries_nothing_from_45_db_is_left_to_stage_1():
    assert modulation_remarks([levels("lateral", 45.1)], 10.0) == ([], frozenset())


def test_tracks_that_lean_to_either_side_are_no_weak_channel():
    said, _ = modulation_remarks([levels("lateral", 7.0), levels("lateral", -7.0, number=2)], 10.0)
    assert [track for track, _ in said] == [1, 2]


@pytest.mark.parametrize(("driven_db", "is_alike"), [(9.9, True), (10.1, False)])
def test_channels_of_one_groove_wall_are_alike_below_the_least_separation(driven_db, is_alike):
    tracks = [levels("left", driven_db), levels("right", -20.0, number=2)]
    said, as_described = modulation_remarks(tracks, 10.0)
    assert [track for track, _ in said] == [1] * is_alike
    assert as_described == {1, 2} - ({1} if is_alike else set())


@pytest.mark.parametrize(("phase_cos", "is_turned"), [(-0.45, False), (-0.55, True)])
def test_an_axis_is_turned_beyond_120_degrees(phase_cos, is_turned):
    tracks = [levels("lateral", 0.0, phase_cos), levels("lateral", 0.0, number=2)]
    said, _ = modulation_remarks(tracks, 10.0)
    assert [track for track, _ in said] == [1] * is_turned
    # All turned alike: the leads, of which stage 1 knows.
    assert modulation_remarks(tracks[:1], 10.0)[0] == []


@pytest.mark.parametrize(
    ("described", "said"),
    [("lateral", "in antiphase, unlike other tracks: correct its modulation (vertical?)"),
     ("vertical", "in phase, unlike other tracks: correct its modulation (lateral?)")],
)  # fmt: skip
def test_a_turned_axis_is_named_with_the_phase_that_shows_it(described, said):
    usual = 1.0 if described == "lateral" else -1.0
    tracks = [levels(described, 0.0, -usual), levels(described, 0.0, usual, number=2)]
    ((_, text),), _ = modulation_remarks(tracks, 10.0)
    assert text.endswith(said)
