"""The quasi-peak meter against the tone-burst readings of ITU-R BS.468-4 (from memory)."""

import numpy as np
import pytest

from grooveledger.physics.quasi_peak import (
    BURST_READINGS_PCT,
    CELL_S,
    CHARGE_S,
    DISCHARGE_S,
    MOVEMENT_S,
    REPEATED_BURST_READINGS_PCT,
    SINE_READING,
    QuasiPeakMeter,
)

RATE = 48_000
CELL = round(CELL_S * RATE)
BURST_HZ = 5000.0
SECONDS = 2.5


def bursts(length_s, starts_s):
    """Bursts of 5 kHz, each of whole periods from a zero crossing, as BS.468-4 wants them."""
    samples = np.zeros(round(SECONDS * RATE))
    time_s = np.arange(round(length_s * RATE)) / RATE
    for start in np.round(np.asarray(starts_s) * RATE).astype(int):
        part = samples[start : start + len(time_s)]
        part += np.sin(2 * np.pi * BURST_HZ * time_s)[: len(part)]
    return samples


def read(*signals):
    cells = np.array(signals).reshape(len(signals), -1, CELL).transpose(1, 0, 2)
    return QuasiPeakMeter((len(signals),), CELL / RATE).read(cells)


def steady():
    return np.sin(2 * np.pi * BURST_HZ * np.arange(round(SECONDS * RATE)) / RATE)


def test_a_steady_sine_reads_its_rms():
    assert read(steady())[-1, 0] == pytest.approx(np.sqrt(0.5), rel=1e-3)


def test_single_bursts_read_as_the_recommendation_has_them():
    signals = [bursts(ms * 1e-3, [0.01]) for ms, *_ in BURST_READINGS_PCT]
    readings = 100.0 * read(*signals).max(axis=0) / np.sqrt(0.5)
    for reading, (ms, nominal, low, high) in zip(readings, BURST_READINGS_PCT, strict=True):
        assert low < reading < high, ms
        assert reading == pytest.approx(nominal, rel=0.04), ms


def test_repeated_bursts_read_as_the_recommendation_has_them():
    signals = [
        bursts(5e-3, np.arange(0.01, SECONDS - 0.01, 1.0 / rate))
        for rate, *_ in REPEATED_BURST_READINGS_PCT
    ]
    readings = 100.0 * read(*signals).max(axis=0) / np.sqrt(0.5)
    for reading, (rate, nominal, low, high) in zip(
        readings, REPEATED_BURST_READINGS_PCT, strict=True
    ):
        assert low < reading < high, rate
        assert reading == pytest.approx(nominal, rel=0.02), rate


@pytest.mark.parametrize("table", [BURST_READINGS_PCT, REPEATED_BURST_READINGS_PCT])
def test_longer_or_more_frequent_bursts_read_more_and_so_do_their_limits(table):
    columns = np.array(table).T
    assert np.all(np.diff(columns) > 0.0)
    _, nominal, low, high = columns
    # The limits lie about the reading: to half a per cent of the scale, or in equal ratios.
    even = np.minimum(abs(low + high - 2.0 * nominal), 2.0 * abs(np.sqrt(low * high) - nominal))
    assert np.all(even[nominal < 97.0] <= 1.0)


def test_level_only_scales_the_reading():
    # BS.468-4 wants the burst readings alike at lower levels (overload and linearity tests).
    burst = bursts(5e-3, [0.01])
    one, ten = read(burst, 10.0 * burst).max(axis=0)
    assert ten == pytest.approx(10.0 * one, rel=1e-5)


def test_polarity_does_not_matter():
    # BS.468-4: one-sided pulses read the same in either polarity.
    pulse = np.abs(bursts(2e-3, [0.01]))
    up, down = read(pulse, -pulse).max(axis=0)
    assert up == down


def test_noise_reads_as_a_rectifier_worked_out_sample_by_sample():
    # Independent: the same time constants as differential equations at four steps a sample.
    noise = np.random.default_rng(3).standard_normal(RATE)
    step_s = 0.25 / RATE
    charge = needle = total = 0.0
    for i, value in enumerate(np.repeat(np.abs(noise), 4)):
        charge += step_s * (max(value - charge, 0.0) / CHARGE_S - charge / DISCHARGE_S)
        needle += step_s / MOVEMENT_S * (charge - needle)
        total += needle if i >= 2 * RATE else 0.0
    expected = SINE_READING * total / (2 * RATE)
    cells = noise.reshape(-1, 1, CELL)
    readings = QuasiPeakMeter((1,), CELL / RATE).read(cells)
    assert readings[len(readings) // 2 :].mean() == pytest.approx(expected, rel=0.01)


def test_the_state_goes_on_between_stretches():
    signal = bursts(50e-3, [0.01]).reshape(-1, 1, CELL)
    meter = QuasiPeakMeter((1,), CELL / RATE)
    apart = np.concatenate([meter.read(signal[:300]), meter.read(signal[300:])])
    np.testing.assert_allclose(apart, QuasiPeakMeter((1,), CELL / RATE).read(signal), rtol=1e-9)


def test_a_signal_that_two_meters_read_is_given_once():
    before, after = bursts(5e-3, [0.01]).reshape(2, -1, 1, 1, CELL)
    loud = np.concatenate([10.0 * before, before], axis=1)
    meters, single = QuasiPeakMeter((2, 1), CELL / RATE), QuasiPeakMeter((2, 1), CELL / RATE)
    meters.read(loud)
    single.read(loud)
    np.testing.assert_array_equal(meters.read(after), single.read(np.repeat(after, 2, axis=1)))
