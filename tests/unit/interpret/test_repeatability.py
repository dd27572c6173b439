"""Repeats of one day pooled over the archive, worked by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from grooveledger.interpret.repeatability import (
    Rest,
    independent_share,
    playing_scatter,
    repeats,
)

METRICS = {
    "level": SimpleNamespace(is_proportional=False, usual_repeatability=0.2),
    "share": SimpleNamespace(is_proportional=True, usual_repeatability=0.05),
}
PLACE = {
    "stylus": "one", "record": "r", "side": "a", "copy": "c", "chain": "bench", "channel": "left",
    "track_position": 1, "limited": False, "u_noise": 0.0, "u_speed": 0.0,
    "captured_at": "2024-01-02T10:00", "metric": "level",
}  # fmt: skip


def table(*rows):
    made = [{**PLACE, "capture": f"c{i}", **row} for i, row in enumerate(rows)]
    return {
        name: np.array(
            [row[name] for row in made], dtype=object if isinstance(value, str) else None
        )
        for name, value in made[0].items()
    }


def test_variances_are_averaged_by_their_degrees():
    """Deviations of +-1 with one degree, and of -1, 0, 1 with two: (2 * 1 + 1 * 2) / 3."""
    next_day = {"captured_at": "2024-01-03T09:00"}
    made = repeats(
        table({"value": 4.0}, {"value": 6.0}, *({"value": v, **next_day} for v in (1.0, 2.0, 3.0))),
        METRICS,
    )["level"]
    assert made.source == "repeats"
    assert made.sd == made.scatter == pytest.approx(np.sqrt(4.0 / 3.0))
    assert made.degrees_of_freedom == pytest.approx(3.0)


def test_noise_and_speed_are_taken_off_and_never_more_than_there_is():
    rows = [{"value": v, "u_noise": 0.6, "u_speed": 0.8} for v in (4.0, 6.0)]
    made = repeats(table(*rows), METRICS)["level"]
    assert made.sd == pytest.approx(1.0)
    assert made.scatter == pytest.approx(np.sqrt(2.0))
    quiet = [{"value": v, "u_noise": 3.0} for v in (4.0, 6.0)]
    assert repeats(table(*quiet), METRICS)["level"].sd == 0.0


def test_scatter_that_goes_with_the_figure_is_a_share_of_it():
    rows = [{"metric": "share", "value": v} for v in (90.0, 110.0)]
    assert repeats(table(*rows), METRICS)["share"].sd == pytest.approx(0.1 * np.sqrt(2.0))


@pytest.mark.parametrize("other", [
    {"captured_at": "2024-01-03T10:00"}, {"stylus": "two"}, {"record": "s"}, {"side": "b"},
    {"copy": "d"}, {"chain": "desk"}, {"channel": "right"}, {"track_position": 2},
    {"limited": True}, {"value": np.nan}, {"captured_at": None},
])  # fmt: skip
def test_only_what_is_alike_repeats(other):
    made = repeats(table({"value": 4.0}, {"value": 6.0, **other}), METRICS)["level"]
    assert (made.sd, made.source, made.degrees_of_freedom) == (0.2, "default", np.inf)
    assert np.isnan(made.scatter)


def test_captures_without_a_date_are_not_of_one_day():
    made = repeats(table(*({"value": v, "captured_at": None} for v in (4.0, 6.0))), METRICS)
    assert made["level"].source == "default"


def test_channels_that_differ_alike_are_one_piece_of_evidence():
    both = [{"value": v, "channel": c, "capture": n}
            for c in ("left", "right") for v, n in ((4.0, "a"), (6.0, "b"))]  # fmt: skip
    assert repeats(table(*both), METRICS)["level"].degrees_of_freedom == pytest.approx(1.0)
    apart = [Rest("L", "a", 1.0), Rest("L", "b", -1.0), Rest("R", "c", 1.0), Rest("R", "d", -1.0)]
    assert independent_share(apart) == pytest.approx(1.0)
    assert independent_share([Rest("L", "a", 0.0), Rest("R", "a", 0.0)]) == 0.5


def test_one_playing_scatters_by_repeatability_noise_and_speed():
    budgets = {"repeatability": [0.3, np.nan], "u_noise": [0.4, 0.1], "u_speed": [1.2, 0.1]}
    scatter = playing_scatter(budgets)
    assert scatter[0] == pytest.approx(1.3)
    assert np.isnan(scatter[1])
    assert playing_scatter({**budgets, "u_speed": [np.nan, 0.0]})[0] == pytest.approx(0.5)
