"""Control charts: published run lengths, and flags where they belong."""

import numpy as np
import pandas as pd
import pytest

import drift_histories as study
from grooveledger.interpret.drift import (
    analyse_archive,
    control,
    control_table,
    odd_captures_table,
)


def average_run(weight, limit_sds, shift=0.0, points=201):
    """Average run length of an exponentially weighted mean, by its integral equation."""
    half = limit_sds * np.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(points)
    nodes, weights = half * nodes, half * weights
    z = (nodes[None, :] - (1.0 - weight) * nodes[:, None]) / weight - shift
    kernel = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) / weight * weights[None, :]
    runs = np.linalg.solve(np.eye(points) - kernel, np.ones(points))
    start = (nodes / weight - shift) ** 2
    return 1.0 + float(np.exp(-0.5 * start) / np.sqrt(2.0 * np.pi) / weight * weights @ runs)


def test_run_lengths_of_lucas_and_saccucci():
    # Lucas & Saccucci (1990): 500 in control; the rest by the integral equation, computed.
    weight, limit = control.EWMA_WEIGHT, control.EWMA_LIMIT_SDS
    assert average_run(weight, limit) == pytest.approx(499.7, abs=1.0)
    assert average_run(weight, limit, 1.0) == pytest.approx(10.54, abs=0.02)


def test_limits_grow_as_published():
    # sqrt(w / (2 - w) (1 - (1 - w)^(2 i))) at w = 0.2.
    _, limit = control.ewma(np.zeros(10))
    np.testing.assert_allclose(
        limit[[0, 1, 2, 4, 9]] / control.EWMA_LIMIT_SDS,
        [0.2, 0.25612, 0.28633, 0.31493, 0.33141],
        atol=5e-6,
    )


