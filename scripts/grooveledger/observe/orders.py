"""Orders of tones, steps and sweeps in both channels, and the spectra of tones."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import soundfile as sf

from grooveledger.capture import reader
from grooveledger.observe.located_tracks import located_stretches
from grooveledger.observe.order_tracking import PhasePath
from grooveledger.observe.reading import Reading, Rows
from grooveledger.observe.sound import MARGIN_S, Sound, read_sound
from grooveledger.observe.step_places import step_places
from grooveledger.observe.swept import Sweep
from grooveledger.observe.tone_spectrum import middle, tone_spectrum
from grooveledger.plan import Side, Track
from grooveledger.plan.uses import is_spectrum_tone
from grooveledger.schemas.observe import ORDERS, TONE_SPECTRUM
from grooveledger.storage import tables

#: Left out at the ends of a tone, s, and of a step, as a fraction of it: attack, release, boundary.
TONE_GUARD_S = 0.3
STEP_GUARD = 0.2
#: Longest part of a steady tone that is read, s: more would not sharpen a figure, and take memory.
STEADY_LONGEST_S = 120.0
#: Widest departure from nominal at which a tone is searched; once a tone has given the speed, from
#: there: the most that a description and a drifting platter may be off.
SPEED_SEARCH, SPEED_SEARCH_KNOWN = 0.10, 0.04
#: Sound read either side of a stepped track, s: its first step may begin before the track seems to.
STEPS_MARGIN_S = 1.0
#: Sound read either side of a sweep, s, and at least this many cycles of its lowest frequency: its
#: ends are looked for in it.
SWEEP_MARGIN_S, SWEEP_MARGIN_CYCLES = 1.0, 10.0


class TrackPart(NamedTuple):
    """A part of a track that is read by itself: a step, or all of it between its guards."""

    begin_s: float
    end_s: float
    step: int | None = None
    nominal_hz: float | None = None


def observe_orders(
    path: str | Path,
    tracks: pa.Table,
    side: Side,
    settings: Mapping[str, Any],
    capture: str,
) -> tuple[pa.Table, pa.Table]:
    """Read every order of every driven track of a capture.

    Parameters
    ----------
    path : path
        The capture.
    tracks : pyarrow.Table
        Where its tracks lie (stage 1); those not located are skipped.
    side : Side
        The plan.
    settings : mapping
        The configuration's `orders` block.

    Returns
    -------
    orders, tone_spectrum : pyarrow.Table
        See `schemas.observe`.
    """
    readings: list[dict[str, Any]] = []
    spectra: list[dict[str, Any]] = []
    spectrum_tracks = {track.track for track in filter(is_spectrum_tone, side.tracks)}
    located = located_stretches(tracks)
    if located:
        with reader.open_capture(path) as file:
            speed, known = 1.0, False
            speeds = []
            # Tones first: they give the platter's speed, at which sweeps and steps are then read.
            for track in sorted(
                side.tracks, key=lambda t: (t.kind != "tone", side.position(t.track))
            ):
                if track.track not in located or not track.lowest_hz:
                    continue
                if track.duration_s is None:
                    begin_s, end_s = located[track.track]
                    track = replace(track, duration_s=(end_s - begin_s) * speed)
                tolerance = SPEED_SEARCH_KNOWN if known else SPEED_SEARCH
                for part in _parts(file, track, *located[track.track], speed):
                    sound = read_sound(file, part.begin_s, part.end_s, _margin_s(track))
                    reading = Reading(sound, track, settings, speed, tolerance)
                    for rows, phase in _rows(reading, part):
                        readings.append(rows)
                        if track.kind == "tone":
                            speeds.append(float(rows["played_hz"][0]) / track.lowest_hz)
                        if track.track in spectrum_tracks:
                            spectra.append(_spectrum(sound, phase, track, settings))
                    # The next is read when this one's sound is gone: memory holds one of them.
                    del sound
                if speeds:
                    speed, known = float(np.median(speeds)), True
    orders = _table(ORDERS, readings, capture)
    return orders, _table(TONE_SPECTRUM, spectra, capture)


def _table(table: Any, parts: Sequence[Mapping[str, Any]], capture: str) -> pa.Table:
    if not parts:
        return tables.empty(table)
    names = [name for name in table.names if name != "capture"]
    whole = {name: np.concatenate([part[name] for part in parts]) for name in names}
    return tables.build(table, {"capture": capture, **whole})


def _parts(
    file: sf.SoundFile, track: Track, begin_s: float, end_s: float, speed: float
) -> Iterator[TrackPart]:
    """Yield the parts of a track that was located.

    `speed` is the played relative to the nominal one.
    """
    if track.kind == "sweep":
        yield TrackPart(begin_s, end_s)
    elif track.kind in ("tone", "two_tone"):
        begin_s, end_s = begin_s + TONE_GUARD_S, end_s - TONE_GUARD_S
        middle_s = 0.5 * (begin_s + end_s)
        yield TrackPart(
            max(begin_s, middle_s - 0.5 * STEADY_LONGEST_S),
            min(end_s, middle_s + 0.5 * STEADY_LONGEST_S),
            nominal_hz=track.frequency_hz,
        )
    else:
        sound = read_sound(file, begin_s, end_s, STEPS_MARGIN_S)
        frequencies_hz = track.frequencies_hz or (track.lowest_hz,) * track.steps
        for step, first_s, last_s in step_places(sound, track, speed):
            guard_s = STEP_GUARD * (last_s - first_s)
            yield TrackPart(
                sound.start_s + first_s + guard_s,
                sound.start_s + last_s - guard_s,
                step,
                frequencies_hz[step],
            )


def _margin_s(track: Track) -> float:
    """Return the sound that is read either side of a track's parts."""
    if track.kind != "sweep":
        return MARGIN_S
    return max(SWEEP_MARGIN_S, SWEEP_MARGIN_CYCLES / track.lowest_hz)


def _rows(reading: Reading, part: TrackPart) -> Iterator[Rows]:
    if reading.track.kind == "sweep":
        return Sweep(reading).rows()
    if reading.track.kind == "two_tone":
        return reading.two_tone()
    assert part.nominal_hz is not None
    return reading.steady(part.nominal_hz, part.step)


def _spectrum(
    sound: Sound, path: PhasePath, track: Track, settings: Mapping[str, Any]
) -> dict[str, Any]:
    rate = sound.sample_rate_hz
    guard = int(sound.begin_s * rate)
    inside = sound.samples[:, guard : int(sound.end_s * rate)]
    part = middle(inside.shape[1], rate)
    samples = np.asarray(inside[:, part])
    cycles, _ = path.at(guard + part.start + np.arange(samples.shape[1], dtype=np.float64))
    assert track.frequency_hz is not None
    columns = tone_spectrum(samples.T, 2.0 * np.pi * cycles, rate, track.frequency_hz, settings)
    rows = len(columns["frequency_hz"])
    return {
        "track": np.full(rows, track.track),
        "tone_hz": np.full(rows, track.frequency_hz),
        **columns,
    }
