"""The measures of stage 3, one module a table, each declared once in its `MEASURE`."""

import importlib

from grooveledger.measure.declaration import Measure, Metric

#: Modules of the measures, loaded by name, in the order in which pages list their metrics.
MODULES = (
    "level",
    "response",
    "channel_match",
    "third_octaves",
    "separation",
    "azimuth",
    "distortion",
    "geometry",
    "spectrum",
    "intermodulation",
    "modulation",
    "vertical_angle",
    "scanning",
    "tracking_ability",
    "bias",
    "speed",
    "noise",
    "resonance",
    "resonance_fit",
)
#: Every measure by its name, and every metric by its own.
MEASURES: dict[str, Measure] = {
    name: importlib.import_module(f"{__name__}.{name}").MEASURE for name in MODULES
}
METRICS: dict[str, Metric] = {
    metric.name: metric for measure in MEASURES.values() for metric in measure.metrics
}
