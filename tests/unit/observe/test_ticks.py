"""Ticks: found, counted once each, bridged; noise, hum and rumble left alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.observe.ticks import (
    SPOILT_AFTER_S,
    SPOILT_BEFORE_S,
    bridge,
    bridged_power,
    bridged_stretches,
    cell_length,
    loud_cells,
    spread,
)
from made_sound import with_ticks

RATE = 48_000
MARGIN = 2 * 48 * cell_length(RATE)
THRESHOLD_DB = 13.0


def groove(seconds: float, seed: int = 0, rate: int = RATE) -> np.ndarray:
    """Noise 60 dB down, hum and rumble well above it."""
    time_s = np.arange(round(seconds * rate)) / rate
    noise = 1e-3 * np.random.default_rng(seed).standard_normal((len(time_s), 2))
    slow = 0.05 * np.sin(2 * np.pi * 9 * time_s) + 0.02 * np.sin(2 * np.pi * 50 * time_s)
    return noise + slow[:, None]


def blocks(samples: np.ndarray, frames: int = 30_000):
    for start in range(0, len(samples), frames):
        yield samples[start : start + frames].astype(np.float32)


def run(samples: np.ndarray, frames: int = 30_000, rate: int = RATE):
    parts = list(
        bridged_stretches(blocks(samples, frames), rate, THRESHOLD_DB, MARGIN * rate // RATE)
    )
    return (
        np.concatenate([part.samples for part in parts], axis=1),
        np.concatenate([part.spoilt for part in parts]),
        sum(part.ticks for part in parts),
    )


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_every_tick_is_counted_once_at_any_rate(rate):
    times_s = 0.1 + 0.0837 * np.arange(30)
    samples = with_ticks(groove(3.0, rate=rate), rate, times_s, 0.05)
    margin = 2 * 48 * cell_length(rate)
    parts = bridged_stretches(blocks(samples), rate, THRESHOLD_DB, margin)
    assert sum(part.ticks for part in parts) == 30


def test_noise_hum_and_rumble_are_no_ticks():
    # Common practice: a detector that counts noise is set too low; 13 dB is not.
    assert run(groove(20.0))[2] == 0


@pytest.mark.parametrize("seed", [0, 1])
def test_a_tick_across_a_block_end_is_counted_once_and_bridged(seed):
    shift = np.arange(-8, 9) * 1e-4
    for offset in shift:
        samples = with_ticks(groove(1.3, seed), RATE, np.array([30_000 / RATE + offset]), 0.3)
        sound, _, ticks = run(samples)
        assert ticks == 1
        assert np.abs(np.diff(sound, axis=1)).max() < 0.02


def test_what_has_no_tick_passes_untouched_but_for_the_last_margin():
    samples = groove(1.0).astype(np.float32)
    sound, spoilt, _ = run(samples)
    assert len(samples) - MARGIN < sound.shape[1] <= len(samples)
    np.testing.assert_array_equal(sound, samples[: sound.shape[1]].T)
    assert not spoilt.any()
    assert len(spoilt) * cell_length(RATE) == sound.shape[1]


@settings(deadline=None, max_examples=15)
@given(st.integers(2_000, 50_000))
def test_how_the_groove_is_cut_into_blocks_changes_no_count(frames):
    times_s = 0.1 + 0.21 * np.arange(8)
    samples = with_ticks(groove(2.0), RATE, times_s, 0.1)
    sound, _, ticks = run(samples, frames)
    assert ticks == 8
    assert sound.shape[1] % MARGIN == 0


def test_ringing_is_one_tick_and_two_apart_are_two():
    time_s = np.arange(RATE) / RATE
    ringing = np.exp(-time_s / 2e-4) * np.sin(2 * np.pi * 9000 * time_s)
    samples = groove(1.0)
    samples[20_000:, :] += 0.3 * ringing[:28_000, None]
    assert run(samples)[2] == 1
    samples[20_000 + round(6e-3 * RATE) :, 1] -= 0.3 * ringing[: 28_000 - round(6e-3 * RATE)]
    assert run(samples)[2] == 2


def test_a_dead_channel_does_not_hide_the_other():
    samples = with_ticks(groove(1.0), RATE, np.array([0.3, 0.5]), 0.1)
    samples[:, 1] = 0.0
    assert run(samples)[2] == 1  # the other one was in the right channel
    assert run(np.zeros((RATE, 2)))[2] == 0


def test_a_line_is_drawn_between_the_sides():
    cell = cell_length(RATE)
    ramp = np.linspace(-1, 1, 40 * cell, dtype=np.float32)
    samples = np.stack([ramp, -ramp])
    spoilt = np.zeros(40, bool)
    spoilt[10:20] = True
    hole = samples.copy()
    hole[:, 10 * cell : 20 * cell] = 9.0
    bridge(hole, spoilt, cell, 48)
    np.testing.assert_allclose(hole, samples, atol=1e-5)


def test_a_hole_at_an_end_is_held():
    samples = np.full((2, 480), 0.5, np.float32)
    samples[:, :60] = 9.0
    spoilt = np.zeros(40, bool)
    spoilt[:5] = True
    bridge(samples, spoilt, 12, 48)
    np.testing.assert_allclose(samples, 0.5)


@settings(deadline=None, max_examples=25)
@given(st.lists(st.booleans(), max_size=40), st.integers(0, 5), st.integers(0, 5))
def test_spread_marks_before_and_after(marks, before, after):
    marks = np.array(marks, bool)
    expected = [any(marks[max(0, i - after) : i + before + 1]) for i in range(len(marks))]
    np.testing.assert_array_equal(spread(marks, before, after), np.array(expected, bool))


def test_power_kept_by_a_bridge_is_what_simulation_gives():
    rng = np.random.default_rng(5)
    cell = cell_length(RATE)
    gap = round((SPOILT_BEFORE_S + SPOILT_AFTER_S) * RATE) + cell
    for hz in (10.0, 60.0, 150.0, 400.0):
        kept = []
        for phase in rng.uniform(0, 2 * np.pi, 40):
            wave = np.cos(2 * np.pi * hz * np.arange(4 * gap) / RATE + phase)
            holed = np.stack([wave, wave])
            spoilt = np.zeros(4 * gap // cell, bool)
            spoilt[gap // cell : 2 * gap // cell] = True
            bridge(holed, spoilt, cell, round(1e-3 * RATE))
            kept.append(np.mean(holed[0, gap : 2 * gap] ** 2) / 0.5)
        assert np.mean(kept) == pytest.approx(float(bridged_power(np.array(hz))), abs=0.12)


def test_loud_cells_mark_where_the_pulse_is():
    samples = groove(0.5).T.astype(np.float32)
    samples[0, 12_000] += 0.2
    loud = np.flatnonzero(loud_cells(samples, RATE, THRESHOLD_DB))
    assert set(loud) <= {999, 1000}
    assert len(loud)
