"""Which covariates enter a model, and which are named as confounded."""

import numpy as np
import pytest
from statsmodels.stats.outliers_influence import variance_inflation_factor

from grooveledger.interpret.drift import covariates
from grooveledger.interpret.drift.covariates import (
    CHAIN,
    RECORD,
    RECORD_PLAYS,
    TEMPERATURE,
    CaptureConditions,
)
from grooveledger.interpret.drift.days import averaging

N = 24
LIMIT = 10.0
EVERYTHING = frozenset(covariates.ORDER)


def conditions(**changed):
    given = {
        "hours": 30.0 + 10.0 * np.arange(N),
        "plays": np.zeros(N),
        "temperature_c": np.full(N, 20.0),
        "record": np.full(N, "a/a"),
        "chain": np.full(N, "bench"),
    }
    return CaptureConditions(**(given | changed))


def choose(**changed):
    return covariates.choose_model(conditions(**changed), EVERYTHING, LIMIT)


def test_inflation_is_statsmodels():
    rng = np.random.default_rng(1)
    x = rng.standard_normal(30)
    z = 0.9 * x + 0.4 * rng.standard_normal(30)
    design = np.column_stack([np.ones(30), x, z])
    found = covariates.variance_inflation(x, design[:, [0, 2]])
    assert found == pytest.approx(variance_inflation_factor(design, 1))


def test_inflation_of_a_combination_is_infinite():
    x = np.arange(5.0)
    assert covariates.variance_inflation(x, np.column_stack([np.ones(5), 3 * x])) == np.inf


def test_what_does_not_vary_confounds_nothing():
    assert choose().names == ()
    assert choose().confounded == ()


def test_plays_that_move_with_hours_are_confounded():
    model = choose(plays=np.arange(float(N)))
    assert model.names == ()
    assert model.confounded == (RECORD_PLAYS,)


def test_a_second_copy_tells_plays_apart():
    second = np.arange(N) % 4 == 2
    plays = np.where(second, np.cumsum(second), np.cumsum(~second)) - 1.0
    model = choose(plays=plays, record=np.where(second, "b/a", "a/a"))
    assert model.names == (RECORD, RECORD_PLAYS)
    assert model.confounded == ()
    np.testing.assert_allclose(model.columns[:, 1], plays / 100.0)


def test_a_warm_room_that_comes_and_goes_enters():
    model = choose(temperature_c=20.0 + 3.0 * np.sin(np.arange(N)))
    assert model.names == (TEMPERATURE,)


def test_a_room_that_warms_with_the_hours_is_confounded():
    assert choose(temperature_c=15.0 + 0.4 * np.arange(N)).confounded == (TEMPERATURE,)


def test_a_thermometers_own_scatter_is_no_change():
    wobble = np.where(np.arange(N) % 2, 0.1, -0.1)
    assert choose(temperature_c=20.0 + wobble).names == ()


def test_a_few_missing_temperatures_stand_at_the_median():
    temperature = 20.0 + 3.0 * np.sin(np.arange(N))
    temperature[[2, 9]] = np.nan
    model = choose(temperature_c=temperature)
    np.testing.assert_array_equal(model.columns[[2, 9], 0], 0.0)
    temperature[::2] = np.nan
    assert choose(temperature_c=temperature).names == ()


def test_a_chain_changed_midway_enters_relative_to_the_newest():
    chain = np.where(np.arange(N) < 12, "old", "new")
    model = choose(chain=chain)
    assert model.names == (CHAIN,)
    np.testing.assert_array_equal(model.columns[:, 0], chain == "old")


def test_records_that_change_at_every_capture_leave_nothing_to_fit():
    assert choose(record=np.array([f"{i}/a" for i in range(N)])).confounded == (RECORD,)


def test_what_a_metric_may_be_moved_by():
    assert RECORD_PLAYS not in covariates.plausible("speed_error_pct")
    assert TEMPERATURE in covariates.plausible("resonance_lateral_hz")
    assert covariates.plausible("hum_db") == {CHAIN}
    assert covariates.plausible("response_10khz_db") == EVERYTHING
    assert RECORD_PLAYS not in covariates.plausible("response_100hz_db")


def test_two_records_on_each_day_are_no_covariate():
    """Averaged over the days both have one half, but for rounding."""
    n = 20
    record = np.array(["a", "b"] * (n // 2))
    hours = 30.0 + np.arange(n) // 2 * 7.3 + 0.1 * (np.arange(n) % 2)
    nothing = np.full(n, np.nan)
    conditions = CaptureConditions(hours, nothing, nothing, record, np.full(n, "bench"))
    means = averaging(np.array([f"{i // 2:02d}" for i in range(n)]), hours)
    model = covariates.choose_model(conditions, EVERYTHING, LIMIT, means=means)
    assert model.names == ()
    assert model.confounded == ()
    jittered = np.full(10, 0.5) + 1e-16 * np.arange(10)
    assert covariates.variance_inflation(jittered, np.ones((10, 1))) == np.inf
