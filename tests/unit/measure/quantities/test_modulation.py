"""Modulation split into amplitude and frequency, against signals made in time."""

import numpy as np
import pytest

from grooveledger.measure.quantities import modulation
from grooveledger.measure.two_tone import LINES
from grooveledger.physics.equalisation import replay_response
from grooveledger.storage import tables
from made_observations import CHAIN, make_context, make_side, orders_of

LOW_HZ, HIGH_HZ, RATE = 400.0, 4000.0, 96_000
SIDE = make_side(
    {
        "kind": "two_tone",
        "modulation": "left",
        "frequencies_hz": [LOW_HZ, HIGH_HZ],
        "ratio": 4.0,
        "duration_s": 20.0,
    }
)
TIME_S = np.arange(RATE) / RATE


def heard_lines(depth, deviation, order=1, low_phase=0.7, high_phase=-0.4):
    """Lines of a signal made in time, by its Fourier transform, through the replay curve.

    `depth` and `deviation` (relative) are complex: in phase with the low tone, a quarter ahead.
    """
    theta = 2.0 * np.pi * LOW_HZ * TIME_S + low_phase
    wave = np.exp(1j * order * theta)
    envelope = 1.0 + (depth * wave).real
    phase = (deviation * wave / (1j * order)).real * HIGH_HZ / LOW_HZ
    high = 0.1 * envelope * np.cos(2.0 * np.pi * HIGH_HZ * TIME_S + high_phase + phase)
    spectrum = np.fft.rfft(0.4 * np.cos(theta) + high) / (RATE / 2)
    lines = {}
    for line in LINES:
        hz = line[0] * HIGH_HZ + line[1] * LOW_HZ
        lines[line] = spectrum[int(hz)] * replay_response(np.array([hz]), "iec98")[0]
    # The observation refers every phase to those of the tones as they are heard.
    high_turn, low_turn = (np.conj(lines[k]) / abs(lines[k]) for k in ((1, 0), (0, 1)))
    return {
        (h, k): value * high_turn**h * (low_turn if k >= 0 else np.conj(low_turn)) ** abs(k)
        for (h, k), value in lines.items()
    }


def measured(lines, **facts):
    orders = orders_of(1, HIGH_HZ, {line: (a, 0.0) for line, a in lines.items()}, **facts)
    return tables.columns(modulation.measure(make_context(SIDE, {"orders": orders}, chain=CHAIN)))


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize(
    ("depth", "deviation"), [(0.03, 0.0), (0.0, 0.002j), (0.01 - 0.02j, -0.001 + 0.002j)]
)
def test_both_kinds_within_two_per_cent_through_the_replay_curve(depth, deviation, order):
    """Narrow-band modulation: what is left over is of second order."""
    rows = measured(heard_lines(depth, deviation, order))
    at = order - 1
    am = rows["am_in_phase_pct"][at] + 1j * rows["am_quadrature_pct"][at]
    fm = rows["fm_in_phase_pct"][at] + 1j * rows["fm_quadrature_pct"][at]
    assert abs(am - 100.0 * depth) < 0.02 * 100.0 * max(abs(depth), 10.0 * abs(deviation))
    assert abs(fm - 100.0 * deviation) < 0.02 * 100.0 * max(abs(deviation), 0.1 * abs(depth))


def test_noise_is_as_stated_and_five_per_cent_is_kept():
    """Monte Carlo: 2 % and 0.2 %, noise 75 dB below the high tone in each line."""
    rng = np.random.default_rng(5)
    lines = heard_lines(0.02, 0.002)
    floor = np.abs(lines[1, 0]) * 10.0 ** (-75.0 / 20.0)
    am, fm = [], []
    for _ in range(200):
        noise = floor * rng.normal(size=(len(lines), 2)) @ [1.0, 1.0j] / np.sqrt(2.0)
        noisy = {line: a + n for (line, a), n in zip(lines.items(), noise, strict=True)}
        rows = measured(noisy, floor_fs=floor)
        am.append(rows["am_in_phase_pct"][0])
        fm.append(rows["fm_in_phase_pct"][0])
    assert np.quantile(np.abs(np.array(am) / 2.0 - 1.0), 0.95) < 0.05
    assert np.quantile(np.abs(np.array(fm) / 0.2 - 1.0), 0.95) < 0.05
    assert np.std(am) == pytest.approx(rows["am_noise_pct"][0], rel=0.2)
    assert np.std(fm) == pytest.approx(rows["fm_noise_pct"][0], rel=0.2)


def test_sidebands_under_the_noise_give_no_figure():
    rows = measured(heard_lines(0.0, 0.0), floor_fs=1e-3)
    assert rows["limited"].all()
    assert np.isnan(rows["am_in_phase_pct"]).all()
