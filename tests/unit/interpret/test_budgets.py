"""What uncertainties are made of, and how repeats enter them."""

import numpy as np
import pytest

from grooveledger.interpret.budgets import budgets
from grooveledger.interpret.repeatability import SAME, Repeatability, repeats
from grooveledger.measure.declaration import Metric
from grooveledger.schemas.capture_metrics import COMPONENTS

DECLARED = {
    "response_db": Metric("response_db", "dB", "", repeatability=0.3),
    "output_mv": Metric("output_mv", "mV", "", repeatability=0.02),
}


def rows(values, days, metric="response_db", **changes):
    n = len(values)
    columns = {
        "metric": np.full(n, metric, object),
        "channel": np.full(n, "left", object),
        "track_position": np.zeros(n),
        "value": np.array(values, float),
        "limited": np.zeros(n, bool),
        "capture": np.array([f"c{i}" for i in range(n)], object),
        "captured_at": np.array(days, object),
        **{name: np.full(n, "a", object) for name in SAME},
        **{f"u_{name}": np.full(n, np.nan) for name in COMPONENTS},
    }
    return columns | {name: np.asarray(value) for name, value in changes.items()}


def test_repeats_of_a_day_are_pooled_by_their_degrees_of_freedom():
    """Variances 0.02 (1 degree) and 0.01 (2 degrees) pool to 0.04 / 3, worked by hand."""
    values = [1.0, 1.2, 5.0, 5.1, 5.2, 9.0]
    days = ["2026-01-01T10:00", "2026-01-01T11:00", *["2026-02-01"] * 3, "2026-03-01"]
    found = repeats(rows(values, days), DECLARED)["response_db"]
    assert found.sd == pytest.approx(np.sqrt(0.04 / 3.0))
    assert (found.degrees_of_freedom, found.source) == (3.0, "repeats")


def test_what_noise_explains_is_not_counted_twice():
    days = ["2026-01-01"] * 2
    one = repeats(rows([1.0, 1.2], days, u_noise=[0.1, 0.1]), DECLARED)["response_db"]
    assert one.sd == pytest.approx(0.1)  # 0.02 less 0.01
    assert one.scatter == pytest.approx(np.sqrt(0.02))
    assert repeats(rows([1.0, 1.2], days, u_noise=[0.5, 0.5]), DECLARED)["response_db"].sd == 0.0


@pytest.mark.parametrize("name", SAME)
def test_captures_that_differ_in_anything_are_no_repeats(name):
    other = rows([1.0, 1.2], ["2026-01-01"] * 2, **{name: np.array(["a", "b"], object)})
    found = repeats(other, DECLARED)["response_db"]
    assert (found.sd, found.degrees_of_freedom, found.source) == (0.3, np.inf, "default")


def test_outputs_of_loud_and_soft_cartridges_are_pooled_as_fractions():
    values = [5.0, 5.1, 0.5, 0.51]
    days = ["2026-01-01"] * 2 + ["2026-01-02"] * 2
    found = repeats(rows(values, days, metric="output_mv"), DECLARED)["output_mv"]
    assert found.sd == pytest.approx(0.1 / np.sqrt(2.0) / 5.05, rel=1e-6)


def test_a_budget_combines_its_components():
    """Noise 0.3, record 0.4 and repeats 0.2 make the root of 0.29, worked by hand."""
    one = rows([1.0, np.nan, 2.0], ["2026-01-01"] * 3, u_noise=[0.3] * 3, u_record=[0.4] * 3,
               limited=np.array([False, False, True]))  # fmt: skip
    known = {"response_db": Repeatability(0.2, np.nan, 8.0, "repeats")}
    found = budgets(one, known, DECLARED)
    assert found["uncertainty"][0] == pytest.approx(np.sqrt(0.29))
    random_share = 0.13 / 0.29
    assert found["degrees_of_freedom"][0] == pytest.approx(8.0 / random_share**2)
    assert 1.8 < found["coverage_factor"][0] < 2.1
    assert found["expanded"][0] == found["coverage_factor"][0] * found["uncertainty"][0]
    assert np.isnan(found["uncertainty"][1:]).all()
    assert found["repeatability_from"] == ["repeats", None, None]


@pytest.mark.parametrize(
    ("right", "degrees"), [([1.0, 1.2, 5.0, 5.2], 2.0), ([2.0, 2.2, 4.2, 4.0], 4.0)]
)
def test_channels_count_as_the_independent_ones_they_amount_to(right, degrees):
    """Channels that move alike on both days are one; those that move independently are two."""
    days = ["2026-01-01"] * 2 + ["2026-02-01"] * 2
    both = [rows(values, days, channel=np.full(4, name, object))
            for name, values in (("left", [1.0, 1.2, 5.0, 5.2]), ("right", right))]  # fmt: skip
    joined = {name: np.concatenate([part[name] for part in both]) for name in both[0]}
    found = repeats(joined, DECLARED)["response_db"]
    assert found.degrees_of_freedom == pytest.approx(degrees)
