"""Cut noise: against spectra in closed form, and its stated scatter against that of repeats."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from grooveledger.measure.quantities import response, third_octaves
from grooveledger.observe.noise_density import observe_noise
from grooveledger.physics.equalisation import recorded_velocity_db, replay_response
from grooveledger.physics.third_octaves import third_octaves as bands_of
from grooveledger.schemas.observe import ORDERS
from grooveledger.storage import tables
from made_figures import figures, only
from made_observations import CHAIN, make_context, make_side, swapped_chain
from made_sound import tracks_at, written

RATE = 48_000
SETTINGS = {"guard_s": 0.3, "tick_threshold_db": 13.0}
BANDS = bands_of()


def cartridge_db(hz):
    """An invented response: a slope and a resonance at 14 kHz."""
    x = np.maximum(hz, 1.0) / 14_000.0
    peak_db = -10.0 * np.log10((1.0 - x**2) ** 2 + (x / 2.0) ** 2)
    return 0.4 * np.log2(np.maximum(hz, 1.0) / 1000.0) + peak_db


def shaped(noise, gain):
    """Noise after a filter whose gain at each frequency is given, round and round."""
    hz = np.fft.rfftfreq(noise.shape[0], 1.0 / RATE)
    return np.fft.irfft(np.fft.rfft(noise, axis=0) * gain(hz)[:, None], noise.shape[0], axis=0)


def cut(seconds, colour="pink", recorded="constant_velocity", seed=0, chain=CHAIN, rms=0.05):
    """What is heard of noise in both channels: colour, law, cartridge and replay curve."""
    white = np.random.default_rng(seed).standard_normal((int(seconds * RATE), 1))

    def gain(hz):
        hz = np.maximum(hz, 5.0)
        size = hz**-0.5 if colour == "pink" else np.ones(len(hz))
        size = size * 10.0 ** ((recorded_velocity_db(hz, recorded) + cartridge_db(hz)) / 20.0)
        return size * np.abs(replay_response(hz, chain.equalisation))

    hz = np.fft.rfftfreq(RATE, 1.0 / RATE)[10:]
    expected = np.sqrt(np.sum(gain(hz) ** 2) / (RATE / 2.0))
    return rms / expected * np.repeat(shaped(white, gain), 2, axis=1)


def observed(tmp_path, samples, side, stretches=None):
    path = written(tmp_path, samples, RATE, "FLOAT")
    rows, _ = observe_noise(
        path, tracks_at(*(stretches or [(0.0, len(samples) / RATE)])), side, SETTINGS, "c1"
    )
    return {
        "noise_density": tables.columns(rows),
        "orders": tables.columns(tables.empty(ORDERS)),
    }


def noise(modulation="lateral", colour="pink", **facts):
    return {"kind": "noise", "modulation": modulation, "colour": colour, **facts}


def of(rows, channel):
    return {key: values[rows["channel"] == channel] for key, values in rows.items()}


@pytest.mark.parametrize("recorded", ["constant_velocity", "iec98"])
@pytest.mark.parametrize("colour", ["pink", "white"])
def test_colour_law_and_replay_curve_are_undone_and_the_cartridge_is_left(
    tmp_path, colour, recorded
):
    side = make_side(noise(colour=colour, recorded=recorded))
    heard = cut(40.0, colour, recorded)
    context = make_context(side, observed(tmp_path, heard, side))
    rows = of(tables.columns(response.measure(context)), "left")
    np.testing.assert_allclose(rows["frequency_hz"], BANDS.middle_hz, rtol=1e-9)
    assert set(rows["reference_hz"]) == {1000.0}
    assert not rows["limited"].any()
    off_db = rows["response_db"] - (cartridge_db(BANDS.middle_hz) - cartridge_db(1000.0))
    # Four standard deviations of what is stated, and what a resonance bends within a band.
    np.testing.assert_array_less(np.abs(off_db), 4.0 * rows["noise_db"] + 0.03)
    assert rows["noise_db"][-1] < 0.12
    value = only(figures({"response": rows}, side), "response_10khz_db", "left")
    assert value["value"] == pytest.approx(cartridge_db(10_000.0) - cartridge_db(1000.0), abs=0.3)
    assert value["uncertainty"] > 0.05


def test_band_levels_are_those_of_a_long_spectrum_of_the_same_samples(tmp_path):
    """Welch's mean of spectra (scipy), integrated over the bands, of the same noise."""
    chain = replace(CHAIN, equalisation="flat")
    side = make_side(noise())
    heard = cut(30.0, chain=chain)
    context = make_context(side, observed(tmp_path, heard, side), chain=chain)
    rows = of(tables.columns(third_octaves.measure(context)), "left")
    hz, density = scipy.signal.welch(heard[:, 0], RATE, "hann", 1 << 17, scaling="density")
    full_mv = 1e3 * chain.full_scale_v_rms * np.sqrt(2.0) / 10.0 ** (chain.gain_db / 20.0)
    total = np.concatenate([[0.0], np.cumsum(density) * (hz[1] - hz[0])])
    edges = np.append(hz, hz[-1]) - 0.5 * (hz[1] - hz[0])
    power = np.interp(BANDS.high_hz, edges, total) - np.interp(BANDS.low_hz, edges, total)
    np.testing.assert_array_equal(rows["frequency_hz"], BANDS.nominal_hz)
    off_db = 20.0 * np.log10(rows["level_mv"] / (full_mv * np.sqrt(power)))
    # The two weigh the moments of the noise differently: by their windows, and by the guards.
    np.testing.assert_array_less(np.abs(off_db), 1.5 * rows["noise_db"] + 0.08)


