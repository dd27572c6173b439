"""Random sides and captures in which something went wrong: every track where it was, or missing."""

import numpy as np
import pytest
import yaml

from benchmark_segmentation import BLOCK, BOUNDARY_S, RATE_HZ, score
from grooveledger.simulate.layouts import random_layout

SETTINGS = {
    key: value["default"] for key, value in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
#: Layouts from this seed on: others than those that the thresholds were looked at with.
FIRST_SEED, LAYOUTS = 1000, 50
#: What is asked for over many layouts; no track may be where another one was.
PRECISION_MIN, RECALL_MIN = 0.995, 0.99


@pytest.fixture(scope="module")
def scores(tmp_path_factory):
    folder = tmp_path_factory.mktemp("layouts")
    return [
        score(random_layout(seed, RATE_HZ), folder, SETTINGS)
        for seed in range(FIRST_SEED, FIRST_SEED + LAYOUTS)
    ]


def test_no_track_is_taken_for_another(scores):
    assert sum(one.wrong for one in scores) == 0


def test_tracks_are_found_or_told_to_be_missing(scores):
    right, missed = sum(one.right for one in scores), sum(one.missed for one in scores)
    assert right / (right + missed) >= RECALL_MIN
    assert all(one.told for one in scores if one.missed)


def test_ends_are_where_they_were(scores):
    errors_s = np.abs([error_s for one in scores for error_s in one.ends_s])
    assert np.mean(errors_s < BOUNDARY_S) >= PRECISION_MIN
    assert np.median(errors_s) < 0.01
