"""Formats, rates and wirings of a capture: the same sound gives the same numbers."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile as sf
from test_truth import CARTRIDGE, CLEAN, side_of, sweep, taken, tone, worst_response_db

from grooveledger.plan import Side
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.archives import small_chain
from grooveledger.simulate.files import write_capture
from measured_capture import measured

SHORT = side_of(
    tone(1, "left", duration_s=3.0),
    tone(2, "right", duration_s=3.0),
    sweep(3, "left", duration_s=8.0),
    sweep(4, "right", duration_s=8.0),
)
COMPARED = {"level": "output_mv", "response": "response_db", "separation": "separation_db"}


@pytest.fixture(scope="module")
def sound():
    samples, truth = simulate_capture(
        Side.from_mapping(SHORT), StylusTruth(), small_chain(), CLEAN, 48_000, 5
    )
    # On the grid of 24 bits, so that every format can hold it exactly.
    return np.round(samples * 2**23) / 2**23, truth


@pytest.fixture(scope="module")
def as_flac(sound, tmp_path_factory):
    folder = tmp_path_factory.mktemp("flac")
    write_capture(folder / "c.flac", sound[0], 48_000)
    return measured(folder / "c.flac", SHORT, small_chain(), CARTRIDGE, folder / "c")


@pytest.mark.parametrize("ending", [".wav", ".rf64", ".w64", ".aiff", ".caf"])
def test_same_numbers_from_every_format(ending, sound, as_flac, tmp_path):
    path = tmp_path / f"c{ending}"
    write_capture(path, sound[0], 48_000)
    assert sf.info(path).subtype == "PCM_24"
    found = measured(path, SHORT, small_chain(), CARTRIDGE, tmp_path / "c")
    for table, column in COMPARED.items():
        np.testing.assert_array_equal(found.tables[table][column], as_flac.tables[table][column])


@pytest.mark.parametrize(("bits", "tolerance_db"), [("16", 0.02), ("32", 1e-6), ("float", 1e-6)])
def test_sample_formats(bits, tolerance_db, sound, as_flac, tmp_path):
    path = tmp_path / "c.wav"
    write_capture(path, sound[0], 48_000, bits)
    found = measured(path, SHORT, small_chain(), CARTRIDGE, tmp_path / "c")
    # With the coarser steps of 16 bits cells may be cut elsewhere: the curves are compared.
    compared = 0
    for channel in ("left", "right"):
        one, other = (
            {
                name: values[measured_as["channel"] == channel]
                for name, values in measured_as.items()
            }
            for measured_as in (found.tables["response"], as_flac.tables["response"])
        )
        for track in np.unique(other["track"]):
            x, y = (rows["track"] == track for rows in (one, other))
            ends_hz = (rows["frequency_hz"][k][[0, -1]] for rows, k in ((one, x), (other, y)))
            np.testing.assert_allclose(*ends_hz, rtol=1e-4)
            at = np.interp(
                np.log(other["frequency_hz"][y]),
                np.log(one["frequency_hz"][x]),
                one["response_db"][x],
            )
            assert np.max(np.abs(at - other["response_db"][y])) < tolerance_db
            compared += 1
    assert compared


@pytest.mark.parametrize(("rate", "duration_s"), [(44_100, 20.0), (192_000, 8.0)])
def test_sweep_beyond_the_bandwidth_is_measured_as_far_as_it_goes(rate, duration_s, tmp_path):
    side = side_of(
        tone(1, "left", duration_s=3.0),
        sweep(2, "left", stop_hz=40000.0, duration_s=duration_s),
        tone(3, "right", duration_s=3.0),
    )
    found, truth = taken(tmp_path, side, CLEAN, rate=rate)
    assert list(found.tracks["match"]) == ["found"] * 3
    assert found.tracks["stop_s"][1] == pytest.approx(truth.placed(2).stop_s, abs=0.15)
    reached_hz = found.rows("response", track=2, channel="left")["frequency_hz"].max()
    assert reached_hz == pytest.approx(min(40000.0, 0.94 * rate / 2), rel=0.02)
    assert worst_response_db(found, truth, 2, "left", 1000, min(18000.0, 0.85 * rate / 2)) < 0.05


@pytest.mark.parametrize("facts", [
    {"equalisation": "iec98_rumble"},
    {"equalisation": "flat", "gain_db": 40.0},
    {"swap_channels": True},
    {"invert": ("right",)},
    {"swap_channels": True, "invert": ("left",)},
    {"preamplifier_response": ((20.0, 0.8), (1000.0, 0.0), (20000.0, -1.2))},
])  # fmt: skip
def test_chain_is_taken_out(facts, tmp_path):
    chain = replace(small_chain(), **facts)
    found, truth = taken(tmp_path, SHORT, CLEAN, rate=48_000, chain=chain)
    for track, channel in ((3, "left"), (4, "right")):
        assert worst_response_db(found, truth, track, channel, 600, 18000) < 0.05
    for track, channel in ((1, "left"), (2, "right")):
        output_mv = found.rows("level", track=track, channel=channel)["output_mv"][0]
        assert output_mv == pytest.approx(truth.output_mv(track)[channel], rel=0.005)


@pytest.mark.parametrize("facts", [
    {"recorded": "constant_amplitude", "velocity_cm_s": 1.0},
    {"recorded": "iec98", "velocity_cm_s": 1.0},
    {"law": "linear"},
    {"start_hz": 20000.0, "stop_hz": 500.0},
    {"velocity_measure": "rms", "velocity_cm_s": 2.5},
])  # fmt: skip
def test_record_is_taken_out(facts, tmp_path):
    side = side_of(tone(1, "left", duration_s=3.0), sweep(2, "left", duration_s=8.0, **facts))
    found, truth = taken(tmp_path, side, CLEAN, rate=48_000)
    assert worst_response_db(found, truth, 2, "left", 1000, 18000) < 0.05


def test_calibration_of_the_record_is_taken_out(tmp_path):
    rows = [[2, 500.0, 0.4], [2, 5000.0, -0.6], [2, 20000.0, 1.1]]
    side = side_of(
        tone(1, "left", duration_s=3.0), sweep(2, "left", duration_s=8.0), calibration=rows
    )
    found, truth = taken(tmp_path, side, CLEAN, rate=48_000)
    assert worst_response_db(found, truth, 2, "left", 600, 18000) < 0.05
