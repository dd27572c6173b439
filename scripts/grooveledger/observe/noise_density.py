"""Power density and weighted levels of silent grooves and cut noise, in one pass."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import soundfile as sf

from grooveledger.capture import reader
from grooveledger.observe.decimation import Decimator, kaiser_lowpass
from grooveledger.observe.located_tracks import guarded_stretches
from grooveledger.observe.noise_level import NoiseLevels
from grooveledger.observe.ticks import Bridged, bridged_power, bridged_stretches, cell_length
from grooveledger.plan import Side, Track
from grooveledger.plan.uses import is_noise_groove, is_noise_track
from grooveledger.schemas.observe import NOISE_DENSITY, NOISE_LEVEL
from grooveledger.storage import tables

#: Below this the bands are narrow lines of a slow signal, above they widen with frequency, Hz.
CROSSOVER_HZ = 1200.0
#: The slow signal: frames a second, about, and the end of its pass band.
SLOW_RATE_HZ, SLOW_PASS_HZ = 4000.0, 1250.0
#: Length of its spectra, s (bands of 0.25 Hz: hum stands apart from rumble), and the share of each
#: that the next moves on.
SLOW_FRAME_S, SLOW_STEP = 4.0, 0.25
#: Length of the fast spectra in cells of the tick detector: 12 ms.
FAST_FRAME_CELLS = 48
#: Bands above the crossover: at least one fast line, and about this many an octave.
BANDS_PER_OCTAVE = 12.0
#: Shortest groove that is analysed, s.
SHORTEST_S = 1.0


def observe_noise(
    path: str | Path, tracks: pa.Table, side: Side, settings: Mapping[str, Any], capture: str
) -> tuple[pa.Table, pa.Table]:
    """Analyse the noise of every silent groove and every track of noise.

    Parameters
    ----------
    path : path
        The capture.
    tracks : pyarrow.Table
        Where its tracks lie (stage 1); those not located are skipped.
    side : Side
        The plan.
    settings : mapping
        The configuration's `noise` block: `guard_s`, left out at each end, and `tick_threshold_db`.

    Returns
    -------
    tuple of pyarrow.Table
        `schemas.observe.NOISE_DENSITY` and `NOISE_LEVEL`. The channels left, right, sum and
        difference (each over sqrt 2) are the file's; the density's bands tile the axis from 0 Hz to
        half the sampling rate.
    """
    wanted = guarded_stretches(tracks, side, _is_analysed, settings["guard_s"], SHORTEST_S)
    if not wanted:
        return tables.empty(NOISE_DENSITY), tables.empty(NOISE_LEVEL)
    densities: list[pa.Table] = []
    levels: list[pa.Table] = []
    with reader.open_capture(path) as file:
        for track, start_s, stop_s in wanted:
            columns, read = _analysed(file, start_s, stop_s, settings["tick_threshold_db"])
            of = {"capture": capture, "track": track.track}
            densities.append(tables.build(NOISE_DENSITY, columns | of))
            levels.extend(tables.build(NOISE_LEVEL, row | of) for row in read.rows())
    return tables.concat(NOISE_DENSITY, densities), tables.concat(NOISE_LEVEL, levels)


def _is_analysed(track: Track) -> bool:
    return is_noise_groove(track) or is_noise_track(track)


def _analysed(
    file: sf.SoundFile, start_s: float, stop_s: float, threshold_db: float
) -> tuple[dict[str, Any], NoiseLevels]:
    rate = file.samplerate
    start, stop = round(start_s * rate), round(stop_s * rate)
    frame = FAST_FRAME_CELLS * cell_length(rate)
    hop = round(rate / SLOW_RATE_HZ)
    slow_rate = rate / hop
    taps = kaiser_lowpass(SLOW_PASS_HZ, slow_rate - SLOW_PASS_HZ, rate, hop)
    slow = Decimator(taps, hop, 2)
    fast = _FastSpectra(frame)
    levels = NoiseLevels(rate, stop_s - start_s)
    ticks = samples = spoilt = 0
    blocks = reader.blocks(file, start, stop, reader.BLOCK_FRAMES // frame * frame)
    # Two frames hold a tick and all that it spoils.
    for stretch in bridged_stretches(blocks, rate, threshold_db, 2 * frame):
        slow.push(stretch.samples)
        fast.push(stretch)
        levels.push(stretch)
        ticks += stretch.ticks
        samples += stretch.samples.shape[1]
        spoilt += int(np.count_nonzero(stretch.spoilt)) * cell_length(rate)
    edges_hz, powers, averaged_s = _joined(slow.frames(), slow_rate, spoilt / samples, fast, rate)
    width_hz = np.diff(edges_hz)
    left, right, cross = powers / width_hz
    mean = 0.5 * (left + right)
    densities = {
        "left": left,
        "right": right,
        "sum": np.maximum(mean + cross, 0.0),
        "difference": np.maximum(mean - cross, 0.0),
    }
    bands = len(width_hz)
    columns = {
        "channel": pa.chunked_array([pa.repeat(name, bands) for name in densities]),
        "frequency_hz": np.tile(0.5 * (edges_hz[:-1] + edges_hz[1:]), 4),
        "bandwidth_hz": np.tile(width_hz, 4),
        "density_fs2_per_hz": np.concatenate(list(densities.values())),
        "ticks": ticks,
        "seconds": samples / rate,
        "averaged_s": np.tile(averaged_s, 4),
    }
    return columns, levels


def _joined(
    slow: np.ndarray, slow_rate: float, bridged: float, fast: "_FastSpectra", rate: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the bands' edges, mean squares of left, right and left times right, and averaging.

    The last is the length of noise, s, whose plain mean would scatter as much.
    """
    line_hz = rate / fast.frame
    first = int(np.ceil(CROSSOVER_HZ / line_hz + 0.5))
    crossover_hz = (first - 0.5) * line_hz
    slow_edges, slow_powers, slow_s = _slow_bands(slow, slow_rate, crossover_hz)
    # Make up for the noise that went with the ticks (treble frames with ticks are left out whole).
    slow_powers /= 1.0 - bridged * (1.0 - bridged_power(0.5 * (slow_edges[:-1] + slow_edges[1:])))
    lines = fast.density(rate) * line_hz
    lines[:, -1] *= 0.5  # the line at half the sampling rate is half as wide
    starts = _band_starts(first, lines.shape[1])
    fast_powers = np.add.reduceat(lines, starts, axis=1)
    fast_edges = np.append((starts - 0.5) * line_hz, 0.5 * rate)
    return (
        np.concatenate([slow_edges[:-1], fast_edges]),
        np.concatenate([slow_powers, fast_powers], axis=1),
        np.repeat(
            [slow_s * (1.0 - bridged), fast.averaged_s(rate)],
            [slow_powers.shape[1], fast_powers.shape[1]],
        ),
    )


