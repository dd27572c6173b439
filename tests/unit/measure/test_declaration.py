"""What declarations derive, and that they agree with the defaults of the configuration."""

from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from grooveledger.measure import quantities
from grooveledger.measure.declaration import (
    EVERYTHING,
    NOT_PLAYS,
    Covariate,
    Group,
    Measure,
    Metric,
)
from grooveledger.schemas.table import TRACK, Table
from made_figures import sweep, tone
from made_observations import make_side

DRIFT = Path(__file__).parents[3] / "workflow" / "schemas" / "blocks" / "drift.yaml"
SIDE = make_side(tone("left"), sweep("left"), tone("right"))
MEASURE = Measure(
    Table("made_up", "measure", "", ("track",), (TRACK,)),
    measure=lambda context: None,
    uses=lambda track: track.kind == "tone",
    needs="a tone",
)


def numbers(tracks):
    return [track.track for track in tracks]


def test_a_metric_is_the_styluss_own_and_nothing_is_taken_for_granted():
    metric = Metric("q_db", "dB", "Quantity")
    assert metric.group == Group.STYLUS
    assert metric.covariates == EVERYTHING == {"chain", "record", "temperature", "record_plays"}
    assert metric.limit == {}
    assert (metric.least_change, metric.least_share) == (0.0, 0.0)
    assert not metric.is_signed
    assert {*NOT_PLAYS, Covariate.RECORD_PLAYS} == EVERYTHING
    assert Covariate.RECORD_PLAYS not in NOT_PLAYS


@pytest.mark.parametrize(
    ("unit", "usual", "is_proportional"),
    [("dB", 0.5, False), ("deg", 1.0, False), ("%", 0.05, True), ("mV", 0.05, True)],
)
def test_levels_and_angles_repeat_by_a_size_and_all_else_by_a_share(unit, usual, is_proportional):
    metric = Metric("q", unit, "Quantity")
    assert metric.usual_repeatability == usual
    assert metric.is_proportional == is_proportional
    assert not replace(metric, is_signed=True).is_proportional
    assert replace(metric, repeatability=0.0).usual_repeatability == 0.0


def test_a_measure_draws_on_the_tracks_it_uses_or_on_those_that_it_chooses():
    assert numbers(MEASURE.tracks(SIDE)) == [1, 3]
    chosen = replace(MEASURE, of_side=lambda side: side.tracks[1:])
    assert numbers(chosen.tracks(SIDE)) == [2, 3]
    assert replace(MEASURE, of_side=lambda side: ()).tracks(SIDE) == ()


def test_a_measure_has_the_name_of_its_table_and_a_page_of_that_name():
    assert MEASURE.name == MEASURE.methods_page == "made_up"
    assert replace(MEASURE, page="another").methods_page == "another"
    assert MEASURE.observed == ("orders",)
    assert list(MEASURE.figures(None)) == []


def test_limits_are_those_that_the_configuration_describes():
    described = yaml.safe_load(DRIFT.read_text(encoding="utf-8"))["properties"]["limits"]["default"]
    declared = {name: dict(m.limit) for name, m in quantities.METRICS.items() if m.limit}
    assert declared == described


def test_metrics_are_declared_once():
    names = [metric.name for m in quantities.MEASURES.values() for metric in m.metrics]
    assert len(names) == len(set(names)) == len(quantities.METRICS)
