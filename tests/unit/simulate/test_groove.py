"""A groove that departs from its description."""

import numpy as np
import pytest

from grooveledger.plan import Side, Track
from grooveledger.simulate.groove import CutTrack, Departures, as_cut
from grooveledger.simulate.modulation import Law, pieces


@pytest.mark.parametrize("logarithmic", [True, False])
def test_a_bent_law_is_ahead_halfway_and_its_phase_is_the_integral_of_its_frequency(logarithmic):
    law = Law(100.0, 10_000.0, 20.0, logarithmic, 0.04)
    straight = Law(100.0, 10_000.0, 20.0, logarithmic)
    assert law.hz(np.array([0.0, 20.0])) == pytest.approx([100.0, 10_000.0])
    halfway = 100.0 * 100.0**0.54 if logarithmic else 100.0 + 0.54 * 9900.0
    assert law.hz(np.array([10.0])) == pytest.approx([halfway])
    at_s = np.linspace(-0.1, 20.1, 12_345)
    # Simpson's rule on a finer grid.
    h = np.diff(at_s)
    middle = law.hz(at_s[:-1] + 0.5 * h)
    steps = h / 6.0 * (law.hz(at_s[:-1]) + 4.0 * middle + law.hz(at_s[1:]))
    cycles = law.cycles(at_s)
    assert np.diff(cycles) == pytest.approx(steps, abs=1e-7)
    assert law.cycles(np.array([0.0, 1.0]))[0] == pytest.approx(0.0, abs=1e-9)
    assert straight.cycles(np.array([0.0])) == pytest.approx([0.0])


def test_a_groove_departs_within_its_bounds_and_keeps_what_is_described():
    side = Side(
        "r", "a", 100.0 / 3.0, 2.0,
        (
            Track(1, "sweep", 20.0, "left", start_hz=1000.0, stop_hz=20_000.0),
            Track(2, "tone_steps", 6.0, "left", frequencies_hz=(100.0, 1000.0), step_s=3.0),
        ),
    )  # fmt: skip
    for seed in range(50):
        cut = as_cut(side, Departures(), np.random.default_rng(seed))
        sweep, steps = cut.tracks
        assert isinstance(sweep, CutTrack)
        assert sweep.modulation == "left"
        assert abs(sweep.stated_duration_s / 20.0 - 1.0) < 0.103
        assert abs(sweep.start_hz / 1000.0 - 1.0) < 0.063
        assert abs(sweep.bend) <= 0.04
        assert pieces(sweep)[0].laws[0].bend == sweep.bend
        assert steps.step_s == pytest.approx(steps.stated_duration_s / 2)
