"""The least change of a figure that is worth a word."""

import pytest

from grooveledger.interpret.drift.sizes import least_change
from grooveledger.measure.quantities import METRICS

PROPORTIONAL = next(name for name, m in METRICS.items() if m.least_share > 0.0)
PLAIN = next(name for name, m in METRICS.items() if m.least_change > 0.0 and not m.least_share)


def test_what_the_configuration_says_comes_first_and_null_is_none():
    assert least_change(PLAIN, 5.0, {PLAIN: 0.7}) == 0.7
    assert least_change(PLAIN, 5.0, {PLAIN: None}) == 0.0
    assert least_change(PLAIN, 5.0, {"another": 0.7}) == METRICS[PLAIN].least_change


def test_a_share_counts_from_the_size_of_the_figure():
    metric = METRICS[PROPORTIONAL]
    large = 1e3 + 10.0 * metric.least_change / metric.least_share
    for value in (large, -large):
        assert least_change(PROPORTIONAL, value, {}) == pytest.approx(metric.least_share * large)
    for value in (0.0, float("nan")):
        assert least_change(PROPORTIONAL, value, {}) == metric.least_change


def test_a_metric_that_nobody_declares_has_none():
    assert least_change("invented", 5.0, {}) == 0.0
