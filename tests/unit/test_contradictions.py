"""Wrong descriptions tell on themselves, each with its own remark; right ones raise no alarm.

Captures are the simulator's truth: what orders would be read of a groove, a cartridge and a chain,
which are then measured as something else is described.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from made_observations import CARTRIDGE, CHAIN, joined, make_context, make_side, orders_of

from grooveledger import measures, tables
from grooveledger.contradictions import remarks
from grooveledger.equalisation import recorded_velocity_db, replay_response, time_constant_response
from grooveledger.simulate import Conditions, StylusTruth, plan_capture
from grooveledger.simulate.stylus import TYPICAL_CROSSTALK, TYPICAL_HARMONICS

BLOCK = Path(__file__).parents[2] / "workflow" / "schemas" / "blocks" / "remarks.yaml"
SETTINGS = {
    key: facts["default"]
    for key, facts in yaml.safe_load(BLOCK.read_text(encoding="utf-8"))["properties"].items()
}
MEASURED = ("level", "response", "separation", "distortion")
#: 4.2 mV at 5 cm/s peak, as the data sheet rates it.
RATED = 4.2 / (5.0 / np.sqrt(2.0))
STYLUS = StylusTruth(sensitivity_mv_per_cm_s=(RATED, RATED))


def tone(modulation, **facts):
    return {"kind": "tone", "modulation": modulation, "frequency_hz": 1000.0, "duration_s": 20.0,
            "velocity_cm_s": 5.0, **facts}  # fmt: skip


def sweep(modulation, **facts):
    return {"kind": "sweep", "modulation": modulation, "start_hz": 20.0, "stop_hz": 20_000.0,
            "duration_s": 40.0, "velocity_cm_s": 1.0, **facts}  # fmt: skip


TRACKS = (
    tone("left"),
    tone("right"),
    sweep("left"),
    sweep("right"),
    tone("lateral"),
    tone("lateral", frequency_hz=3150.0, purpose="speed"),
    {"kind": "tone_steps", "modulation": "lateral", "frequencies_hz": [315.0, 1000.0, 5000.0],
     "step_s": 3.0, "velocity_cm_s": 3.0},
    tone("vertical", frequency_hz=315.0),
)  # fmt: skip
SIDE = make_side(*TRACKS)


def changed(*numbers, side=SIDE, **facts):
    """The side with facts of some tracks, all where none is named, as they really are."""
    return replace(
        side,
        tracks=tuple(
            replace(track, **facts) if track.track in numbers or not numbers else track
            for track in side.tracks
        ),
    )


def sweeps(**facts):
    return changed(3, 4, **facts)


def nominal_hz(track):
    if track.kind == "sweep":
        return np.geomspace(track.start_hz, track.stop_hz, 120)
    return np.array(track.frequencies_hz or (track.frequency_hz,))


def captured(side, chain=CHAIN, stylus=STYLUS, floor_fs=1e-6, **conditions):
    """Orders and tracks of a capture as they really are, channels and gains those of the file."""
    truth = plan_capture(side, stylus, chain, Conditions(**conditions), 1)
    gain = 1e-3 * 10.0 ** (chain.gain_db / 20.0) / chain.full_scale_v_rms / np.sqrt(2.0)
    parts = []
    for one in truth.tracks:
        hz, speed = nominal_hz(one.plan), truth.mean_speed(one.track)
        waves = truth.components(one.track, hz)
        lines = {}
        for order, wave in enumerate(waves, start=1):
            replayed = np.abs(replay_response(order * speed * hz, chain.equalisation))
            lines[order] = tuple(gain * speed * replayed * wave)
        parts.append(
            orders_of(
                one.track,
                hz,
                lines,
                floor_fs=floor_fs,
                played_hz=hz * speed,
                steps=one.kind == "tone_steps",
            )
        )
    orders = joined(*parts)
    above = orders["order"] * orders["played_hz"] > 0.94 * 48_000.0
    tracks = {
        "track": np.array([float(one.track) for one in truth.tracks]),
        "kind": np.array([one.kind for one in truth.tracks], object),
        "match": np.array(["found"] * len(truth.tracks), object),
        "start_s": np.array([one.start_s for one in truth.tracks]),
        "stop_s": np.array([one.stop_s for one in truth.tracks]),
        "clipped": np.zeros(len(truth.tracks), bool),
        "remark": np.array([""] * len(truth.tracks), object),
    }
    return {name: values[~above] for name, values in orders.items()}, tracks


def told(capture, side=SIDE, chain=CHAIN, cartridge=CARTRIDGE):
    """Remarks of a capture that is described so."""
    orders, tracks = capture
    tracks["planned_s"] = np.array([track.duration_s for track in side.tracks])
    context = make_context(side, {"orders": orders}, SETTINGS, chain=chain, cartridge=cartridge)
    context = replace(context, tracks=tracks)
    rows = {}
    for name in MEASURED:
        found = measures.load(name).measure(context)
        if found.num_rows:
            rows[name] = tables.columns(found)
    return remarks(context, rows)


def only(found):
    assert len(found) == 1, found
    return found[0]


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
    assert told(capture, side, chain) == []


@pytest.mark.parametrize("numbers", [(1,), (3,), (5,), (1, 2), (1, 3), (8,)])
def test_few_tracks_raise_no_alarm_either(numbers):
    side = replace(SIDE, tracks=tuple(t for t in SIDE.tracks if t.track in numbers))
    assert told(captured(side), side) == []


def test_noise_alone_raises_no_alarm():
    silent = replace(STYLUS, sensitivity_mv_per_cm_s=(1e-9, 1e-9))
    assert told(captured(SIDE, stylus=silent, floor_fs=1e-3)) == []


def test_nothing_observed_raises_no_alarm():
    orders, tracks = captured(SIDE)
    nothing = {name: values[:0] for name, values in orders.items()}
    assert told((nothing, {name: values[:0] for name, values in tracks.items()})) == []


# Levels -----------------------------------------------------------------------------------------


def test_peak_described_where_the_record_is_rms():
    """Velocities of the same sleeve read as peak: sqrt 2 or 3.01 dB too much comes out."""
    track, text = only(told(captured(changed(velocity_measure="rms"))))
    assert track is None
    assert text.startswith("the output is 3.0 dB above the rated 4.2 mV in both channels: check")
    assert "velocity_measure" in text


def test_rms_described_where_the_record_is_peak():
    _, text = only(told(captured(SIDE), changed(velocity_measure="rms")))
    assert "3.0 dB below" in text
    assert "velocities are really peak" in text


def test_lateral_velocity_described_as_the_channels():
    lateral = changed(5, 8, velocity_cm_s=5.0 * np.sqrt(2.0))
    _, text = only(told(captured(lateral)))
    assert text.startswith("output per velocity is 3.0 dB higher by the lateral or vertical tracks")
    assert "along the stylus's axis" in text


def test_channel_velocity_described_as_the_styluss():
    one_channel = changed(1, 2, velocity_cm_s=5.0 / np.sqrt(2.0))
    _, text = only(told(captured(one_channel)))
    assert "3.0 dB higher by the lateral or vertical tracks" in text


def test_tracks_of_another_reference_level():
    _, text = only(told(captured(changed(5, 8, velocity_cm_s=12.6))))
    assert "8.0 dB higher" in text
    assert text.endswith("check velocity_cm_s and velocity_measure of both")


@pytest.mark.parametrize("gain_db", [0.0, 20.0, 60.0, 80.0])
def test_a_wrong_gain_is_told_with_the_gain_that_it_would_have_to_be(gain_db):
    loud = gain_db > CHAIN.gain_db
    _, text = only(told(captured(SIDE, replace(CHAIN, gain_db=gain_db))))
    assert f"{abs(gain_db - 40.0):.1f} dB {'above' if loud else 'below'}" in text
    assert f"gain_db would have to be {gain_db:.1f} " in text


def test_a_wrong_full_scale_is_told_with_what_it_would_have_to_be():
    _, text = only(told(captured(SIDE, replace(CHAIN, full_scale_v_rms=0.1))))
    assert "26.0 dB above" in text
    assert "full_scale_v_rms 0.101 for that" in text


def test_a_sheet_without_output_leaves_what_cartridges_give():
    unrated = replace(CARTRIDGE, rated={})
    assert told(captured(SIDE), cartridge=unrated) == []
    _, text = only(told(captured(SIDE, replace(CHAIN, gain_db=80.0)), cartridge=unrated))
    assert "would be 420 mV, but cartridges of its kind give 0.8 to 15" in text
    quiet = replace(unrated, principle="moving_coil")
    assert told(captured(SIDE, replace(CHAIN, gain_db=20.0)), cartridge=quiet) == []


def test_a_low_load_may_lower_the_output_of_a_coil_of_some_resistance():
    """Voltage divider: 40 ohm into 100 ohm leaves 2.9 dB less than the open coil gives."""
    divided = 100.0 / 140.0 * RATED
    stylus = replace(STYLUS, sensitivity_mv_per_cm_s=(divided, divided), coil_inductance_mh=0.0)
    chain = replace(CHAIN, input_resistance_ohm=100.0)
    coil = replace(CARTRIDGE, coil_resistance_ohm=40.0)
    capture = captured(SIDE, chain, stylus)
    assert told(capture, chain=chain, cartridge=coil) == []
    for load_ohm, alarms in ((1e6, 0), (100.0, 1)):
        rated = replace(coil, rated={**CARTRIDGE.rated, "load_ohm": load_ohm})
        assert len(told(capture, chain=chain, cartridge=rated)) == alarms


# Equalisation -----------------------------------------------------------------------------------

FLAT = replace(CHAIN, equalisation="flat")


def test_a_flat_preamplifier_described_as_replaying_with_the_curve():
    side = sweeps(recorded="iec98")
    track, text = only(told(captured(side, FLAT), side))
    assert track is None
    # The curve from 50 Hz to 10 kHz: 16.9 + 13.7 dB (IEC 60098).
    assert text.startswith("the response of tracks 3, 4, 7 rises by 31 dB from 50 to 10000 Hz")
    assert text.endswith("set equalisation: flat in the chain if its preamplifier is so")


def test_the_curve_where_flat_is_described():
    _, text = only(told(captured(SIDE), chain=FLAT))
    assert "falls by" in text
    assert "set equalisation: iec98 in the chain" in text


def test_a_record_of_one_law_leaves_both_open():
    """Sweeps alone can't tell a flat preamplifier from a record that was cut with the curve."""
    side = replace(SIDE, tracks=SIDE.tracks[:4])
    _, text = only(told(captured(side, FLAT), side))
    assert "set equalisation: flat in the chain" in text
    assert "set recorded: iec98" in text


