"""The verdict on each figure of a stylus."""

import numpy as np

from grooveledger.interpret.drift.covariates import confounded_text, named
from grooveledger.interpret.drift.rows import SIGNIFICANCE, Row, blame_level


def judge(rows: list[Row]) -> None:
    """Give each row its verdict; `p_adjusted` allows for the number of figures of the stylus.

    Benjamini & Hochberg (1995): of the figures called moving, one in twenty may be chance, however
    many are watched. Where a figure moves, yet neither the hours nor what moves with them does so
    beyond doubt, `p_together` is the probability that nothing moves.
    """
    fitted = [row for row in rows if np.isfinite(row["p_trend"])]
    chances = [row["p_trend"] if row["p_together"] is None else row["p_together"] for row in fitted]
    adjusted = adjust_p(np.array(chances))
    for row, p in zip(fitted, adjusted, strict=True):
        row["p_adjusted"] = float(p)
        if row.get("passed", False):
            row["verdict"] = "past_limit"
        elif p >= (SIGNIFICANCE if row["moves_with"] else blame_level(row)):
            row["verdict"] = "steady"
        else:
            if row["moves_with"]:
                row["confounded_with"] = confounded_text(
                    sorted({row["moves_with"], *named(row["confounded_with"])})
                )
            row["verdict"] = "confounded" if row["confounded_with"] else "drifting"


def adjust_p(p: np.ndarray) -> np.ndarray:
    """Return p values adjusted for the false discovery rate (Benjamini & Hochberg 1995)."""
    order = np.argsort(p, kind="stable")[::-1]
    scaled = p[order] * len(p) / np.arange(len(p), 0, -1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled), 1.0)
    return adjusted
