"""Sidebands of a high tone as modulation in amplitude and in frequency, in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.two_tone import LINES, modulated, modulation
from grooveledger.physics.equalisation import replay_response
from made_observations import CHAIN, make_side, orders_of

LOW_HZ, HIGH_HZ = 400.0, 4000.0
TRACK = make_side(
    {"kind": "two_tone", "modulation": "left", "frequencies_hz": [LOW_HZ, HIGH_HZ], "ratio": 4.0}
).tracks[0]
FLAT = replace(CHAIN, equalisation="flat")
LOW, HIGH = 0.4 * np.exp(0.5j), 0.1 * np.exp(-1.1j)


def pair(depth, deviation, order):
    """Return the lower and the upper sideband of a carrier of 1 + Re(m w), phase Re(b w / j).

    Expanded by hand to first order: above is (m + b) / 2, below its mirror image (m - b)* / 2.
    """
    turn = np.exp(1j * order * np.angle(LOW))
    above = HIGH * 0.5 * (depth + deviation) * turn
    below = HIGH * np.conj(0.5 * (depth - deviation) * turn)
    return below, above


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize(
    ("depth", "deviation"), [(0.1, 0.0), (0.0, 0.1), (0.03j, 0.0), (0.02 - 0.01j, 0.05j)]
)
def test_depth_and_deviation_are_those_of_the_carrier(depth, deviation, order):
    am, fm = modulation(HIGH, LOW, *pair(depth, deviation, order), order)
    assert am == pytest.approx(depth)
    assert fm == pytest.approx(deviation)


def lines_of(sidebands=(), order=1, high=HIGH, low=LOW):
    """All lines of the track, those not given as strong as the high tone."""
    lines = dict.fromkeys(LINES, abs(HIGH))
    lines |= {(1, 0): high, (0, 1): low}
    if sidebands:
        lines |= dict(zip(((1, -order), (1, order)), sidebands, strict=True))
    return {line: (value, 0.0) for line, value in lines.items()}


def read(lines, order=1, chain=FLAT, **facts):
    return modulated(orders_of(1, HIGH_HZ, lines, **facts), TRACK, "left", order, chain)


@pytest.mark.parametrize("order", [1, 2])
def test_deviation_is_relative_to_the_high_tone_and_noise_is_that_of_both_sidebands(order):
    """A phase of b at the frequency f deviates by b f; each sideband adds noise / sqrt 2."""
    floor = 1e-4
    found = read(lines_of(pair(0.02, 0.05, order), order), order, floor_fs=floor)
    scale = order * LOW_HZ / HIGH_HZ
    assert found.am == pytest.approx([0.02])
    assert found.fm == pytest.approx([0.05 * scale])
    assert found.am_noise == pytest.approx([floor / abs(HIGH)])
    assert found.fm_noise == pytest.approx([scale * floor / abs(HIGH)])
    assert found.is_clear.all()


def test_lines_are_brought_to_the_terminals_at_the_frequencies_that_were_played():
    """A platter 3 % fast: the replay curve is that of 412, 3708, 4120 and 4532 Hz."""
    given = lines_of(pair(0.03 + 0.01j, 0.02, 1))

    def heard(line, value):
        hz = 1.03 * (line[0] * HIGH_HZ + line[1] * LOW_HZ)
        return value * replay_response(np.array([hz]), "iec98")[0]

    lines = {line: (heard(line, value), 0.0) for line, (value, _) in given.items()}
    found = read(lines, chain=CHAIN, played_hz=1.03 * HIGH_HZ)
    assert found.am == pytest.approx([0.03 + 0.01j])
    assert found.fm == pytest.approx([0.02 * LOW_HZ / HIGH_HZ])


@pytest.mark.parametrize("weak", ["high", "low", "sidebands"])
@pytest.mark.parametrize(("times", "is_clear"), [(2.01, True), (1.99, False)])
def test_every_line_must_be_twice_its_noise(weak, times, is_clear):
    floor = 0.01
    given = {"high": 1.0, "low": 1.0, "sidebands": (1.0, 1.0)}
    given[weak] = (times * floor, times * floor) if weak == "sidebands" else times * floor
    found = read(lines_of(**given), floor_fs=floor)
    assert found.is_clear.tolist() == [is_clear]
    for values in (found.am, found.fm, found.am_noise, found.fm_noise):
        assert np.isfinite(values).tolist() == [is_clear]


def test_a_sideband_that_was_not_observed_gives_no_figure():
    lines = lines_of()
    del lines[1, 2]
    assert read(lines, 1).is_clear.all()
    assert not read(lines, 2).is_clear.any()
