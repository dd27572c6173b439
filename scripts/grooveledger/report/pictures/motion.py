"""The platter's motion: speed against time, and folded on the angle of one revolution."""

import numpy as np
from matplotlib.ticker import FixedLocator

from grooveledger.report.pictures.axes import decimated, line, value_axis
from grooveledger.report.pictures.rows import Columns, sorted_by
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panel

#: Slices of one revolution in the folded picture, 5 degrees each.
ANGLE_SLICES = 72
SPEED_LABEL = "Deviation (%)"


@house_style
def speed_trace(rows: Columns, track: int) -> Picture:
    """Draw the deviation of the played frequency against time."""
    figure, axes = panel(2.5)
    rows = sorted_by(rows, "time_s")
    time_s, deviation_pct = decimated(rows["time_s"], rows["deviation_pct"])
    thin = MARKS["both"]._replace(width=0.9)
    line(axes, time_s, deviation_pct, thin, "", marks=0, key_name="deviation")
    if time_s[-1] > time_s[0]:
        axes.set_xlim(float(time_s[0]), float(time_s[-1]))
    axes.set_xlabel("Time in the capture (s)")
    value_axis(axes, SPEED_LABEL, -0.5, 0.5, 0.25, [deviation_pct])
    mean, low, high = (float(f(deviation_pct)) for f in (np.nanmean, np.nanmin, np.nanmax))
    return Picture(
        f"speed-{track}",
        f"Speed of track {track}",
        f"Deviation of the played from the nominal frequency in percent, against time. Mean "
        f"{mean:+.2f} %, between {low:+.2f} and {high:+.2f} %.",
        figure,
        "Played relative to nominal frequency, unweighted.",
    )


@house_style
def revolution(rows: Columns, track: int, rpm: float) -> Picture:
    """Draw the deviation of speed folded on the angle of one revolution, its mean taken out."""
    figure, axes = panel(2.5)
    mean_pct, spread_pct = folded(rows["time_s"], rows["deviation_pct"], rpm)
    angle_deg = (np.arange(ANGLE_SLICES) + 0.5) * 360 / ANGLE_SLICES
    mark = MARKS["both"]
    axes.fill_between(
        angle_deg,
        mean_pct - spread_pct,
        mean_pct + spread_pct,
        color=mark.colour,
        alpha=0.15,
        linewidth=0,
    )
    line(axes, angle_deg, mean_pct, mark, "", marks=0, key_name="deviation")
    axes.set_xlim(0, 360)
    axes.xaxis.set_major_locator(FixedLocator(range(0, 361, 45)))
    axes.set_xlabel("Angle of the platter, from an arbitrary start (\N{DEGREE SIGN})")
    value_axis(axes, SPEED_LABEL, -0.3, 0.3, 0.1, [mean_pct])
    peak_pct = float(np.nanmax(np.abs(mean_pct)))
    return Picture(
        f"revolution-{track}",
        f"One revolution, track {track}",
        f"Deviation of speed folded on one revolution at {rpm:.4g} rpm, in percent about its mean: "
        f"{peak_pct:.2f} % at most, at {angle_deg[np.nanargmax(np.abs(mean_pct))]:.0f} degrees.",
        figure,
        f"Mean of all revolutions at {rpm:.4g} rpm; the band is the spread from turn to turn.",
    )


def folded(
    time_s: np.ndarray, deviation_pct: np.ndarray, rpm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean and standard deviation of a trace by the angle of one revolution.

    Parameters
    ----------
    time_s, deviation_pct : ndarray, shape (n,)
        The trace; its mean over the whole is taken out.
    rpm : float
        Nominal revolutions a minute.

    Returns
    -------
    tuple of ndarray, shape (ANGLE_SLICES,)
        NaN in a slice where the trace has nothing.
    """
    keep = np.isfinite(deviation_pct)
    time_s, deviation_pct = time_s[keep], deviation_pct[keep]
    turns = (time_s - time_s[0]) * rpm / 60
    piece = np.minimum((turns % 1 * ANGLE_SLICES).astype(int), ANGLE_SLICES - 1)
    count = np.bincount(piece, minlength=ANGLE_SLICES).astype(float)
    count[count == 0] = np.nan
    centred = deviation_pct - deviation_pct.mean()
    mean = np.bincount(piece, centred, ANGLE_SLICES) / count
    square = np.bincount(piece, centred**2, ANGLE_SLICES) / count
    return mean, np.sqrt(np.maximum(square - mean**2, 0))
