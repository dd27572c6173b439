"""Stage 3: arithmetic from observations to figures, one module a table.

Each module has `TABLE` (its declaration) and `measure(context) -> pyarrow.Table`.
"""

import importlib
from types import ModuleType

#: Every measure, by the name of its module and table.
MEASURES = (
    "level",
    "response",
    "separation",
    "distortion",
    "spectrum",
    "intermodulation",
    "speed",
    "noise",
    "resonance",
    "resonance_fit",
    "tracking_ability",
)


def load(name: str) -> ModuleType:
    """Import the module of a measure."""
    if name not in MEASURES:
        raise ValueError(f"no measure {name!r}; there are {', '.join(MEASURES)}")
    return importlib.import_module(f"{__name__}.{name}")
