"""The fits of all styli of an archive, which its tables share."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import pandas as pd

from grooveledger.interpret.drift.fits import Page, analyse
from grooveledger.interpret.drift.history import History, histories
from grooveledger.interpret.drift.settings import Settings


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
) -> Analysis:
    """Fit and test all figures of all styli.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        The tables and the sheet of those names.
    settings : mapping
        The configuration's drift block; missing keys have their defaults.
    """
    chosen = Settings.from_mapping(settings)
    found = histories(metrics, captures, styli)
    return Analysis(found, {history.stylus: analyse(history, chosen) for history in found}, chosen)
