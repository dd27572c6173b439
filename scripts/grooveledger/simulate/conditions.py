"""How a side was played: motion, noise, and what the recordist did."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Conditions:
    """Everything of a capture that belongs to neither stylus, record nor chain.

    Noise levels are relative to 5 cm/s rms a channel at 1 kHz, in dB after the ideal equalisation,
    for a cartridge of flat response; None leaves that noise out. Deviations of speed are in per
    cent, peak.

    Attributes
    ----------
    speed_error_pct : float
        Constant error of speed; 35 plays a 33 1/3 record at 45.
    once_per_rev_pct, once_per_rev_phase_deg : float
        Wow of a record that is off centre, and its phase at the capture's start.
    flutter : tuple of (hz, pct)
        Other sinusoidal fluctuations.
    drift_pct_per_min : float
        Linear change of speed.
    needle_drop_s : float
        When the stylus meets the groove; before it only the electronics are heard.
    needle_drop_cm_s : float
        Peak size of the thump, 0 for none; it decays within 0.3 s.
    lead_in_s, lead_out_s : float
        Unmodulated groove before the first and after the last track, as recorded.
    gap_spread : float
        Gaps are the plan's times 1 +- this, evenly spread.
    surface_a_db : float or None
        A-weighted surface noise of each channel.
    surface_vertical_db : float
        Vertical over lateral surface noise.
    rumble_db : float or None
        Lateral rumble below 500 Hz, unweighted.
    rumble_vertical_db : float
        Vertical over lateral rumble.
    ticks_per_min, tick_cm_s : float
        Rate of ticks, and their median peak velocity (sizes are log-normal).
    hum_db : float or None
        Power sum of the mains frequency and its harmonics.
    mains_hz : float
        50 or 60.
    hiss_a_db : float or None
        A-weighted noise of the preamplifier's input.
    dc : tuple of float
        Offset of the file's left and right channel, of full scale.
    """

    speed_error_pct: float = 0.0
    once_per_rev_pct: float = 0.0
    once_per_rev_phase_deg: float = 40.0
    flutter: tuple[tuple[float, float], ...] = ()
    drift_pct_per_min: float = 0.0
    needle_drop_s: float = 1.2
    needle_drop_cm_s: float = 0.0
    lead_in_s: float = 3.0
    lead_out_s: float = 3.0
    gap_spread: float = 0.1
    surface_a_db: float | None = None
    surface_vertical_db: float = 1.0
    rumble_db: float | None = None
    rumble_vertical_db: float = 4.0
    ticks_per_min: float = 0.0
    tick_cm_s: float = 8.0
    hum_db: float | None = None
    mains_hz: float = 50.0
    hiss_a_db: float | None = None
    dc: tuple[float, float] = (0.0, 0.0)


#: A good record on a good turntable in a living room (levels: common practice, from memory).
REALISTIC = Conditions(
    speed_error_pct=0.4,
    once_per_rev_pct=0.12,
    flutter=((4.2, 0.02), (11.0, 0.015), (50.0, 0.01)),
    drift_pct_per_min=0.01,
    needle_drop_cm_s=10.0,
    surface_a_db=-63.0,
    rumble_db=-48.0,
    ticks_per_min=12.0,
    hum_db=-66.0,
    hiss_a_db=-78.0,
)
