"""The harmonic picture at the terminals."""

import numpy as np
import pytest

from grooveledger.measure.quantities import spectrum
from grooveledger.storage import tables
from made_observations import make_context, make_side


def test_the_replay_curve_is_undone_re_the_tone():
    side = make_side(
        {"kind": "tone", "modulation": "left", "frequency_hz": 1000.0, "duration_s": 20.0}
    )
    observed = {
        "track": np.array([1.0, 1.0, 1.0, 7.0]),
        "channel": np.array(["left"] * 4, object),
        "tone_hz": np.full(4, 1000.0),
        "frequency_hz": np.array([1000.0, 2000.0, 5000.0, 2000.0]),
        "level_db": np.array([0.0, -40.0, np.nan, -3.0]),
    }
    context = make_context(side, {"tone_spectrum": observed})
    found = tables.columns(spectrum.measure(context))
    # IEC 60098 replay: the second harmonic of 1 kHz is 2.589 dB down (worked by hand).
    np.testing.assert_allclose(found["level_db"], [0.0, -40.0 + 2.589, np.nan], atol=1e-3)
    assert found["tone_hz"] == pytest.approx(1000.0)
