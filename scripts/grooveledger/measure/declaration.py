"""What a measure declares about itself, once: everything else that names it is derived.

Jobs, the check of a configuration, words, limits, covariates, the reference of files and the tables
of pages all read these declarations; see `measure.quantities` for the list of measures.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.metric_rows import Figure, Measured
from grooveledger.plan import Side, Track
from grooveledger.schemas.table import Table

#: Kinds of limit: a change from the baseline in the metric's unit, a factor of the baseline, or an
#: absolute value.
LimitKind = Literal[
    "falls_by", "rises_by", "changes_by", "falls_to_factor", "rises_to_factor", "minimum", "maximum"
]
#: The observation jobs of stage 2.
Observation = Literal["orders", "speed_trace", "noise_density"]


class Group(StrEnum):
    """What a metric is about; only the first kind decides on a stylus."""

    STYLUS = "tip and suspension"
    RECORD = "record"
    TURNTABLE = "turntable"
    CHAIN = "chain"


class Covariate(StrEnum):
    """What else than the hours on a stylus could move a metric."""

    CHAIN = "chain"
    RECORD = "record"
    TEMPERATURE = "temperature"
    RECORD_PLAYS = "record_plays"


EVERYTHING = frozenset(Covariate)
NOT_PLAYS = EVERYTHING - {Covariate.RECORD_PLAYS}


#: Repeatability of levels and angles, and of any other figure as a fraction (common practice).
USUAL_REPEATABILITY = {"dB": 0.5, "deg": 1.0}
USUAL_REPEATABILITY_SHARE = 0.05


@dataclass(frozen=True)
class Metric:
    """One scalar of a capture: what drifts, what a data sheet rates.

    Attributes
    ----------
    name : str
        As in the metrics table; ends with the unit.
    unit : str
        As in the metrics table.
    words : str
        What a page calls it.
    group : Group
        What it is about.
    covariates : frozenset of Covariate
        What else may plausibly act on it (common practice): groove wear takes treble and separation
        and adds distortion and noise, but hardly moves a 1 kHz level, a speed or a resonance;
        temperature changes the suspension, not the motor; another copy of the record or another
        chain may change nearly everything.
    limit : mapping
        At what it is commonly taken to be worn, by kind of limit (common practice); empty for none.
    least_change : float
        A change below this, in the metric's unit, is not worth reporting however sure it is
        (common practice, from what can be heard or acted on, and what a bench repeats).
    least_share : float
        The same as a fraction of the figure, for what scales with it.
    repeatability : float or None
        Standard deviation from one playing to the next beyond noise and speed, where an archive has
        no repeats of its own to take it from (common practice); a fraction of the figure where
        `is_proportional`. None takes what is usual for the unit.
    is_signed : bool
        Whether the figure may have either sign, so that its scatter does not grow with it.
    """

    name: str
    unit: str
    words: str
    group: Group = Group.STYLUS
    covariates: frozenset[Covariate] = EVERYTHING
    limit: Mapping[LimitKind, float] = field(default_factory=dict)
    least_change: float = 0.0
    least_share: float = 0.0
    repeatability: float | None = None
    is_signed: bool = False

    @property
    def is_proportional(self) -> bool:
        """Whether the figure's scatter goes with the figure: not that of levels and angles."""
        return not self.is_signed and self.unit not in USUAL_REPEATABILITY

    @property
    def usual_repeatability(self) -> float:
        """Repeatability where an archive has no repeats."""
        if self.repeatability is not None:
            return self.repeatability
        return USUAL_REPEATABILITY.get(self.unit, USUAL_REPEATABILITY_SHARE)


def no_figures(measured: Measured) -> Iterator[Figure]:
    """Yield nothing: the measure has no metrics."""
    return iter(())


@dataclass(frozen=True)
class Measure:
    """One measure of stage 3, which makes one table.

    Attributes
    ----------
    table : Table
        What it makes; the measure has the table's name.
    measure : callable
        Makes it from a capture's observations.
    uses : callable
        Whether it draws on a track of a side.
    of_side : callable or None
        Gives the tracks of a side that it draws on, where that depends on the side's other tracks;
        None for all that it uses.
    needs : str or None
        What a side needs before it can be taken, in words that complete "it needs ..."; None where
        it comes along with another measure.
    observed : tuple of str
        The observation jobs whose results it reads.
    metrics : tuple of Metric
        Its scalars, in the order in which pages list them.
    figures : callable
        Yields them from the capture's tables.
    page : str
        Its page of methods; the table's name where empty.
    block : str
        The block of the configuration that it reads; that of the table's name where empty.
    """

    table: Table
    measure: Callable[[CaptureContext], pa.Table]
    uses: Callable[[Track], bool]
    needs: str | None
    observed: tuple[Observation, ...] = ("orders",)
    metrics: tuple[Metric, ...] = ()
    figures: Callable[[Measured], Iterator[Figure]] = no_figures
    page: str = ""
    block: str = ""
    of_side: Callable[[Side], Sequence[Track]] | None = None

    def tracks(self, side: Side) -> tuple[Track, ...]:
        """Return the tracks of a side that it draws on."""
        if self.of_side is not None:
            return tuple(self.of_side(side))
        return tuple(filter(self.uses, side.tracks))

    @property
    def name(self) -> str:
        """The table's name, which is the measure's."""
        return self.table.name

    @property
    def methods_page(self) -> str:
        """Name of the page of methods."""
        return self.page or self.name
