"""Cut noise in bands, from spectra whose power in every band is known in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.noise_bands import levels_re_cut_db, noise_bands
from grooveledger.physics.third_octaves import third_octaves
from made_observations import CHAIN, make_context, make_side, orders_of

FLAT = replace(CHAIN, equalisation="flat")
#: Full scale of 2 V rms through 40 dB is 20 mV.
FULL_SCALE_MV = 20.0
BANDS = third_octaves()
STEP_HZ = 0.5
HZ = np.arange(10.0, 24_000.0, STEP_HZ)
AVERAGED_S = 8.0


def density_of(track, left, right, both=0.0, ticks=0):
    """Density of a track; `left` and `right` are powers, `both` the part in both at once.

    Sum and difference are (left +- right) / sqrt 2: each has half of either channel's power, and
    what is in both at once is in the sum alone.
    """
    left, right, both = (np.broadcast_to(power, HZ.shape) for power in (left, right, both))
    powers = {
        "left": left + both,
        "right": right + both,
        "sum": 0.5 * (left + right) + 2.0 * both,
        "difference": 0.5 * (left + right),
    }
    n = len(HZ)
    return {
        "track": np.full(4 * n, float(track)),
        "channel": np.repeat(np.array(list(powers), object), n),
        "frequency_hz": np.tile(HZ, 4),
        "bandwidth_hz": np.full(4 * n, STEP_HZ),
        "density_fs2_per_hz": np.concatenate(list(powers.values())),
        "ticks": np.full(4 * n, float(ticks)),
        "averaged_s": np.full(4 * n, AVERAGED_S),
    }


def context_of(*densities, side=None, speed=1.0, chain=FLAT):
    side = side or make_side(*[noise()] * len(densities))
    columns = {
        name: np.concatenate([d[name] for d in densities]) for name in density_of(1, 0.0, 0.0)
    }
    orders = orders_of(9, 1000.0, {1: (0.1, 0.1)}, played_hz=1000.0 * speed)
    return make_context(side, {"noise_density": columns, "orders": orders}, chain=chain)


def noise(modulation="lateral", colour="white", **facts):
    return {"kind": "noise", "modulation": modulation, "colour": colour, **facts}


def read(context, channel="left"):
    return noise_bands(context, context.side.tracks[0], channel)


def test_a_flat_density_gives_each_band_its_width_times_the_density():
    """A sine of full scale has a mean square of one half, and 20 mV rms."""
    bands = read(context_of(density_of(1, 1e-9, 4e-9)))
    width_hz = BANDS.high_hz - BANDS.low_hz
    np.testing.assert_allclose(
        bands.level_mv, np.sqrt(2.0 * 1e-9 * width_hz) * FULL_SCALE_MV, rtol=2e-2
    )
    np.testing.assert_allclose(
        bands.level_mv[10:], (np.sqrt(2.0 * 1e-9 * width_hz) * FULL_SCALE_MV)[10:], rtol=1e-9
    )
    np.testing.assert_allclose(bands.averaged, AVERAGED_S * width_hz)
    np.testing.assert_array_equal(bands.middle_hz, BANDS.middle_hz)


def test_bands_end_where_a_converters_filter_begins_to_fall():
    """Up to 0.94 of half the sampling rate: the band of 16 kHz ends at 17.78 kHz."""
    for top_hz, highest in ((17_783.0 / 0.94 + 1.0, 16_000.0), (17_782.0 / 0.94 - 1.0, 12_500.0)):
        density = density_of(1, 1e-9, 1e-9)
        kept = density["frequency_hz"] + 0.5 * STEP_HZ <= top_hz
        context = context_of({name: values[kept] for name, values in density.items()})
        assert read(context).nominal_hz[-1] == highest


@pytest.mark.parametrize(("part", "expected"), [(0.0, 0.0), (0.5, 0.25), (1.0, 1.0)])
def test_coherence_is_the_square_of_the_part_that_both_channels_share(part, expected):
    """Equal channels of power 1, of which `part` is the same noise: (part / 1)^2."""
    context = context_of(density_of(1, (1.0 - part) * 1e-9, (1.0 - part) * 1e-9, part * 1e-9))
    np.testing.assert_allclose(read(context).coherence, expected, atol=1e-9)


def test_a_dead_channel_has_no_coherence():
    bands = read(context_of(density_of(1, 1e-9, 0.0)))
    assert np.isnan(bands.coherence).all()
    silent = read(context_of(density_of(1, 1e-9, 0.0)), "right")
    assert np.isnan(silent.level_mv).all()
    assert np.isnan(silent.floor_db).all()


GROOVES = make_side(noise(), {"kind": "silent_groove"})


@pytest.mark.parametrize(("times", "limited"), [(1.99, True), (2.01, False)])
def test_a_silent_groove_is_taken_off_a_band_of_twice_its_power(times, limited):
    context = context_of(density_of(1, times * 1e-9, 1e-9), density_of(2, 1e-9, 1e-9), side=GROOVES)
    bands = read(context)
    assert (bands.limited == limited).all()
    np.testing.assert_allclose(bands.floor_db, 10.0 * np.log10(times))
    power = times if limited else times - 1.0
    width_hz = (BANDS.high_hz - BANDS.low_hz)[20:]
    np.testing.assert_allclose(
        bands.level_mv[20:], np.sqrt(2.0 * power * 1e-9 * width_hz) * FULL_SCALE_MV, rtol=1e-6
    )


def test_scatter_of_what_is_left_over_a_silent_groove():
    """Of x - y, x of 5 and y of 1 within 1 / sqrt(B T) of themselves: hypot(5, 1) / 4."""
    bands = read(context_of(density_of(1, 5e-9, 1e-9), density_of(2, 1e-9, 1e-9), side=GROOVES))
    each = 10.0 / np.log(10.0) / np.sqrt(AVERAGED_S * (BANDS.high_hz - BANDS.low_hz))
    np.testing.assert_allclose(bands.noise_db, each * np.hypot(5.0, 1.0) / 4.0)


@pytest.mark.parametrize(
    ("modulation", "channel", "across"),
    [
        ("lateral", "left", "difference"),
        ("vertical", "right", "sum"),
        ("left", "left", "right"),
        ("right", "right", "left"),
    ],
)
def test_without_a_silent_groove_what_is_heard_across_is_the_most_that_may_be_noise(
    modulation, channel, across
):
    """A tenth of the power: the level is at most 10 lg(1 / 0.9) too high, any value as likely."""
    density = density_of(1, 1e-9, 1e-9)
    for name, power in (("left", 1e-9), ("right", 1e-9), ("sum", 3e-9), ("difference", 3e-9)):
        density["density_fs2_per_hz"][density["channel"] == name] = power
    density["density_fs2_per_hz"][density["channel"] == across] = 1e-10
    bands = read(context_of(density, side=make_side(noise(modulation))), channel)
    np.testing.assert_allclose(bands.floor_db, 10.0)
    assert not bands.limited.any()
    random = 10.0 / np.log(10.0) / np.sqrt(AVERAGED_S * (BANDS.high_hz - BANDS.low_hz))
    # Half of the interval to either side of its middle (JCGM 100, 4.3.7).
    share = 0.5 * 10.0 * np.log10(1.0 / 0.9) / np.sqrt(3.0)
    np.testing.assert_allclose(bands.noise_db, np.hypot(random, share))


@pytest.mark.parametrize(("times", "limited"), [(1.99, True), (2.01, False)])
def test_a_band_of_less_than_twice_what_is_heard_across_is_a_bound(times, limited):
    side = make_side(noise("left"))
    bands = read(context_of(density_of(1, times * 1e-9, 1e-9), side=side))
    assert (bands.limited == limited).all()
    random = 10.0 / np.log(10.0) / np.sqrt(AVERAGED_S * (BANDS.high_hz - BANDS.low_hz))
    share = 5.0 * np.log10(2.0 if limited else times / (times - 1.0)) / np.sqrt(3.0)
    np.testing.assert_allclose(bands.noise_db, np.hypot(random, share))


def test_a_track_that_was_not_analysed_gives_none():
    context = context_of(density_of(1, 1e-9, 1e-9), side=make_side(noise(), noise()))
    assert noise_bands(context, context.side.tracks[1], "left") is None


@pytest.mark.parametrize("power", [-3.0, 0.0, 4.0])
@pytest.mark.parametrize(("colour", "falls"), [("white", 0.0), ("pink", -1.0)])
@pytest.mark.parametrize("speed", [1.0, 1.04])
def test_a_response_that_is_a_power_of_the_frequency_is_read_in_the_middle(
    power, colour, falls, speed
):
    """Exactly so: the mean over a band of such a slope is known, and its slope is found."""
    context = context_of(
        density_of(1, 1e-9 * (HZ / 1000.0) ** (falls + power), 0.0),
        side=make_side(noise("left", colour)),
        speed=speed,
    )
    track = context.side.tracks[0]
    bands = read(context)
    level_db = levels_re_cut_db(context, track, bands)
    expected_db = 10.0 * power * np.log10(bands.middle_hz / 1000.0)
    upper = slice(12, None)
    off_db = level_db[upper] - expected_db[upper]
    np.testing.assert_allclose(off_db, off_db[0], atol=0.01)


def test_a_law_and_a_calibration_are_those_of_the_recorded_frequency():
    """Cut with 6 dB an octave and played 10 % fast: what was cut at 1 kHz is heard at 1.1 kHz."""
    calibration = [[1, 20.0, -2.0], [1, 20_000.0, 2.0]]
    side = make_side(
        noise("left", recorded="constant_amplitude"),
        {"kind": "tone", "track": 9, "modulation": "left", "frequency_hz": 1000.0},
        calibration=calibration,
    )
    speed = 1.1
    cut_hz = HZ / speed
    tilt_db = np.interp(np.log(cut_hz), np.log([20.0, 20_000.0]), [-2.0, 2.0])
    cut = (cut_hz / 1000.0) ** 2 * 10.0 ** (tilt_db / 10.0)
    context = context_of(density_of(1, 1e-9 * cut, 0.0), side=side, speed=speed)
    level_db = levels_re_cut_db(context, side.tracks[0], read(context))[12:]
    # White noise of a density a hertz recorded: up to a constant nothing is left.
    np.testing.assert_allclose(level_db, level_db[0], atol=0.01)


def test_a_bend_is_read_in_the_middle_of_its_band():
    """Of a ripple A cos k x, x in bands, a band's mean is a 24th of A k^2 below its top."""
    size_db, per_band = 3.0, 2.0 * np.pi / 10.0
    place = 10.0 * np.log10(HZ / 1000.0)
    bent_db = size_db * np.cos(per_band * place)
    context = context_of(
        density_of(1, 1e-9 * 10.0 ** (bent_db / 10.0), 0.0), side=make_side(noise("left"))
    )
    level_db = levels_re_cut_db(context, context.side.tracks[0], read(context))[12:-2]
    middle = 10.0 * np.log10(BANDS.middle_hz[12:-2] / 1000.0)
    off_db = level_db - size_db * np.cos(per_band * middle)
    assert np.ptp(off_db) < 0.3 * 2.0 * size_db * per_band**2 / 24.0


def test_a_single_band_is_as_it_is():
    context = context_of(density_of(1, 1e-9, 0.0), side=make_side(noise("left")))
    bands = read(context)
    one = type(bands)(*(values[17:18] for values in bands))
    whole = levels_re_cut_db(context, context.side.tracks[0], bands)
    assert levels_re_cut_db(context, context.side.tracks[0], one) == pytest.approx(whole[17:18])
