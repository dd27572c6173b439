"""Velocity and sensitivity of a data sheet's output."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.rated_output import (
    rated_sensitivity_mv_per_cm_s,
    rated_velocity_rms_cm_s,
)
from made_observations import CARTRIDGE


@pytest.mark.parametrize(
    ("rated", "rms_cm_s"),
    [
        # Common practice: without a velocity a sheet means 5 cm/s peak.
        (None, 5.0 / np.sqrt(2.0)),
        ({"output_mv": 4.0}, 5.0 / np.sqrt(2.0)),
        ({"output_velocity_cm_s": None, "output_velocity_measure": None}, 5.0 / np.sqrt(2.0)),
        ({"output_velocity_cm_s": 3.54, "output_velocity_measure": "rms"}, 3.54),
        ({"output_velocity_cm_s": 7.0, "output_velocity_measure": "peak"}, 7.0 / np.sqrt(2.0)),
        ({"output_velocity_cm_s": 7.0}, 7.0 / np.sqrt(2.0)),
    ],
)
def test_a_velocity_is_brought_to_rms(rated, rms_cm_s):
    assert rated_velocity_rms_cm_s(rated) == pytest.approx(rms_cm_s)


def test_sensitivity_is_stated_only_where_output_and_velocity_are():
    def of(**rated):
        return rated_sensitivity_mv_per_cm_s(replace(CARTRIDGE, rated=rated))

    assert of(output_mv=4.2, output_velocity_cm_s=5.0) == pytest.approx(4.2 * np.sqrt(2.0) / 5.0)
    assert np.isnan(of(output_mv=4.2))
    assert np.isnan(of(output_velocity_cm_s=5.0))
    assert np.isnan(rated_sensitivity_mv_per_cm_s(replace(CARTRIDGE, rated=None)))
