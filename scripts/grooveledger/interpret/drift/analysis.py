"""The fits of all styli of an archive, which its tables share."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grooveledger.interpret.drift.fits import Page, analyse
from grooveledger.interpret.drift.history import History, histories
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.repeatability import playing_scatter

#: What names one figure of one capture.
FIGURE = ["capture", "metric", "channel", "track_position"]


class Analysis(NamedTuple):
    """The histories of all styli, the page of each by its id, and the settings."""

    histories: list[History]
    pages: Mapping[str, Page]
    settings: Settings


def analyse_archive(
    metrics: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
    budgets: pd.DataFrame | None = None,
) -> Analysis:
    """Fit and test all figures of all styli.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        The tables and the sheet of those names.
    settings : mapping
        The configuration's drift block; missing keys have their defaults.
    budgets : pandas.DataFrame, optional
        The table of that name: how far the archive's repeats scatter, for figures that a stylus did
        not repeat itself.
    """
    if budgets is not None:
        metrics = _with_scatter(metrics, budgets)
    chosen = Settings.from_mapping(settings)
    found = histories(metrics, captures, styli)
    return Analysis(found, {history.stylus: analyse(history, chosen) for history in found}, chosen)


def _with_scatter(metrics: pd.DataFrame, budgets: pd.DataFrame) -> pd.DataFrame:
    """Add the column `scatter`, of figures whose scatter is the archive's own and no default."""
    scatter = playing_scatter({str(name): budgets[name] for name in budgets.columns})
    measured = budgets["repeatability_from"].eq("repeats")
    known = budgets[FIGURE].assign(scatter=np.where(measured, scatter, np.nan))
    return metrics.merge(known, on=FIGURE, how="left")
