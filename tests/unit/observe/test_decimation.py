"""The filter and decimator against direct convolution, and its stop band against its design."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.observe.decimation import (
    ATTENUATION_DB,
    Decimator,
    decimated,
    kaiser_lowpass,
    turned,
)

RATE, HOP = 48_000, 48


def run(taps: np.ndarray, pieces: list[np.ndarray], hop: int = HOP) -> np.ndarray:
    decimator = Decimator(taps, hop, len(pieces[0]))
    for piece in pieces:
        decimator.push(piece)
    return decimator.frames()


def test_frames_are_the_filtered_stream_at_their_centres():
    rng = np.random.default_rng(1)
    sound = rng.standard_normal((2, 4000)).astype(np.float32)
    for taps in (
        kaiser_lowpass(200, 800, RATE, HOP),
        turned(kaiser_lowpass(200, 800, RATE, HOP), 3150, RATE),
    ):
        frames = run(taps, [sound])
        direct = np.array([np.convolve(c, taps[::-1], mode="valid")[::HOP] for c in sound])
        assert frames.shape == direct.shape
        np.testing.assert_allclose(frames, direct, atol=3e-6)


@settings(deadline=None, max_examples=25)
@given(st.lists(st.integers(1, 700), min_size=1, max_size=6))
def test_how_the_stream_is_cut_changes_nothing(lengths):
    rng = np.random.default_rng(0)
    sound = rng.standard_normal((1, sum(lengths) + 900)).astype(np.float32)
    taps = kaiser_lowpass(200, 800, RATE, HOP)
    cuts = np.cumsum(lengths)
    np.testing.assert_allclose(
        run(taps, np.split(sound, cuts, axis=1)), run(taps, [sound]), atol=1e-6
    )


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 90), st.integers(1, 900), st.integers(0, 3000))
def test_a_stretch_is_filtered_as_by_direct_convolution(every, more_taps, frames):
    rng = np.random.default_rng(frames)
    taps = rng.standard_normal(every + more_taps) / np.sqrt(every + more_taps)
    sound = rng.standard_normal((2, frames)).astype(np.float32)
    kept = decimated(sound, taps, every)
    if frames < len(taps):
        assert kept.shape == (2, 0)
        return
    direct = np.array([np.convolve(c, taps[::-1], mode="valid")[::every] for c in sound])
    assert kept.shape == direct.shape
    np.testing.assert_allclose(kept, direct, atol=1e-5)


@pytest.mark.parametrize("at_a_time", [1, 2, 3, 7, 10, 20, 30])
def test_how_many_products_are_made_at_a_time_changes_nothing(monkeypatch, at_a_time):
    """Whatever is left for the last of them: here 1 to 60 blocks, which taps reach beyond."""
    sound = np.random.default_rng(2).standard_normal((2, 4000)).astype(np.float32)
    taps = kaiser_lowpass(3000, 9000, RATE, 1, 100.0)
    wholes = {length: decimated(sound[:, :length], taps, 4) for length in range(150, 4000, 61)}
    monkeypatch.setattr("grooveledger.observe.decimation.SAMPLES_AT_A_TIME", 64 * at_a_time)
    for length, whole in wholes.items():
        np.testing.assert_allclose(decimated(sound[:, :length], taps, 4), whole, atol=1e-6)


def test_pass_band_and_stop_band_meet_the_design():
    taps = kaiser_lowpass(200, 800, RATE, HOP)
    gain = np.abs(np.fft.rfft(taps, 1 << 16))
    hz = np.fft.rfftfreq(1 << 16, 1 / RATE)
    assert 20 * np.log10(gain[hz >= 800].max()) < -ATTENUATION_DB + 0.5
    assert np.abs(20 * np.log10(gain[hz <= 200])).max() < 2e-3


def test_a_cosine_of_peak_1_reads_1_with_its_phase():
    time_s = np.arange(9600) / RATE
    taps = turned(kaiser_lowpass(200, 800, RATE, HOP), 3150, RATE)
    frames = run(taps, [np.cos(2 * np.pi * 3150 * time_s + 0.7)[None].astype(np.float32)])[0]
    centres_s = (np.arange(len(frames)) * HOP + (len(taps) - 1) / 2) / RATE
    np.testing.assert_allclose(frames, np.exp(1j * (2 * np.pi * 3150 * centres_s + 0.7)), atol=3e-4)


def test_a_stream_shorter_than_the_filter_has_no_frames():
    taps = kaiser_lowpass(200, 800, RATE, HOP)
    assert run(taps, [np.zeros((2, len(taps) - 1), np.float32)]).shape == (2, 0)
    assert Decimator(taps, HOP, 2).frames().shape == (2, 0)


def test_nonsense_taps_are_our_bug():
    with pytest.raises(ValueError, match="reshape"):
        Decimator(np.ones(HOP + 1), HOP, 1)