@pytest.mark.parametrize(
    ("described", "really"),
    [
        (a, b)
        for a in ("constant_velocity", "constant_amplitude", "iec98")
        for b in ("constant_velocity", "constant_amplitude", "iec98")
        if a != b
    ],
)
@pytest.mark.parametrize("ends", [(20.0, 20_000.0), (300.0, 12_000.0)])
def test_a_wrong_recorded_law_is_told_with_the_right_one(described, really, ends):
    facts = {"start_hz": ends[0], "stop_hz": ends[1]}
    capture = captured(sweeps(recorded=really, **facts))
    _, text = only(told(capture, sweeps(recorded=described, **facts)))
    assert text.startswith("the response of tracks 3, 4 ")
    assert text.endswith(f"set recorded: {really} if it was cut so")


def test_the_treble_section_missing_on_the_record():
    hz = np.geomspace(20.0, 20_000.0, 60)
    treble = np.abs(time_constant_response(hz, (), (75e-6,)))
    treble_db = 20.0 * np.log10(treble) - 20.0 * np.log10(
        np.abs(time_constant_response(1000.0, (), (75e-6,)))
    )
    side = sweeps(recorded="iec98")
    cut = replace(
        side,
        calibration=tuple(
            (track, float(f), float(db))
            for track in (3, 4)
            for f, db in zip(hz, treble_db, strict=True)
        ),
    )
    _, text = only(told(captured(cut), side))
    assert text.endswith("give the record's calibration if it was cut without the 75 us section")
    assert told(captured(cut), cut) == []


