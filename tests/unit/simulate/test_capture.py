"""The forward model against closed forms: what is in the samples is what the truth says.

The samples are read with least squares and plain Fourier transforms, not with the analysis code.
"""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.physics.equalisation import replay_response
from grooveledger.physics.groove import wavelength_um
from grooveledger.plan import Chain, Track
from grooveledger.simulate import StylusTruth, playback, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.simulate.stylus import scanning_loss
from made_simulations import CHAIN, QUICK, RATE, STYLUS, read_tone, side_of, tone, volts_to_mv


@pytest.mark.parametrize("modulation", ["left", "right", "lateral", "vertical"])
def test_orders_of_a_tone_at_the_terminals(modulation: str) -> None:
    side = side_of(tone(1, modulation, 1000.0))
    samples, truth = simulate_capture(side, STYLUS, CHAIN, QUICK, RATE, seed=3)
    assert samples.dtype == np.float64
    placed = truth.placed(1)
    found = read_tone(samples, placed.start_s, placed.stop_s, np.arange(1, 6) * 1000.0)
    expected = np.abs(truth.components(1, 1000.0)[:, :, 0])
    assert found == pytest.approx(expected, rel=2e-4, abs=1e-6)


def test_an_ideal_cartridge_gives_sensitivity_times_velocity() -> None:
    stylus = StylusTruth(
        sensitivity_mv_per_cm_s=(2.0, 1.0),
        tip_resonance_hz=1e6,
        coil_inductance_mh=0.0,
        crosstalk_left_to_right=((1000.0, -30.0, 0.0),),
        crosstalk_right_to_left=((1000.0, -300.0, 0.0),),
        harmonics=((1000.0, 0.0, 0.0, 0.0, 0.0),),
        compliance_um_per_mn=(1e5, 1e5),
    )
    side = side_of(tone(1, "left", 1000.0), tone(2, "lateral", 1000.0))
    _, truth = simulate_capture(side, stylus, CHAIN, QUICK, RATE, seed=1)
    # 3.5 cm/s peak is 2.4749 rms; a lateral track's channel has 1/sqrt(2) of it
    assert truth.output_mv(1)["left"] == pytest.approx(2.0 * 3.5 / np.sqrt(2.0), rel=1e-5)
    # 30 dB of 2 mV/(cm/s) over 1 mV/(cm/s): 36.02 dB
    assert truth.separation(1, [1000.0])[0][0] == pytest.approx(30.0 + 20 * np.log10(2), abs=1e-3)
    assert truth.output_mv(2)["left"] == pytest.approx(2.0 * 3.5 / 2.0, rel=1e-5)
    leaked = 1.0 + 10.0 ** (-30.0 / 20.0)
    assert truth.output_mv(2)["right"] == pytest.approx(leaked * 3.5 / 2.0, rel=1e-5)


def test_steps_two_tones_and_mistracking() -> None:
    steps = Track(
        1, "tone_steps", 2.4, "left", velocity_cm_s=3.0, frequencies_hz=(200.0, 7000.0), step_s=1.2
    )
    pair = Track(
        2, "two_tone", 2.0, "lateral", velocity_cm_s=6.0, frequencies_hz=(400.0, 4000.0), ratio=4.0
    )
    loud = Track(
        3,
        "amplitude_steps",
        2.4,
        "lateral",
        frequency_hz=315.0,
        amplitudes_um=(60.0, 90.0),
        step_s=1.2,
    )
    samples, truth = simulate_capture(side_of(steps, pair, loud), STYLUS, CHAIN, QUICK, RATE, 4)

    start_s = truth.placed(1).start_s
    for i, hz in enumerate(steps.frequencies_hz):
        orders = min(int(0.9 * RATE / 2 / hz), 5)
        found = read_tone(
            samples, start_s + 1.2 * i, start_s + 1.2 * (i + 1), hz * np.arange(1, orders + 1)
        )
        pct = 100.0 * found[1:, 0] / found[0, 0]
        expected = truth.harmonics_pct(1, "left", hz)[: orders - 1, 0]
        assert pct == pytest.approx(expected, rel=3e-3, abs=1e-4)

    placed = truth.placed(2)
    hz = np.array([400.0, 4000.0, 3600.0, 4400.0, 3200.0, 4800.0, 800.0, 1200.0, 8000.0, 12000.0])
    found = read_tone(samples, placed.start_s, placed.stop_s, hz)[:, 0]
    # the low tone has four times the high one's velocity, their sum peaks at 6 cm/s lateral
    velocity = found[:2] / STYLUS.sensitivity_mv_per_cm_s[0] * np.sqrt(2.0)
    assert velocity == pytest.approx([4.8, 1.2], rel=0.08)  # crosstalk and response move it
    # IEC 60268-3: arithmetic sum of each pair re the high tone, then root-sum-square
    imd = 100.0 * np.hypot(found[2] + found[3], found[4] + found[5]) / found[1]
    assert imd == pytest.approx(truth.intermodulation_pct(2, "left"), rel=2e-3)

    start_s = truth.placed(3).start_s
    thd = []
    for i, amplitude_um in enumerate(loud.amplitudes_um):
        found = read_tone(
            samples, start_s + 1.2 * i, start_s + 1.2 * (i + 1), 315.0 * np.arange(1, 6)
        )
        thd.append(100.0 * np.sqrt(np.sum(found[1:, 0] ** 2)) / found[0, 0])
        expected_thd = truth.thd_pct(3, "left", 315.0, amplitude_um=amplitude_um)[0]
        assert thd[-1] == pytest.approx(expected_thd, rel=3e-3)
    assert thd[0] < 3.0 < 10.0 < thd[1]
    assert truth.tracked_amplitude_um(3, "left") == 60.0


