"""Stated intervals and ratings against archives of known truth.

A small version of scripts/studies/uncertainty_study.py, which draws hundreds of archives.
"""

import pandas as pd
import pytest

import uncertainty_study as study

ARCHIVES, DAYS = 16, 3
#: Metrics whose truth the study knows; not those of a vertical two-tone track, of cut noise, of a
#: lateral sweep, of quasi-peak readings.
STUDIED = 38


@pytest.fixture(scope="module")
def archives():
    parts = [study.archive(seed, DAYS) for seed in range(5000, 5000 + ARCHIVES)]
    return [pd.concat([part[i] for part in parts], ignore_index=True) for i in (0, 1)]


def test_errors_lie_within_their_intervals(archives):
    """95 % is stated; so few archives leave each metric a wide margin, and all of them a small."""
    found = study.coverage(archives[0]).set_index("metric")
    assert found["held"].mean() == pytest.approx(0.965, abs=0.03)
    assert found["held"].min() > 0.75
    assert found["width"].median() < 1.5


def test_most_metrics_are_studied_and_all_have_an_uncertainty(archives):
    studied = archives[0]["truth"].notna() | archives[0]["metric"].isin(study.BY_MEAN)
    assert archives[0].loc[studied, "metric"].nunique() >= STUDIED
    stated = archives[0][archives[0]["value"].notna() & ~archives[0]["limited"].astype(bool)]
    assert (stated["expanded"] > 0.0).all()


def test_ratings_are_rarely_wrong(archives):
    rated = archives[1][archives[1]["verdict"].notna()]
    assert rated["wrong"].mean() <= 0.05
    assert (rated["verdict"] != "undecided").mean() > 0.3
