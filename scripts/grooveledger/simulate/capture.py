"""From a side, a stylus and a chain to the samples that a recorder would write."""

import numpy as np

from grooveledger.plan import Chain, Side
from grooveledger.simulate.conditions import Conditions
from grooveledger.simulate.modulation import cut_duration_s
from grooveledger.simulate.motion import Motion
from grooveledger.simulate.noise import add_needle_drop, add_ticks, tick_times
from grooveledger.simulate.playback import convert, play
from grooveledger.simulate.random_sound import cut_random_sound
from grooveledger.simulate.stylus import StylusTruth
from grooveledger.simulate.synthesis import cut
from grooveledger.simulate.truth import CaptureTruth, TrackTruth


def simulate_capture(
    side: Side,
    stylus: StylusTruth,
    chain: Chain,
    conditions: Conditions,
    sample_rate_hz: int,
    seed: int,
) -> tuple[np.ndarray, CaptureTruth]:
    """Play a record side and record it.

    Parameters
    ----------
    side : Side
        What is cut; its calibration deviations are in the groove. Tracks may be repeated, left out
        or reordered as a test likes.
    stylus, chain, conditions
        On what, and how, it is played.
    sample_rate_hz : int
        Of the file.
    seed : int
        The same seed and arguments give the same samples.

    Returns
    -------
    samples : ndarray of float64, shape (n, 2)
        The file's left and right channel, full scale 1, clipped there.
    truth : CaptureTruth
        Where everything lies, and every figure that a measurement should find.
    """
    truth = plan_capture(side, stylus, chain, conditions, seed)
    return render_capture(truth, sample_rate_hz, seed).astype(np.float64), truth


def plan_capture(
    side: Side, stylus: StylusTruth, chain: Chain, conditions: Conditions, seed: int
) -> CaptureTruth:
    """Say what `simulate_capture` would play, and its truth, without making the sound."""
    motion = Motion.of(conditions, side.rpm, seed)
    tracks, end_s = _lay_out(side, conditions, motion, seed)
    ticks_s, _ = tick_times(conditions, conditions.needle_drop_s, end_s, seed)
    return CaptureTruth(
        side, stylus, chain, conditions, motion, tuple(tracks), end_s, tuple(ticks_s)
    )


def render_capture(truth: CaptureTruth, sample_rate_hz: int, seed: int) -> np.ndarray:
    """Make the samples of a planned capture, float32; `seed` is the plan's."""
    conditions, stylus = truth.conditions, truth.stylus
    groove = np.zeros((2, int(np.ceil(truth.duration_s * sample_rate_hz))), np.float32)
    for placed in truth.tracks:
        if placed.kind in ("noise", "other"):
            cut_random_sound(groove, placed, truth.side, stylus, sample_rate_hz, seed)
        else:
            cut(groove, placed, truth.side, stylus, truth.motion, sample_rate_hz)
    ticks = tick_times(conditions, conditions.needle_drop_s, truth.duration_s, seed)
    add_ticks(groove, *ticks, sample_rate_hz)
    add_needle_drop(groove, conditions, sample_rate_hz, seed)
    volts = play(groove, stylus, truth.chain, conditions, sample_rate_hz, seed)
    return convert(volts, truth.chain, conditions)


def _lay_out(
    side: Side, conditions: Conditions, motion: Motion, seed: int
) -> tuple[list[TrackTruth], float]:
    """Place the tracks on the capture's time axis."""
    spread = np.random.default_rng([seed, 0]).uniform(-1.0, 1.0, max(len(side.tracks) - 1, 0))
    gaps_s = (side.gap_s or 0.0) * (1.0 + conditions.gap_spread * spread)
    drop = float(motion.groove_time(conditions.needle_drop_s))
    groove_s = drop + conditions.lead_in_s
    placed = []
    for i, track in enumerate(side.tracks):
        stop_s = groove_s + cut_duration_s(track)
        placed.append(
            TrackTruth(
                track.track,
                track.kind,
                motion.capture_time(groove_s + (track.pilot_s or 0.0)),
                motion.capture_time(stop_s),
                groove_s,
                track,
            )
        )
        groove_s = stop_s + (gaps_s[i] if i < len(gaps_s) else 0.0)
    end_s = motion.capture_time(groove_s + conditions.lead_out_s)
    return placed, end_s
