"""Response of sweeps and steps, in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.budget import USUAL_SPEED_RMS
from grooveledger.measure.quantities.response import measure
from grooveledger.physics.equalisation import recorded_velocity_db
from grooveledger.physics.noise_floor import NOISE_95
from grooveledger.storage import tables
from made_figures import figures, only
from made_observations import (
    CHAIN,
    heard,
    joined,
    make_context,
    make_side,
    orders_of,
    swapped_chain,
)

HZ = np.geomspace(20.0, 20_000.0, 61)
LAWS = ("constant_velocity", "constant_amplitude", "iec98")


def sweep(hz=HZ, modulation="left", **facts):
    return {"kind": "sweep", "modulation": modulation, "start_hz": float(hz[0]),
            "stop_hz": float(hz[-1]), "duration_s": 30.0, **facts}  # fmt: skip


def cartridge_db(hz):
    """An invented response: a slope and a peak."""
    return 0.5 * np.log2(hz / 1000.0) + 3.0 * np.exp(-(np.log2(hz / 15_000.0) ** 2))


def measured(track, hz, level_db, *, chain=CHAIN, speed=1.0, floor_fs=1e-12, **side_facts):
    """Response rows of a track whose terminals give `level_db` re 1 mV at nominal frequencies.

    The level is that at the right speed: a fast platter gives as much more.
    """
    wave = heard(10.0 ** (np.asarray(level_db) / 20.0) * speed, np.asarray(hz) * speed, chain)
    orders = orders_of(
        1, hz, {1: (wave, 0.5 * wave)}, played_hz=np.asarray(hz) * speed, floor_fs=floor_fs,
        steps=track["kind"] == "tone_steps",
    )  # fmt: skip
    context = make_context(make_side(track, **side_facts), {"orders": orders}, chain=chain)
    return tables.columns(measure(context))


@pytest.mark.parametrize("equalisation", ["iec98", "iec98_rumble", "flat"])
@pytest.mark.parametrize("recorded", LAWS)
@pytest.mark.parametrize("speed", [0.97, 1.0, 1.02])
def test_chain_law_and_speed_are_undone_and_the_cartridge_is_left(equalisation, recorded, speed):
    """The replay curve at the played frequency, the recorded law at the nominal one."""
    chain = replace(CHAIN, equalisation=equalisation)
    hz = np.sort(np.append(HZ, 1000.0 / speed))
    level_db = recorded_velocity_db(hz, recorded) + cartridge_db(hz * speed)
    rows = measured(sweep(recorded=recorded), hz, level_db, chain=chain, speed=speed)
    np.testing.assert_allclose(rows["frequency_hz"], hz * speed)
    true_db = cartridge_db(hz * speed) - cartridge_db(1000.0)
    np.testing.assert_allclose(rows["response_db"], true_db, atol=1e-6)
    assert set(rows["reference_hz"]) == {1000.0}


def test_the_records_calibration_is_taken_off():
    calibration = [(1, 20.0, -1.0), (1, 1000.0, 0.0), (1, 20_000.0, 2.0), (7, 20.0, 9.0)]
    cut_db = np.interp(np.log(HZ), np.log([20.0, 1000.0, 20_000.0]), [-1.0, 0.0, 2.0])
    rows = measured(sweep(), HZ, cut_db, calibration=calibration)
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-6)


def test_the_preamplifiers_deviation_is_taken_off():
    chain = replace(CHAIN, preamplifier_response=((20.0, -3.0), (1000.0, 0.0), (20_000.0, 1.0)))
    heard_db = np.interp(np.log(HZ), np.log([20.0, 1000.0, 20_000.0]), [-3.0, 0.0, 1.0])
    rows = measured(sweep(), HZ, heard_db, chain=chain)
    # `heard` knows of no deviation: the levels given are those after it.
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-6)


def test_steps_keep_their_nominal_frequency():
    hz = [100.0, 1000.0, 10_000.0]
    steps = {"kind": "tone_steps", "modulation": "left", "frequencies_hz": hz, "step_s": 3.0}
    rows = measured(steps, hz, [1.0, 2.0, 4.0], speed=1.01)
    np.testing.assert_array_equal(rows["frequency_hz"], hz)
    np.testing.assert_allclose(rows["played_hz"], 1.01 * np.array(hz))
    np.testing.assert_allclose(rows["response_db"], [-1.0, 0.0, 2.0], atol=1e-9)


def test_a_falling_sweep_gives_the_same():
    rows = measured(sweep(), HZ[::-1], cartridge_db(HZ[::-1]))
    order = np.argsort(rows["frequency_hz"])
    np.testing.assert_allclose(
        rows["response_db"][order], cartridge_db(HZ) - cartridge_db(1000.0), atol=1e-3
    )


# The reference ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "reference_hz"),
    [
        (500.0, 20_000.0, 1000.0),
        (20.0, 1000.0, 1000.0),
        (1000.0 * 1.004, 20_000.0, 1000.0),  # within 0.5 % beyond an end
        (20.0, 1000.0 / 1.004, 1000.0),
        (1000.0 * 1.006, 20_000.0, 1006.0 * np.sqrt(2.0)),  # the lowest octave's centre
        (4000.0, 40_000.0, 4000.0 * np.sqrt(2.0)),
        (20.0, 900.0, 900.0 / np.sqrt(2.0)),
        (20.0, 1000.0 / 1.006, 1000.0 / 1.006 / np.sqrt(2.0)),
        (5000.0, 7000.0, np.sqrt(5000.0 * 7000.0)),  # less than an octave: all of it
    ],
)
def test_reference(low_hz, high_hz, reference_hz):
    hz = np.geomspace(low_hz, high_hz, 81)
    rows = measured(sweep(hz), hz, np.full(81, 3.0))
    np.testing.assert_allclose(rows["reference_hz"], reference_hz, rtol=1e-9)
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-9)


def test_without_1_khz_the_mean_of_the_octave_is_zero():
    hz = np.geomspace(2000.0, 32_000.0, 95)
    rows = measured(sweep(hz), hz, 2.0 * np.log2(hz / 2000.0) + 5.0)
    octave = hz <= 4000.0
    assert np.mean(rows["response_db"][octave]) == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(np.diff(rows["response_db"]), 8.0 / 94.0, rtol=1e-6)


# Channels, bounds, uncertainty ------------------------------------------------------------------


def test_driven_channels_only_each_re_its_own_reference():
    one = measured(sweep(), HZ, cartridge_db(HZ))
    assert set(one["channel"]) == {"left"}
    both = measured(sweep(modulation="lateral"), HZ, cartridge_db(HZ))
    left, right = (both["response_db"][both["channel"] == name] for name in ("left", "right"))
    np.testing.assert_allclose(left, right, atol=1e-9)
    swapped = measured(sweep(modulation="right"), HZ, cartridge_db(HZ), chain=swapped_chain())
    np.testing.assert_allclose(swapped["response_db"], one["response_db"], atol=1e-9)


def test_points_under_the_noise_are_upper_bounds():
    level_db = np.where(HZ > 10_000.0, -200.0, 0.0)
    rows = measured(sweep(), HZ, level_db, chain=replace(CHAIN, equalisation="flat"), floor_fs=1e-4)
    limited = rows["limited"]
    np.testing.assert_array_equal(limited, HZ > 10_000.0)
    bound_db = 20.0 * np.log10(NOISE_95 * 1e-4 / float(heard(1.0, 1000.0)))
    np.testing.assert_allclose(rows["response_db"][limited], bound_db, atol=1e-3)
    # Noise as large as the reading: the uncertainty of a level has ceased to mean anything.
    assert (rows["uncertainty_db"][limited] > 6.0).all()
    assert (rows["uncertainty_db"][~limited] < 0.1).all()


def test_digital_silence_has_no_response():
    track = sweep()
    orders = orders_of(1, HZ, {1: (0.0, 0.0)}, floor_fs=0.0)
    rows = tables.columns(measure(make_context(make_side(track), {"orders": orders})))
    assert rows["limited"].all()
    assert np.isnan(rows["response_db"]).all()


def test_uncertainty_holds_the_records_and_the_chains_tolerance():
    """JCGM 100, 4.3.7: half-widths over sqrt 3, as squares."""
    chain = replace(CHAIN, response_tolerance_db=0.3)
    rows = measured(sweep(), HZ, np.zeros(61), chain=chain, response_tolerance_db=1.0)
    speed_db = 20.0 / np.log(10.0) * np.sqrt(2.0) * USUAL_SPEED_RMS  # without a speed tone
    np.testing.assert_allclose(rows["speed_db"], speed_db)
    # In full from an octave off 1 kHz, in parts within it, and none at 1 kHz itself.
    share = np.minimum(np.abs(np.log2(HZ / 1000.0)), 1.0)
    expected_db = np.hypot(np.sqrt(1.09 / 3.0) * share, speed_db)
    np.testing.assert_allclose(rows["uncertainty_db"], expected_db, rtol=1e-6)


# Tracks that make one curve ---------------------------------------------------------------------

SPOT_HZ = np.array([100.0, 1000.0, 5000.0, 10_000.0])


def spots(velocities=(5.0, 5.0, 5.0, 5.0), **facts):
    return [
        {"kind": "tone", "modulation": "lateral", "frequency_hz": hz, "velocity_cm_s": v,
         "duration_s": 5.0, **facts}
        for hz, v in zip(SPOT_HZ, velocities, strict=True)
    ]  # fmt: skip


def joined_rows(tracks, curves, speed=1.0, **side_facts):
    """Response rows of tracks whose terminals give, in turn, levels in dB re 1 mV at given Hz."""
    side = make_side(*tracks, **side_facts)
    orders = joined(
        *(
            orders_of(
                track,
                hz,
                {1: (wave := heard(10.0 ** (np.asarray(level) / 20.0) * speed, hz * speed), wave)},
                played_hz=hz * speed,
            )
            for track, (hz, level) in zip(side.tracks, curves, strict=True)
        )
    )
    return side, tables.columns(measure(make_context(side, {"orders": orders})))


@pytest.mark.parametrize("recorded", LAWS)
def test_tones_one_a_track_are_one_response(recorded):
    """Whatever the velocity of each: 14 dB less where the sleeve says so."""
    velocities = np.array([1.0, 5.0, 2.0, 1.0])
    level_db = cartridge_db(SPOT_HZ) + 20.0 * np.log10(velocities)
    level_db = level_db + recorded_velocity_db(SPOT_HZ, recorded)
    curves = [(np.array([hz]), np.array([one])) for hz, one in zip(SPOT_HZ, level_db, strict=True)]
    _, rows = joined_rows(spots(velocities, recorded=recorded), curves, speed=1.01)
    assert set(rows["track"]) == {1.0}
    assert rows["part"].tolist() == [1.0, 2.0, 3.0, 4.0] * 2
    assert rows["frequency_hz"].tolist() == [*SPOT_HZ] * 2
    expected_db = cartridge_db(SPOT_HZ) - cartridge_db(1000.0)
    np.testing.assert_allclose(rows["response_db"], [*expected_db] * 2, atol=1e-9)
    assert set(rows["reference_hz"]) == {1000.0}
    # 1 mV a rms cm/s of the channel, of 5 cm/s peak along the axis.
    rms = 5.0 / np.sqrt(2.0) / np.sqrt(2.0)
    at_1khz = 10.0 ** (cartridge_db(1000.0) / 20.0) * 5.0 / rms
    np.testing.assert_allclose(rows["sensitivity_mv_per_cm_s"], at_1khz, rtol=1e-9)


def test_each_tone_is_as_uncertain_as_its_own_level_and_that_of_the_reference():
    curves = [(np.array([hz]), np.zeros(1)) for hz in SPOT_HZ]
    _, rows = joined_rows(spots(), curves, response_tolerance_db=1.0)
    both = np.sqrt(2.0 / 3.0)
    np.testing.assert_allclose(rows["record_db"], [both, 0.0, both, both] * 2)
    np.testing.assert_allclose(rows["uncertainty_db"], rows["record_db"], atol=1e-4)


def test_figures_are_read_of_tones_within_a_third_of_an_octave_only():
    """Tones at 5 and 10 kHz give no figure at 15 kHz, no peak, no upper limit and no deviation."""
    curves = [
        (np.array([hz]), np.array([db])) for hz, db in zip(SPOT_HZ, [1, 0, 2, -4], strict=True)
    ]
    side, rows = joined_rows(spots(), curves)
    found = figures({"response": rows}, side)
    values = {name: only(found, name, "left")["value"] for name in (
        "response_100hz_db", "response_5khz_db", "response_10khz_db", "response_15khz_db",
        "response_peak_db", "response_deviation_db", "upper_limit_hz",
    )}  # fmt: skip
    assert values["response_100hz_db"] == pytest.approx(1.0)
    assert values["response_5khz_db"] == pytest.approx(2.0)
    assert values["response_10khz_db"] == pytest.approx(-4.0)
    for name in ("response_15khz_db", "response_peak_db", "response_deviation_db",
                 "upper_limit_hz"):  # fmt: skip
        assert np.isnan(values[name]), name


@pytest.mark.parametrize("as_steps", [False, True])
def test_points_on_either_side_of_1_khz_are_no_reference_at_1_khz(as_steps):
    """Tones at 500 Hz and 5 kHz: relative to 500 Hz, which is nearer, and no figure re 1 kHz."""
    hz = np.array([500.0, 5000.0])
    if as_steps:
        steps = {"kind": "tone_steps", "modulation": "lateral", "frequencies_hz": [*hz],
                 "step_s": 3.0}  # fmt: skip
        side, rows = make_side(steps), measured(steps, hz, [1.0, 3.0])
    else:
        tones = [{**spots()[0], "frequency_hz": one} for one in hz]
        curves = [(np.array([500.0]), np.ones(1)), (np.array([5000.0]), np.full(1, 3.0))]
        side, rows = joined_rows(tones, curves)
    assert set(rows["reference_hz"]) == {500.0}
    np.testing.assert_allclose(rows["response_db"], [0.0, 2.0] * 2, atol=1e-9)
    assert np.isnan(only(figures({"response": rows}, side), "response_5khz_db", "left")["value"])


def test_a_tone_that_is_repeated_counts_once():
    tones = [*spots(), {**spots()[1]}]
    curves = [(np.array([hz]), np.zeros(1)) for hz in (*SPOT_HZ, 1000.0)]
    _, rows = joined_rows(tones, curves)
    assert rows["part"].tolist() == [1.0, 2.0, 3.0, 4.0] * 2


def test_a_tone_off_its_frequency_is_uncertain_by_the_slope():
    """Between 5 and 10 kHz it falls by 6 dB an octave: 2 % are 0.17 dB."""
    curves = [
        (np.array([hz]), np.array([db])) for hz, db in zip(SPOT_HZ, [0, 0, 0, -6], strict=True)
    ]
    side, rows = joined_rows(spots(), curves, speed=1.02)
    found = figures({"response": rows}, side)
    off_db = 6.0 * np.log2(1.02)
    assert only(found, "response_10khz_db", "left")["u_interpolation"] == pytest.approx(off_db)


def parts(**second):
    facts = {"modulation": "left", "velocity_cm_s": 3.5}
    return [
        {**sweep(), **facts, "start_hz": 20.0, "stop_hz": 1000.0},
        {**sweep(), **facts, "start_hz": 1000.0, "stop_hz": 20_000.0, "continues": 1, **second},
    ]


@pytest.mark.parametrize(("meets_hz", "reference"), [(1000.0, 1), (800.0, 2), (1250.0, 1)])
def test_a_sweep_that_goes_on_in_another_track_is_one_curve(meets_hz, reference):
    low_hz, high_hz = np.geomspace(20.0, meets_hz, 150), np.geomspace(meets_hz, 20_000.0, 150)[1:]
    curves = [(hz, cartridge_db(hz)) for hz in (low_hz, high_hz)]
    side, rows = joined_rows(parts(), curves, response_tolerance_db=1.0)
    assert set(rows["track"]) == {1.0}
    np.testing.assert_array_equal(rows["frequency_hz"], [*low_hz, *high_hz])
    true_db = cartridge_db(rows["frequency_hz"]) - cartridge_db(1000.0)
    np.testing.assert_allclose(rows["response_db"], true_db, atol=1e-3)
    own = rows["part"] == reference
    assert rows["record_db"][own].max() <= 1.0 / np.sqrt(3.0)
    np.testing.assert_allclose(rows["record_db"][~own], np.sqrt(2.0 / 3.0))
    value = only(figures({"response": rows}, side), "response_10khz_db", "left")["value"]
    assert value == pytest.approx(cartridge_db(10_000.0) - cartridge_db(1000.0), abs=0.01)


def test_parts_cut_at_different_levels_are_laid_by_their_velocities():
    low_hz, high_hz = np.geomspace(20.0, 1000.0, 100), np.geomspace(1000.0, 20_000.0, 100)[1:]
    curves = [(low_hz, np.zeros(100)), (high_hz, np.full(99, -6.0206))]
    _, rows = joined_rows(parts(velocity_cm_s=1.75), curves)
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-4)


def test_a_part_that_was_not_located_leaves_the_other():
    high_hz = np.geomspace(1000.0, 20_000.0, 100)
    side = make_side(*parts())
    orders = orders_of(2, high_hz, {1: (heard(1.0, high_hz), 0.0)})
    rows = tables.columns(measure(make_context(side, {"orders": orders})))
    assert set(rows["track"]) == {1.0}
    assert set(rows["part"]) == {2.0}
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-9)
