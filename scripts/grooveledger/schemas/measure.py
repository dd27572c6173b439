"""Tables of stage 3: figures at the cartridge and the groove."""

from grooveledger.schemas.table import (
    CAPTURE,
    CHANNEL,
    FREQUENCY,
    LIMITED,
    PLAYED,
    TRACK,
    TRUTH,
    WHOLE,
    Column,
    Table,
    real,
    text,
)

LEVEL = Table(
    "level",
    "measure",
    "Output of tones at the cartridge's terminals.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("output_mv", "mV", "rms at the terminals, at the track's nominal velocity"),
        real("sensitivity_mv_per_cm_s", "mV s/cm", "rms output per rms channel velocity"),
        real("interchannel_phase_deg", "deg", "right minus left; null unless both are driven"),
        PLAYED,
        real("uncertainty_db", "dB", "standard uncertainty of the output"),
        LIMITED,
    ),
)

RESPONSE = Table(
    "response",
    "measure",
    "Frequency response of the driven channel.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("response_db", "dB", "re the reference frequency"),
        real("reference_hz", "Hz", "1000, or the centre of the nearest octave of the track"),
        real("uncertainty_db", "dB", "standard uncertainty"),
        PLAYED,
        LIMITED,
    ),
)

SEPARATION = Table(
    "separation",
    "measure",
    "Driven over undriven output of one track, at the terminals.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        text("channel", "the driven channel"),
        FREQUENCY,
        real("separation_db", "dB", "driven over undriven; at least this where limited"),
        real("crosstalk_phase_deg", "deg", "undriven minus driven"),
        real("floor_db", "dB", "driven over the undriven channel's noise"),
        LIMITED,
        PLAYED,
    ),
)

DISTORTION = Table(
    "distortion",
    "measure",
    "Harmonic distortion of the driven channel.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("level_mv", "mV", "rms of the fundamental at the terminals"),
        real("thd_pct", "%", "orders 2 to order_max re the fundamental, velocity domain"),
        real("h2_pct", "%", "second harmonic re the fundamental"),
        real("h3_pct", "%", "third harmonic re the fundamental"),
        real("h4_pct", "%", "fourth harmonic re the fundamental"),
        real("h5_pct", "%", "fifth harmonic re the fundamental"),
        real("thd_as_heard_pct", "%", "after the ideal replay equalisation"),
        Column("order_max", WHOLE, "", "highest order counted"),
        LIMITED,
        PLAYED,
        real("floor_pct", "%", "what noise alone would read as thd_pct"),
    ),
)

SPECTRUM = Table(
    "spectrum",
    "measure",
    "Harmonic picture of a tone.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("tone_hz", "Hz", "nominal frequency of the tone"),
        real("frequency_hz", "Hz", "frequency of the line"),
        real("level_db", "dB", "re the fundamental, at the terminals"),
    ),
)

INTERMODULATION = Table(
    "intermodulation",
    "measure",
    "Modulation distortion of two-tone tracks, at the terminals.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("low_hz", "Hz", "low tone"),
        real("high_hz", "Hz", "high tone"),
        real("imd_pct", "%", "sideband pairs of orders 1 and 2 re the high tone"),
        LIMITED,
        real("second_order_pct", "%", "sideband pair one low tone away"),
        real("third_order_pct", "%", "sideband pair two low tones away"),
        real("floor_pct", "%", "what noise alone would read as imd_pct"),
    ),
)

SPEED = Table(
    "speed",
    "measure",
    "Mean speed, wow and flutter of a steady tone.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("mean_hz", "Hz", "mean played frequency"),
        real("speed_error_pct", "%", "mean played re nominal frequency, less one"),
        real("wow_flutter_weighted_pct", "%", "weighted two-sigma peak"),
        real("wow_flutter_unweighted_pct", "%", "two-sigma peak, 0.2 to 200 Hz"),
        real("wow_flutter_weighted_rms_pct", "%", "weighted rms"),
        real("once_per_rev_pct", "%", "peak of the once-per-revolution sinusoid"),
        real("drift_pct_per_min", "%/min", "linear change of speed over the track"),
        real("frequency_hz", "Hz", "nominal frequency of the tone"),
        real("seconds", "s", "length analysed"),
    ),
)

NOISE = Table(
    "noise",
    "measure",
    "Rumble, hum and surface noise of a silent groove.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        text("channel", "left, right, lateral or vertical"),
        real("rumble_unweighted_db", "dB", "re the reference velocity"),
        real("rumble_weighted_db", "dB", "re the reference velocity"),
        real("hum_db", "dB", "mains frequency and harmonics up to 10, re the reference velocity"),
        real("noise_a_db", "dB", "A-weighted, re the reference velocity"),
        real("noise_468_db", "dB", "468-weighted rms, re the reference velocity"),
        real("ticks_per_min", "1/min", "ticks counted"),
        real("reference_velocity_cm_s", "cm/s", "rms per channel at 1 kHz"),
        text("rumble_network", "whether the rumble networks' numbers are verified or from memory"),
        real("seconds", "s", "length analysed"),
        text("sensitivity_from", "measured (level tones of the capture) or rated (data sheet)"),
        Column("hum_limited", TRUTH, "", "true where no line stands out: hum_db is then a bound"),
    ),
)

RESONANCE = Table(
    "resonance",
    "measure",
    "Response of arm and cartridge around their resonance.",
    ("capture", "track", "axis", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        text("axis", "lateral or vertical"),
        FREQUENCY,
        real("response_db", "dB", "re the response well above resonance"),
    ),
)

RESONANCE_FIT = Table(
    "resonance_fit",
    "measure",
    "The second-order resonance fitted to a low sweep.",
    ("capture", "track", "axis"),
    (
        CAPTURE,
        TRACK,
        text("axis", "lateral or vertical"),
        real("resonance_hz", "Hz", "undamped resonance of the fit"),
        real("peak_db", "dB", "height above the response well above resonance"),
        real("q", "", "quality factor"),
        real("dynamic_compliance_um_per_mn", "um/mN", "from the moving mass and resonance_hz"),
        real("rule_of_thumb_um_per_mn", "um/mN", "half the static compliance (common practice)"),
        real("residual_db", "dB", "rms of the fit's residuals"),
        real("resonance_uncertainty_hz", "Hz", "standard uncertainty, from the fit's scatter"),
    ),
)

TRACKING_ABILITY = Table(
    "tracking_ability",
    "measure",
    "Distortion against groove amplitude.",
    ("capture", "track", "channel", "amplitude_um"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("amplitude_um", "um", "peak amplitude along the modulation's axis"),
        real("thd_pct", "%", "orders 2 to order_max re the fundamental"),
        Column("mistracking", TRUTH, "", "true from the first step that is not tracked"),
    ),
)
