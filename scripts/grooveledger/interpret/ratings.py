"""Measured against the maker's data sheet; the uncertainty decides which verdict is possible."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grooveledger.interpret.response_curves import Curve
from grooveledger.measure.curves import COVER_TOLERANCE
from grooveledger.measure.quantities.response import AT_FREQUENCY
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.uncertainty import coverage_factor, rectangular, student_factors
from grooveledger.plan import Cartridge, Chain
from grooveledger.schemas.interpret import RATINGS
from grooveledger.schemas.states import Status

#: Metrics that a data sheet rates.
RATED_METRICS = ("output_mv", "balance_db", "separation_1khz_db")
#: Readings no further apart than this (a third of an octave) show what lies between them.
NEIGHBOUR_RATIO = 2.0 ** (1.0 / 3.0)
OUTSIDE_LOAD = "under a load outside the recommended range"


class Interval(NamedTuple):
    """Where a figure lies, or may lie."""

    low: float
    high: float


class Rating(NamedTuple):
    """One row of the table, but for the names of capture, stylus and cartridge."""

    quantity: str
    channel: str
    rated: float
    measured: float
    uncertainty: float
    unit: str
    verdict: str | None
    note: str = ""


def verdict(figure: Interval, allowed: Interval) -> str:
    """Return whether a figure meets a rating: only if all of its interval does.

    The rule of JCGM 106 with guard bands as wide as the expanded uncertainty: `misses` where no
    part of the interval is allowed, `undecided` where some is.

    Examples
    --------
    >>> verdict(Interval(24.0, 26.0), Interval(20.0, float("inf")))
    'meets'
    >>> verdict(Interval(19.0, 21.0), Interval(20.0, float("inf")))
    'undecided'
    """
    if not (figure.low == figure.low and figure.high == figure.high):
        return "undecided"
    if allowed.low <= figure.low and figure.high <= allowed.high:
        return "meets"
    if figure.high < allowed.low or figure.low > allowed.high:
        return "misses"
    return "undecided"


def ratings_table(
    captures: pd.DataFrame,
    response: pd.DataFrame,
    metrics: pd.DataFrame,
    budgets: pd.DataFrame,
    cartridges: Mapping[str, Cartridge],
    chains: Mapping[str, Chain],
    settings: Mapping[str, Any],
) -> pd.DataFrame:
    """Compare every capture with its cartridge's data sheet.

    Output (at the rated velocity, peak or rms as in the metric), balance, separation at 1 kHz, the
    response over the rated band (where the sheet gives no deviation the measured one is reported
    without a verdict), and whether the load is the recommended one.

    Parameters
    ----------
    captures, response, metrics, budgets : DataFrame
        The archive-wide tables.
    cartridges, chains : mapping
        The configuration, by id.
    settings : mapping
        The configuration's block `ratings`.

    Returns
    -------
    DataFrame
        As declared in `grooveledger.schemas.interpret.RATINGS`.
    """
    scalars = _scalars(metrics)
    repeats = response_repeats(budgets)
    deviations = _deviations(captures, response, cartridges, repeats)
    rows = []
    for row in captures[captures["status"] != Status.REJECTED].itertuples(index=False):
        cartridge, chain = cartridges[str(row.cartridge)], chains[str(row.chain)]
        load = list(_load(cartridge, chain, settings))
        note = OUTSIDE_LOAD if any(rating.verdict == "misses" for rating in load) else ""
        names = (str(row.cartridge), str(row.stylus), str(row.capture))
        for rating in (
            *(
                rating
                for figure in scalars.get(str(row.capture), ())
                for rating in _scalar(figure, cartridge, settings, note)
            ),
            *(
                _response(deviation, cartridge, note)
                for deviation in deviations.get(str(row.capture), ())
            ),
            *load,
        ):
            rows.append(
                dict(zip(("cartridge", "stylus", "capture"), names, strict=True)) | rating._asdict()
            )
    return pd.DataFrame(rows, columns=list(RATINGS.names)).sort_values(
        list(RATINGS.key), ignore_index=True
    )


def _scalars(metrics: pd.DataFrame) -> dict[str, list[dict[str, Any]]]:
    """Return the rated metrics by capture, of several tracks the first in the plan."""
    kept = metrics[metrics["metric"].isin(RATED_METRICS) & metrics["value"].notna()]
    kept = kept.sort_values(["capture", "metric", "channel", "track_position"])
    kept = kept.drop_duplicates(["capture", "metric", "channel"])
    found: dict[str, list[dict[str, Any]]] = {}
    for row in kept.to_dict("records"):
        found.setdefault(str(row["capture"]), []).append({str(key): row[key] for key in row})
    return found


def _scalar(
    figure: Mapping[str, Any], cartridge: Cartridge, settings: Mapping[str, Any], note: str
) -> Iterator[Rating]:
    metric, channel = str(figure["metric"]), str(figure["channel"])
    value, uncertainty = float(figure["value"]), float(figure["uncertainty"])
    wide = float(figure["expanded"])
    limited = bool(figure["limited"])
    rated = cartridge.rated or {}
    around = Interval(value - wide, value + wide)
    if metric == "output_mv" and rated.get("output_mv"):
        rated_mv = float(rated["output_mv"])
        factor = 10.0 ** (settings["output_tolerance_db"] / 20.0)
        allowed = Interval(rated_mv / factor, rated_mv * factor)
        around = Interval(0.0, value) if limited else around
        judged = verdict(around, allowed)
        yield Rating(metric, channel, rated_mv, value, uncertainty, "mV", judged, note)
    elif metric == "balance_db" and rated.get("balance_db"):
        allowed = Interval(0.0, float(rated["balance_db"]))
        apart = abs(value)
        around = Interval(max(0.0, apart - wide), np.nan if limited else apart + wide)
        judged = verdict(around, allowed)
        yield Rating(metric, channel, allowed.high, apart, uncertainty, "dB", judged)
    elif metric == "separation_1khz_db" and rated.get("separation_db"):
        allowed = Interval(float(rated["separation_db"]), np.inf)
        around = Interval(value, np.inf) if limited else around
        judged = verdict(around, allowed)
        at_least = "at least the figure measured: the noise floor limits it" if limited else ""
        yield Rating(metric, channel, allowed.low, value, uncertainty, "dB", judged, at_least)


class Repeats(NamedTuple):
    """How far responses repeat: standard deviation by frequency, and its degrees of freedom.

    Attributes
    ----------
    frequency_hz, sd_db : ndarray, shape (n,)
        Where it is known, and 0 at 1 kHz.
    degrees_of_freedom : float
        Of the least known of them.
    """

    frequency_hz: np.ndarray
    sd_db: np.ndarray
    degrees_of_freedom: float

    def expanded_db(self, frequency_hz: np.ndarray, uncertainty_db: np.ndarray) -> np.ndarray:
        """Return the half-width of the 95 % interval of a response, repeatability in it.

        Parameters
        ----------
        frequency_hz, uncertainty_db : ndarray, shape (n,)
            Of the curve; the uncertainty without repeatability.
        """
        sd_db = np.interp(np.log(frequency_hz), np.log(self.frequency_hz), self.sd_db)
        whole_db = np.hypot(uncertainty_db, sd_db)
        share = np.divide(sd_db, whole_db, out=np.zeros(len(whole_db)), where=whole_db > 0.0)
        effective = np.full(len(whole_db), np.inf)
        np.divide(self.degrees_of_freedom, share**4, out=effective, where=share > 0.0)
        return whole_db * student_factors(effective)


def response_repeats(budgets: pd.DataFrame) -> Repeats:
    """Return how far responses repeat, from the budgets of the figures read from them."""
    known = {REFERENCE_HZ: 0.0}
    degrees = [float("inf")]
    for metric, (_, frequency_hz) in AT_FREQUENCY.items():
        rows = budgets[(budgets["metric"] == metric) & budgets["repeatability"].notna()]
        if len(rows):
            known[frequency_hz] = float(rows["repeatability"].iloc[0])
            if rows["repeatability_dof"].notna().any():
                degrees.append(float(rows["repeatability_dof"].iloc[0]))
    places = sorted(known)
    return Repeats(np.array(places), np.array([known[hz] for hz in places]), min(degrees))


class _Deviation(NamedTuple):
    """Extremes of a channel's response over the rated band, dB relative to 1 kHz."""

    channel: str
    largest_db: float
    uncertainty_db: float
    surely_db: float
    perhaps_db: float
    low_hz: float
    high_hz: float


