"""Frequency of steady tones against time: the tone demodulated, flat to 200 Hz."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import soundfile as sf

from grooveledger.capture import reader
from grooveledger.observe.decimation import Decimator, kaiser_lowpass, turned
from grooveledger.observe.located_tracks import guarded_stretches
from grooveledger.observe.tone_search import tone_hz
from grooveledger.plan import Side, Track
from grooveledger.plan.uses import is_speed_tone
from grooveledger.schemas.observe import SPEED_TRACE
from grooveledger.storage import tables

CHANNELS = ("left", "right")
#: IEC 60386 Amd 1: unweighted fluctuation is taken up to here, so the trace is flat so far.
FLUTTER_TOP_HZ = 200.0
#: Points of the trace a second, about: what folds back from the filter's skirt misses the band.
TRACE_RATE_HZ = 1000.0
#: The pass band is wider by this part of the tone's frequency, for wow and a first guess.
WANDER = 0.01
#: The filter stops before the second harmonic, and before rumble at zero, at this part of the tone.
STOP_PART = 0.9
#: How far from nominal a tone is looked for: 45 for 33 1/3 rpm and back, and 5 % on top.
SPEED_SEARCH = 0.45
#: Stretch that the first guess of the frequency is made from, s: it is good to a hertz or two.
FIRST_LOOK_S = 1.0
#: Shortest stretch worth a trace, s, and the longest traced, of which the middle is taken: more
#: would not sharpen a figure and would cost memory.
SHORTEST_S, LONGEST_S = 1.0, 240.0
#: A tone is there where its amplitude is above this part of its median (a stretch's ends).
PRESENT_PART = 0.5
#: Quartile range of the amplitude over its median; noise has 0.77 (Rayleigh), a tone far less.
STEADY_SPREAD = 0.3
#: A frame that stands out of its neighbours by this many standard deviations, and at least by so
#: much (part of the frequency, of the amplitude), holds a tick.
TICK_SIGMAS = 7.0
TICK_DEVIATION = 2e-4
TICK_AMPLITUDE = 0.01
#: Standard deviations relative to the median of the magnitude of Gaussian noise.
SIGMA_RE_MEDIAN = 1.4826
#: Staggered eight-point derivative (Fornberg 1988, Math. Comp. 51): weights of the differences
#: over 1, 3, 5 and 7 frames; within 1e-3 up to a fifth of the frame rate.
DERIVATIVE = (1225 / 1024, -245 / 3072, 49 / 5120, -5 / 7168)


def observe_speed(
    path: str | Path, tracks: pa.Table, side: Side, settings: Mapping[str, Any], capture: str
) -> pa.Table:
    """Trace the speed of every steady tone from 500 Hz up.

    The louder channel of a track that drives one; both of a lateral or vertical track.

    Parameters
    ----------
    path : path
        The capture.
    tracks : pyarrow.Table
        Where its tracks lie (stage 1); those not located are skipped.
    side : Side
        The plan.
    settings : mapping
        The configuration's `speed` block: `guard_s` is left out at each end of a track.

    Returns
    -------
    pyarrow.Table
        `schemas.observe.SPEED_TRACE`; channels are the file's, deviation is relative to the nominal
        frequency. A channel in which there is no steady tone has no rows.
    """
    wanted = guarded_stretches(tracks, side, is_speed_tone, settings["guard_s"], SHORTEST_S)
    if not wanted:
        return tables.empty(SPEED_TRACE)
    parts = []
    with reader.open_capture(path) as file:
        for track, start_s, stop_s in wanted:
            too_long_s = max(0.0, stop_s - start_s - LONGEST_S)
            start_s, stop_s = start_s + 0.5 * too_long_s, stop_s - 0.5 * too_long_s
            for channel, time_s, deviation in _traces(file, track, start_s, stop_s):
                columns = {
                    "capture": capture,
                    "track": track.track,
                    "channel": CHANNELS[channel],
                    "time_s": time_s,
                    "deviation_pct": 100.0 * deviation,
                }
                parts.append(tables.build(SPEED_TRACE, columns))
    return tables.concat(SPEED_TRACE, parts)


def _traces(
    file: sf.SoundFile, track: Track, start_s: float, stop_s: float
) -> list[tuple[int, np.ndarray, np.ndarray]]:
    rate = file.samplerate
    nominal_hz = track.lowest_hz
    start, stop = round(start_s * rate), round(stop_s * rate)
    played_hz, louder = _first_look(file, nominal_hz, start, stop)
    channels = range(2) if len(track.driven_channels) == 2 else range(louder, louder + 1)
    hop = round(rate / TRACE_RATE_HZ)
    frame_rate = rate / hop
    pass_hz = FLUTTER_TOP_HZ + WANDER * played_hz
    stop_hz = min(frame_rate - FLUTTER_TOP_HZ, STOP_PART * played_hz)
    taps = turned(kaiser_lowpass(pass_hz, stop_hz, rate, hop), played_hz, rate)
    decimator = Decimator(taps, hop, len(channels))
    for block in reader.blocks(file, start, stop):
        decimator.push(np.ascontiguousarray(block.T[channels.start : channels.stop]))
    reach = len(taps) // hop // 2
    traces = []
    for channel, frames in zip(channels, decimator.frames(), strict=True):
        present = steady_part(np.abs(frames), 2 * cut_off(reach))
        if present is None:
            continue
        kept = frames[present]
        # Each frame's carrier has turned by hop samples of the mixing frequency since the last.
        index = np.arange(len(kept))
        still = kept * np.exp(-2j * np.pi * np.mod(index * (played_hz * hop / rate), 1.0))
        offset_hz = frequency_offset(still, reach, TICK_DEVIATION * played_hz / frame_rate)
        offset_hz *= frame_rate
        cut = 0.5 * (len(kept) - len(offset_hz))
        centres = present.start + cut + np.arange(len(offset_hz))
        time_s = (start + centres * hop + 0.5 * (len(taps) - 1)) / rate
        traces.append((channel, time_s, (played_hz + offset_hz) / nominal_hz - 1.0))
    return traces


def _first_look(file: sf.SoundFile, nominal_hz: float, start: int, stop: int) -> tuple[float, int]:
    """Return the played frequency in the middle of the track, and the channel it is louder in."""
    half = min(stop - start, int(FIRST_LOOK_S * file.samplerate)) // 2
    middle = (start + stop) // 2
    look = np.concatenate(list(reader.blocks(file, middle - half, middle + half)))
    return tone_hz(look.T, file.samplerate, nominal_hz, SPEED_SEARCH)


def cut_off(reach: int) -> int:
    """Return the frames at a tone's ends that a trace leaves out for want of neighbours."""
    return 2 * _neighbour(reach) + len(DERIVATIVE)


