"""Tables of stage 2: the sound as captured, in converter units, uncorrected."""

from grooveledger.schemas.table import (
    CAPTURE,
    CHANNEL,
    LIMITED,
    PLAYED,
    TRACK,
    WHOLE,
    Column,
    Table,
    real,
    text,
)

ORDERS = Table(
    "orders",
    "observe",
    "Complex amplitudes of each order of each driven frequency in both channels.",
    ("capture", "track", "step", "time_s", "low_order", "order", "channel"),
    (
        CAPTURE,
        TRACK,
        Column("step", WHOLE, "", "step of a stepped track, from 0; null otherwise"),
        CHANNEL,
        Column("order", WHOLE, "", "multiple of the tone (of the high tone on a two-tone track)"),
        Column("low_order", WHOLE, "", "multiple of the low tone on a two-tone track, else 0"),
        real("time_s", "s", "centre of the stretch averaged, in the capture"),
        real("nominal_hz", "Hz", "nominal frequency of the fundamental (of the high tone)"),
        PLAYED,
        real(
            "amplitude_fs",
            "of full scale",
            "peak amplitude, full-scale sine = 1, noise not subtracted",
        ),
        real(
            "phase_deg",
            "deg",
            "phase relative to the order's multiple of the louder channel's fundamental",
        ),
        real("floor_fs", "of full scale", "amplitude that noise alone would show, rms sense"),
        real("bandwidth_hz", "Hz", "noise bandwidth of the reading"),
        LIMITED,
    ),
)

TONE_SPECTRUM = Table(
    "tone_spectrum",
    "observe",
    "Spectrum of a tone resampled to its played phase.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("tone_hz", "Hz", "nominal frequency of the tone"),
        real("frequency_hz", "Hz", "frequency, scaled so that the tone lies at its nominal one"),
        real("level_db", "dB", "level of a line relative to the fundamental, as heard"),
    ),
)

SPEED_TRACE = Table(
    "speed_trace",
    "observe",
    "Frequency deviation of speed tones against time.",
    ("capture", "track", "channel", "time_s"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("time_s", "s", "time in the capture"),
        real("deviation_pct", "%", "played relative to nominal frequency, less one"),
    ),
)

NOISE_DENSITY = Table(
    "noise_density",
    "observe",
    "Power density of a silent groove or of cut noise, ticks left out.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        text(
            "channel",
            "left, right, sum or difference (each over sqrt 2) of the file's channels",
        ),
        real("frequency_hz", "Hz", "centre of the band"),
        real("bandwidth_hz", "Hz", "width of the band; the bands tile the axis"),
        real("density_fs2_per_hz", "1/Hz", "mean square per hertz, full scale (sine peak) as 1"),
        Column("ticks", WHOLE, "", "ticks counted in the track"),
        real("seconds", "s", "length of the groove analysed"),
        real("averaged_s", "s", "length of noise whose mean would scatter as much as the band's"),
    ),
    revision=2,
)

NOISE_LEVEL = Table(
    "noise_level",
    "observe",
    "Weighted levels of a silent groove, rms and quasi-peak, with ticks and without.",
    ("capture", "track", "channel", "equalisation"),
    (
        CAPTURE,
        TRACK,
        text(
            "channel",
            "left, right, sum or difference (each over sqrt 2) of the file's channels",
        ),
        text("equalisation", "flat: as recorded; iec98: through the ideal replay curve as well"),
        real("a_fs", "of full scale", "A-weighted rms away from ticks"),
        real("a_with_ticks_fs", "of full scale", "A-weighted rms of everything"),
        real("weighted_468_fs", "of full scale", "468-weighted rms away from ticks"),
        real("quasi_peak_468_fs", "of full scale", "mean quasi-peak reading, ticks bridged"),
        real("quasi_peak_468_with_ticks_fs", "of full scale", "mean quasi-peak reading with ticks"),
        real("quasi_peak_468_highest_fs", "of full scale", "highest quasi-peak reading with ticks"),
    ),
)