def _deviations(
    captures: pd.DataFrame,
    response: pd.DataFrame,
    cartridges: Mapping[str, Cartridge],
    repeats: Repeats,
) -> dict[str, list[_Deviation]]:
    """Return largest deviations by capture, over all tracks whose response is relative to 1 kHz.

    Since each of these covers 1 kHz, together they cover one stretch without gaps.
    """
    bands = {
        name: tuple(float(end) for end in cartridge.rated["response_hz"])
        for name, cartridge in cartridges.items()
        if cartridge.rated and cartridge.rated.get("response_hz")
    }
    used = captures[
        captures["cartridge"].isin(list(bands)) & (captures["status"] != Status.REJECTED)
    ]
    band_of = {
        str(capture): bands[str(cartridge)]
        for capture, cartridge in zip(used["capture"], used["cartridge"], strict=True)
    }
    usable = response[
        response["capture"].isin(list(band_of))
        & (response["reference_hz"] == REFERENCE_HZ)
        & response["response_db"].notna()
        & ~response["limited"].fillna(False).astype(bool)
    ]
    found: dict[str, list[_Deviation]] = {}
    for place, rows in usable.groupby(["capture", "channel"], sort=True):
        capture, channel = (str(part) for part in place)
        low_hz, high_hz = band_of[capture]
        curve = _with_ends(rows, (low_hz, high_hz)).within((low_hz, high_hz))
        if not len(curve.frequency_hz):
            continue
        off_db, u_db = np.abs(curve.response_db), curve.uncertainty_db
        wide_db = repeats.expanded_db(curve.frequency_hz, u_db)
        worst = int(np.argmax(off_db))
        found.setdefault(capture, []).append(
            _Deviation(
                channel,
                float(off_db[worst]),
                float(u_db[worst]),
                float(np.max(off_db - wide_db)),
                float(np.max(off_db + wide_db)),
                float(curve.frequency_hz[0]),
                float(curve.frequency_hz[-1]),
            )
        )
    return found


