"""Channel separation: driven over undriven output of the same track, at the terminals."""

from collections.abc import Callable, Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import DB_PER_NEPER
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import (
    SPREAD_BAND_HZ,
    at_frequency,
    band_values,
    curve,
    neighbours,
)
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.fundamentals import Fundamental, fundamental, wrapped_deg
from grooveledger.measure.metric_rows import (
    IN_PHASE,
    Columns,
    Figure,
    Measured,
    groups,
)
from grooveledger.measure.terminals import OTHER
from grooveledger.physics.noise_floor import is_stated, sum_noise, upper_bound
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Track
from grooveledger.plan.curves import joined
from grooveledger.plan.uses import is_audio_band
from grooveledger.schemas.table import (
    CAPTURE,
    FREQUENCY,
    LIMITED,
    PLAYED,
    TRACK,
    WHOLE,
    Column,
    Table,
    real,
    text,
)
from grooveledger.storage import tables

TABLE = Table(
    "separation",
    "measure",
    "Driven over undriven output of one track, at the terminals.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        text("channel", "the driven channel"),
        FREQUENCY,
        real("separation_db", "dB", "driven over undriven; at least this where limited"),
        real("crosstalk_phase_deg", "deg", "undriven minus driven"),
        real("floor_db", "dB", "driven over the undriven channel's noise"),
        LIMITED,
        PLAYED,
        Column("part", WHOLE, "", "track that the point was read from; `track` names its curve"),
    ),
    revision=2,
)
#: Tolerance that a stated separation stands for.
TOLERANCE_DB = 1.0
#: Metrics read from the curve: column and frequency.
AT_FREQUENCY = {
    "separation_1khz_db": ("separation_db", 1000.0),
    "separation_5khz_db": ("separation_db", 5000.0),
    "separation_10khz_db": ("separation_db", 10_000.0),
}


def is_used(track: Track) -> bool:
    """Whether separation is read from a track: one that drives one groove wall alone."""
    return (
        track.kind in ("tone", "sweep", "tone_steps")
        and track.modulation in ("left", "right")
        and is_audio_band(track, "separation", "response", "level")
    )


def measure(context: CaptureContext) -> pa.Table:
    """Measure the separation of every track that drives one channel alone.

    Tones one a track, and the parts of one sweep, are one curve (`plan.curves`).

    Both channels pass the same chain at the same frequency, so that gain and replay curve cancel;
    no correction is made for balance. Where noise may move the separation by more than 1 dB the row
    is limited and the separation is at least what is stated (95 %); where it hides the driven
    channel there is none.

    Returns
    -------
    pyarrow.Table
        `TABLE`.
    """
    parts = []
    for group in joined(context.side, is_used):
        read = [(track, fundamental(context, track)) for track in group]
        rows = [_points(track, found) for track, found in read if found is not None]
        if not rows:
            continue
        points = {name: np.concatenate([one[name] for one in rows]) for name in rows[0]}
        if len(rows) > 1:
            # Of several readings at one frequency, the first.
            _, first = np.unique(points["frequency_hz"], return_index=True)
            points = {name: values[np.sort(first)] for name, values in points.items()}
        shared = {
            "capture": context.capture,
            "track": group[0].track,
            "channel": group[0].modulation,
        }
        parts.append(tables.build(TABLE, {**shared, **points}))
    return tables.concat(TABLE, parts)


def _points(track: Track, found: Fundamental) -> dict[str, np.ndarray]:
    """Return the rows that one track adds to a curve."""
    driven = str(track.modulation)
    undriven = OTHER[driven]
    hidden = found.limited[undriven] | found.limited[driven]
    crosstalk, limited = _crosstalk(found, driven, undriven)
    heard = np.where(found.limited[driven], np.nan, found.amplitude[driven])
    phase_deg = wrapped_deg(found.phase_deg[undriven] - found.phase_deg[driven])
    return {
        "frequency_hz": found.played_hz if track.kind == "sweep" else found.nominal_hz,
        "separation_db": _ratio_db(heard, crosstalk),
        "crosstalk_phase_deg": np.where(hidden, np.nan, phase_deg),
        "floor_db": _ratio_db(heard, found.floor[undriven]),
        "limited": limited,
        "played_hz": found.played_hz,
        "part": np.full(len(heard), track.track),
    }


