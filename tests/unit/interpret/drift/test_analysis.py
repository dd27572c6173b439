"""The fits of an archive, which its tables share."""

import numpy as np
import pytest

import drift_histories as study
from grooveledger.interpret.drift.analysis import analyse_archive

HOURS = 30.0 + 10.0 * np.arange(12)
VALUES = np.random.default_rng(4).standard_normal((2, 12))


def test_each_stylus_has_its_page_and_the_settings_their_defaults():
    tables = [study.long_table(VALUES[:k], HOURS, stylus=s) for k, s in ((2, "b"), (1, "a"))]
    found = analyse_archive(*study.archive_of(*tables), {"minimum_captures": 12})
    assert [history.stylus for history in found.histories] == ["a", "b"]
    assert {name: page.figures for name, page in found.pages.items()} == {"a": 1, "b": 2}
    assert found.settings.minimum_captures == 12
    assert found.settings.break_in_hours == 30.0
    too_few = analyse_archive(*study.archive_of(*tables), {"minimum_captures": 13})
    assert all(page.figures == 0 and page.tested == () for page in too_few.pages.values())


def test_scatter_is_that_of_the_archives_repeats_with_noise_and_speed_in_it():
    """Independent parts of 0.3, 0.4 and 1.2: 1.3. A default is no scatter of the archive's own."""
    metrics, captures, styli = study.archive_of(
        study.long_table(VALUES, HOURS).assign(track_position=0)
    )
    budgets = metrics[["capture", "metric", "channel", "track_position"]].assign(
        repeatability=0.3,
        u_noise=0.4,
        u_speed=1.2,
        repeatability_from=np.where(metrics["channel"] == "h00000", "repeats", "default"),
    )
    (history,) = analyse_archive(metrics, captures, styli, {}, budgets).histories
    assert history.scatter[0] == pytest.approx(1.3)
    assert np.isnan(history.scatter[1])
    np.testing.assert_array_equal(history.values, VALUES)
    (history,) = analyse_archive(metrics, captures, styli, {}).histories
    assert np.isnan(history.scatter).all()
