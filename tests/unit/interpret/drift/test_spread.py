"""Scatter that grows or shrinks with the hours: seen where it is there, and only there."""

import numpy as np
import pytest

import drift_histories as study
from grooveledger.interpret.drift import drift_table, odd_captures_table, spread
from grooveledger.interpret.drift.serial import Correlation, Sample
from grooveledger.interpret.drift.spread import Scatter, Spread

DAYS, FIGURES = 40, 30
ALONE = Correlation(0.0, by_date=False)


def page(rng, last=1.0, lag=0.0, days=DAYS, figures=FIGURES, first=1.0, shared=0.0):
    """Return figures on a bent line whose scatter goes evenly from `first` to `last`."""
    hours = 30.0 + np.cumsum(rng.exponential(10.0, days))
    since = (hours - hours[0]) / np.ptp(hours)
    values = np.sqrt(1.0 - shared) * rng.standard_normal((figures, days))
    values += np.sqrt(shared) * rng.standard_normal((1, days))
    for i in range(1, days):
        values[:, i] = lag * values[:, i - 1] + np.sqrt(1.0 - lag**2) * values[:, i]
    values = values * (first + (last - first) * since) + 5.0 - 3.0 * since
    design = np.column_stack([np.ones(days), since, since**2])
    return Sample(design, values, hours, hours)


def estimated(*samples, correlation=ALONE):
    """Return the spread of samples of the same days."""
    days = len(samples[0].hours)
    keys = np.random.default_rng(5).random((999, days))
    return spread.estimate(samples, [np.arange(days)] * len(samples), correlation, keys)


def ends(found, sample):
    """Return how far the last day scatters beside the first."""
    first, last = found.at(sample.hours[[0, -1]], sample.date[[0, -1]])
    return last / first


def test_days_scatter_alike_unless_said():
    hours, date = np.array([0.0, 50.0, -100.0]), np.array([1000.0, np.nan, 1100.0])
    assert Spread().at(hours, date).tolist() == [1.0, 1.0, 1.0]
    assert Spread(0.5, 0.01).at(hours, date).tolist() == [0.5, 1.0, 0.1]
    assert Spread(-9.0, 0.01, by_date=True).at(hours, date).tolist() == [1.0, 1.0, 2.0]


def test_whitened_days_are_independent_and_of_equal_size():
    """The whitening W of a covariance S: W S W' is the unit matrix."""
    hours = np.array([0.0, 10.0, 20.0, 30.0])
    scatter = Scatter(Spread(0.5, 0.02), Correlation(0.6, by_date=False))
    away = np.abs(hours[:, None] - hours) / 10.0
    sd = 0.5 + 0.02 * hours
    w = scatter.white(np.eye(4), hours, hours)
    np.testing.assert_allclose(w @ (0.6**away * np.outer(sd, sd)) @ w.T, np.eye(4), atol=1e-12)


@pytest.mark.parametrize(("first", "last"), [(1.0, 3.0), (3.0, 1.0)])
@pytest.mark.parametrize("lag", [0.0, 0.5])
def test_a_known_change_is_recovered(first, last, lag):
    rng = np.random.default_rng(1)
    ratios = []
    for _ in range(20):
        made = page(rng, last, lag, first=first)
        ratios.append(ends(estimated(made, correlation=Correlation(lag, by_date=False)), made))
    assert np.mean(np.log(ratios)) == pytest.approx(np.log(last / first), abs=0.1)


def test_the_clock_by_which_scatter_grows_is_chosen():
    made = page(np.random.default_rng(14), 3.0)
    other = np.arange(DAYS) ** 4.0
    by_hours = made._replace(date=other)
    by_date = made._replace(hours=other)
    unknown = made._replace(date=np.full(DAYS, np.nan))
    assert not estimated(by_hours).by_date
    assert estimated(by_date).by_date
    assert ends(estimated(by_date), by_date) == pytest.approx(ends(estimated(by_hours), by_hours))
    assert estimated(unknown) == estimated(made)


def test_the_mean_square_is_one():
    made = page(np.random.default_rng(2), 3.0)
    assert np.mean(estimated(made).at(made.hours, made.date) ** 2) == pytest.approx(1.0)


@pytest.mark.parametrize(
    "kind", [{}, {"shared": 0.5}, {"shared": 1.0}, {"lag": 0.5}, {"days": 9}, {"figures": 1}]
)
def test_without_a_change_none_is_seen_but_by_chance(kind):
    """One page in 100 by chance: five or more of 100 have a probability of 0.3 %."""
    rng = np.random.default_rng(3)
    correlation = Correlation(kind.get("lag", 0.0), by_date=False)
    pages = (page(rng, **kind) for _ in range(100))
    seen = sum(estimated(made, correlation=correlation) != Spread() for made in pages)
    assert seen <= 4