def _crosstalk(found: Fundamental, driven: str, undriven: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the amplitude of the undriven channel, and where it is an upper bound."""
    noise = np.hypot(*(_relative_noise(found, channel) for channel in (driven, undriven)))
    clear = ~(found.limited[driven] | found.limited[undriven])
    clear &= is_stated(DB_PER_NEPER * noise, TOLERANCE_DB)
    amplitude, floor = found.amplitude[undriven], found.floor[undriven]
    bound = upper_bound(np.hypot(amplitude, floor), floor)
    is_bound = found.limited[undriven] | clear
    return np.where(is_bound, amplitude, bound), ~clear


def _relative_noise(found: Fundamental, channel: str) -> np.ndarray:
    """Return the standard uncertainty of a channel's amplitude from noise, as a part of it."""
    amplitude, floor = found.amplitude[channel], found.floor[channel]
    noise = sum_noise(amplitude[:, np.newaxis], floor[:, np.newaxis])
    return np.asarray(
        np.divide(noise, amplitude, out=np.full(noise.shape, np.inf), where=amplitude > 0.0)
    )


def _ratio_db(numerator: np.ndarray, denominator: np.ndarray) -> np.ndarray:
    """Return 20 log10 of a ratio of amplitudes; NaN where either is nothing."""
    present = (numerator > 0) & (denominator > 0)
    ratio = np.divide(numerator, denominator, out=np.full(numerator.shape, np.nan), where=present)
    return 20.0 * np.log10(ratio)


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the separation at the metrics' frequencies, and the least."""
    yield from at_frequency(measured, "separation", AT_FREQUENCY, _parts_db(measured))
    yield from least_separation(measured)


def noise_db(rows: Columns) -> np.ndarray:
    """Return the standard uncertainty of each point from the noise in the undriven channel."""
    noise_re_signal = 10.0 ** ((rows["separation_db"] - rows["floor_db"]) / 20.0)
    return DB_PER_NEPER * IN_PHASE * noise_re_signal


def _parts_db(measured: Measured) -> Callable[[Columns, str], dict[str, np.ndarray]]:
    """Give the components of each point: noise, and how well the preamplifier's channels match."""
    match_db = float(rectangular(measured.chain.channel_match_db))

    def parts_db(rows: Columns, _: str) -> dict[str, np.ndarray]:
        noise = noise_db(rows)
        return {"noise": noise, "gain": np.full(noise.shape, match_db)}

    return parts_db


def least_separation(measured: Measured) -> Iterator[Figure]:
    """Yield the least separation of every curve over `SPREAD_BAND_HZ`."""
    parts_db = _parts_db(measured)
    for track, channel, rows in groups(measured.tables, "separation"):
        frequency_hz, values, there = curve(rows, "separation_db", measured.smoothing_octaves)
        band = band_values(frequency_hz, values)
        if not len(band):
            yield Figure("separation_min_db", channel, track, np.nan)
            continue
        low_hz, high_hz = SPREAD_BAND_HZ
        inside = np.flatnonzero((frequency_hz > low_hz) & (frequency_hz < high_hz))
        places = [np.array([place]) for place in inside]
        places += [neighbours(frequency_hz, end_hz) for end_hz in SPREAD_BAND_HZ]
        at = there[places[int(np.argmin(band))]]
        parts = {name: float(np.mean(u[at])) for name, u in parts_db(rows, "").items()}
        limited = bool(rows["limited"][at].any())
        noise = parts.pop("noise")
        yield Figure(
            "separation_min_db", channel, track, float(band.min()), noise, limited, parts=parts
        )


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a tone, sweep or stepped tones in the left or the right groove wall alone",
    metrics=(
        Metric(
            "separation_1khz_db",
            "dB",
            "Separation at 1 kHz",
            limit={"falls_by": 6.0},
            least_change=1.0,
        ),
        Metric(
            "separation_5khz_db",
            "dB",
            "Separation at 5 kHz",
            limit={"falls_by": 6.0},
            least_change=1.0,
        ),
        Metric(
            "separation_10khz_db",
            "dB",
            "Separation at 10 kHz",
            repeatability=1.0,
            limit={"falls_by": 6.0},
            least_change=1.0,
        ),
        Metric(
            "separation_min_db",
            "dB",
            "Least separation, 1 to 10 kHz",
            repeatability=1.0,
            least_change=1.0,
        ),
    ),
    figures=figures,
)
