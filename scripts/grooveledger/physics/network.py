"""The electrical network of coil, cable and preamplifier input, in closed form.

The coil's voltage, proportional to the stylus velocity, drives resistance and inductance (coil and
cable) in series; the load's resistance and capacitance (cable and preamplifier) shunt the output.
One number stands for losses in poles and yoke: a resistance lies across the coil's reactance, and
that rises with a power of frequency a little below one, so that the inductance falls and the
resistance rises with frequency (a semi-inductance, common practice for coils on iron). Real eddy
currents follow no single law. The mechanics comes on top: this network alone is not a cartridge's
response.
"""

from typing import NamedTuple, Self

import numpy as np
import numpy.typing as npt

from grooveledger.physics.equalisation import REFERENCE_HZ, replay_response
from grooveledger.plan import Chain

#: SI: Boltzmann's constant, J/K.
BOLTZMANN_J_K = 1.380649e-23
#: 22 degC, within the 20 to 25 degC that IEC 60098 prefers for measuring.
ROOM_TEMPERATURE_K = 295.0
#: Band in which thermal noise is summed (common practice), and points over it.
NOISE_BAND_HZ = (20.0, 20_000.0)
NOISE_POINTS = 2000
#: Frequency at which a coil's loss resistance is stated relative to its reactance.
LOSS_HZ = 10_000.0
#: By how much the power of frequency is below one, for a loss of one (our choice: of what a coil of
#: loss 0.3 has lost of its inductance from 1 to 10 kHz, the power has taken the greater part).
SEMI = 0.21
#: End and points of the grid on which the peak of a coil with losses is read: steps of 0.2 %.
PEAK_TOP_HZ = 400_000.0
PEAK_POINTS = 4000


class Network(NamedTuple):
    """Series resistance and inductance, shunt resistance and capacitance, in SI units.

    The load's values may be arrays; all functions broadcast over them. `loss` is the inductance's
    reactance at `LOSS_HZ` over the loss resistance across it, and sets the power of frequency with
    which the reactance rises: 0 is a coil without losses. The inductance is that at 1 kHz.
    """

    resistance_ohm: float
    inductance_h: float
    load_ohm: npt.ArrayLike
    load_f: npt.ArrayLike
    loss: float = 0.0

    @classmethod
    def of(
        cls,
        inductance_mh: float,
        resistance_ohm: float,
        chain: Chain,
        load_ohm: npt.ArrayLike | None = None,
        load_pf: npt.ArrayLike | None = None,
        loss: float = 0.0,
    ) -> Self:
        """Make the network of a coil on a chain, under the chain's own or another load.

        Parameters
        ----------
        inductance_mh, resistance_ohm : float
            The coil.
        chain : Chain
            Gives the wiring's resistance and inductance, and the load where none is named.
        load_ohm, load_pf : array_like, optional
            The load in all: `load_pf` includes the cable.
        loss : float
            The coil's losses, see the class.
        """
        return cls(
            resistance_ohm=resistance_ohm + chain.cable_resistance_ohm,
            inductance_h=inductance_mh * 1e-3 + chain.cable_inductance_uh * 1e-6,
            load_ohm=chain.load_ohm if load_ohm is None else np.asarray(load_ohm, dtype=float),
            load_f=(chain.load_pf if load_pf is None else np.asarray(load_pf, dtype=float)) * 1e-12,
            loss=loss,
        )


class Peak(NamedTuple):
    """A treble peak: height in dB relative to 1 kHz and frequency; NaN where there is none."""

    peak_db: np.ndarray
    peak_hz: np.ndarray


def coil_impedance_ohm(frequency_hz: npt.ArrayLike, network: Network) -> np.ndarray:
    """Return the impedance of coil and cable, complex: R + X / (1 + X/Rp).

    X is w1 L (j f / 1 kHz)^power with w1 that of 1 kHz, Rp the loss resistance.
    """
    power = 1.0 - SEMI * network.loss
    re_reference = np.asarray(frequency_hz, dtype=float) / REFERENCE_HZ
    turned = re_reference**power * np.exp(0.5j * np.pi * power)
    reactance = 2.0 * np.pi * REFERENCE_HZ * network.inductance_h * turned
    share = network.loss * REFERENCE_HZ / LOSS_HZ * turned
    return network.resistance_ohm + reactance / (1.0 + share)


def transfer(frequency_hz: npt.ArrayLike, network: Network) -> np.ndarray:
    """Return voltage at the preamplifier's input over the coil's, complex.

    1 / (1 + Z (1/RL + sC)), Z the coil's impedance.
    """
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
    series = coil_impedance_ohm(frequency_hz, network)
    shunt = 1.0 / np.asarray(network.load_ohm) + s * np.asarray(network.load_f)
    return 1.0 / (1.0 + series * shunt)


