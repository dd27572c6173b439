"""Bias force: which channel stops tracking first on lateral steps of rising amplitude."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import DB_PER_NEPER
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Covariate, Measure, Metric
from grooveledger.measure.metric_rows import Figure, Measured, groups
from grooveledger.measure.tracked_steps import Steps, is_stepped, stepped_channels
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Track
from grooveledger.schemas.table import CAPTURE, LIMITED, TRACK, Table, real, text
from grooveledger.storage import tables

TABLE = Table(
    "bias",
    "measure",
    "Which channel stops tracking first on lateral steps, and what that says of the bias.",
    ("capture", "track"),
    (
        CAPTURE,
        TRACK,
        text("channel", "both"),
        real("frequency_hz", "Hz", "frequency of the tone"),
        real("left_tracked_um", "um", "last step that the left channel tracks"),
        real("left_lost_um", "um", "first step that it does not; null where it tracks all"),
        real("right_tracked_um", "um", "last step that the right channel tracks"),
        real("right_lost_um", "um", "first step that it does not; null where it tracks all"),
        text("first_lost", "left, right, together, or neither; null where it is not clear"),
        text("change", "more or less bias; null where nothing can be concluded"),
        real("tracking_force_mn", "mN", "force that the cartridge's description states"),
        LIMITED,
    ),
)
#: The skating force draws the arm to the record's centre and takes load off the outer wall, which
#: is the right channel's: that one is lost first where the bias is too weak (common practice).
CHANGE = {"right": "more", "left": "less"}
#: A channel is lost before the other where its distortion at that step is this multiple of the
#: other's (our choice): a step lost by a hair's breadth says nothing of a wall.
CLEARLY_WORSE = 2.0


def is_used(track: Track) -> bool:
    """Whether the bias shows on a track: on steps that load both walls alike."""
    return is_stepped(track) and track.modulation == "lateral"


def measure(context: CaptureContext) -> pa.Table:
    """Compare the channels' first lost steps on every lateral track.

    Settings are those of `tracked_steps.stepped_channels`.
    """
    parts = []
    for track, channels in stepped_channels(context):
        if not is_used(track) or not len(channels["left"].amplitude_um):
            continue
        first = first_lost(channels["left"], channels["right"])
        bounds = {name: _bounds_um(steps) for name, steps in channels.items()}
        columns = {
            "capture": context.capture,
            "track": track.track,
            "channel": "both",
            "frequency_hz": track.frequency_hz,
            **{f"{name}_tracked_um": tracked for name, (tracked, _) in bounds.items()},
            **{f"{name}_lost_um": lost for name, (_, lost) in bounds.items()},
            "first_lost": first,
            "change": CHANGE.get(first or ""),
            "tracking_force_mn": context.cartridge.tracking_force_mn,
            "limited": any(np.isnan(lost) for _, lost in bounds.values()),
        }
        parts.append(tables.build(TABLE, columns))
    return tables.concat(TABLE, parts)


def first_lost(left: Steps, right: Steps) -> str | None:
    """Return which channel is lost at a smaller step; None where it is not clear.

    Parameters
    ----------
    left, right : Steps
        Both channels of one track.
    """
    steps = {"left": left, "right": right}
    lost_um = {name: _bounds_um(one)[1] for name, one in steps.items()}
    if all(np.isnan(um) for um in lost_um.values()):
        return "neither"
    if lost_um["left"] == lost_um["right"]:
        return "together"
    first, other = sorted(steps, key=lambda name: np.nan_to_num(lost_um[name], nan=np.inf))
    place = int(np.argmax(steps[first].is_lost))
    worse = steps[first].thd_pct[place] > CLEARLY_WORSE * steps[other].thd_pct[place]
    return first if bool(worse) else None


def _bounds_um(steps: Steps) -> tuple[float, float]:
    """Return the last step that is tracked and first that is not; NaN for none."""
    stated = ~np.isnan(steps.thd_pct)
    tracked = steps.amplitude_um[stated & ~steps.is_lost]
    lost = steps.amplitude_um[stated & steps.is_lost]
    return (
        float(tracked[-1]) if len(tracked) else np.nan,
        float(lost[0]) if len(lost) else np.nan,
    )


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield how much more the left channel tracks than the right one, uncertain by the steps.

    A bound where either channel tracks every step.
    """
    for track, channel, rows in groups(measured.tables, TABLE.name):
        tracked, lost = (
            np.array([float(rows[f"{name}_{what}_um"][0]) for name in ("left", "right")])
            for what in ("tracked", "lost")
        )
        value = float(tracked[0] - tracked[1])
        # Each channel tracks up to somewhere within its step: half of it on average, which the
        # difference keeps only where the steps differ.
        steps = np.nan_to_num(lost - tracked)
        within = rectangular(0.5 * steps)
        kept = 0.5 * abs(steps[0] - steps[1])
        u_db = float(rectangular(measured.side.response_tolerance_db))
        yield Figure(
            "tracked_left_over_right_um",
            channel,
            track,
            value,
            limited=bool(rows["limited"][0]),
            parts={
                "interpolation": float(np.sqrt(np.sum(within**2) + kept**2)),
                "record": abs(value) * u_db / DB_PER_NEPER,
            },
        )


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="one lateral tone at rising amplitudes",
    metrics=(
        Metric(
            "tracked_left_over_right_um",
            "um",
            "Amplitude tracked, left less right",
            covariates=frozenset({Covariate.CHAIN, Covariate.RECORD, Covariate.RECORD_PLAYS}),
            least_change=10.0,
            is_signed=True,
        ),
    ),
    figures=figures,
    block="tracking_ability",
)
