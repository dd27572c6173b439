"""Verdicts against a data sheet: the uncertainty decides."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from grooveledger.interpret.ratings import Interval, ratings_table, response_repeats, verdict
from grooveledger.plan import Cartridge, Chain
from grooveledger.schemas.interpret import RATINGS
from grooveledger.storage import tables

BLOCK = Path(__file__).parents[3] / "workflow/schemas/blocks/ratings.yaml"
SETTINGS = {
    key: rule["default"] for key, rule in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
SHEET = {
    "output_mv": 4.2,
    "output_velocity_cm_s": 5.0,
    "balance_db": 1.8,
    "separation_db": 24.0,
    "response_hz": [20, 20_000],
    "response_db": 3.0,
    "load_ohm": 47_000,
    "load_pf": [150, 300],
}
CAPTURES = pd.DataFrame(
    {"capture": ["c"], "stylus": ["s"], "cartridge": ["mm"], "chain": ["bench"], "status": ["ok"]}
)


def chain(load_ohm=47_000.0, load_pf=220.0):
    return Chain("bench", 12.0, 0.5, 2.0, load_pf - 50.0, load_ohm, 50.0, 40.0, "iec98", 2.0)


def metric(name, value, uncertainty=0.1, channel="left", limited=False, position=0):
    return {
        "capture": "c",
        "metric": name,
        "channel": channel,
        "value": value,
        "uncertainty": uncertainty,
        "expanded": 1.96 * uncertainty,
        "limited": limited,
        "track_position": position,
    }


def response(frequency_hz, response_db, uncertainty_db=0.1, channel="left"):
    return pd.DataFrame(
        {
            "capture": "c",
            "channel": channel,
            "frequency_hz": np.asarray(frequency_hz, dtype=float),
            "response_db": np.asarray(response_db, dtype=float),
            "reference_hz": 1000.0,
            "uncertainty_db": uncertainty_db,
            "limited": False,
        }
    )


NO_METRICS = pd.DataFrame(columns=list(metric("", 0.0)))
NO_RESPONSE = response([], [])


NO_BUDGETS = pd.DataFrame(columns=["metric", "repeatability", "repeatability_dof"])


def rate(
    metrics=(),
    response_=NO_RESPONSE,
    sheet=SHEET,
    chain_=None,
    captures=CAPTURES,
    budgets=NO_BUDGETS,
):
    frame = pd.DataFrame(metrics) if metrics else NO_METRICS
    table = ratings_table(
        captures,
        response_,
        frame,
        budgets,
        {"mm": Cartridge("mm", "moving_magnet", rated=sheet)},
        {"bench": chain_ or chain()},
        SETTINGS,
    )
    assert list(table.columns) == list(RATINGS.names)
    return {(row.quantity, row.channel): row for row in table.itertuples(index=False)}


@pytest.mark.parametrize(
    ("figure", "expected"),
    [
        ((1.0, 2.0), "meets"),
        ((0.0, 3.0), "meets"),
        ((3.1, 4.0), "misses"),
        ((-2.0, -0.1), "misses"),
        ((2.0, 4.0), "undecided"),
        ((-1.0, 9.0), "undecided"),
        ((1.0, np.nan), "undecided"),
    ],
)
def test_verdict(figure, expected):
    # JCGM 106 (from memory): guard bands on both sides of each limit.
    assert verdict(Interval(*figure), Interval(0.0, 3.0)) == expected


@pytest.mark.parametrize(
    ("output_mv", "uncertainty", "expected"),
    [
        (4.2, 0.1, "meets"),
        (5.2, 0.1, "undecided"),  # 2 dB above 4.2 mV is 5.287
        (5.6, 0.1, "misses"),
        (3.0, 0.1, "misses"),  # 2 dB below is 3.336
        (3.4, 0.5, "undecided"),
    ],
)
def test_output(output_mv, uncertainty, expected):
    row = rate([metric("output_mv", output_mv, uncertainty)])["output_mv", "left"]
    assert (row.rated, row.measured, row.unit) == (4.2, output_mv, "mV")
    assert row.verdict == expected


def test_the_first_track_of_the_plan_counts():
    rows = rate([metric("output_mv", 9.0, position=2), metric("output_mv", 4.2, position=1)])
    assert rows["output_mv", "left"].measured == 4.2


@pytest.mark.parametrize(
    ("value", "expected"),
    [(-1.5, "meets"), (1.75, "undecided"), (-1.9, "undecided"), (2.5, "misses")],
)
def test_balance_has_no_side(value, expected):
    row = rate([metric("balance_db", value, channel="both")])["balance_db", "both"]
    assert row.measured == abs(value)
    assert row.verdict == expected


@pytest.mark.parametrize(
    ("value", "limited", "expected"),
    [
        (27.0, False, "meets"),
        (24.1, False, "undecided"),
        (20.0, False, "misses"),
        (27.0, True, "meets"),
        (20.0, True, "undecided"),
    ],
)
def test_separation_that_noise_limits_is_a_bound(value, limited, expected):
    uncertainty = np.nan if limited else 0.2
    rows = rate([metric("separation_1khz_db", value, uncertainty, limited=limited)])
    row = rows["separation_1khz_db", "left"]
    assert row.verdict == expected
    assert bool(row.note) == limited


@pytest.mark.parametrize(
    ("worst_db", "expected"), [(2.5, "meets"), (-2.9, "undecided"), (-3.5, "misses")]
)
def test_response_over_the_rated_band(worst_db, expected):
    row = rate(response_=response([20, 1000, 12_000, 20_000, 30_000], [1, 0, worst_db, 1, -9]))
    row = row["response_db", "left"]
    assert row.measured == abs(worst_db)
    assert row.rated == 3.0
    assert row.verdict == expected


def test_response_that_does_not_cover_the_band_can_only_miss():
    flat = rate(response_=response([500, 1000, 20_000], [0, 0, 1]))["response_db", "left"]
    assert flat.verdict == "undecided"
    assert "measured from 500 to 20000 Hz only" in flat.note
    bent = rate(response_=response([500, 1000, 20_000], [0, 0, 5]))["response_db", "left"]
    assert bent.verdict == "misses"


def test_an_end_of_the_band_between_two_readings_is_covered():
    frequency_hz = 1000.0 * 2.0 ** (np.arange(-140, 110) / 24.0)
    assert not np.isclose(frequency_hz, 20_000, rtol=0.007).any()
    off_db = -2.5 * np.log(np.maximum(frequency_hz, 1000.0) / 1000.0) / np.log(20.0)
    row = rate(response_=response(frequency_hz, off_db))["response_db", "left"]
    assert row.verdict == "meets"
    assert row.measured == pytest.approx(2.5, abs=1e-9)
    assert not row.note


def test_tracks_together_cover_the_band():
    together = pd.concat([response([20, 1000], [0.5, 0]), response([500, 1000, 20_000], [0, 0, 1])])
    assert rate(response_=together)["response_db", "left"].verdict == "meets"


def test_without_a_rated_deviation_there_is_no_verdict():
    sheet = {**SHEET, "response_db": None}
    row = rate(response_=response([20, 1000, 20_000], [0, 0, 4]), sheet=sheet)
    row = row["response_db", "left"]
    assert pd.isna(row.verdict)
    assert np.isnan(row.rated)
    assert row.measured == 4.0
    assert "gives no deviation" in row.note


@pytest.mark.parametrize(
    ("load_ohm", "load_pf", "expected"),
    [
        (47_000, 220, ("meets", "meets", "meets")),
        (50_000, 100, ("misses", "misses", "meets")),
        (47_000, 295, ("meets", "meets", "undecided")),
        (33_000, 500, ("misses", "meets", "misses")),
    ],
)
def test_load_inside_the_recommended_range(load_ohm, load_pf, expected):
    rows = rate(chain_=chain(load_ohm, load_pf))
    keys = [(name, "both") for name in ("load_ohm", "load_pf_min", "load_pf_max")]
    assert tuple(rows[key].verdict for key in keys) == expected


def test_a_wrong_load_is_noted_beside_what_it_acts_on():
    rows = rate(
        [metric("output_mv", 4.2)],
        response([20, 1000, 20_000], [0, 0, 1]),
        chain_=chain(47_000, 600),
    )
    assert "outside the recommended range" in rows["response_db", "left"].note
    assert "outside the recommended range" in rows["output_mv", "left"].note


def test_nothing_rated_gives_no_rows_and_rejected_captures_none():
    assert rate([metric("output_mv", 4.2)], sheet=None) == {}
    rejected = CAPTURES.assign(status="rejected")
    assert rate([metric("output_mv", 4.2)], captures=rejected) == {}


def test_table_is_as_declared():
    table = ratings_table(
        CAPTURES,
        response([20, 1000, 20_000], [0, 0, 1]),
        pd.DataFrame([metric("output_mv", 4.2), metric("balance_db", 0.3, channel="both")]),
        NO_BUDGETS,
        {"mm": Cartridge("mm", "moving_magnet", rated=SHEET)},
        {"bench": chain()},
        SETTINGS,
    )
    built = tables.build(RATINGS, {name: table[name].tolist() for name in RATINGS.names})
    assert built.num_rows == 6


def test_a_response_that_repeats_badly_is_undecided():
    """0.5 dB within the limit, known to 0.1 dB: repeats of 0.6 dB leave that open."""
    near = response([20, 1000, 10_000, 20_000], [0, 0, 2.5, 0])
    sheet = {"response_hz": [20, 20_000], "response_db": 3.0}
    assert rate(response_=near, sheet=sheet)["response_db", "left"].verdict == "meets"
    scattered = pd.DataFrame(
        {"metric": ["response_10khz_db"], "repeatability": [0.6], "repeatability_dof": [5.0]}
    )
    found = rate(response_=near, sheet=sheet, budgets=scattered)
    assert found["response_db", "left"].verdict == "undecided"


def test_repeats_of_a_response_widen_its_interval_as_student_asks():
    """5 degrees of freedom alone ask for 2.57 (JCGM 100, table G.2)."""
    repeats = response_repeats(
        pd.DataFrame(
            {"metric": ["response_10khz_db"], "repeatability": [0.2], "repeatability_dof": [5.0]}
        )
    )
    wide_db = repeats.expanded_db(np.array([1000.0, 10_000.0]), np.zeros(2))
    assert wide_db == pytest.approx([0.0, 0.2 * 2.571], abs=1e-3)


def test_each_repeats_by_the_budget_of_its_own_figure():
    names = ["response_5khz_db", "response_10khz_db", "output_mv"]
    budgets = pd.DataFrame(
        {"metric": names, "repeatability": [0.1, 0.3, 9.0], "repeatability_dof": np.inf}
    )
    wide_db = response_repeats(budgets).expanded_db(
        np.array([1000.0, 5000.0, 10_000.0]), np.zeros(3)
    )
    assert wide_db == pytest.approx([0.0, 0.1 * 1.96, 0.3 * 1.96], abs=1e-3)


@pytest.mark.parametrize(("output_mv", "expected"), [(3.2, "misses"), (4.2, "undecided")])
def test_an_output_that_noise_limits_is_at_most_what_was_read(output_mv, expected):
    row = rate([metric("output_mv", output_mv, limited=True)])["output_mv", "left"]
    assert row.verdict == expected


def test_a_balance_that_noise_limits_may_be_anything_above():
    rows = rate([metric("balance_db", 0.3, channel="both", limited=True)])
    assert rows["balance_db", "both"].verdict == "undecided"
    rows = rate([metric("balance_db", 2.5, channel="both", limited=True)])
    assert rows["balance_db", "both"].verdict == "undecided"


@pytest.mark.parametrize(("gap", "is_covered"), [(0.99 / 3.0, True), (1.01 / 3.0, False)])
def test_readings_a_third_of_an_octave_apart_show_the_end_between_them(gap, is_covered):
    """20 kHz on log frequency in the middle of two readings."""
    half = 2.0 ** (0.5 * gap)
    hz = [20.0, 1000.0, 20_000.0 / half, 20_000.0 * half]
    row = rate(response_=response(hz, [0.0, 0.0, 0.0, 2.0]))["response_db", "left"]
    assert (not row.note) == is_covered
    assert row.measured == pytest.approx(1.0 if is_covered else 0.0)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "is_covered"),
    [(20.09, 19_910.0, True), (20.11, 19_910.0, False), (20.09, 19_890.0, False)],
)
def test_a_band_is_covered_to_half_a_per_cent(low_hz, high_hz, is_covered):
    row = rate(response_=response([low_hz, 1000.0, high_hz], [0, 0, 1]))["response_db", "left"]
    assert row.verdict == ("meets" if is_covered else "undecided")


def test_an_end_beyond_all_readings_is_not_made_up():
    outer = response([16.0, 20.0, 1000.0, 20_000.0, 25_000.0], [9.0, 0.0, 0.0, 0.0, 9.0])
    assert rate(response_=outer)["response_db", "left"].measured == 0.0


@pytest.mark.parametrize(("ohm", "meets"), [(49_300.0, True), (49_400.0, False), (44_700.0, True)])
def test_a_load_resistance_meets_within_its_tolerance(ohm, meets):
    """47 kohm within 5 per cent: up to 49.35 kohm."""
    assert SETTINGS["load_tolerance_pct"] == 5.0
    rows = rate(chain_=chain(load_ohm=ohm))
    assert (rows["load_ohm", "both"].verdict == "meets") == meets


def test_a_capacitance_is_as_sure_as_its_tolerance():
    """A rectangle of 10 % about 220 pF: 12.7 pF standard, 24.9 pF for 95 %."""
    share = SETTINGS["capacitance_tolerance_pct"] / 100.0
    row = rate(chain_=chain(load_pf=220.0))["load_pf_max", "both"]
    assert row.uncertainty == pytest.approx(share * 220.0 / np.sqrt(3.0))
    most = 300.0 / (1.0 + 1.96 * share / np.sqrt(3.0))
    for pf, verdict_ in ((0.999 * most, "meets"), (1.001 * most, "undecided")):
        assert rate(chain_=chain(load_pf=pf))["load_pf_max", "both"].verdict == verdict_
    least = 150.0 / (1.0 - 1.96 * share / np.sqrt(3.0))
    for pf, verdict_ in ((1.001 * least, "meets"), (0.999 * least, "undecided")):
        assert rate(chain_=chain(load_pf=pf))["load_pf_min", "both"].verdict == verdict_


def test_bounds_and_responses_re_another_frequency_are_not_rated():
    good = response([20, 1000, 20_000], [0, 0, 1])
    for changes in ({"limited": True}, {"reference_hz": 400.0}, {"response_db": np.nan}):
        bad = response([500, 12_000], [9, 9]).assign(**changes)
        row = rate(response_=pd.concat([good, bad]))["response_db", "left"]
        assert row.measured == 1.0, changes
        assert row.verdict == "meets", changes
