"""The electrical network of coil, cable and preamplifier input, in closed form.

The coil's voltage, proportional to the stylus velocity, drives resistance and inductance (coil and
cable) in series; the load's resistance and capacitance (cable and preamplifier) shunt the output.
Real coils have eddy losses besides, and the mechanics comes on top: this network alone is not a
cartridge's response.
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
#: Frequency at which a coil's loss resistance is stated as a ratio of its reactance.
LOSS_HZ = 10_000.0


class Network(NamedTuple):
    """Series resistance and inductance, shunt resistance and capacitance, in SI units.

    The load's values may be arrays; all functions broadcast over them.
    """

    resistance_ohm: float
    inductance_h: float
    load_ohm: npt.ArrayLike
    load_f: npt.ArrayLike

    @classmethod
    def of(
        cls,
        inductance_mh: float,
        resistance_ohm: float,
        chain: Chain,
        load_ohm: npt.ArrayLike | None = None,
        load_pf: npt.ArrayLike | None = None,
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
        """
        return cls(
            resistance_ohm=resistance_ohm + chain.cable_resistance_ohm,
            inductance_h=inductance_mh * 1e-3 + chain.cable_inductance_uh * 1e-6,
            load_ohm=chain.load_ohm if load_ohm is None else np.asarray(load_ohm, dtype=float),
            load_f=(chain.load_pf if load_pf is None else np.asarray(load_pf, dtype=float)) * 1e-12,
        )


class Peak(NamedTuple):
    """A treble peak: height in dB re 1 kHz and frequency; NaN where there is none."""

    peak_db: np.ndarray
    peak_hz: np.ndarray


def transfer(frequency_hz: npt.ArrayLike, network: Network) -> np.ndarray:
    """Return voltage at the preamplifier's input over the coil's, complex.

    1 / (1 + (R + sL)(1/RL + sC)).
    """
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
    series = network.resistance_ohm + s * network.inductance_h
    shunt = 1.0 / np.asarray(network.load_ohm) + s * np.asarray(network.load_f)
    return 1.0 / (1.0 + series * shunt)


def transfer_db(frequency_hz: npt.ArrayLike, network: Network) -> np.ndarray:
    """Return the network's response in dB re its own at 1 kHz."""
    gain = np.abs(transfer(frequency_hz, network)) / np.abs(transfer(REFERENCE_HZ, network))
    return 20.0 * np.log10(gain)


def lossy_transfer_db(
    frequency_hz: npt.ArrayLike, network: Network, loss_ratio: float
) -> np.ndarray:
    """Return the response of a network whose coil has losses, in dB relative to its own at 1 kHz.

    A resistance across the inductance stands for the core's losses: the effective inductance falls
    and the resistance rises with frequency.

    Parameters
    ----------
    loss_ratio : float
        That resistance over the inductance's reactance at `LOSS_HZ`.
    """

    def gain(at_hz: npt.ArrayLike) -> np.ndarray:
        s = 2j * np.pi * np.asarray(at_hz, dtype=float)
        loss_ohm = loss_ratio * 2.0 * np.pi * LOSS_HZ * network.inductance_h
        inductive = s * network.inductance_h / (1.0 + s * network.inductance_h / loss_ohm)
        shunt = 1.0 / np.asarray(network.load_ohm) + s * np.asarray(network.load_f)
        return np.abs(1.0 / (1.0 + (network.resistance_ohm + inductive) * shunt))

    return 20.0 * np.log10(gain(frequency_hz) / gain(REFERENCE_HZ))


def resonance(network: Network) -> tuple[np.ndarray, np.ndarray]:
    """Return the undamped resonance in Hz and the quality factor of the network.

    w0^2 = (1 + R/RL) / (L C) and w0/Q = R/L + 1/(RL C). Without capacitance the resonance is at
    infinity and has no quality factor (NaN).
    """
    resistance, inductance, load_ohm, load_f = (np.asarray(value) for value in network)
    with np.errstate(divide="ignore", invalid="ignore"):
        w0 = np.sqrt((1.0 + resistance / load_ohm) / (inductance * load_f))
        damping = resistance / inductance + 1.0 / (load_ohm * load_f)
        return np.asarray(w0 / (2.0 * np.pi)), np.asarray(w0 / damping)


def peak(network: Network) -> Peak:
    """Return the network's treble peak; there is one where Q is above 1/sqrt(2)."""
    undamped_hz, q = resonance(network)
    peaking = q > np.sqrt(0.5)
    q = np.where(peaking, q, np.nan)
    re_dc_db = 20.0 * np.log10(q / np.sqrt(1.0 - 0.25 / q**2))
    reference_db = 20.0 * np.log10(
        np.abs(transfer(REFERENCE_HZ, network)) / np.abs(transfer(0.0, network))
    )
    return Peak(re_dc_db - reference_db, undamped_hz * np.sqrt(1.0 - 0.5 / q**2))


def level_db(network: Network) -> np.ndarray:
    """Return the level at 1 kHz re the unloaded coil's voltage, dB."""
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
    series = network.resistance_ohm + s * network.inductance_h
    impedance = 1.0 / (1.0 / series + 1.0 / load_ohm + s * load_f)
    weight = np.abs(replay_response(frequency_hz, equalisation)) ** 2
    density = 4.0 * BOLTZMANN_J_K * temperature_k * impedance.real * weight
    return np.sqrt(np.trapezoid(density, frequency_hz, axis=-1))
