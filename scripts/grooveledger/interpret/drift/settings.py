"""The drift block of the configuration, with its defaults filled in."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from grooveledger.interpret.drift.limits import DEFAULT_LIMITS


class Settings(NamedTuple):
    """Attributes are the keys of the block; the schema of the block says what each means."""

    minimum_captures: int = 6
    break_in_hours: float = 30.0
    variance_inflation_limit: float = 10.0
    limits: Mapping[str, Mapping[str, float]] = DEFAULT_LIMITS
    least_changes: Mapping[str, float | None] = {}

    @classmethod
    def from_mapping(cls, block: Mapping[str, Any]) -> "Settings":
        """Take the configuration's block; what it leaves out has its default.

        A metric named in `limits` replaces that metric's default limits; null removes them.
        """
        given = dict(block)
        named = given.pop("limits", None) or {}
        limits = {**DEFAULT_LIMITS, **named}
        return cls(**given, limits={name: rules for name, rules in limits.items() if rules})
