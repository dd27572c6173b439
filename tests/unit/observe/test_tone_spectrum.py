"""Spectra of tones on the axis of their own phase."""

import numpy as np
import pytest

from grooveledger.observe.tone_spectrum import FLAT_TOP, tone_spectrum

TOP_HZ = 20_000.0
SETTINGS = {"spectrum_top_hz": TOP_HZ}
HARMONICS_DB = {2: -38.0, 3: -55.0, 5: -70.0, 10: -85.0}


def wandering_tone(tone_hz, rate, seconds, *, wow=0.0, noise=0.0, hum=0.0):
    """Left: a tone with harmonics; right: the same 20 dB down. Samples and the tone's phase."""
    t = np.arange(int(seconds * rate)) / rate
    turn_hz = 100.0 / 180.0
    phase = 2.0 * np.pi * 1.004 * tone_hz * t
    phase += 1.004 * wow * tone_hz / turn_hz * (1.0 - np.cos(2.0 * np.pi * turn_hz * t))
    tone = np.cos(phase)
    for order, level_db in HARMONICS_DB.items():
        if order * tone_hz < 0.45 * rate:
            tone = tone + 10.0 ** (level_db / 20.0) * np.cos(order * phase + order)
    rng = np.random.default_rng(2)
    samples = 0.3 * np.stack([tone, 0.1 * tone], axis=1)
    samples += noise * rng.standard_normal(samples.shape)
    samples += hum * np.cos(2.0 * np.pi * 50.0 * t)[:, np.newaxis]
    return samples.astype(np.float32), phase


def level_at(columns, channel, frequency_hz):
    rows = columns["channel"] == channel
    place = np.argmin(np.abs(columns["frequency_hz"][rows] - frequency_hz))
    assert columns["frequency_hz"][rows][place] == pytest.approx(frequency_hz, rel=1e-6)
    return columns["level_db"][rows][place]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("tone_hz", [315.0, 1000.0, 3150.0])
def test_wow_does_not_smear_the_harmonics(rate, tone_hz):
    columns = tone_spectrum(*wandering_tone(tone_hz, rate, 4.0, wow=0.002), rate, tone_hz, SETTINGS)
    for order, level_db in HARMONICS_DB.items():
        if order * tone_hz < TOP_HZ:
            for channel in ("left", "right"):
                # Near the top the interpolation costs a few hundredths.
                assert level_at(columns, channel, order * tone_hz) == pytest.approx(
                    level_db, abs=0.05
                )


def test_between_the_harmonics_there_is_nothing_but_noise():
    columns = tone_spectrum(
        *wandering_tone(1000.0, 96_000, 4.0, wow=0.002), 96_000, 1000.0, SETTINGS
    )
    left = columns["channel"] == "left"
    hz, level_db = columns["frequency_hz"][left], columns["level_db"][left]
    # Away from the main lobes of the flat-top window (five lines of a third of a hertz).
    away = np.abs(hz - 1000.0 * np.rint(hz / 1000.0)) > 5.0
    assert level_db[away].max() < -88.0


def test_a_steady_tone_agrees_with_a_plain_transform_with_a_flat_top_window():
    """scipy.signal's flat-top window on the same samples, no resampling."""
    signal = pytest.importorskip("scipy.signal")
    rate, tone_hz = 48_000, 1000.0
    samples, phase = wandering_tone(tone_hz, rate, 4.0, noise=1e-5, hum=1e-3)
    columns = tone_spectrum(samples, phase, rate, tone_hz, SETTINGS)
    window = signal.windows.flattop(3 * rate, sym=False)
    spectrum = np.abs(np.fft.rfft(samples[: 3 * rate, 0] * window))
    played = np.arange(len(spectrum)) / 3.0

    def plain_db(frequency_hz):
        near = np.abs(played - frequency_hz) < 2.0
        tone = np.abs(played - 1.004 * tone_hz) < 2.0
        return 20.0 * np.log10(spectrum[near].max() / spectrum[tone].max())

    for order in (2, 3, 5, 10):
        ours = level_at(columns, "left", order * tone_hz)
        assert ours == pytest.approx(plain_db(order * 1.004 * tone_hz), abs=0.1)
    left = columns["channel"] == "left"
    near_hum = left & (np.abs(columns["frequency_hz"] * 1.004 - 50.0) < 1.0)
    assert columns["level_db"][near_hum].max() == pytest.approx(plain_db(50.0), abs=0.1)


def test_few_lines_are_kept_and_all_harmonics_among_them():
    tone_hz = 100.0
    columns = tone_spectrum(
        *wandering_tone(tone_hz, 48_000, 4.0, noise=0.01), 48_000, tone_hz, SETTINGS
    )
    left = columns["channel"] == "left"
    hz = columns["frequency_hz"][left]
    assert 500 < len(hz) <= 2000
    assert np.all(np.diff(hz) > 0.0)
    assert hz[-1] <= TOP_HZ
    harmonics = tone_hz * np.arange(1, 100)
    np.testing.assert_allclose(hz[np.searchsorted(hz, harmonics - 1e-3)], harmonics, rtol=1e-9)


def test_a_dead_channel_has_lines_without_a_level():
    samples, phase = wandering_tone(1000.0, 48_000, 4.0)
    samples[:, 1] = 0.0
    columns = tone_spectrum(samples, phase, 48_000, 1000.0, SETTINGS)
    right = columns["channel"] == "right"
    assert right.any()
    assert np.isnan(columns["level_db"][right]).all()
    assert np.isfinite(columns["level_db"][~right]).all()


def test_what_is_too_short_gives_no_lines():
    samples, phase = wandering_tone(1000.0, 48_000, 0.05)
    assert len(tone_spectrum(samples, phase, 48_000, 1000.0, SETTINGS)["frequency_hz"]) == 0
    assert len(tone_spectrum(samples[:9], phase[:9], 48_000, 1000.0, SETTINGS)["frequency_hz"]) == 0


def test_the_window_reads_a_line_between_two_places_true():
    """Flat-top of ISO 18431-2: no more than 0.01 dB down half way between lines."""
    turns = np.arange(4096) / 4096
    window = sum(c * np.cos(2.0 * np.pi * k * turns) for k, c in enumerate(FLAT_TOP))
    tone = np.exp(2j * np.pi * 100.5 * turns)
    reading = np.abs(np.fft.fft(tone * window)).max() / np.sum(window)
    assert abs(20.0 * np.log10(reading)) < 0.01
