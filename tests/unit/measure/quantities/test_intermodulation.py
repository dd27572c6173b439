"""Modulation distortion from made-up sidebands."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.metric_rows import Measured
from grooveledger.measure.quantities import intermodulation
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN, heard, make_context, make_side, orders_of

FLAT = replace(CHAIN, equalisation="flat")


def two_tone(low_hz=400.0, high_hz=4000.0, modulation="lateral"):
    return make_side(
        {
            "kind": "two_tone",
            "modulation": modulation,
            "frequencies_hz": [low_hz, high_hz],
            "ratio": 4.0,
            "duration_s": 20.0,
        }
    )


def measured(side, lines, chain=FLAT, **facts):
    _, high_hz = side.tracks[0].frequencies_hz
    orders = orders_of(1, high_hz, lines, **facts)
    context = make_context(side, {"orders": orders}, chain=chain)
    return tables.columns(intermodulation.measure(context))


def test_amplitude_modulation_reads_its_depth():
    """A carrier modulated by m has two sidebands of m/2: their arithmetic sum is m.

    IEC 60268-3 (the sums from memory).
    """
    carrier, depth = 0.1, 0.03
    side = 0.5 * depth * carrier
    lines = {(1, 0): carrier, (0, 1): 0.4, (1, -1): side, (1, 1): side, (1, -2): 0.0, (1, 2): 0.0}
    found = measured(two_tone(), {line: (a, a) for line, a in lines.items()})
    np.testing.assert_allclose(found["imd_pct"], [3.0, 3.0], rtol=1e-6)
    np.testing.assert_allclose(found["second_order_pct"], [3.0, 3.0], rtol=1e-6)
    assert list(found["channel"]) == ["left", "right"]
    assert list(found["low_hz"]) == [400.0, 400.0]
    assert list(found["high_hz"]) == [4000.0, 4000.0]
    assert not found["limited"].any()


def test_the_orders_add_as_squares():
    lines = {(1, 0): 1.0, (1, -1): 0.02, (1, 1): 0.01, (1, -2): 0.03j, (1, 2): -0.01}
    found = measured(two_tone(), {line: (a, a) for line, a in lines.items()}, floor_fs=1e-12)
    assert found["second_order_pct"][0] == pytest.approx(3.0)
    assert found["third_order_pct"][0] == pytest.approx(4.0)
    assert found["imd_pct"][0] == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "down_db", "up_db"),
    # What the IEC 60098 replay curve does to the first sidebands (worked by hand).
    [
        (60.0, 7000.0, 0.069, -0.068),
        (250.0, 8000.0, 0.258, -0.251),
        (400.0, 4000.0, 0.713, -0.671),
    ],
)
def test_each_sideband_is_brought_to_the_terminals_at_its_own_frequency(
    low_hz, high_hz, down_db, up_db
):
    side = two_tone(low_hz, high_hz, "left")
    high = heard(1.0, high_hz)
    lines = {
        (1, 0): high,
        (1, -1): high * 0.01 * 10.0 ** (down_db / 20.0),
        (1, 1): high * 0.02 * 10.0 ** (up_db / 20.0),
        (1, -2): 0.0,
        (1, 2): 0.0,
    }
    found = measured(side, {line: (a, 0.0) for line, a in lines.items()}, CHAIN, floor_fs=1e-12)
    assert found["imd_pct"][0] == pytest.approx(3.0, rel=2e-4)
    assert list(found["channel"]) == ["left"]


def test_sidebands_within_the_noise_are_a_bound():
    lines = {(1, 0): 0.1, (1, -1): 1e-5, (1, 1): 1e-5, (1, -2): 0.0, (1, 2): 0.0}
    found = measured(two_tone(), {k: (a, a) for k, a in lines.items()}, floor_fs=1e-5)
    assert found["limited"].all()
    assert found["imd_pct"][0] > 0.02
    assert found["floor_pct"][0] == pytest.approx(0.02 * np.sqrt(2.0))


def test_without_the_high_tone_there_is_no_figure():
    lines = {(1, 0): 0.0, (1, -1): 1e-5, (1, 1): 1e-5, (1, -2): 0.0, (1, 2): 0.0}
    found = measured(two_tone(), {k: (a, a) for k, a in lines.items()}, floor_fs=1e-5)
    assert np.isnan(found["imd_pct"]).all()
    assert found["limited"].all()


@pytest.mark.parametrize("line", [(1, -1), (1, 1), (1, -2), (1, 2)])
@pytest.mark.parametrize(("times", "limited"), [(3.99, True), (4.01, False)])
def test_sidebands_are_clear_where_their_power_is_four_times_that_of_their_noise(
    line, times, limited
):
    """Four lines of noise: a single sideband must be four times as large as that in each."""
    lines = dict.fromkeys([(1, -1), (1, 1), (1, -2), (1, 2)], 0.0) | {(1, 0): 1.0}
    lines[line] = times * 0.01
    found = measured(two_tone(), {k: (a, a) for k, a in lines.items()}, floor_fs=0.01)
    assert found["limited"].tolist() == [limited] * 2


@pytest.mark.parametrize(("times", "is_heard"), [(1.99, False), (2.01, True)])
def test_a_high_tone_is_heard_at_twice_its_noise(times, is_heard):
    lines = dict.fromkeys([(1, -1), (1, 1), (1, -2), (1, 2)], 0.0) | {(1, 0): times * 0.01}
    found = measured(two_tone(), {k: (a, a) for k, a in lines.items()}, floor_fs=0.01)
    assert np.isfinite(found["imd_pct"]).tolist() == [is_heard] * 2


def test_noise_of_the_figure_and_what_the_preamplifiers_response_makes_of_it():
    """Monte Carlo of the four sidebands, each with a complex noise of its own."""
    rng = np.random.default_rng(2)
    n, values = 1e-4, []
    pairs = {(1, -1): 0.02, (1, 1): 0.02, (1, -2): 0.01, (1, 2): 0.01}
    for _ in range(150):
        noise = n * rng.normal(size=(4, 2)) @ [1.0, 1.0j] / np.sqrt(2.0)
        lines = {k: a + d for (k, a), d in zip(pairs.items(), noise, strict=True)}
        found = measured(
            two_tone(modulation="left"),
            {k: (a, 0.0) for k, a in {**lines, (1, 0): 1.0}.items()},
            floor_fs=n,
        )
        values.append(found["imd_pct"][0])
    chain = replace(FLAT, response_tolerance_db=0.5)
    measured_ = Measured({"intermodulation": found}, two_tone(), CARTRIDGE, chain)
    (figure,) = intermodulation.figures(measured_)
    assert figure.noise == pytest.approx(np.std(values), rel=0.2)
    # Sideband and tone depart each by itself, in proportion to the octaves between them; of a
    # pair's sum each sideband is a half.
    octave = np.log2([4400.0 / 4000.0, 4800.0 / 4000.0])
    apart = np.log(10.0) / 20.0 * 0.5 * np.sqrt(2.0 / 3.0) * octave
    second, third = 4.0**2 * apart[0], 2.0**2 * apart[1]
    expected = np.hypot(second, third) / np.sqrt(2.0) / np.hypot(4.0, 2.0)
    assert figure.parts["preamplifier"] == pytest.approx(expected, rel=0.15)
