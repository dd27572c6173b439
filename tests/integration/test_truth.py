"""The whole of stages 1 to 3 held to the truth of simulated captures.

The simulator is a forward model of its own: a groove in closed form, noise of known density, real
linear filters for arm, cartridge and replay curve. The bounds are what the instrument promises.
"""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.plan import Side
from grooveledger.simulate import Conditions, StylusTruth, simulate_capture
from grooveledger.simulate.archives import CARTRIDGES, small_chain
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.simulate.files import write_capture
from measured_capture import measured

CARTRIDGE = {**CARTRIDGES["mm-small"], "cartridge": "mm-small"}
#: Noise 40 dB and more below that of a record: what a figure does without it, yet a real file.
CLEAN = Conditions(
    surface_a_db=-105.0, rumble_db=-100.0, ticks_per_min=0.0, hum_db=None, hiss_a_db=None
)
NOISY = replace(
    REALISTIC, speed_error_pct=0.4, once_per_rev_pct=0.15, ticks_per_min=20.0, needle_drop_cm_s=20.0
)


def tone(track, modulation, **facts):
    return {"track": track, "kind": "tone", "modulation": modulation, "frequency_hz": 1000.0,
            "velocity_cm_s": 5.0, "duration_s": 5.0, "radius_mm": 140, **facts}  # fmt: skip


def sweep(track, modulation, **facts):
    return {"track": track, "kind": "sweep", "modulation": modulation, "start_hz": 500.0,
            "stop_hz": 20000.0, "velocity_cm_s": 3.54, "duration_s": 20.0, "radius_mm": 120,
            **facts}  # fmt: skip


def side_of(*tracks, **facts):
    return {
        "record": "r",
        "side": "a",
        "rpm": 33.3333,
        "gap_s": 2.0,
        "tracks": list(tracks),
        **facts,
    }


PLAIN = side_of(
    tone(1, "left"),
    tone(2, "right"),
    sweep(3, "left"),
    sweep(4, "right"),
    {"track": 5, "kind": "silent_groove", "duration_s": 20.0},
    tone(6, "lateral", frequency_hz=3150.0, purpose="speed", duration_s=8.0),
)


def taken(tmp_path, side, conditions, rate=96_000, chain=None, stylus=None, ending=".flac", seed=3):
    chain = chain or small_chain()
    samples, truth = simulate_capture(
        Side.from_mapping(side), stylus or StylusTruth(), chain, conditions, rate, seed
    )
    path = tmp_path / f"capture{ending}"
    write_capture(path, samples, rate)
    return measured(path, side, chain, CARTRIDGE, tmp_path / "c"), truth


def worst_response_db(found, truth, track, channel, low_hz, high_hz):
    rows = found.rows("response", track=track, channel=channel)
    inside = (rows["frequency_hz"] >= low_hz) & (rows["frequency_hz"] <= high_hz)
    hz = rows["frequency_hz"][inside]
    assert len(hz) > 2
    true_db = truth.response_db(track, channel, hz)
    return float(np.max(np.abs(rows["response_db"][inside] - true_db)))


def worst_separation_db(found, truth, track, low_hz, high_hz):
    rows = found.rows("separation", track=track)
    inside = (rows["frequency_hz"] >= low_hz) & (rows["frequency_hz"] <= high_hz)
    true_db, _ = truth.separation(track, rows["played_hz"][inside])
    return float(np.max(np.abs(rows["separation_db"][inside] - true_db)))


def worst_boundary_s(found, truth):
    true = {one.track: one for one in truth.tracks}
    assert list(found.tracks["match"]) == ["found"] * len(true)
    return max(
        max(abs(start - true[int(track)].start_s), abs(stop - true[int(track)].stop_s))
        for track, start, stop in zip(
            *(found.tracks[name] for name in ("track", "start_s", "stop_s")), strict=True
        )
        # A silent groove is cut short at both ends, so that no gap is in it.
        if true[int(track)].kind != "silent_groove"
    )


def assert_tones(found, truth, output_rel, thd_rel):
    """Output and distortion of the tones in one channel are true within these parts."""
    for track, channel in ((1, "left"), (2, "right")):
        output_mv = found.rows("level", track=track, channel=channel)["output_mv"][0]
        assert output_mv == pytest.approx(truth.output_mv(track)[channel], rel=output_rel)
        thd = found.rows("distortion", track=track, channel=channel)["thd_pct"][0]
        assert thd == pytest.approx(truth.thd_pct(track, channel, 1000.0)[0], rel=thd_rel)


def test_clean_capture(tmp_path):
    found, truth = taken(tmp_path, PLAIN, CLEAN)
    assert found.health["status"] == "ok", found.health["reason"]
    for track, channel in ((3, "left"), (4, "right")):
        assert worst_response_db(found, truth, track, channel, 1000, 20000) < 0.05
        assert worst_separation_db(found, truth, track, 900, 1100) < 0.3
        assert worst_separation_db(found, truth, track, 1000, 18000) < 0.3
    assert_tones(found, truth, output_rel=0.005, thd_rel=0.03)
    speed = found.rows("speed", track=6, channel="left")
    assert speed["speed_error_pct"][0] == pytest.approx(0.0, abs=0.002)


