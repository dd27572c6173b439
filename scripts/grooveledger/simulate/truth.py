"""What a measurement of a simulated capture should give, by definition and in closed form."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from grooveledger.physics.weighting import flutter_weighting, two_sigma_peak
from grooveledger.plan import Chain, Side, Track
from grooveledger.plan.uses import is_audio_band, is_speed_tone
from grooveledger.simulate.conditions import Conditions
from grooveledger.simulate.modulation import amplitudes, components, recorded_velocity
from grooveledger.simulate.motion import Motion
from grooveledger.simulate.noise import NoiseTruth, noise_truth
from grooveledger.simulate.stylus import StylusTruth, terminals_matrix

#: Band of unweighted flutter, Hz (as the speed measure defines it).
FLUTTER_BAND_HZ = (0.2, 200.0)
#: Long and finely sampled enough for quantiles of a sum of sinusoids.
FLUTTER_SECONDS, FLUTTER_RATE_HZ = 300.0, 1000.0
CHANNELS = ("left", "right")
REFERENCE_HZ = 1000.0
#: Frequencies at which curves are written out, Hz (third octaves, and 15 and 18 kHz).
CURVE_HZ = np.array(
    [
        *(20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000),
        *(1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 15000, 16000),
        *(18000, 20000),
    ]
)


class TrackTruth(NamedTuple):
    """One played track: where it lies in the capture, and its start in recorded time.

    In the capture a sweep begins after its pilot tone, in recorded time with it.
    """

    track: int
    kind: str
    start_s: float
    stop_s: float
    groove_s: float
    plan: Track


class SpeedTruth(NamedTuple):
    """Speed figures in per cent, by the definitions of the speed measure."""

    speed_error_pct: float
    wow_flutter_weighted_pct: float
    wow_flutter_weighted_rms_pct: float
    wow_flutter_unweighted_pct: float
    once_per_rev_pct: float
    drift_pct_per_min: float


@dataclass(frozen=True)
class CaptureTruth:
    """Everything known of a simulated capture.

    Channels are the cartridge's, whatever the chain does to the file's. `tracks` are in playing
    order.
    """

    side: Side
    stylus: StylusTruth
    chain: Chain
    conditions: Conditions
    motion: Motion
    tracks: tuple[TrackTruth, ...]
    duration_s: float
    tick_times_s: tuple[float, ...]

    def placed(self, number: int) -> TrackTruth:
        """Return the first placement of a track."""
        return next(one for one in self.tracks if one.track == number)

    def mean_speed(self, number: int) -> float:
        """Return the mean relative speed over a track, 1 when right."""
        one = self.placed(number)
        ends = self.motion.groove_time(np.array([one.start_s, one.stop_s]))
        return float((ends[1] - ends[0]) / (one.stop_s - one.start_s))

    def components(
        self, number: int, nominal_hz: npt.ArrayLike, amplitude_um: float | None = None
    ) -> np.ndarray:
        """Return the complex peak mV of a single-tone track's orders 1 to 5, (5, 2 terminals, n).

        At recorded frequencies, played at the track's mean speed, at the velocity that the plan
        (with the record's calibration) gives at the right speed.
        """
        plan = self.placed(number).plan
        nominal = np.atleast_1d(np.asarray(nominal_hz, dtype=float))
        played = nominal * self.mean_speed(number)
        groove = amplitudes(plan, self.side, self.stylus, (nominal,), (played,), amplitude_um)
        return np.array(
            [
                np.einsum(
                    "cwn,wn->cn", terminals_matrix(order * played, self.stylus, self.chain), g
                )
                for order, g in enumerate(groove, start=1)
            ]
        )

    def output_mv(self, number: int) -> dict[str, float]:
        """Return the rms output of a tone at the plan's velocity, a figure a driven channel."""
        plan = self.placed(number).plan
        nominal_hz = np.array([plan.lowest_hz])
        cut = recorded_velocity(plan, self.side, nominal_hz)
        planned = recorded_velocity(plan, self.side, nominal_hz, calibrated=False)
        peak = np.abs(self.components(number, nominal_hz)[0, :, 0]) * float((planned / cut)[0])
        return {c: float(peak[CHANNELS.index(c)] / np.sqrt(2.0)) for c in plan.driven_channels}

    def response_db(self, number: int, channel: str, played_hz: npt.ArrayLike) -> np.ndarray:
        """Return a driven channel's response at played frequencies, dB re `REFERENCE_HZ`."""
        played = np.append(np.asarray(played_hz, dtype=float), REFERENCE_HZ)
        nominal = played / self.mean_speed(number)
        plan = self.placed(number).plan
        size = np.abs(self.components(number, nominal)[0, CHANNELS.index(channel)])
        db = 20.0 * np.log10(size / recorded_velocity(plan, self.side, nominal))
        return db[:-1] - db[-1]

    def separation(self, number: int, played_hz: npt.ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return a one-channel track's separation, dB, and undriven less driven phase, degrees."""
        nominal = np.asarray(played_hz, dtype=float) / self.mean_speed(number)
        fundamental = self.components(number, nominal)[0]
        if self.placed(number).plan.modulation == "right":
            fundamental = fundamental[::-1]
        ratio = fundamental[1] / fundamental[0]
        return -20.0 * np.log10(np.abs(ratio)), np.degrees(np.angle(ratio))

    def harmonics_pct(
        self,
        number: int,
        channel: str,
        nominal_hz: npt.ArrayLike,
        amplitude_um: float | None = None,
    ) -> np.ndarray:
        """Return harmonics 2 to 5 at the terminals, per cent of the fundamental, shape (4, n)."""
        size = np.abs(self.components(number, nominal_hz, amplitude_um)[:, CHANNELS.index(channel)])
        return 100.0 * size[1:] / size[0]

    def thd_pct(
        self,
        number: int,
        channel: str,
        nominal_hz: npt.ArrayLike,
        order_max: int = 5,
        amplitude_um: float | None = None,
    ) -> np.ndarray:
        """Return the root-sum-square of harmonics 2 to `order_max`, per cent of the fundamental."""
        harmonics = self.harmonics_pct(number, channel, nominal_hz, amplitude_um)
        return np.sqrt(np.sum(harmonics[: order_max - 1] ** 2, axis=0))

    def intermodulation_pct(self, number: int, channel: str) -> float:
        """Return sideband pairs one and two low tones away, root-sum-squared, by the high tone.

        Each pair is the arithmetic sum of its two lines at the terminals (IEC 60268-3).
        """
        plan = self.placed(number).plan
        low_hz, high_hz = (np.array([hz]) for hz in plan.frequencies_hz)
        speed = self.mean_speed(number)
        groove = amplitudes(
            plan, self.side, self.stylus, (high_hz, low_hz), (high_hz * speed, low_hz * speed)
        )
        lines = {}
        for multiple, velocity in zip(components(plan), groove, strict=True):
            hz = (multiple[0] * high_hz + multiple[1] * low_hz) * speed
            matrix = terminals_matrix(hz, self.stylus, self.chain)
            voltage = np.einsum("cwn,wn->cn", matrix, velocity)
            lines[multiple] = float(np.abs(voltage[CHANNELS.index(channel), 0]))
        second, third = ((lines[1, -n] + lines[1, n]) / lines[1, 0] for n in (1, 2))
        return 100.0 * float(np.hypot(second, third))

    def speed(self, number: int) -> SpeedTruth:
        """Return speed, wow and flutter over a track; the speed error holds at its middle."""
        one = self.placed(number)
        middle_s = 0.5 * (one.start_s + one.stop_s)
        weighted, unweighted = _fluctuation(self.motion)
        return SpeedTruth(
            speed_error_pct=100.0 * (self.motion.error + self.motion.drift_per_s * middle_s),
            wow_flutter_weighted_pct=100.0 * two_sigma_peak(weighted),
            wow_flutter_weighted_rms_pct=100.0 * float(np.sqrt(np.mean(weighted**2))),
            wow_flutter_unweighted_pct=100.0 * two_sigma_peak(unweighted),
            once_per_rev_pct=100.0 * self.motion.fluctuations[0][1],
            drift_pct_per_min=6000.0 * self.motion.drift_per_s,
        )

    def noise(self) -> dict[str, NoiseTruth]:
        """Return the noise of left, right, lateral and vertical, ticks left out."""
        return noise_truth(self.stylus, self.conditions, self.chain)

    def resonance(self, axis: str) -> tuple[float, float]:
        """Return the undamped arm resonance in Hz and its Q along an axis."""
        i = ("lateral", "vertical").index(axis)
        return self.stylus.resonance_hz(self.chain)[i], self.stylus.resonance_q[i]

    def tracked_amplitude_um(self, number: int, channel: str) -> float | None:
        """Return the last step of a track that a channel tracks; None where it tracks none."""
        limit_um = self.stylus.tracked_amplitude_um[CHANNELS.index(channel)]
        tracked = []
        for amplitude_um in self.placed(number).plan.amplitudes_um:
            if amplitude_um > limit_um:
                break
            tracked.append(amplitude_um)
        return tracked[-1] if tracked else None


def _fluctuation(motion: Motion) -> tuple[np.ndarray, np.ndarray]:
    """Return the speed's long deviation less mean and drift: weighted, and in the band."""
    time_s = np.arange(0.0, FLUTTER_SECONDS, 1.0 / FLUTTER_RATE_HZ)
    weighted, unweighted = np.zeros_like(time_s), np.zeros_like(time_s)
    for hz, fraction, phase in motion.fluctuations:
        turn = np.exp(1j * (2.0 * np.pi * hz * time_s + phase))
        weighted += fraction * np.real(complex(flutter_weighting(hz)) * turn)
        if FLUTTER_BAND_HZ[0] <= hz <= FLUTTER_BAND_HZ[1]:
            unweighted += fraction * turn.real
    return weighted, unweighted


def rows(truth: CaptureTruth) -> list[dict[str, Any]]:
    """Write a truth out in long form: track, channel, quantity, frequency_hz, value.

    Quantities have the names of the measures' columns; what is of no track, channel or frequency
    has None there. Curves are given at `CURVE_HZ`, steps at their own frequencies.
    """
    rows: list[dict[str, Any]] = []

    def add(
        quantity: str,
        value: float | None,
        track: int | None = None,
        channel: str | None = None,
        hz: float | None = None,
    ) -> None:
        if value is not None:
            rows.append(
                {
                    "track": track,
                    "channel": channel,
                    "quantity": quantity,
                    "frequency_hz": hz,
                    "value": float(value),
                }
            )

    add("duration_s", truth.duration_s)
    add("ticks", len(truth.tick_times_s))
    for axis in ("lateral", "vertical"):
        resonance_hz, q = truth.resonance(axis)
        add("resonance_hz", resonance_hz, channel=axis)
        add("q", q, channel=axis)
    for channel, noise in truth.noise().items():
        for quantity, value in noise._asdict().items():
            add(quantity, value, channel=channel)
    for one in truth.tracks:
        plan, number = one.plan, one.track
        add("start_s", one.start_s, number)
        add("stop_s", one.stop_s, number)
        if one.kind == "tone":
            for channel, output_mv in truth.output_mv(number).items():
                add("output_mv", output_mv, number, channel, plan.frequency_hz)
            if is_speed_tone(one.plan):
                for quantity, value in truth.speed(number)._asdict().items():
                    add(quantity, value, number)
        if one.kind == "sweep" and is_audio_band(plan, "response"):
            inside = (plan.lowest_hz <= CURVE_HZ) & (plan.highest_hz >= CURVE_HZ)
            hz = CURVE_HZ[inside]
            for channel in plan.driven_channels:
                for f, value in zip(hz, truth.response_db(number, channel, hz), strict=True):
                    add("response_db", value, number, channel, f)
            if len(plan.driven_channels) == 1:
                for f, value in zip(hz, truth.separation(number, hz)[0], strict=True):
                    add("separation_db", value, number, plan.driven_channels[0], f)
        if one.kind == "tone_steps":
            hz = np.array(plan.frequencies_hz)
            for channel in plan.driven_channels:
                harmonics = truth.harmonics_pct(number, channel, hz)
                for order, values in enumerate(harmonics, start=2):
                    for f, value in zip(hz, values, strict=True):
                        add(f"h{order}_pct", value, number, channel, f)
        for channel in plan.driven_channels:
            if one.kind == "two_tone":
                value = truth.intermodulation_pct(number, channel)
                add("imd_pct", value, number, channel)
            if one.kind == "amplitude_steps":
                value = truth.tracked_amplitude_um(number, channel)
                add("tracked_amplitude_um", value, number, channel)
    return rows