def test_worked_example():
    # NIST/SEMATECH e-Handbook, EWMA charts: data and results from memory; limits recomputed.
    data = np.array(
        [
            (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
            (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
        ]
    ).ravel()
    sd = 2.0539
    mean, limit = control.ewma((data - 50.0) / sd, 0.3, 3.0)
    np.testing.assert_allclose(
        50.0 + sd * mean[[0, 1, 9, 19]], [50.60, 49.52, 50.33, 51.99], atol=0.006
    )
    assert 50.0 + sd * limit[-1] == pytest.approx(52.588, abs=0.001)


def chart(values, hours, **conditions):
    metrics = study.long_table(values, hours, **conditions)
    captures = pd.DataFrame({"capture": metrics["capture"].unique(), "status": "ok"})
    styli = pd.DataFrame({"stylus": ["one"], "break_in_hours": np.nan})
    return control.control_table(metrics, captures, styli, {})


def history(count=1, n=25, slope=0.0):
    rng = np.random.default_rng(5)
    hours = 30.0 + 10.0 * np.arange(n)
    return slope * (hours - 30.0) / 100.0 + 0.1 * rng.standard_normal((count, n)), hours


def test_newest_capture_is_seldom_flagged_without_cause():
    values, hours = history(1000, slope=-0.5)
    newest = chart(values, hours).query("newest")
    assert len(newest) == 1000
    # One test for the whole capture: seldom any of the thousand.
    assert newest["flagged"].sum() <= 1


def test_newest_capture_off_by_six_sigmas_is_flagged():
    values, hours = history(100, slope=-0.5)
    values[:, -1] += 0.6
    newest = chart(values, hours).query("newest")
    assert newest["flagged"].any()
    alone = [chart(row[None], hours).query("newest")["flagged"].iloc[0] for row in values[::4]]
    assert np.mean(alone) > 0.9
    assert set(newest.loc[newest["flagged"], "reason"]) == {"beyond the limits"}


def test_bands_are_as_wide_as_their_days_scatter():
    """Scatter that grows threefold: so do the bands, which late captures are judged by."""
    rng = np.random.default_rng(16)
    hours = 30.0 + 10.0 * np.arange(40)
    sd = 0.1 * np.linspace(0.5, 1.5, 40)
    values = sd * rng.standard_normal((60, 40))
    values[:, -1] = 0.0
    values[:2, -1] = 4.0 * sd[-1]
    found = chart(values, hours)
    width = (found["high"] - found["low"]).to_numpy().reshape(60, 40)
    ratio = width[:, -2] / width[:, 0]
    assert np.ptp(ratio) < 1e-9
    assert ratio[0] == pytest.approx(sd[-2] / sd[0], rel=0.15)
    newest = found[found["newest"]]
    assert newest["high"].median() == pytest.approx(width[:, -2].mean() / 2.0, rel=0.2)
    # Sixty figures allow for four standard deviations of the newest day, over five of the usual.
    assert not newest["flagged"].any()
    values[:2, -1] = 6.0 * sd[-1]
    assert chart(values, hours).query("newest")["flagged"].sum() == 2


def test_only_the_newest_can_be_flagged():
    values, hours = history()
    values[0, 10] += 5.0
    found = chart(values, hours)
    assert not found["flagged"].any()
    assert list(found["newest"]) == [False] * 24 + [True]


def test_a_first_capture_on_another_chain_is_predicted_by_nothing():
    values, hours = history()
    chain = np.array(["bench"] * 24 + ["other"], dtype=object)
    assert is_bare(chart(values, hours, chain=chain))


def test_too_few_captures_have_no_chart():
    values, hours = history(n=6)
    assert is_bare(chart(values, hours))


def test_two_days_more_than_the_model_holds_predict_the_newest():
    """A constant and the hours: four days before the newest are enough, if the settings say so."""
    values, hours = history(n=7)
    record = np.array(["a", "b", "a", "b", "a", "b", "a"], dtype=object)
    table = study.long_table(values, hours, record=record)
    metrics, captures, styli = study.archive_of(table)
    for least, n, is_charted in ((4, 5, True), (6, 7, True), (7, 7, False), (5, 5, False)):
        kept = metrics[metrics["stylus_hours"] < 30.0 + 10.0 * n]
        settings = {"minimum_captures": least, "variance_inflation_limit": 1e9}
        found = control.control_table(kept, captures, styli, settings)
        assert bool(found["newest"].any()) == is_charted, (least, n)


def is_bare(found):
    """Say whether rows have nothing but their figure and its fit."""
    none = found[["centre", "low", "high", "ewma", "ewma_limit"]].isna().all(axis=None)
    return (
        none and found["fitted"].notna().all() and not found[["newest", "flagged"]].any(axis=None)
    )


@pytest.mark.parametrize("step", [0.0, 2.0])
def test_the_fit_to_all_days_is_given_with_record_and_step_in_it(step):
    values, hours = history()
    record = np.array(["a", "b"] * 12 + ["a"], dtype=object)
    values = 0.1 * values - 0.5 * (hours - 30.0) / 100.0 + 0.8 * (record == "b")
    values += step * (hours > 145.0)
    found = chart(values, hours, record=record)
    assert found["fitted"].to_numpy() == pytest.approx(values[0], abs=0.05)


def test_no_band_is_narrower_than_the_archives_repeats():
    """Values within 0.01 dB of a line, of figures that repeat within 0.2 dB elsewhere."""
    rng = np.random.default_rng(3)
    values = 0.01 * rng.standard_normal((1, 12))
    values[0, -1] += 0.5
    hours = 30.0 + 10.0 * np.arange(12)
    archive = study.archive_of(study.long_table(values, hours).assign(track_position=0))
    names = ["capture", "metric", "channel", "track_position"]
    budgets = archive[0][names].assign(
        repeatability=0.2, repeatability_from="repeats", u_noise=np.nan, u_speed=np.nan
    )
    alone = control_table(*archive, {})
    known = control_table(*archive, {}, analyse_archive(*archive, {}, budgets))
    assert alone["flagged"].any()
    assert not known["flagged"].any()
    assert (known["high"] - known["low"]).min() > 2.0 * 0.2
    assert not len(odd_captures_table(*archive, {}, analyse_archive(*archive, {}, budgets)))


def test_heavy_tails_make_no_capture_odd():
    """Student t of three degrees of freedom: 60 figures that scatter widely now and then."""
    named = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        values = rng.standard_t(3, (60, 12))
        archive = study.archive_of(study.long_table(values, 30.0 + 10.0 * np.arange(12)))
        analysis = analyse_archive(*archive, {"least_changes": {study.METRIC: None}})
        newest = control_table(*archive, {}, analysis)["flagged"].any()
        named += bool(newest or len(odd_captures_table(*archive, {}, analysis)))
    assert named <= 2


def test_copies_of_one_day_are_charted_each_by_itself():
    """Two copies 1 dB apart on every day: the newest of them is no odd capture."""
    rng = np.random.default_rng(8)
    day = np.arange(24) // 2
    second = np.arange(24) % 2 == 1
    values = np.where(second, -1.0, 0.0) + 0.05 * rng.standard_normal((6, 24))
    table = study.long_table(values, 30.0 + 10.0 * day + 0.5 * second, day=day)
    table["copy"] = np.tile(np.where(second, "new", "old"), 6)
    found = control_table(*study.archive_of(table), {})
    assert not found["flagged"].any()
    assert np.abs(found["value"] - found["centre"]).max() < 0.25
    odd = table["value"].where(table["capture"] != "one-00023", table["value"] + 1.0)
    assert control_table(*study.archive_of(table.assign(value=odd)), {})["flagged"].any()
