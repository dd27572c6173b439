"""Which tracks serve which purpose: what observations and measures choose their tracks by."""

from grooveledger.plan.record import Purpose, Track

#: Lowest carrier from which a speed trace is taken: its sidebands out to 200 Hz stay clear of zero.
SPEED_CARRIER_MIN_HZ = 500.0
#: AES6-2008: wow and flutter is observed for at least 5 s.
SPEED_OBSERVATION_MIN_S = 5.0
#: A sweep that stays below this is about the arm's resonance, not the cartridge's response.
RESONANCE_SWEEP_MAX_HZ = 40.0


def is_audio_band(track: Track, *purposes: Purpose) -> bool:
    """Whether a track serves one of the purposes in the audio band, above the arm's resonance."""
    return track.serves(*purposes) and not is_resonance_sweep(track)


def is_resonance_sweep(track: Track) -> bool:
    """Whether a track is a sweep through the resonance of arm and cartridge."""
    if track.kind != "sweep" or track.modulation not in ("lateral", "vertical"):
        return False
    return track.purpose == "resonance" or (
        track.purpose is None and track.highest_hz <= RESONANCE_SWEEP_MAX_HZ
    )


def is_spectrum_tone(track: Track) -> bool:
    """Whether the harmonic picture of a track is taken."""
    return track.kind == "tone" and track.serves("distortion", "spectrum")


def is_speed_tone(track: Track) -> bool:
    """Whether the platter's speed is read from a track."""
    return (
        track.kind == "tone"
        and track.serves("speed")
        and track.lowest_hz >= SPEED_CARRIER_MIN_HZ
        and (track.duration_s is None or track.duration_s >= SPEED_OBSERVATION_MIN_S)
    )


def is_noise_track(track: Track) -> bool:
    """Whether noise is cut into a track."""
    return track.kind == "noise"


def is_noise_groove(track: Track) -> bool:
    """Whether noise is read from a track."""
    return track.kind == "silent_groove" and track.serves("noise")
