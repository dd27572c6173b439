"""From which step on a stylus is lost: just inside and outside of what decides."""

import numpy as np
import pytest

from grooveledger.measure.tracked_steps import mistracking


@pytest.mark.parametrize(("thd_pct", "lost_from"), [
    ([1.6, 2.9, 3.0, 3.0], 4),  # At the limit a step is still tracked.
    ([1.6, 3.0, 3.01, 1.0], 2),  # Past it all that follow are lost.
    ([0.5, 0.99, 0.9, 0.8], 4),  # A jump below one per cent is none.
    ([0.5, 1.01, 0.9, 0.8], 1),
    ([0.6, 1.2, 2.4, 2.9], 4),  # Exactly the ratio is no jump.
    ([0.6, 1.21, 2.4, 2.9], 1),
    ([np.nan, 0.6, np.nan, 1.3], 3),  # A step that says nothing is passed over.
    ([4.0, 0.1, 0.1, 0.1], 0),
    ([np.nan] * 4, 4),
])  # fmt: skip
def test_the_first_lost_step(thd_pct, lost_from):
    lost = mistracking(np.array(thd_pct), 3.0, 2.0)
    assert lost.tolist() == [i >= lost_from for i in range(4)]
