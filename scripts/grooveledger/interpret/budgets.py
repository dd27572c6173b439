"""The whole uncertainty of every figure: its own components and the archive's repeatability."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from grooveledger.interpret.repeatability import Repeatability
from grooveledger.measure.declaration import Metric
from grooveledger.physics.uncertainty import coverage_factors
from grooveledger.schemas.capture_metrics import COMPONENTS

#: Components that are random; all others are tolerances within which any value is as likely.
RANDOM = ("u_noise", "u_speed")
TOLERANCES = tuple(f"u_{name}" for name in COMPONENTS if f"u_{name}" not in RANDOM)


def budgets(
    rows: Mapping[str, np.ndarray],
    repeatability: Mapping[str, Repeatability],
    metrics: Mapping[str, Metric],
) -> dict[str, Any]:
    """Complete the budget of every figure.

    Parameters
    ----------
    rows : mapping
        Columns of the metrics of all captures with their components.
    repeatability : mapping
        By metric.
    metrics : mapping
        The declared metrics by name.

    Returns
    -------
    dict
        Columns `repeatability` to `expanded` of `schemas.collect.BUDGETS`, NaN for bounds and
        missing figures. The effective degrees of freedom are those of the scatter of repeats,
        noise and speed in it, by the formula of Welch and Satterthwaite (JCGM 100, G.4); tolerances
        count as known without doubt.
    """
    value, names = rows["value"], rows["metric"]
    stated = np.isfinite(value) & ~rows["limited"].astype(bool)
    known = [repeatability[name] for name in names]
    is_share = np.array([metrics[name].is_proportional for name in names], dtype=bool)
    scale = np.where(is_share, np.abs(value), 1.0)
    sd = scale * np.array([one.sd for one in known])
    degrees = np.array([one.degrees_of_freedom for one in known])
    random = np.sqrt(sd**2 + sum(np.nan_to_num(rows[name]) ** 2 for name in RANDOM))
    tolerances = np.array([np.nan_to_num(rows[name]) for name in TOLERANCES])
    uncertainty = np.sqrt(random**2 + (tolerances**2).sum(axis=0))
    # Of what scatters only the scatter itself was estimated from repeats.
    share = np.divide(random, uncertainty, out=np.zeros(len(value)), where=uncertainty > 0.0)
    effective = np.full(len(value), np.inf)
    np.divide(degrees, share**4, out=effective, where=share > 0.0)
    factor = coverage_factors(effective, random, tolerances)

    def where_stated(column: np.ndarray) -> np.ndarray:
        return np.where(stated, column, np.nan)

    return {
        "repeatability": where_stated(sd),
        "repeatability_from": [
            one.source if there else None for one, there in zip(known, stated, strict=True)
        ],
        "repeatability_dof": where_stated(np.where(np.isfinite(degrees), degrees, np.nan)),
        "uncertainty": where_stated(uncertainty),
        "degrees_of_freedom": where_stated(np.where(np.isfinite(effective), effective, np.nan)),
        "coverage_factor": where_stated(factor),
        "expanded": where_stated(factor * uncertainty),
    }
