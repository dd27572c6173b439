"""Response curves of captures, chosen and averaged for interpretation."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple, Self

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from grooveledger.measure.curves import COVER_TOLERANCE
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.schemas.states import Status
from grooveledger.storage import tables


class Curve(NamedTuple):
    """A response relative to 1 kHz against rising frequency, with its standard uncertainty."""

    frequency_hz: np.ndarray
    response_db: np.ndarray
    uncertainty_db: np.ndarray

    def within(self, band_hz: Sequence[float]) -> Self:
        """Return the part of the curve inside a band (ends included, to 0.5 %)."""
        low_hz, high_hz = band_hz
        inside = (self.frequency_hz >= low_hz * (1.0 - COVER_TOLERANCE)) & (
            self.frequency_hz <= high_hz * (1.0 + COVER_TOLERANCE)
        )
        return type(self)(*(values[inside] for values in self))

    def at(self, frequency_hz: np.ndarray) -> Self:
        """Return the curve interpolated on log frequency, held beyond its ends."""
        asked, known = np.log(frequency_hz), np.log(self.frequency_hz)
        return type(self)(
            frequency_hz,
            np.interp(asked, known, self.response_db),
            np.interp(asked, known, self.uncertainty_db),
        )


def channel_curves(response: pd.DataFrame) -> dict[tuple[str, str], Curve]:
    """Return the widest response of every capture and channel that is relative to 1 kHz.

    Of several tracks the one that reaches highest is taken, of equals the first. Rows that a noise
    floor limits are bounds, not figures, and are left out; so are those of unknown uncertainty.

    Parameters
    ----------
    response : DataFrame
        Rows of the response table.

    Returns
    -------
    dict
        Curves by (capture, channel).
    """
    usable = response[
        (response["reference_hz"] == REFERENCE_HZ)
        & ~response["limited"].fillna(False).astype(bool)
        & response["response_db"].notna()
        & response["uncertainty_db"].notna()
    ]
    curves: dict[tuple[str, str], Curve] = {}
    for place, rows in usable.groupby(["capture", "channel", "track"], sort=True):
        capture, channel, _ = (str(part) for part in place)
        rows = rows.drop_duplicates("frequency_hz").sort_values("frequency_hz")
        curve = Curve(
            *(
                rows[name].to_numpy(dtype=float)
                for name in ("frequency_hz", "response_db", "uncertainty_db")
            )
        )
        known = curves.get((capture, channel))
        if known is None or curve.frequency_hz[-1] > known.frequency_hz[-1]:
            curves[(capture, channel)] = curve
    return curves


def mean_curve(curves: Sequence[Curve]) -> Curve:
    """Return the mean in dB over the range that all curves cover, at the first one's frequencies.

    The uncertainty is the mean one too: what the record and the chain add does not average out.
    """
    low_hz = max(float(curve.frequency_hz[0]) for curve in curves)
    high_hz = min(float(curve.frequency_hz[-1]) for curve in curves)
    frequency_hz = curves[0].within((low_hz, high_hz)).frequency_hz
    parts = [curve.at(frequency_hz) for curve in curves]
    return Curve(
        frequency_hz,
        np.mean([part.response_db for part in parts], axis=0),
        np.mean([part.uncertainty_db for part in parts], axis=0),
    )


def after_break_in(captures: pd.DataFrame, styli: pd.DataFrame) -> pd.DataFrame:
    """Return the measured captures of styli that are past their break-in, in order of hours.

    Parameters
    ----------
    captures : DataFrame
        Rows of the captures table; rejected ones are left out, and ones of unknown hours.
    styli : DataFrame
        Columns stylus and break_in_hours, the default filled in.
    """
    by_stylus = dict(zip(styli["stylus"], styli["break_in_hours"], strict=True))
    needed = captures["stylus"].map(by_stylus).astype(float)
    kept = captures[(captures["status"] != Status.REJECTED) & (captures["stylus_hours"] >= needed)]
    return kept.sort_values(["stylus", "stylus_hours", "capture"])


def responses(path: Path, captures: Iterable[str]) -> pd.DataFrame:
    """Return the response rows of some captures as a data frame; unpack no others."""
    rows = tables.read(path)
    kept = pc.is_in(rows.column("capture"), pa.array(list(captures), pa.string()))
    frame: pd.DataFrame = rows.filter(kept).to_pandas()
    return frame
