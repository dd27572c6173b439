"""Output and sensitivity of tones, in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.measure.metric_rows import Measured
from grooveledger.measure.quantities.level import figures, measure
from grooveledger.physics.noise_floor import NOISE_95
from grooveledger.storage import tables
from made_observations import (
    CARTRIDGE,
    CHAIN,
    heard,
    joined,
    make_context,
    make_side,
    orders_of,
    swapped_chain,
)


def tone(modulation="left", **facts):
    return {"kind": "tone", "modulation": modulation, "frequency_hz": 1000.0, "duration_s": 5.0,
            "velocity_cm_s": 5.0, "velocity_measure": "rms", **facts}  # fmt: skip


def measured(track, left, right, *, chain=CHAIN, side_facts=None, played_hz=None, floor_fs=1e-9):
    """Rows by channel of one tone that is read with these amplitudes."""
    side = make_side(track, **(side_facts or {}))
    hz = track["frequency_hz"]
    orders = orders_of(1, hz, {1: (left, right)}, played_hz=played_hz, floor_fs=floor_fs)
    found = tables.columns(measure(make_context(side, {"orders": orders}, chain=chain)))
    rows = [{name: values[i] for name, values in found.items()} for i in range(len(found["track"]))]
    return {row["channel"]: row for row in rows}


def test_only_driven_channels_have_a_level():
    assert set(measured(tone("left"), 0.1, 0.01)) == {"left"}
    assert set(measured(tone("vertical"), 0.1, 0.1)) == {"left", "right"}


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    output=st.floats(0.01, 20.0),
    hz=st.floats(20.0, 20_000.0),
    gain_db=st.floats(0.0, 70.0),
    full_scale=st.floats(0.1, 10.0),
    equalisation=st.sampled_from(["iec98", "iec98_rumble", "flat"]),
)
def test_the_chain_is_undone(output, hz, gain_db, full_scale, equalisation):
    """What the chain makes of millivolts forwards is taken back, whatever the chain."""
    chain = replace(CHAIN, gain_db=gain_db, full_scale_v_rms=full_scale, equalisation=equalisation)
    wave = heard(output, hz, chain)
    row = measured(tone(frequency_hz=hz), wave, 0.1 * wave, chain=chain, floor_fs=0.0)["left"]
    assert row["output_mv"] == pytest.approx(output, rel=1e-9)
    assert row["sensitivity_mv_per_cm_s"] == pytest.approx(output / 5.0, rel=1e-9)
    assert not row["limited"]


def test_the_preamplifiers_deviation_is_undone():
    chain = replace(CHAIN, preamplifier_response=((100.0, 0.0), (1000.0, 6.0)))
    row = measured(tone(), heard(4.0, 1000.0), 0.0, chain=chain)["left"]
    assert row["output_mv"] == pytest.approx(4.0 * 10.0 ** (-6.0 / 20.0))


@pytest.mark.parametrize(
    ("recorded", "hz", "law_db"),
    # IEC 60098: -19.274 dB at 20 Hz, +13.734 at 10 kHz; constant amplitude: 20 dB a decade.
    [
        ("constant_velocity", 20.0, 0.0),
        ("constant_amplitude", 100.0, -20.0),
        ("iec98", 20.0, -19.274),
        ("iec98", 10_000.0, 13.734),
    ],
)
def test_sensitivity_is_per_recorded_velocity(recorded, hz, law_db):
    row = measured(tone(frequency_hz=hz, recorded=recorded), heard(4.0, hz), 0.0)["left"]
    assert row["output_mv"] == pytest.approx(4.0)
    per_cm_s = 4.0 / (5.0 * 10.0 ** (law_db / 20.0))
    assert row["sensitivity_mv_per_cm_s"] == pytest.approx(per_cm_s, rel=1e-4)


def test_the_calibration_is_in_the_velocity_not_in_the_output():
    facts = {"calibration": [(1, 1000.0, 2.0)]}
    row = measured(tone(), heard(4.0, 1000.0), 0.0, side_facts=facts)["left"]
    assert row["output_mv"] == pytest.approx(4.0)
    assert row["sensitivity_mv_per_cm_s"] == pytest.approx(0.8 * 10.0 ** (-2.0 / 20.0))


@pytest.mark.parametrize(
    ("modulation", "measure_of", "velocity"),
    [("left", "rms", 5.0), ("left", "peak", 3.5355), ("lateral", "rms", 3.5355),
     ("lateral", "peak", 2.5)],
)  # fmt: skip
def test_sensitivity_is_rms_per_rms_of_the_channel(modulation, measure_of, velocity):
    wave = heard(4.0, 1000.0)
    row = measured(tone(modulation, velocity_measure=measure_of), wave, wave)["left"]
    assert row["sensitivity_mv_per_cm_s"] == pytest.approx(4.0 / velocity, rel=1e-4)


def test_without_a_velocity_there_is_output_alone():
    row = measured(tone(velocity_cm_s=None), heard(4.0, 1000.0), 0.0)["left"]
    assert row["output_mv"] == pytest.approx(4.0)
    assert np.isnan(row["sensitivity_mv_per_cm_s"])


@pytest.mark.parametrize("speed", [0.96, 1.0, 1.35])
def test_a_fast_platter_raises_velocity_and_frequency_which_is_divided_out(speed):
    hz = 3150.0
    wave = heard(4.0 * speed, hz * speed)
    row = measured(tone(frequency_hz=hz), wave, 0.0, played_hz=hz * speed)["left"]
    assert row["output_mv"] == pytest.approx(4.0)
    assert row["frequency_hz"] == hz
    assert row["played_hz"] == pytest.approx(hz * speed)


@pytest.mark.parametrize("turn_deg", [0.0, 5.0, -170.0, 180.0])
def test_the_phase_between_the_channels_is_right_minus_left(turn_deg):
    right = 0.1 * np.exp(1j * np.radians(turn_deg))
    row = measured(tone("lateral"), 0.1, right)["right"]
    assert row["interchannel_phase_deg"] == pytest.approx(turn_deg)


def test_a_track_of_one_wall_has_no_phase_between_channels():
    assert np.isnan(measured(tone("left"), 0.1, 0.01)["left"]["interchannel_phase_deg"])


def test_an_inverted_channel_of_the_chain_is_turned_back():
    chain = replace(CHAIN, invert=("right",))
    row = measured(tone("lateral"), 0.1, -0.1, chain=chain)["left"]
    assert row["interchannel_phase_deg"] == pytest.approx(0.0, abs=1e-9)
    # Both inverted: nothing between them.
    both = replace(CHAIN, invert=("left", "right"))
    assert measured(tone("lateral"), 0.1, 0.1, chain=both)["left"]["interchannel_phase_deg"] == 0.0


def test_exchanged_channels_of_the_chain_are_named_right():
    rows = measured(tone("lateral"), heard(3.0, 1e3), heard(4.0, 1e3), chain=swapped_chain())
    assert rows["left"]["output_mv"] == pytest.approx(4.0)
    assert rows["right"]["output_mv"] == pytest.approx(3.0)


def test_uncertainty_is_that_of_tolerances_and_noise():
    """JCGM 100: 1, 0.5 and 0.2 dB rectangular; half of a noise of 1 % lies in phase.

    The preamplifier's response has no tolerance at 1 kHz, where its gain is stated.
    """
    chain = replace(
        CHAIN, response_tolerance_db=5.0, gain_tolerance_db=0.5, full_scale_tolerance_db=0.2
    )
    facts = {"response_tolerance_db": 1.0}
    wave = 0.1
    row = measured(tone(), wave, 0.0, chain=chain, side_facts=facts, floor_fs=1e-3)["left"]
    noise_db = 20.0 / np.log(10.0) * 0.01 / np.sqrt(2.0)
    expected = np.sqrt((1.0 + 0.25 + 0.04) / 3.0 + noise_db**2)
    assert row["uncertainty_db"] == pytest.approx(expected, rel=1e-4)


def test_a_tone_under_the_noise_is_bounded():
    """95 % of complex Gaussian noise is below sqrt(ln 20) times its rms."""
    row = measured(tone(), 1e-3, 0.0, floor_fs=1e-3)["left"]
    assert row["limited"]
    bound = (1.0 + NOISE_95) * 1e-3 / heard(1.0, 1000.0)
    assert row["output_mv"] == pytest.approx(bound)
    assert row["sensitivity_mv_per_cm_s"] == pytest.approx(bound / 5.0)


def test_digital_silence_has_no_level():
    row = measured(tone(), 0.0, 0.0, floor_fs=0.0)["left"]
    assert row["limited"]
    assert np.isnan(row["output_mv"])


def figures_of(*tracks, chain=CHAIN, **facts):
    """Scalars of tones, each with its output in mV of either channel."""
    side = make_side(*(track for track, _ in tracks), **facts)
    orders = joined(
        *(
            orders_of(i, track["frequency_hz"], {1: tuple(heard(mv, track["frequency_hz"]))})
            for i, (track, mv) in enumerate(tracks, start=1)
        )
    )
    rows = tables.columns(measure(make_context(side, {"orders": orders}, chain=chain)))
    return list(figures(Measured({"level": rows}, side, CARTRIDGE, chain)))


def of(found, metric):
    return [(f.channel, f.track, f.value) for f in found if f.metric == metric]


@pytest.mark.parametrize(
    ("hz", "counts"), [(298.0, False), (300.0, True), (1100.0, True), (1102.0, False)]
)
def test_tones_of_the_level_bands_of_records_represent_the_output(hz, counts):
    found = figures_of((tone(frequency_hz=hz), (4.0, 0.01)))
    assert bool(of(found, "output_mv")) == counts


def test_of_several_tones_those_nearest_to_1_khz_count():
    found = figures_of(
        (tone(frequency_hz=400.0), (9.0, 0.01)),
        (tone(frequency_hz=1000.0), (4.0, 0.01)),
        (tone("right", frequency_hz=1000.0), (0.01, 5.0)),
        (tone(frequency_hz=1050.0), (9.0, 0.01)),
    )
    # 5 cm/s rms gave 4 mV; the sheet rates 5 cm/s peak.
    left, right = of(found, "output_mv")
    assert left == ("left", 2, pytest.approx(4.0 / np.sqrt(2.0)))
    assert right == ("right", 3, pytest.approx(5.0 / np.sqrt(2.0)))
    assert of(found, "balance_db") == [("both", 2, pytest.approx(20.0 * np.log10(5.0 / 4.0)))]


@pytest.mark.parametrize(("modulation", "has_phase"), [("lateral", True), ("vertical", False)])
def test_only_a_lateral_tone_says_how_the_channels_phases_lie(modulation, has_phase):
    found = figures_of((tone(modulation), (4.0, 5.0)))
    assert bool(of(found, "interchannel_phase_deg")) == has_phase
    assert len(of(found, "balance_db")) == 1


def test_a_figures_parts_are_those_of_its_level():
    """1 dB of the record and 0.5 dB of gain, each within a rectangle, of 4 mV."""
    chain = replace(CHAIN, gain_tolerance_db=0.5, response_tolerance_db=2.0)
    found = figures_of((tone(), (4.0, 0.01)), chain=chain, response_tolerance_db=1.0)
    (output,) = (figure for figure in found if figure.metric == "output_mv")
    per_db = output.value * np.log(10.0) / 20.0 / np.sqrt(3.0)
    assert output.parts["record"] == pytest.approx(per_db)
    assert output.parts["gain"] == pytest.approx(0.5 * per_db)
    assert output.parts["preamplifier"] == 0.0
