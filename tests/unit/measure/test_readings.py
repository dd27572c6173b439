import numpy as np

from grooveledger.measure.harmonics import harmonic_lines
from grooveledger.measure.readings import readings
from made_observations import changed, joined, orders_of


def test_lines_stand_side_by_side_in_order_of_time_and_missing_ones_are_nan() -> None:
    low = orders_of(3, [100.0, 200.0, 400.0], {1: (0.1, 0.2), 2: ([0.01, 0.02, 0.03], 0.0)})
    third = (low["order"] == 2) & (low["nominal_hz"] == 400.0)
    low = {name: values[~third] for name, values in low.items()}
    other = orders_of(4, 1000.0, {1: (0.5, 0.5)})
    columns = joined(other, low)
    order = np.random.default_rng(5).permutation(len(columns["track"]))
    read = readings({n: v[order] for n, v in columns.items()}, 3, "left", [(1, 0), (2, 0)])
    np.testing.assert_array_equal(read.nominal_hz, [100.0, 200.0, 400.0])
    np.testing.assert_array_equal(read.amplitude_fs, [[0.1, 0.01], [0.1, 0.02], [0.1, np.nan]])


def test_a_track_that_was_not_observed_has_no_moments() -> None:
    read = readings(orders_of(4, 1000.0, {1: (0.5, 0.5)}), 9, "left", [(1, 0)])
    assert read.amplitude_fs.shape == (0, 1)


def test_harmonic_lines_go_to_the_highest_observed_and_at_least_to_the_fifth() -> None:
    few = orders_of(1, 1000.0, {1: (1.0, 1.0)})
    assert harmonic_lines(few) == [(n, 0) for n in range(1, 6)]
    many = changed(few, lambda c: c["order"].__setitem__(slice(None), 8.0))
    assert len(harmonic_lines(many)) == 8
    assert harmonic_lines({"order": np.empty(0)}) == [(n, 0) for n in range(1, 6)]