def written_phase(
    groove_s: np.ndarray, start_hz: float, stop_hz: float, law: str, duration_s: float = 8.0
) -> tuple[np.ndarray, np.ndarray]:
    """Cycles and frequency of a sweep, written apart from the forward model."""
    if law == "log":
        growth = np.log(stop_hz / start_hz) / duration_s
        hz = start_hz * np.exp(growth * groove_s)
        return (hz - start_hz) / growth, hz
    slope = (stop_hz - start_hz) / duration_s
    return groove_s * (start_hz + 0.5 * slope * groove_s), start_hz + slope * groove_s


def law_factor(hz: np.ndarray, recorded: str) -> np.ndarray:
    """Recorded velocity re that at 1 kHz."""
    if recorded == "constant_velocity":
        return np.ones(np.shape(hz))
    if recorded == "constant_amplitude":
        return np.asarray(hz / 1000.0)
    return np.asarray(1.0 / np.abs(replay_response(hz, "iec98")))


@pytest.mark.parametrize(
    ("start_hz", "stop_hz", "law", "recorded"),
    [
        (100.0, 20_000.0, "log", "iec98"),
        (20_000.0, 500.0, "linear", "constant_velocity"),
        (400.0, 40.0, "log", "constant_amplitude"),
    ],
)
def test_a_sweep_s_response_and_separation(
    start_hz: float, stop_hz: float, law: str, recorded: str
) -> None:
    stylus = replace(STYLUS, flat_um=4.0)
    sweep = Track(
        1,
        "sweep",
        8.0,
        "right",
        velocity_cm_s=1.0,
        start_hz=start_hz,
        stop_hz=stop_hz,
        law=law,
        recorded=recorded,
        radius_mm=80.0,
    )
    conditions = replace(QUICK, speed_error_pct=0.5, once_per_rev_pct=0.2)
    samples, truth = simulate_capture(side_of(sweep), stylus, CHAIN, conditions, RATE, 5)
    placed = truth.placed(1)
    for share in (0.15, 0.5, 0.85):
        middle = int((placed.start_s + share * (placed.stop_s - placed.start_s)) * RATE)
        part = slice(middle - 1500, middle + 1501)
        time_s = np.arange(part.start, part.stop) / RATE
        groove_s = truth.motion.groove_time(time_s) - placed.groove_s
        cycles, hz = written_phase(groove_s, start_hz, stop_hz, law)
        speed = 1.0 + truth.motion.deviation(time_s)
        # the terminals' voltage for 1 cm/s recorded, by a window on the demodulated sound
        window = np.hanning(3001) * np.exp(-2j * np.pi * cycles) / np.sum(np.hanning(3001))
        window = 2.0 * window / (speed * law_factor(hz, recorded))
        played_hz = (hz * speed)[1500]
        left, right = (window @ samples[part]) * volts_to_mv(played_hz)
        nominal_hz = played_hz / truth.mean_speed(1)
        expected_mv = np.abs(truth.components(1, nominal_hz)[0, 1, 0])
        assert abs(right) == pytest.approx(expected_mv / law_factor(nominal_hz, recorded), rel=2e-3)
        separation_db, phase_deg = truth.separation(1, [played_hz])
        assert -20 * np.log10(abs(left / right)) == pytest.approx(separation_db[0], abs=0.05)
        turn = np.angle(left / right * np.exp(-1j * np.radians(phase_deg[0])), deg=True)
        assert turn == pytest.approx(0.0, abs=0.5)


def test_a_sweep_past_half_the_sampling_rate_leaves_no_images() -> None:
    sweep = Track(1, "sweep", 4.0, "left", velocity_cm_s=2.0, start_hz=15_000.0, stop_hz=40_000.0)
    clean = replace(STYLUS, harmonics=((1000.0, 0.0, 0.0, 0.0, 0.0),))
    samples, truth = simulate_capture(side_of(sweep), clean, CHAIN, QUICK, RATE, 6)
    growth = np.log(40.0 / 15.0) / 4.0
    passed_s = np.log(24.0 / 15.0) / growth
    start_s, stop_s = truth.placed(1).start_s, truth.placed(1).stop_s
    assert stop_s - start_s == pytest.approx(4.0)
    after = samples[int((start_s + passed_s + 0.1) * RATE) : int(stop_s * RATE)]
    before = samples[int((start_s + 0.1) * RATE) : int((start_s + 0.5) * RATE)]
    assert np.max(np.abs(after)) < 1e-4 * np.max(np.abs(before))


