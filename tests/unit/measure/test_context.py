"""What a measure is given."""

from dataclasses import FrozenInstanceError, fields

import pytest

from grooveledger.measure.context import CaptureContext
from made_observations import CARTRIDGE, CHAIN, make_side

SIDE = make_side({"kind": "silent_groove", "duration_s": 30.0})


def test_a_context_keeps_what_it_is_given_by_name_and_is_not_changed():
    given = ("c1", SIDE, CHAIN, CARTRIDGE, {"mains_hz": 50.0}, {"track": [1.0]}, {"orders": {}})
    context = CaptureContext(*given)
    names = ("capture", "side", "chain", "cartridge", "settings", "tracks", "observations")
    assert tuple(field.name for field in fields(CaptureContext)) == names
    assert tuple(getattr(context, name) for name in names) == given
    with pytest.raises(FrozenInstanceError):
        context.capture = "c2"
