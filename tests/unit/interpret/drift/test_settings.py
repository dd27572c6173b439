"""The drift block with its defaults."""

from grooveledger.interpret.drift.limits import DEFAULT_LIMITS
from grooveledger.interpret.drift.settings import Settings


def test_what_is_left_out_has_its_default():
    chosen = Settings.from_mapping({"minimum_captures": 9})
    assert chosen == Settings()._replace(minimum_captures=9)
    assert (Settings().minimum_captures, Settings().break_in_hours) == (6, 30.0)
    assert Settings().variance_inflation_limit == 10.0


def test_a_limit_replaces_removes_or_joins_the_defaults():
    first, second, *rest = DEFAULT_LIMITS
    for none in (None, {}):
        assert Settings.from_mapping({"limits": none}).limits == DEFAULT_LIMITS
    chosen = Settings.from_mapping(
        {"limits": {first: None, second: {"minimum": 1.0}, "own": {"maximum": 2.0}}}
    ).limits
    assert first not in chosen
    assert chosen[second] == {"minimum": 1.0}
    assert chosen["own"] == {"maximum": 2.0}
    assert {name: chosen[name] for name in rest} == {name: DEFAULT_LIMITS[name] for name in rest}