def test_one_track_of_another_law_is_named():
    side = changed(4, recorded="constant_amplitude")
    track, text = only(told(captured(side)))
    assert track == 4
    assert text.startswith("the response of track 4 ")


def test_a_wrong_curve_is_not_taken_for_a_wrong_level_at_315_hz():
    """Tones away from 1 kHz are shifted too: 5 dB at 315 Hz."""
    side = changed(1, 2, frequency_hz=315.0)
    _, text = only(told(captured(side, FLAT), side))
    assert "equalisation" in text


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

    assert told(file_channels(captured(SIDE), exchange)) == []
    assert told(file_channels(captured(SIDE), invert)) == []


@pytest.mark.parametrize("weak", ["left", "right"])
def test_a_channel_that_is_weak_everywhere(weak):
    def weaken(orders):
        orders["amplitude_fs"][orders["channel"] == weak] *= 0.03

    track, text = only(told(file_channels(captured(SIDE), weaken)))
    assert track is None
    assert text.startswith(f"the {weak} channel is")
    assert "leads and contacts" in text


def test_a_channel_that_carries_nothing_is_left_to_stage_1():
    def kill(orders):
        orders["amplitude_fs"][orders["channel"] == "right"] *= 1e-3

    assert told(file_channels(captured(SIDE), kill)) == []