def _with_ends(rows: pd.DataFrame, band_hz: Sequence[float]) -> Curve:
    """Return readings sorted by frequency, with interpolated ones at a band's ends."""
    rows = rows.sort_values("frequency_hz", kind="stable")
    columns = ("frequency_hz", "response_db", "uncertainty_db")
    curve = Curve(*(rows[name].to_numpy(dtype=float) for name in columns))
    after = np.searchsorted(curve.frequency_hz, band_hz)
    inside = [
        0 < place < len(rows)
        and curve.frequency_hz[place] <= NEIGHBOUR_RATIO * curve.frequency_hz[place - 1]
        for place in after
    ]
    ends = curve.at(np.asarray(band_hz, dtype=float)[inside])
    return Curve(
        *(np.insert(known, after[inside], end) for known, end in zip(curve, ends, strict=True))
    )


def _response(deviation: _Deviation, cartridge: Cartridge, note: str) -> Rating:
    rated = cartridge.rated or {}
    low_hz, high_hz = (float(end) for end in rated["response_hz"])
    notes = [note] if note else []
    reach = 1.0 + COVER_TOLERANCE
    covered = deviation.low_hz <= low_hz * reach and deviation.high_hz * reach >= high_hz
    if not covered:
        notes.append(f"measured from {deviation.low_hz:.0f} to {deviation.high_hz:.0f} Hz only")
    allowed_db = rated.get("response_db")
    judged = None
    if allowed_db is None:
        notes.append("the sheet gives no deviation")
    else:
        figure = Interval(max(0.0, deviation.surely_db), deviation.perhaps_db)
        judged = verdict(figure, Interval(0.0, float(allowed_db)))
        if judged == "meets" and not covered:
            judged = "undecided"
    return Rating(
        "response_db",
        deviation.channel,
        float("nan") if allowed_db is None else float(allowed_db),
        deviation.largest_db,
        deviation.uncertainty_db,
        "dB",
        judged,
        "; ".join(notes),
    )


def _load(cartridge: Cartridge, chain: Chain, settings: Mapping[str, Any]) -> Iterator[Rating]:
    rated = cartridge.rated or {}
    if rated.get("load_ohm"):
        rated_ohm, found_ohm = float(rated["load_ohm"]), chain.load_ohm
        spread = settings["load_tolerance_pct"] / 100.0
        allowed = Interval(rated_ohm * (1.0 - spread), rated_ohm * (1.0 + spread))
        judged = verdict(Interval(found_ohm, found_ohm), allowed)
        yield Rating("load_ohm", "both", rated_ohm, found_ohm, float("nan"), "ohm", judged)
    if rated.get("load_pf"):
        least_pf, most_pf = (float(end) for end in rated["load_pf"])
        u_pf = float(rectangular(settings["capacitance_tolerance_pct"] / 100.0)) * chain.load_pf
        wide_pf = coverage_factor() * u_pf
        found = Interval(chain.load_pf - wide_pf, chain.load_pf + wide_pf)
        for quantity, limit_pf, allowed in (
            ("load_pf_min", least_pf, Interval(least_pf, np.inf)),
            ("load_pf_max", most_pf, Interval(0.0, most_pf)),
        ):
            judged = verdict(found, allowed)
            yield Rating(quantity, "both", limit_pf, chain.load_pf, u_pf, "pF", judged)
