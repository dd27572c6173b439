"""Stated intervals and ratings against archives of known truth.

A small version of scripts/studies/uncertainty_study.py, which draws hundreds of archives.
"""

import pandas as pd
import pytest

import uncertainty_study as study
from grooveledger.measure.quantities import METRICS

ARCHIVES, DAYS = 16, 3
#: The study's record has no vertical two-tone track, no cut noise and no lateral sweep, and its
#: stand-in for a silent groove no quasi-peak readings.
NOT_STUDIED = {"vertical_angle_error_deg", "tracing_radius_um", "noise_balance_db", "noise_468_db",
               "phase_10khz_deg", "balance_10khz_db"}  # fmt: skip


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


def test_every_metric_is_studied_and_has_an_uncertainty(archives):
    studied = archives[0]["truth"].notna() | archives[0]["metric"].isin(study.BY_MEAN)
    assert set(archives[0].loc[studied, "metric"]) == set(METRICS) - NOT_STUDIED
    stated = archives[0][archives[0]["value"].notna() & ~archives[0]["limited"].astype(bool)]
    assert (stated["expanded"] > 0.0).all()


def test_ratings_are_rarely_wrong(archives):
    rated = archives[1][archives[1]["verdict"].notna()]
    assert rated["wrong"].mean() <= 0.05
    assert (rated["verdict"] != "undecided").mean() > 0.3