def test_a_mono_switch():
    def mix(orders):
        left, right = (orders["channel"] == name for name in ("left", "right"))
        wave = orders["amplitude_fs"] * np.exp(1j * np.radians(orders["phase_deg"]))
        mean = 0.5 * (wave[left] + wave[right])
        for side in (left, right):
            orders["amplitude_fs"][side] = np.abs(mean)
            orders["phase_deg"][side] = np.degrees(np.angle(mean))

    side = replace(SIDE, tracks=SIDE.tracks[:7])
    _, text = only(told(file_channels(captured(side), mix), side))
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
    track, text = only(told(capture, changed(number, modulation=described)))
    assert track == number
    assert text.startswith(f"track {number} is described as {described}, but ")
    assert "correct its modulation" in text


# Sweeps and distortion --------------------------------------------------------------------------


@pytest.mark.parametrize("really_s", [34.0, 46.0])
def test_a_sweep_of_another_length(really_s):
    capture = captured(changed(4, duration_s=really_s), speed_error_pct=2.0)
    track, text = only(told(capture))
    assert track == 4
    assert text.startswith(f"track 4 lasts {really_s:.1f} s at the right speed, but is described")


def test_what_stage_1_said_of_a_sweep_is_not_said_again():
    orders, tracks = captured(changed(4, duration_s=30.0))
    tracks["remark"][3] = "is cut off by the end of the capture at 100.0 s"
    assert told((orders, tracks)) == []


def test_distortion_beyond_all_reason():
    broken = replace(
        STYLUS, harmonics=tuple((hz, 60.0, 30.0, 10.0, 5.0) for hz, *_ in TYPICAL_HARMONICS)
    )
    side = changed(velocity_cm_s=5.0)
    orders, tracks = captured(side, stylus=broken)
    track, text = only(told((orders, tracks), side))
    assert track is None
    assert text.startswith("half of the distortion figures are at ")
    assert "stylus under a glass" in text
    tracks["clipped"][:] = True
    assert told((orders, tracks), side) == []


def test_laws_here_are_those_of_the_standard():
    """IEC 60098: 19.3 dB at 20 Hz and -19.6 dB at 20 kHz re 1 kHz."""
    ends_db = recorded_velocity_db([20.0, 20_000.0], "iec98")
    np.testing.assert_allclose(ends_db, [-19.27, 19.62], atol=0.01)
