"""The envelope of sounds whose band powers are known in closed form."""

import hashlib

import numpy as np
import pytest
import soundfile as sf

from grooveledger.faults import CaptureFault
from grooveledger.segment.band_powers import BANDS_HZ
from grooveledger.segment.envelope import read_envelope

RATE_HZ = 48_000
SECONDS = 3


def written(tmp_path, samples, rate_hz=RATE_HZ, subtype="FLOAT", name="a.wav"):
    path = tmp_path / name
    sf.write(path, samples, rate_hz, subtype=subtype)
    return path


def sine(frequency_hz, left, right, rate_hz=RATE_HZ, seconds=SECONDS):
    """Two channels of a tone with complex amplitudes."""
    turn = np.exp(2j * np.pi * frequency_hz * np.arange(seconds * rate_hz) / rate_hz)
    return np.stack([(left * turn).imag, (right * turn).imag], axis=1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("frequency_hz", [9.0, 30.0, 130.0, 300.0, 520.0, 1000.0, 3150.0, 16000.0])
def test_a_tone_has_its_power_and_frequency_in_its_band(tmp_path, frequency_hz, rate_hz):
    path = written(tmp_path, sine(frequency_hz, 0.5, 0.25, rate_hz), rate_hz)
    envelope, _ = read_envelope(path)
    middle = slice(len(envelope) // 3, 2 * len(envelope) // 3)
    band = int(np.argmax(envelope.left[middle].mean(axis=0)))
    low_hz, high_hz = BANDS_HZ[band]
    assert low_hz <= frequency_hz <= high_hz
    power = {
        "left": envelope.left[middle, band].mean(),
        "right": envelope.right[middle, band].mean(),
    }
    # A full-scale sine has power 1; up to 0.2 dB may leak into the neighbouring band.
    assert power["left"] == pytest.approx(0.25, rel=0.05)
    assert power["right"] == pytest.approx(0.0625, rel=0.05)
    played_hz = envelope.moment_hz[middle, band].mean() / (power["left"] + power["right"])
    assert played_hz == pytest.approx(frequency_hz, rel=0.02)


@pytest.mark.parametrize(("right", "sign"), [(0.5, 1.0), (-0.5, -1.0), (0.5j, 0.0)])
@pytest.mark.parametrize("frequency_hz", [10.0, 315.0, 1000.0])
def test_cross_power_tells_lateral_from_vertical(tmp_path, frequency_hz, right, sign):
    envelope, _ = read_envelope(written(tmp_path, sine(frequency_hz, 0.5, right)))
    middle = slice(100, 200)
    band = int(np.argmax(envelope.left[middle].mean(axis=0)))
    assert envelope.cross[middle, band].mean() == pytest.approx(0.25 * sign, abs=0.01)


def test_a_silent_channel_stays_silent_beside_a_loud_one(tmp_path):
    envelope, _ = read_envelope(written(tmp_path, sine(1000.0, 0.9, 0.0)))
    assert envelope.right.max() < 1e-14


def test_total_power_is_the_mean_square_with_the_offset_in_it(tmp_path):
    samples = np.random.default_rng(0).uniform(-0.3, 0.3, (SECONDS * RATE_HZ, 2)) + 0.1
    envelope, facts = read_envelope(written(tmp_path, samples))
    # Twice the mean square, so that a full-scale sine has 1: 2 (0.6^2 / 12 + 0.1^2).
    assert envelope.total_left.mean() == pytest.approx(0.08, rel=0.02)
    assert facts.dc == pytest.approx((0.1, 0.1), abs=2e-3)


def test_facts_of_the_file(tmp_path):
    samples = sine(1000.0, 0.5, 0.5)
    samples[1000:1003, 0] = 1.0  # a run of three
    samples[5000, 0] = 1.0  # alone
    samples[48_639:48_641, 1] = -1.0  # across two blocks of work
    path = written(tmp_path, samples, subtype="PCM_24")
    envelope, facts = read_envelope(path)
    assert facts.clipped == (3, 2)
    assert envelope.clipped.sum() == 5
    assert facts.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert facts.frames == facts.promised_frames == len(samples)
    assert facts.duration_s == pytest.approx(SECONDS)
    assert read_envelope(path, sha256="known")[1].sha256 == "known"


def test_runs_of_full_scale_are_counted_across_blocks(tmp_path):
    samples = np.zeros((RATE_HZ * 4, 2))
    samples[10 : 3 * RATE_HZ, 0] = 1.0
    _, facts = read_envelope(written(tmp_path, samples))
    assert facts.clipped == (3 * RATE_HZ - 10, 0)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_are_told_with_their_time(tmp_path, value):
    samples = sine(1000.0, 0.5, 0.5)
    samples[RATE_HZ, 1] = value
    with pytest.raises(CaptureFault, match=r"at 1\.00 s is not a finite number"):
        read_envelope(written(tmp_path, samples))


@pytest.mark.parametrize("value", [30_000.0, -3e38])
def test_samples_that_are_no_sound_are_told(tmp_path, value):
    """Integers taken for floats, or damage; full scale of floats may be exceeded, not so far."""
    samples = sine(1000.0, 3.0, 3.0)
    assert read_envelope(written(tmp_path, samples))[1].peak == pytest.approx(3.0, abs=0.01)
    samples[RATE_HZ, 1] = value
    with pytest.raises(CaptureFault, match=r"at 1\.00 s is .* times full scale"):
        read_envelope(written(tmp_path, samples))


def test_a_file_that_breaks_off_is_read_as_far_as_it_goes(tmp_path):
    noise = np.random.default_rng(0).uniform(-0.5, 0.5, (10 * RATE_HZ, 2))
    path = written(tmp_path, noise, subtype="PCM_16", name="a.flac")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    envelope, facts = read_envelope(path)
    assert envelope.duration_s == pytest.approx(5.0, abs=0.1)
    assert facts.frames < facts.promised_frames == 10 * RATE_HZ


def test_a_file_that_its_recorder_did_not_finish_is_told(tmp_path):
    path = written(tmp_path, sine(1000.0, 0.5, 0.5))
    content = bytearray(path.read_bytes())
    size = content.index(b"data") + 4
    content[size : size + 4] = bytes(4)
    path.write_bytes(content)
    with pytest.raises(CaptureFault, match="recorder did not finish it; have"):
        read_envelope(path)


def test_no_samples_is_a_fault(tmp_path):
    with pytest.raises(CaptureFault, match="no samples"):
        read_envelope(written(tmp_path, np.zeros((0, 2))))


def test_a_file_shorter_than_a_frame_is_read(tmp_path):
    envelope, facts = read_envelope(written(tmp_path, np.full((10, 2), 0.1)))
    assert len(envelope) == 1
    assert facts.frames == 10
