"""Speed of a simulated platter: in the samples, and in the truth by definition."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.simulate import Conditions, simulate_capture
from grooveledger.simulate.motion import Motion
from made_simulations import CHAIN, QUICK, RATE, STYLUS, lines, side_of, tone


@settings(max_examples=25, deadline=None)
@given(
    st.floats(-5.0, 40.0),
    st.floats(0.0, 1.0),
    st.floats(-0.5, 0.5),
    st.floats(0.0, 300.0),
    st.integers(0, 1000),
)
def test_motion_is_the_integral_of_speed(
    error: float, wow: float, drift: float, time_s: float, seed: int
) -> None:
    conditions = Conditions(
        speed_error_pct=error,
        once_per_rev_pct=wow,
        drift_pct_per_min=drift,
        flutter=((4.0, 0.1), (50.0, 0.02)),
    )
    motion = Motion.of(conditions, 100.0 / 3.0, seed)
    passed = float(motion.groove_time(time_s))
    assert motion.capture_time(passed) == pytest.approx(time_s, abs=1e-9)
    step = 1e-4
    slope = float(motion.groove_time(time_s + step) - motion.groove_time(time_s - step)) / 2 / step
    assert slope == pytest.approx(1.0 + float(motion.deviation(time_s)), abs=1e-6)
    assert motion.groove_time(0.0) == 0.0


def test_wow_is_in_the_tone_and_its_figures_are_by_definition() -> None:
    # 4 Hz at 0.1 % peak: two-sigma 0.99692 of the peak of a sine, weighting 0 dB at 4 Hz (AES6)
    conditions = replace(QUICK, speed_error_pct=0.3, flutter=((4.0, 0.1),))
    side = side_of(tone(1, "lateral", 3150.0, 5.0))
    samples, truth = simulate_capture(side, STYLUS, CHAIN, conditions, RATE, 7)
    placed = truth.placed(1)
    speed = truth.speed(1)
    assert speed.wow_flutter_weighted_pct == pytest.approx(0.09969, rel=2e-3)
    assert speed.wow_flutter_weighted_rms_pct == pytest.approx(0.1 / np.sqrt(2.0), rel=2e-3)
    assert speed.wow_flutter_unweighted_pct == pytest.approx(0.09969, rel=1e-3)
    assert speed.speed_error_pct == pytest.approx(0.3, abs=1e-3)
    assert placed.stop_s - placed.start_s == pytest.approx(5.0 / 1.003, abs=1e-4)
    # frequency modulation of index 3.1595 Hz over 4 Hz: first sideband over carrier is J1/J0
    found = np.abs(lines(samples, placed.start_s + 0.2, placed.start_s + 4.7, np.array(
        [3159.45 - 8, 3159.45 - 4, 3159.45, 3159.45 + 4, 3159.45 + 8])))[:, 0]  # fmt: skip
    index = 3.15945 / 4.0
    j0, j1 = 1 - index**2 / 4 + index**4 / 64, index / 2 - index**3 / 16 + index**5 / 384
    assert found[[1, 3]] / found[2] == pytest.approx(j1 / j0, rel=0.02)