def test_chain_polarity_exchange_offset_and_full_scale() -> None:
    side = side_of(tone(1, "left", 1000.0, 1.0))

    def played(chain: Chain, **changes: object) -> np.ndarray:
        return simulate_capture(side, STYLUS, chain, replace(QUICK, **changes), RATE, 11)[0]

    plain = played(CHAIN)
    # names after swapping: the inverted left ends in the file's right channel
    other = played(replace(CHAIN, swap_channels=True, invert=("left",)))
    assert np.array_equal(other[:, 1], -plain[:, 0])
    assert np.array_equal(other[:, 0], plain[:, 1])
    louder = played(replace(CHAIN, gain_db=CHAIN.gain_db + 6.0))
    assert np.max(np.abs(louder - plain * 10.0**0.3)) < 1e-6
    lifted = played(CHAIN, dc=(0.01, -0.02))
    assert np.max(np.abs(lifted - plain - [0.01, -0.02])) < 1e-6
    clipped = played(replace(CHAIN, gain_db=CHAIN.gain_db + 40.0))
    assert (np.min(clipped), np.max(clipped)) == (-1.0, 1.0)
    lifted = played(replace(CHAIN, preamplifier_response=((20.0, 2.0), (20_000.0, 2.0))))
    assert np.max(np.abs(lifted - plain * 10.0**0.1)) < 1e-6


def test_calibration_is_in_the_groove_and_not_in_the_output() -> None:
    track = tone(1, "left", 1000.0, 1.0)
    plain, truth = simulate_capture(side_of(track), STYLUS, CHAIN, QUICK, RATE, 12)
    side = side_of(track, calibration=((1, 1000.0, 0.5),))
    shifted, calibrated = simulate_capture(side, STYLUS, CHAIN, QUICK, RATE, 12)
    placed = truth.placed(1)
    hz = np.array([1000.0])
    levels = [read_tone(x, placed.start_s, placed.stop_s, hz)[0, 0] for x in (plain, shifted)]
    assert 20 * np.log10(levels[1] / levels[0]) == pytest.approx(0.5, abs=1e-3)
    assert calibrated.output_mv(1)["left"] == pytest.approx(truth.output_mv(1)["left"], rel=1e-9)


def test_filter_blocks_leave_no_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    side = side_of(tone(1, "left", 1000.0, 3.0), tone(2, "vertical", 60.0, 2.0))
    conditions = replace(QUICK, needle_drop_cm_s=5.0)
    whole, _ = simulate_capture(side, STYLUS, CHAIN, conditions, RATE, 13)
    monkeypatch.setattr(playback, "BLOCK_S", 1.7)
    blocks, _ = simulate_capture(side, STYLUS, CHAIN, conditions, RATE, 13)
    assert np.max(np.abs(whole - blocks)) < 1e-4 * np.max(np.abs(whole))


def test_same_seed_same_samples() -> None:
    side = side_of(tone(1, "left", 1000.0, 1.0))
    first, second, other = (
        simulate_capture(side, STYLUS, CHAIN, REALISTIC, 44_100, seed)[0] for seed in (1, 1, 2)
    )
    assert np.array_equal(first, second)
    assert not np.array_equal(first[: len(other)], other[: len(first)])


def test_gaps_lie_on_either_side_of_a_silent_groove() -> None:
    side = side_of(
        tone(1, "left", 1000.0), Track(2, "silent_groove", 5.0), tone(3, "right", 1000.0)
    )
    _, truth = simulate_capture(side, STYLUS, CHAIN, replace(QUICK, gap_spread=0.2), RATE, 14)
    first, groove, last = truth.tracks
    assert groove.stop_s - groove.start_s == pytest.approx(5.0)
    assert 0.8 * side.gap_s <= groove.start_s - first.stop_s <= 1.2 * side.gap_s
    assert 0.8 * side.gap_s <= last.start_s - groove.stop_s <= 1.2 * side.gap_s
    assert first.start_s == pytest.approx(0.8)
    assert truth.duration_s == pytest.approx(last.stop_s + 0.5)


def test_worn_contact_loses_what_the_flat_averages_away() -> None:
    # Mean of the groove over the contact's length, by adding it up.
    hz = np.array([1000.0, 10_000.0, 20_000.0])
    speed_cm_s = 25.0
    loss = scanning_loss(hz, replace(STYLUS, flat_um=6.0), speed_cm_s)
    place_um = np.linspace(-3.0, 3.0, 6001)
    waves = np.cos(2.0 * np.pi * place_um / wavelength_um(hz, speed_cm_s)[:, np.newaxis])
    assert loss == pytest.approx(waves.mean(axis=1), abs=1e-4)