def transfer_db(frequency_hz: npt.ArrayLike, network: Network) -> np.ndarray:
    """Return the network's response in dB relative to its own at 1 kHz."""
    gain = np.abs(transfer(frequency_hz, network)) / np.abs(transfer(REFERENCE_HZ, network))
    return 20.0 * np.log10(gain)


def resonance(network: Network) -> tuple[np.ndarray, np.ndarray]:
    """Return the undamped resonance in Hz and the quality factor, the coil's losses left out.

    w0^2 = (1 + R/RL) / (L C) and w0/Q = R/L + 1/(RL C). Without capacitance the resonance is at
    infinity and has no quality factor (NaN).
    """
    resistance, inductance, load_ohm, load_f = (np.asarray(value) for value in network[:4])
    with np.errstate(divide="ignore", invalid="ignore"):
        w0 = np.sqrt((1.0 + resistance / load_ohm) / (inductance * load_f))
        damping = resistance / inductance + 1.0 / (load_ohm * load_f)
        return np.asarray(w0 / (2.0 * np.pi)), np.asarray(w0 / damping)


def peak(network: Network) -> Peak:
    """Return the network's treble peak; there is one where Q is above 1/sqrt(2).

    With losses it is the highest point of the curve on a grid of `PEAK_POINTS`.
    """
    if network.loss > 0.0:
        return _lossy_peak(network)
    undamped_hz, q = resonance(network)
    peaking = q > np.sqrt(0.5)
    q = np.where(peaking, q, np.nan)
    re_dc_db = 20.0 * np.log10(q / np.sqrt(1.0 - 0.25 / q**2))
    reference_db = 20.0 * np.log10(
        np.abs(transfer(REFERENCE_HZ, network)) / np.abs(transfer(0.0, network))
    )
    return Peak(re_dc_db - reference_db, undamped_hz * np.sqrt(1.0 - 0.5 / q**2))


def _lossy_peak(network: Network) -> Peak:
    columns = network._replace(
        load_ohm=np.asarray(network.load_ohm, dtype=float)[..., np.newaxis],
        load_f=np.asarray(network.load_f, dtype=float)[..., np.newaxis],
    )
    frequency_hz = np.geomspace(REFERENCE_HZ / 10.0, PEAK_TOP_HZ, PEAK_POINTS)
    curves_db = transfer_db(frequency_hz, columns)
    top = np.argmax(curves_db, axis=-1)
    inside = (top > 0) & (top < PEAK_POINTS - 1)
    return Peak(
        np.where(inside, np.max(curves_db, axis=-1), np.nan),
        np.where(inside, frequency_hz[top], np.nan),
    )


def level_db(network: Network) -> np.ndarray:
    """Return the level at 1 kHz relative to the unloaded coil's voltage, dB."""
    return 20.0 * np.log10(np.abs(transfer(REFERENCE_HZ, network)))


def thermal_noise_v(
    network: Network,
    equalisation: str = "flat",
    band_hz: tuple[float, float] = NOISE_BAND_HZ,
    temperature_k: float = ROOM_TEMPERATURE_K,
) -> np.ndarray:
    """Return the rms thermal noise of coil and load at the preamplifier's input.

    The integral of 4 k T Re Z (Nyquist 1928), Z the impedance at the input, weighted by the replay
    curve, which is 1 at 1 kHz. The preamplifier's own noise is not in it.

    Parameters
    ----------
    network : Network
        Its load may be arrays of any one shape.
    equalisation : str
        See `grooveledger.physics.equalisation.replay_response`.
    band_hz : tuple of float
        Ends of the band.
    temperature_k : float
        Temperature of all resistances.

    Returns
    -------
    ndarray
        Volts, of the load's shape.
    """
    frequency_hz = np.geomspace(*band_hz, NOISE_POINTS)
    s = 2j * np.pi * frequency_hz
    load_ohm = np.asarray(network.load_ohm)[..., np.newaxis]
    load_f = np.asarray(network.load_f)[..., np.newaxis]
    series = coil_impedance_ohm(frequency_hz, network)
    impedance = 1.0 / (1.0 / series + 1.0 / load_ohm + s * load_f)
    weight = np.abs(replay_response(frequency_hz, equalisation)) ** 2
    density = 4.0 * BOLTZMANN_J_K * temperature_k * impedance.real * weight
    return np.sqrt(np.trapezoid(density, frequency_hz, axis=-1))