def test_exchanged_channels_are_put_right_for_the_capture(tmp_path):
    """The recorder's leads were exchanged, which the chain does not say."""
    side = side_of(tone(1, "left"), tone(2, "right"))
    stylus = StylusTruth(sensitivity_mv_per_cm_s=(1.0, 1.3))
    samples, truth = simulate_capture(
        Side.from_mapping(side), stylus, small_chain(), CLEAN, 48_000, 3
    )
    path = tmp_path / "capture.wav"
    write_capture(path, samples[:, ::-1], 48_000)
    found = measured(path, side, small_chain(), CARTRIDGE, tmp_path / "c")
    assert found.health["status"] == "flagged"
    assert "put right for this capture" in found.health["reason"]
    for track, channel in ((1, "left"), (2, "right")):
        level = found.rows("level", track=track)
        assert list(level["channel"]) == [channel]
        assert level["output_mv"][0] == pytest.approx(truth.output_mv(track)[channel], rel=0.005)


def test_steps_are_read_as_cut_whatever_their_described_length(tmp_path):
    """Third octaves first on the side, described 6 % longer than cut, after a loud thump."""
    hz = [50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
          1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0]  # fmt: skip
    steps = {"track": 1, "kind": "tone_steps", "modulation": "left", "frequencies_hz": hz,
             "step_s": 1.5, "velocity_cm_s": 4.0}  # fmt: skip
    samples, truth = simulate_capture(
        Side.from_mapping(side_of(steps, tone(2, "right"))), StylusTruth(), small_chain(),
        replace(NOISY, lead_in_s=0.6, once_per_rev_pct=0.05), 48_000, 5,
    )  # fmt: skip
    path = tmp_path / "capture.wav"
    write_capture(path, samples, 48_000)
    described = side_of({**steps, "step_s": 1.59}, tone(2, "right"))
    found = measured(path, described, small_chain(), CARTRIDGE, tmp_path / "c")
    rows = found.rows("response", track=1, channel="left")
    assert rows["frequency_hz"] == pytest.approx(hz)
    true_db = truth.response_db(1, "left", rows["frequency_hz"])
    assert rows["response_db"] == pytest.approx(true_db, abs=0.2)


def test_noisy_capture(tmp_path):
    found, truth = taken(tmp_path, PLAIN, NOISY)
    assert found.health["status"] == "ok", found.health["reason"]
    assert worst_boundary_s(found, truth) < 0.15
    for track, channel in ((3, "left"), (4, "right")):
        assert worst_response_db(found, truth, track, channel, 1000, 18000) < 0.25
        assert worst_separation_db(found, truth, track, 1000, 10000) < 1.0
    assert_tones(found, truth, output_rel=0.01, thd_rel=0.10)
    speed, true = found.rows("speed", track=6, channel="left"), truth.speed(6)
    assert speed["speed_error_pct"][0] == pytest.approx(true.speed_error_pct, abs=0.01)
    for name in ("wow_flutter_weighted_pct", "wow_flutter_unweighted_pct", "once_per_rev_pct"):
        assert speed[name][0] == pytest.approx(getattr(true, name), rel=0.10), name
    for channel, true_noise in truth.noise().items():
        rows = found.rows("noise", channel=channel)
        for name in ("rumble_unweighted_db", "rumble_weighted_db", "noise_a_db"):
            assert rows[name][0] == pytest.approx(getattr(true_noise, name), abs=0.5), name


@pytest.mark.parametrize("angle_deg", [-2.0, 0.7, 3.0])
def test_azimuth_within_three_tenths_of_a_degree(tmp_path, angle_deg):
    """A leak of 25 dB and a pair turned in it, in the stylus's truth; balance 1.5 dB off."""
    turned, leak = np.tan(np.radians(angle_deg)), 10.0 ** (-25.0 / 20.0) * np.exp(0.9j)

    def crosstalk(ratio):
        return ((1000.0, 20.0 * np.log10(np.abs(ratio)), np.degrees(np.angle(ratio))),)

    stylus = StylusTruth(
        sensitivity_mv_per_cm_s=(1.0, 1.19),
        crosstalk_left_to_right=crosstalk(leak - turned),
        crosstalk_right_to_left=crosstalk(leak + turned),
    )
    side = side_of(tone(1, "left"), tone(2, "right"), tone(3, "lateral"))
    found, _ = taken(tmp_path, side, NOISY, rate=48_000, stylus=stylus)
    assert found.metric("azimuth_deg", "both") == pytest.approx(angle_deg, abs=0.3)
    assert found.metric("separation_balanced_db", "both") == pytest.approx(25.0, abs=0.5)


def test_two_tones_modulated_in_amplitude_alone(tmp_path):
    """Both sidebands of each pair alike in the groove: depth within 5 %, no frequency."""
    two_tone = {"track": 1, "kind": "two_tone", "modulation": "left", "velocity_cm_s": 5.0,
                "frequencies_hz": [400.0, 4000.0], "ratio": 4.0, "duration_s": 10.0}  # fmt: skip
    stylus = StylusTruth(
        intermodulation_pct=(2.4, 0.7), tip_resonance_hz=1e6, coil_inductance_mh=0.0
    )
    side = side_of(two_tone, tone(2, "right"))
    found, _ = taken(tmp_path, side, NOISY, rate=48_000, stylus=stylus)
    rows = found.rows("modulation", channel="left")
    am = np.hypot(rows["am_in_phase_pct"], rows["am_quadrature_pct"])
    fm = np.hypot(rows["fm_in_phase_pct"], rows["fm_quadrature_pct"])
    assert am == pytest.approx([2.4, 0.7], rel=0.05)
    # The simulator turns the sidebands by 35 degrees for each low tone they are away.
    phase_deg = np.degrees(np.arctan2(rows["am_quadrature_pct"], rows["am_in_phase_pct"]))
    assert phase_deg == pytest.approx([35.0, 70.0], abs=2.0)
    assert (fm < [0.012, 0.007]).all()
