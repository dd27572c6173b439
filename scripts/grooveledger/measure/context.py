"""What a measure is given: one capture's observations and everything known of how it was made."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from grooveledger.plan import Cartridge, Chain, Side


@dataclass(frozen=True)
class CaptureContext:
    """One capture as stage 3 sees it.

    Attributes
    ----------
    capture : str
        Its id.
    side, chain, cartridge
        What was played, and on what.
    settings : mapping
        The configuration's block of the measure at hand.
    tracks : mapping of str to numpy.ndarray
        Columns of the tracks table (NaN or None for null).
    observations : mapping of str to mapping of str to numpy.ndarray
        Columns of each observation table, by the table's name.
    """

    capture: str
    side: Side
    chain: Chain
    cartridge: Cartridge
    settings: Mapping[str, Any]
    tracks: Mapping[str, np.ndarray]
    observations: Mapping[str, Mapping[str, np.ndarray]]
