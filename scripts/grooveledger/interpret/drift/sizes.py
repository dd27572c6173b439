"""The least change of each figure that is worth a word, however sure it is."""

from collections.abc import Mapping

import numpy as np

from grooveledger.measure.quantities import METRICS

#: Least changes in the metric's unit (`by`) or as a share of the figure (`share`): what can be
#: heard or acted on, and what a bench repeats (common practice).
LEAST_CHANGES: dict[str, dict[str, float]] = {
    "output_mv": {"share": 0.03},
    "balance_db": {"by": 0.3},
    "interchannel_phase_deg": {"by": 5.0},
    "response_100hz_db": {"by": 0.3},
    "response_5khz_db": {"by": 0.3},
    "response_10khz_db": {"by": 0.3},
    "response_15khz_db": {"by": 0.5},
    "response_20khz_db": {"by": 0.7},
    "response_peak_db": {"by": 0.5},
    "response_peak_hz": {"share": 0.05},
    "response_deviation_db": {"by": 0.3},
    "upper_limit_hz": {"share": 0.05},
    "separation_1khz_db": {"by": 1.0},
    "separation_5khz_db": {"by": 1.0},
    "separation_10khz_db": {"by": 1.0},
    "separation_min_db": {"by": 1.0},
    "thd_1khz_pct": {"share": 0.1},
    "thd_3khz_pct": {"share": 0.1},
    "thd_5khz_pct": {"share": 0.1},
    "thd_10khz_pct": {"share": 0.1},
    "h2_1khz_pct": {"share": 0.15},
    "h3_1khz_pct": {"share": 0.15},
    "imd_pct": {"share": 0.1},
    "tracked_amplitude_um": {"share": 0.08},
    "speed_error_pct": {"by": 0.05},
    "wow_flutter_weighted_pct": {"by": 0.02},
    "wow_flutter_unweighted_pct": {"by": 0.03},
    "rumble_unweighted_db": {"by": 1.0},
    "rumble_weighted_db": {"by": 1.0},
    "hum_db": {"by": 2.0},
    "noise_a_db": {"by": 1.0},
    "ticks_per_min": {"by": 5.0},
    "resonance_lateral_hz": {"share": 0.04},
    "resonance_vertical_hz": {"share": 0.04},
    "dynamic_compliance_um_per_mn": {"share": 0.08},
}


def least_change(metric: str, value: float, given: Mapping[str, float | None]) -> float:
    """Return the least change worth reporting, in the metric's unit.

    Parameters
    ----------
    metric : str
    value : float
        The figure itself, which a share counts from.
    given : mapping
        The configuration's own least changes in the metric's unit; null for none.
    """
    if metric in given:
        return given[metric] or 0.0
    declared = METRICS[metric].least_change if metric in METRICS else 0.0
    rule = LEAST_CHANGES.get(metric, {})
    return max(
        declared, rule.get("by", 0.0), rule.get("share", 0.0) * abs(float(np.nan_to_num(value)))
    )