def steady_part(amplitude: np.ndarray, shortest: int) -> slice | None:
    """Return where a tone goes on, from its amplitude against time; None where there is none.

    Parameters
    ----------
    amplitude : numpy.ndarray
        Of a narrow band around the tone.
    shortest : int
        A tone of at most this many frames is none.
    """
    if not len(amplitude):
        return None
    low, median, high = np.quantile(amplitude, [0.25, 0.5, 0.75])
    if high - low >= STEADY_SPREAD * median:
        return None
    there = np.flatnonzero(amplitude > PRESENT_PART * median)
    part = slice(int(there[0]), int(there[-1]) + 1)
    return part if part.stop - part.start > shortest else None


def frequency_offset(still: np.ndarray, reach: int, tick_cycles: float) -> np.ndarray:
    """Return the frequency of a slowly turning phasor, in cycles a frame, ticks bridged.

    Parameters
    ----------
    still : numpy.ndarray of complex, shape (n,)
        The tone brought down to about zero.
    reach : int
        Frames to either side that a tick spoils.
    tick_cycles : float
        Least departure from the neighbours, in cycles a frame, that counts as a tick.

    Returns
    -------
    numpy.ndarray
        Midway between two frames each; as many are left out at the start of `still` as at its end.
    """
    steps = np.diff(np.unwrap(np.angle(still.astype(np.complex128)))) / (2.0 * np.pi)
    amplitude = np.abs(still).astype(np.float64)
    lag = _neighbour(reach)
    spoilt = _outliers(steps, lag, tick_cycles)
    of_frame = _outliers(amplitude, lag, TICK_AMPLITUDE * float(np.median(amplitude)))
    spoilt |= of_frame[:-1] | of_frame[1:]
    spoilt = _widened(spoilt, reach)
    steps = steps[2 * lag : -2 * lag]
    if spoilt.any() and not spoilt.all():
        good = np.flatnonzero(~spoilt)
        steps = np.interp(np.arange(len(steps)), good, steps[good])
    kernel = np.zeros(2 * len(DERIVATIVE) - 1)
    for wide, weight in enumerate(DERIVATIVE):
        kernel[len(DERIVATIVE) - 1 - wide : len(DERIVATIVE) + wide] += weight
    return np.convolve(steps, kernel, mode="valid")


def _neighbour(reach: int) -> int:
    """Return the distance at which one tick no longer spoils two frames."""
    return 2 * reach + 1


def _outliers(values: np.ndarray, lag: int, least: float) -> np.ndarray:
    """Return values, but for 2 lags at each end, that stand out of those one and two lags away."""
    inner = len(values) - 4 * lag
    a, b, c, d = (values[k : k + inner] for k in (0, lag, 3 * lag, 4 * lag))
    # The two in the middle of four.
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    apart = np.abs(values[2 * lag : 2 * lag + inner] - 0.5 * (low + high))
    sigma = SIGMA_RE_MEDIAN * float(np.median(apart))
    return apart > max(TICK_SIGMAS * sigma, least)


def _widened(marks: np.ndarray, reach: int) -> np.ndarray:
    return np.convolve(marks, np.ones(2 * reach + 1), mode="same") > 0.5