def test_heavy_tails_are_no_change():
    rng = np.random.default_rng(4)
    seen = 0
    for _ in range(100):
        made = page(rng)
        seen += estimated(made._replace(values=rng.standard_t(3, made.values.shape))) != Spread()
    assert seen <= 4


def test_units_of_the_figures_and_their_order_do_not_count():
    rng = np.random.default_rng(6)
    made = page(rng, 3.0)
    found = estimated(made)
    units = 10.0 ** rng.uniform(-3.0, 3.0, (FIGURES, 1))
    other = made._replace(values=(units * made.values)[rng.permutation(FIGURES)])
    np.testing.assert_allclose(estimated(other), found, rtol=1e-9)


def test_figures_may_be_measured_by_other_captures():
    """Two groups with the same days say what one with all figures says."""
    made = page(np.random.default_rng(7), 3.0)
    parts = [made._replace(values=made.values[part]) for part in (slice(0, 10), slice(10, None))]
    np.testing.assert_allclose(estimated(*parts), estimated(made), rtol=1e-9)


def test_one_day_far_off_is_no_growth():
    made = page(np.random.default_rng(8))
    made.values[:, -1] += 8.0
    assert estimated(made) == Spread()


def test_a_late_step_of_all_figures_is_no_growth():
    made = page(np.random.default_rng(9))
    made.values[:, -8:] += 4.0
    assert estimated(made) == Spread()


def test_figures_without_scatter_have_no_spread():
    made = page(np.random.default_rng(10))
    flat = made._replace(values=np.ones_like(made.values))
    assert estimated(flat) == Spread()
    few = page(np.random.default_rng(10), 3.0, days=5)
    assert estimated(few) == Spread()


def test_even_days_scatter_alike():
    made = page(np.random.default_rng(11), 3.0)
    assert estimated(spread.even(made, estimated(made))) == Spread()


def test_without_a_change_the_table_is_what_it_was(monkeypatch):
    rng = np.random.default_rng(12)
    values = rng.standard_normal((10, 20))
    archive = study.archive_of(study.long_table(values, study.uneven_hours(rng, 20)))
    tested = drift_table(*archive, {})
    monkeypatch.setattr(spread, "estimate", lambda *_: Spread())
    assert drift_table(*archive, {}).equals(tested)


def test_growing_scatter_is_no_trend():
    """Slopes cover the truth as stated, and no page of ten says that anything moves."""
    rng = np.random.default_rng(13)
    moves, covers = [], []
    for _ in range(10):
        values = rng.standard_normal((60, 20)) * np.linspace(0.5, 1.5, 20)
        archive = study.archive_of(study.long_table(values, study.uneven_hours(rng, 20)))
        rows = drift_table(*archive, {"least_changes": {study.METRIC: None}})
        moves.append((rows["verdict"] != "steady").any() or rows["change_at_hours"].notna().any())
        covers.append(study.holds(rows, 0.0))
    assert sum(moves) <= 2
    assert np.mean(covers) == pytest.approx(0.95, abs=0.025)


def test_late_captures_of_growing_scatter_are_not_odd():
    rng = np.random.default_rng(17)
    named = 0
    for _ in range(10):
        values = rng.standard_normal((60, 20)) * np.linspace(0.5, 1.5, 20)
        archive = study.archive_of(study.long_table(values, study.uneven_hours(rng, 20)))
        named += len(odd_captures_table(*archive, {"least_changes": {study.METRIC: None}}))
    assert named == 0


def test_a_capture_that_is_off_stays_odd_where_scatter_grows():
    rng = np.random.default_rng(18)
    for day in (3, 15):
        sd = np.linspace(0.5, 1.5, 20)
        values = rng.standard_normal((60, 20)) * sd
        values[:5, day] += 12.0 * sd[day]
        archive = study.archive_of(study.long_table(values, 30.0 + 10.0 * np.arange(20)))
        odd = odd_captures_table(*archive, {"least_changes": {study.METRIC: None}})
        assert list(odd["capture"]) == [f"one-{day:05d}"]
        assert odd["deviation"].iloc[0] == pytest.approx(12.0 * sd[day], abs=4.0 * sd[day])


def test_odd_days_are_odd_by_what_their_own_days_scatter():
    """Twelve standard deviations of a quiet day are drawn in; what is usual of late days is not."""
    sd = np.linspace(0.2, 3.0, 40)
    quiet, late = [], []
    for seed in range(4):
        values = sd * np.random.default_rng([20, seed]).standard_normal((60, 40))
        values[0, 3] = 12.0 * sd[3]
        table = study.long_table(values, 30.0 + 10.0 * np.arange(40))
        n_odd = drift_table(*study.archive_of(table), {})["n_odd"]
        quiet.append(n_odd.iloc[0])
        late.append(n_odd.iloc[1:].sum())
    assert quiet == [1, 1, 1, 1]
    # By the scatter of all days together 4 to 12 a page would be.
    assert sum(late) <= 4
