"""What pages call metrics and rated quantities, in which order, and where they are explained."""

from grooveledger.measure.declaration import Covariate, Group
from grooveledger.measure.quantities import MEASURES, METRICS

#: The page of methods that says how a metric is measured.
METHOD_PAGES = {
    metric.name: measure.methods_page for measure in MEASURES.values() for metric in measure.metrics
}
#: Rated quantities in a person's words, where they are no metric.
QUANTITIES = {
    "output_mv": "Output at the rated velocity",
    "separation_db": "Separation at 1 kHz",
    "balance_db": "Balance",
    "response_db": "Response over the rated band",
    "load_ohm": "Load resistance",
    "load_pf_min": "Load capacitance, at least",
    "load_pf_max": "Load capacitance, at most",
}
#: What may move a figure beside the hours, in a few words.
COVARIATES = {
    Covariate.CHAIN: "change of chain",
    Covariate.RECORD: "change of record",
    Covariate.RECORD_PLAYS: "record wear",
    Covariate.TEMPERATURE: "temperature",
}


def metric(name: str) -> str:
    """Say a metric in words; an unknown one by its name."""
    return METRICS[name].words if name in METRICS else name.replace("_", " ")


def metric_of(name: str, channel: str) -> str:
    """Say a metric and its channel in words, the channel only where that is not said already.

    Examples
    --------
    >>> metric_of("response_10khz_db", "left"), metric_of("resonance_lateral_hz", "lateral")
    ('Response at 10 kHz, left', 'Resonance, lateral')
    """
    said = metric(name)
    return said if channel == "both" or said.endswith(f", {channel}") else f"{said}, {channel}"


def metric_within(name: str) -> str:
    """Say a metric in words within a sentence."""
    said = metric(name)
    return said[0].lower() + said[1:]


def method_page(name: str) -> str | None:
    """Name the page of methods for a metric."""
    return METHOD_PAGES.get(name)


def covariates(names: str | None) -> str:
    """Say what a `confounded_with` names; nothing where it names none."""
    return ", ".join(COVARIATES[Covariate(name)] for name in names.split(", ")) if names else ""


def group(name: str) -> Group:
    """Say what a metric is about; an unknown one is taken to be about the stylus."""
    return METRICS[name].group if name in METRICS else Group.STYLUS


def order(name: str) -> int:
    """Place of a metric in the order in which pages list them."""
    return list(METRICS).index(name) if name in METRICS else len(METRICS)


def quantity(name: str) -> str:
    """Say a rated quantity in words."""
    return QUANTITIES.get(name) or metric(name)
