"""Tables of stage 5: what the figures mean."""

from grooveledger.schemas.table import (
    CAPTURE,
    TRUTH,
    WHOLE,
    Column,
    Table,
    real,
    text,
)

DRIFT = Table(
    "drift",
    "interpret",
    "How a figure moves with the hours on a stylus.",
    ("stylus", "metric", "channel"),
    (
        text("stylus", "id of the stylus"),
        text("cartridge", "id of the cartridge"),
        text("metric", "name of the figure"),
        text("channel", "left, right, both, lateral or vertical"),
        text("unit", "unit of the figure"),
        Column("n", WHOLE, "", "captures after break-in that the fit uses"),
        real("hours_first", "h", "first of them"),
        real("hours_last", "h", "last of them"),
        real("baseline_value", "see unit", "fitted value at the end of break-in"),
        real("slope_per_100h", "unit/100 h", "robust slope"),
        real("slope_low", "unit/100 h", "lower end of its 95 % interval"),
        real("slope_high", "unit/100 h", "upper end of its 95 % interval"),
        real("p_trend", "", "probability of such a slope without a trend"),
        real("residual_sd", "see unit", "robust scatter about the fit"),
        real("repeatability_sd", "see unit", "scatter of captures made on one day"),
        real("change_at_hours", "h", "where a step was found; null where none"),
        real("limit_value", "see unit", "the limit, as a value of the figure"),
        real("hours_at_limit", "h", "when the fit reaches the limit"),
        real("hours_at_limit_low", "h", "lower end of its 95 % interval; null where open"),
        real("hours_at_limit_high", "h", "upper end of its 95 % interval; null where open"),
        real("record_wear_per_100_plays", "unit/100 plays", "part due to the record's wear"),
        real("temperature_per_c", "unit/degC", "part due to temperature"),
        text("confounded_with", "what can't be told apart from hours"),
        text("verdict", "steady, drifting, past_limit, too_few or confounded"),
    ),
)

LOADING = Table(
    "loading",
    "interpret",
    "Treble response of cartridge and chain against the load.",
    ("cartridge", "chain", "basis", "load_ohm", "load_pf"),
    (
        text("cartridge", "id of the cartridge"),
        text("chain", "id of the chain"),
        real("load_ohm", "ohm", "load resistance"),
        real("load_pf", "pF", "load capacitance in all"),
        real("peak_db", "dB", "height of the treble peak re 1 kHz"),
        real("peak_hz", "Hz", "its frequency; null where there is none"),
        real("db_at_20khz", "dB", "response at 20 kHz re 1 kHz"),
        real("deviation_db", "dB", "half the spread over the audio band"),
        text("basis", "model or measured"),
        Column("recommended", TRUTH, "", "true for the load that flattens the response best"),
    ),
)

RATINGS = Table(
    "ratings",
    "interpret",
    "Measured against the maker's data sheet.",
    ("cartridge", "stylus", "capture", "quantity"),
    (
        text("cartridge", "id of the cartridge"),
        text("stylus", "id of the stylus"),
        CAPTURE,
        text("quantity", "what is rated"),
        real("rated", "see unit", "the data sheet's figure"),
        real("measured", "see unit", "the figure found"),
        real("uncertainty", "see unit", "standard uncertainty"),
        text("unit", "unit of the three figures"),
        text("verdict", "meets, misses or undecided; null where nothing is rated"),
    ),
)
