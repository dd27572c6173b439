"""Which tracks of a side each measure draws on."""

from collections.abc import Callable

from grooveledger.plan.record import Side, Track

#: Lowest carrier from which a speed trace is taken: its sidebands out to 200 Hz stay clear of zero.
SPEED_CARRIER_MIN_HZ = 500.0
#: AES6-2008: wow and flutter is observed for at least 5 s.
SPEED_OBSERVATION_MIN_S = 5.0
#: A sweep that stays below this looks at the arm's resonance, not at the cartridge's response.
RESONANCE_SWEEP_MAX_HZ = 40.0


def tracks_for(measure: str, side: Side) -> tuple[Track, ...]:
    """Tracks of a side that a measure draws on; empty where the side cannot give it.

    Parameters
    ----------
    measure : str
        A measure's table name, see `MEASURE_USES`.
    side : Side
        The side, in playing order.
    """
    return tuple(track for track in side.tracks if draws_on(measure, track))


def draws_on(measure: str, track: Track) -> bool:
    """Whether a measure draws on a track; one without an entry in `MEASURE_USES` on any modulated.

    An entry also tells `check` what a side can't give.
    """
    uses = MEASURE_USES.get(measure)
    return uses(track) if uses else track.modulation is not None


def _is_resonance_sweep(track: Track) -> bool:
    if track.kind != "sweep" or track.modulation not in ("lateral", "vertical"):
        return False
    return track.purpose == "resonance" or (
        track.purpose is None and track.highest_hz <= RESONANCE_SWEEP_MAX_HZ
    )


def _is_audio_band(track: Track, *purposes: str) -> bool:
    return track.serves(*purposes) and not _is_resonance_sweep(track)


#: Which tracks each measure draws on, by the name of its table.
MEASURE_USES: dict[str, Callable[[Track], bool]] = {
    "level": lambda t: t.kind == "tone" and t.serves("level"),
    "response": lambda t: t.kind in ("sweep", "tone_steps") and _is_audio_band(t, "response"),
    "separation": lambda t: (
        t.kind in ("tone", "sweep", "tone_steps")
        and t.modulation in ("left", "right")
        and _is_audio_band(t, "separation", "response", "level")
    ),
    "distortion": lambda t: (
        t.kind in ("tone", "tone_steps", "sweep") and _is_audio_band(t, "distortion")
    ),
    "spectrum": lambda t: t.kind == "tone" and t.serves("distortion", "spectrum"),
    "intermodulation": lambda t: t.kind == "two_tone" and t.serves("intermodulation", "distortion"),
    "speed": lambda t: (
        t.kind == "tone"
        and t.serves("speed")
        and t.lowest_hz >= SPEED_CARRIER_MIN_HZ
        and t.duration_s >= SPEED_OBSERVATION_MIN_S
    ),
    "noise": lambda t: t.kind == "silent_groove" and t.serves("noise"),
    "resonance": _is_resonance_sweep,
    "resonance_fit": _is_resonance_sweep,
    "tracking_ability": lambda t: t.kind == "amplitude_steps" and t.serves("tracking_ability"),
}