def test_the_stated_scatter_is_that_of_repeats(tmp_path):
    side = make_side(noise())
    levels_db, stated_db = [], []
    for seed in range(24):
        context = make_context(side, observed(tmp_path, cut(9.0, seed=seed), side))
        rows = of(tables.columns(third_octaves.measure(context)), "left")
        levels_db.append(20.0 * np.log10(rows["level_mv"]))
        stated_db.append(rows["noise_db"])
    scatter_db = np.std(levels_db, axis=0, ddof=1)
    # Of 24 repeats a standard deviation is known to 15 %: by groups of bands within 20 %.
    share = scatter_db / np.mean(stated_db, axis=0)
    for group in (slice(0, 10), slice(10, 18), slice(18, 31)):
        assert np.sqrt(np.mean(share[group] ** 2)) == pytest.approx(1.0, abs=0.2), share


def test_balance_of_one_noise_in_both_channels_is_exact(tmp_path):
    """The same noise, 1.5 dB louder at the right, over a little noise of either channel's own."""
    side = make_side(noise())
    heard = cut(10.0) * [1.0, 10.0 ** (1.5 / 20.0)]
    own = 1e-3 * np.random.default_rng(3).standard_normal(heard.shape)
    context = make_context(side, observed(tmp_path, heard + own, side))
    rows = tables.columns(third_octaves.measure(context))
    found = only(figures({"third_octaves": rows}, side), "noise_balance_db", "both")
    assert found["value"] == pytest.approx(1.5, abs=0.02)
    assert 0.0 < found["u_noise"] < 0.02
    assert not found["limited"]
    swapped = make_context(side, context.observations, chain=swapped_chain())
    rows = tables.columns(third_octaves.measure(swapped))
    found = only(figures({"third_octaves": rows}, side), "noise_balance_db", "both")
    assert found["value"] == pytest.approx(-1.5, abs=0.02)


def test_the_grooves_own_noise_is_taken_off_or_limits(tmp_path):
    """A silent groove as loud as the upper bands of the noise after a low-pass."""
    side = make_side(noise(), {"kind": "silent_groove", "duration_s": 20.0})
    generator = np.random.default_rng(9)
    low = scipy.signal.butter(6, 4000.0, fs=RATE, output="sos")
    chain = replace(CHAIN, equalisation="flat")
    heard = scipy.signal.sosfilt(low, cut(20.0, chain=chain, rms=0.05), axis=0)
    groove = 3e-4 * generator.standard_normal((40 * RATE, 2))
    groove[: len(heard)] += heard
    context = make_context(
        side, observed(tmp_path, groove, side, [(0.0, 20.0), (20.0, 40.0)]), chain=chain
    )
    rows = of(tables.columns(third_octaves.measure(context)), "left")
    clean = observed(tmp_path, heard, side, [(0.0, 20.0)])
    true_mv = of(
        tables.columns(third_octaves.measure(make_context(make_side(noise()), clean, chain=chain))),
        "left",
    )["level_mv"]
    off_db = 20.0 * np.log10(rows["level_mv"] / true_mv)
    assert rows["limited"][-1]
    assert not rows["limited"][:20].any()
    stated = ~rows["limited"]
    np.testing.assert_array_less(np.abs(off_db[stated]), 4.0 * rows["noise_db"][stated])
    assert (off_db[rows["limited"]] > 0.0).all()


def test_without_a_silent_groove_what_is_heard_across_bounds_the_noise(tmp_path):
    """Noise in the left channel, the right one 20 dB down: at most a hundredth may be noise."""
    side = make_side(noise("left"))
    context = make_context(side, observed(tmp_path, cut(20.0) * [1.0, 0.1], side))
    rows = tables.columns(third_octaves.measure(context))
    left = of(rows, "left")
    np.testing.assert_allclose(left["floor_db"], 20.0, atol=0.01)
    assert not left["limited"].any()
    assert of(rows, "right")["limited"].all()
    assert set(tables.columns(response.measure(context))["channel"]) == {"left"}


def test_a_sweep_makes_a_response_of_noise_superfluous(tmp_path):
    sweep = {"kind": "sweep", "modulation": "left", "start_hz": 20.0, "stop_hz": 2e4}
    side = make_side(noise(), sweep)
    context = make_context(side, observed(tmp_path, cut(5.0), side))
    assert set(tables.columns(response.measure(context))["channel"]) == {"right"}


@pytest.mark.parametrize("power", [1.0, 0.0])
@pytest.mark.parametrize("coherence", [0.0, 0.9, 1.0])
def test_a_balance_is_as_sure_as_its_repeats(power, coherence):
    """Monte Carlo: white and pink noise, of which both channels share a part.

    A band is the mean of B T squares of two components each (a gamma distribution).
    """
    rng = np.random.default_rng(6)
    hz, widths = BANDS.nominal_hz, BANDS.high_hz - BANDS.low_hz
    count = np.round(0.5 * widths)
    mean = widths**power
    values = []
    for _ in range(400):
        levels = []
        wave = [rng.standard_normal((3, int(2 * n))) for n in count]
        for channel in (1, 2):
            parts = [np.sqrt(coherence) * w[0] + np.sqrt(1 - coherence) * w[channel] for w in wave]
            # Coherence of powers is the square of that of waves.
            levels.append(np.sqrt(mean * [np.mean(part**2) for part in parts]))
        rows = [
            {
                "frequency_hz": hz,
                "level_mv": level,
                "limited": np.zeros(len(hz), bool),
                "coherence": np.full(len(hz), coherence**2),
                "averaged": count,
            }
            for level in levels
        ]
        value, noise_db, limited = third_octaves.balance(*rows)
        values.append(value)
    assert not limited
    assert np.std(values) == pytest.approx(noise_db, rel=0.12, abs=1e-9)
