"""Cut noise in thirds of an octave: band levels, and the balance of the channels."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import balance_parts_db
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import NOT_PLAYS, Measure, Metric
from grooveledger.measure.metric_rows import Columns, Figure, Measured, groups
from grooveledger.measure.noise_bands import noise_bands
from grooveledger.physics.third_octaves import DB_PER_NEPER_OF_POWER
from grooveledger.plan import Track
from grooveledger.plan.uses import is_noise_track
from grooveledger.schemas.table import CAPTURE, CHANNEL, LIMITED, TRACK, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "third_octaves",
    "measure",
    "Levels of cut noise in bands of a third of an octave.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("frequency_hz", "Hz", "nominal mid-band frequency (IEC 61260-1)"),
        real("level_mv", "mV", "rms of the band at the terminals; at most this where limited"),
        real("noise_db", "dB", "standard uncertainty of the level: random noise, and the groove's"),
        real("floor_db", "dB", "level over the groove's own noise, or over what is heard across"),
        LIMITED,
        real("coherence", "", "part of the power that both channels share, 0 to 1"),
        real("averaged", "", "independent readings that the level is the mean of"),
    ),
)
#: Balance is taken over these bands, where cartridges are even (common practice), Hz.
BALANCE_BAND_HZ = (300.0, 3200.0)


def is_used(track: Track) -> bool:
    """Whether a track is noise."""
    return is_noise_track(track) and track.serves("third_octaves", "response")


def measure(context: CaptureContext) -> pa.Table:
    """Measure the bands of every track of noise in both channels.

    Returns
    -------
    pyarrow.Table
        `TABLE`.
    """
    parts = []
    for track in filter(is_used, context.side.tracks):
        for channel in ("left", "right"):
            bands = noise_bands(context, track, channel)
            if bands is None:
                continue
            columns = {
                "capture": context.capture,
                "track": track.track,
                "channel": channel,
                "frequency_hz": bands.nominal_hz,
                "level_mv": bands.level_mv,
                "noise_db": bands.noise_db,
                "floor_db": bands.floor_db,
                "limited": bands.limited,
                "coherence": bands.coherence,
                "averaged": bands.averaged,
            }
            parts.append(tables.build(TABLE, columns))
    return tables.concat(TABLE, parts)


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the balance of every track that drives both channels."""
    tracks: dict[int, dict[str, Columns]] = {}
    for number, channel, rows in groups(measured.tables, TABLE.name):
        tracks.setdefault(number, {})[channel] = rows
    parts = balance_parts_db(measured.side, measured.chain, is_one_track=True)
    for number, channels in tracks.items():
        if len(measured.side.track(number).driven_channels) < 2 or len(channels) < 2:
            continue
        value, noise, limited = balance(channels["left"], channels["right"])
        yield Figure("noise_balance_db", "both", number, value, noise, limited, parts=parts)


def balance(left: Columns, right: Columns) -> tuple[float, float, bool]:
    """Return right over left in dB, its standard uncertainty, and whether noise limits it.

    What both channels share is the same noise and has no part in the scatter of their ratio.
    """
    hz = left["frequency_hz"]
    inside = (hz >= BALANCE_BAND_HZ[0]) & (hz <= BALANCE_BAND_HZ[1])
    powers = [float(np.sum(rows["level_mv"][inside] ** 2)) for rows in (left, right)]
    limited = bool(left["limited"][inside].any() or right["limited"][inside].any())
    if not inside.any() or not all(power > 0.0 for power in powers):
        return np.nan, np.nan, limited
    ours, theirs = (
        rows["level_mv"][inside] ** 2 / power
        for rows, power in zip((left, right), powers, strict=True)
    )
    shared = np.nan_to_num(left["coherence"][inside])
    scatter = (ours**2 + theirs**2 - 2.0 * shared * ours * theirs) / left["averaged"][inside]
    noise_db = DB_PER_NEPER_OF_POWER * np.sqrt(np.sum(scatter))
    return 10.0 * float(np.log10(powers[1] / powers[0])), float(noise_db), limited


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a track of pink or white noise",
    observed=("noise_density",),
    metrics=(
        Metric(
            "noise_balance_db",
            "dB",
            "Balance of cut noise, right relative to left",
            repeatability=0.1,
            least_change=0.3,
            covariates=NOT_PLAYS,
            limit={"changes_by": 2.0},
        ),
    ),
    figures=figures,
)