def _band_starts(first: int, lines: int) -> np.ndarray:
    """Return the first line of each band above the crossover."""
    starts = [first]
    while starts[-1] < lines - 1:
        step = round(starts[-1] * (2.0 ** (1.0 / BANDS_PER_OCTAVE) - 1.0))
        starts.append(starts[-1] + max(1, step))
    return np.array([start for start in starts if start < lines])


def _slow_bands(
    slow: np.ndarray, slow_rate: float, crossover_hz: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return lines up to the crossover, where the last one is cut off, and what they average, s."""
    length = min(int(SLOW_FRAME_S * slow_rate), slow.shape[1])
    line_hz = slow_rate / length
    lines = int(np.ceil(crossover_hz / line_hz - 0.5)) + 1
    slow = slow - slow.mean(axis=1, keepdims=True, dtype=np.float64).astype(np.float32)
    spans = slow.shape[1] - length
    count = 1 + int(np.ceil(spans / (SLOW_STEP * length)))
    window = _hann(length)
    total = np.zeros((3, lines))
    counts = np.zeros(slow.shape[1])
    for begin in np.linspace(0, spans, count).round().astype(int):
        spectrum = np.fft.rfft(slow[:, begin : begin + length] * window, axis=1)[:, None, :lines]
        total += _products(spectrum)
        counts[begin : begin + length] += window**2
    density = total * (2.0 / count / slow_rate)
    edges_hz = np.append(np.maximum(np.arange(lines) - 0.5, 0.0) * line_hz, crossover_hz)
    return edges_hz, density * np.diff(edges_hz), _worth(counts) / slow_rate


class _FastSpectra:
    """Mean of the short spectra of frames without ticks (of all frames where each has one)."""

    def __init__(self, frame: int) -> None:
        self.frame = frame
        # The transform is divided by the root of the length (`norm`): without, NumPy makes one of
        # float32 in double precision, at three times the cost.
        self._window = _hann(frame) * np.float32(np.sqrt(frame))
        self._sums = np.zeros((2, 3, frame // 2 + 1))
        self._counts = np.zeros(2)

    def push(self, stretch: Bridged) -> None:
        """Take the next stretch, a whole number of frames long."""
        spoilt = stretch.spoilt.reshape(-1, FAST_FRAME_CELLS).any(axis=1)
        shaped = stretch.samples.reshape(2, -1, self.frame)
        for kind in (0, 1):
            chosen = spoilt == bool(kind)
            if chosen.any():
                picked = shaped if chosen.all() else shaped[:, chosen]
                spectrum = np.fft.rfft(picked * self._window, axis=2, norm="ortho")
                self._sums[kind] += _products(spectrum)
                self._counts[kind] += np.count_nonzero(chosen)

    def density(self, sample_rate_hz: float) -> np.ndarray:
        """Return the one-sided density of left, right and left times right."""
        kind = 0 if self._counts[0] else 1
        return self._sums[kind] * (2.0 / self._counts[kind] / sample_rate_hz)

    def averaged_s(self, sample_rate_hz: float) -> float:
        """Return what the density averages, s."""
        kind = 0 if self._counts[0] else 1
        return float(self._counts[kind] * _worth(self._window**2) / sample_rate_hz)


def _worth(counts: np.ndarray) -> float:
    """Return samples whose plain mean square scatters as one in which samples count as given."""
    return float(np.sum(counts) ** 2 / np.sum(counts**2))


def _products(spectrum: np.ndarray) -> np.ndarray:
    """Return the sums over frames of |L|^2, |R|^2 and the real part of L R*, shape (3, lines)."""
    # A row of real and imaginary parts in turn: their products, then added in pairs.
    left, right = spectrum.view(spectrum.real.dtype)
    pairs = ((left, left), (right, right), (left, right))
    products = np.array([np.einsum("fk,fk->k", a, b) for a, b in pairs])
    return products[:, 0::2] + products[:, 1::2]


def _hann(length: int) -> np.ndarray:
    """Return the Hann window, periodic, of unit power a sample pair: its squares sum to 1."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    return np.asarray(window / np.sqrt(np.sum(window**2)), dtype=np.float32)
