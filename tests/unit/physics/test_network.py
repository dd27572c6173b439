"""Checks of the electrical network: closed form, worked values, and a circuit simulator."""

import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from grooveledger.physics.network import (
    BOLTZMANN_J_K,
    LOSS_HZ,
    Network,
    coil_impedance_ohm,
    level_db,
    peak,
    resonance,
    thermal_noise_v,
    transfer,
    transfer_db,
)
from grooveledger.plan import Chain

NGSPICE = shutil.which("ngspice")
needs_ngspice = pytest.mark.skipif(
    NGSPICE is None, reason="ngspice is not installed (Debian package ngspice): no second solver"
)

# Common-practice check values of a 400 mH, 500 ohm coil with 0.5 ohm and 2 uH of cable: load ohm,
# pF; peak dB, its frequency Hz, level at 20 kHz dB, all re 1 kHz (closed form, to 0.01 dB).
CHECK_VALUES = [
    (47_000, 150, 0.72, 12_935.6, -0.59),
    (47_000, 330, 3.11, 11_799.4, -3.64),
    (100_000, 150, 5.89, 19_127.5, 5.78),
    (40_000, 150, 0.12, 8_386.9, -1.96),
]

# Coil mH and ohm, pF, kohm with 0.3 ohm and 1 uH of cable: f0 Hz, Q, peak dB and Hz, level at 10,
# 15 and 20 kHz re 1 kHz. Computed; ngspice agreed within 0.0001 dB.
TABLE = [
    (350, 450, 120, 47, 24675.5, 0.8681, 0.517, 14315.2, 0.374, 0.512, 0.042),
    (350, 450, 200, 47, 19113.5, 1.1154, 1.909, 14781.9, 1.250, 1.906, 0.496),
    (350, 450, 300, 47, 15606.1, 1.3580, 3.264, 13323.5, 2.415, 2.926, -1.176),
    (350, 450, 200, 68, 19085.5, 1.6028, 4.523, 17127.9, 1.966, 4.108, 3.575),
    (350, 450, 200, 33, 19152.0, 0.7875, 0.162, 8431.3, 0.134, -0.568, -2.476),
    (480, 750, 120, 47, 21137.2, 0.7425, 0.036, 6447.9, -0.038, -0.646, -2.137),
    (480, 750, 220, 47, 15610.9, 0.9981, 1.221, 11017.2, 1.176, 0.285, -3.154),
    (480, 750, 380, 47, 11878.1, 1.2967, 2.913, 9956.7, 2.912, -1.190, -7.079),
    (620, 1050, 160, 47, 16157.1, 0.7538, 0.059, 5598.8, -0.235, -1.867, -4.746),
    (620, 1050, 260, 47, 12674.7, 0.9534, 0.958, 8502.1, 0.799, -2.332, -6.978),
    (620, 1050, 260, 36, 12716.9, 0.7362, 0.022, 3540.6, -1.098, -4.350, -8.287),
    (720, 1200, 200, 47, 13431.2, 0.7810, 0.135, 5703.8, -0.451, -3.243, -7.099),
]


def network(
    inductance_mh, resistance_ohm, load_pf, load_ohm, cable_ohm=0.5, cable_uh=2.0, loss=0.0
):
    chain = Chain(
        chain="bench",
        arm_effective_mass_g=12.0,
        cable_resistance_ohm=cable_ohm,
        cable_inductance_uh=cable_uh,
        cable_capacitance_pf=100.0,
        input_resistance_ohm=47_000.0,
        input_capacitance_pf=50.0,
        gain_db=40.0,
        equalisation="iec98",
        full_scale_v_rms=2.0,
    )
    return Network.of(inductance_mh, resistance_ohm, chain, load_ohm, load_pf, loss)


@pytest.mark.parametrize(("load_ohm", "load_pf", "peak_db", "peak_hz", "db_at_20khz"), CHECK_VALUES)
def test_check_values(load_ohm, load_pf, peak_db, peak_hz, db_at_20khz):
    # Common practice, stated to 0.1 dB: +0.7 and -0.6; +3.1 and -3.6; +5.9; +0.1.
    own = network(400.0, 500.0, load_pf, load_ohm)
    found = peak(own)
    assert found.peak_db == pytest.approx(peak_db, abs=0.005)
    assert found.peak_hz == pytest.approx(peak_hz, abs=0.1)
    assert transfer_db(20_000.0, own) == pytest.approx(db_at_20khz, abs=0.005)


@pytest.mark.parametrize("row", TABLE)
def test_table(row):
    inductance, resistance, pf, kohm, f0, q, peak_db, peak_hz, *levels_db = row
    own = network(inductance, resistance, pf, kohm * 1e3, 0.3, 1.0)
    np.testing.assert_allclose(resonance(own), [f0, q], rtol=6e-5)
    np.testing.assert_allclose(peak(own), [peak_db, peak_hz], rtol=6e-6, atol=6e-4)
    np.testing.assert_allclose(transfer_db([10_000, 15_000, 20_000], own), levels_db, atol=6e-4)


@settings(max_examples=30, deadline=None)
@given(
    inductance_mh=st.floats(50, 1000),
    load_pf=st.floats(50, 600),
    load_ohm=st.floats(10_000, 200_000),
)
def test_peak_is_the_maximum_of_the_curve(inductance_mh, load_pf, load_ohm):
    own = network(inductance_mh, 600.0, load_pf, load_ohm)
    found = peak(own)
    dense_hz = np.geomspace(100.0, 400_000.0, 40_001)
    highest = np.max(transfer_db(dense_hz, own))
    if np.isnan(found.peak_db):
        assert highest == pytest.approx(transfer_db(100.0, own), abs=1e-6)
    else:
        assert found.peak_db == pytest.approx(highest, abs=1e-4)


def test_own_load_is_the_chains():
    assert network(400.0, 500.0, None, None) == network(400.0, 500.0, 150.0, 47_000.0)


def test_ends():
    own = network(400.0, 500.0, 150.0, 47_000.0)
    assert transfer(0.0, own) == pytest.approx(47_000 / (47_000 + 500.5))
    assert level_db(own) < 0.0


def test_without_capacitance_there_is_no_peak():
    own = network(0.05, 10.0, 0.0, 100.0)
    assert np.isnan(peak(own).peak_db)
    assert transfer_db(20_000.0, own) < 0.0


def test_loads_broadcast():
    ohms, pfs = np.array([47e3, 100e3, 10e3]), np.array([150.0, 330.0, 150.0])
    together = peak(network(400.0, 500.0, pfs, ohms))
    for i in range(3):
        alone = peak(network(400.0, 500.0, pfs[i], ohms[i]))
        np.testing.assert_allclose([together.peak_db[i], together.peak_hz[i]], alone, rtol=1e-12)
    noise = thermal_noise_v(network(400.0, 500.0, pfs, ohms))
    np.testing.assert_allclose(noise[0], thermal_noise_v(network(400.0, 500.0, 150.0, 47e3)))


def test_thermal_noise():
    # Computed apart for 480 mH, 750 ohm, 220 pF, 47 kohm at 295 K: 2.821 uV, equalised 0.593 uV;
    # -63.46 and -77.00 dB re 4.2 mV.
    own = network(480.0, 750.0, 220.0, 47_000.0, 0.3, 1.0)
    for equalisation, noise_uv, level in [("flat", 2.821, -63.46), ("iec98", 0.593, -77.00)]:
        found = thermal_noise_v(own, equalisation)
        assert found * 1e6 == pytest.approx(noise_uv, abs=6e-4)
        assert 20 * np.log10(found / 4.2e-3) == pytest.approx(level, abs=6e-3)


def test_thermal_noise_of_all_frequencies_is_that_of_the_capacitance():
    # Exact (equipartition): the noise over all frequencies is sqrt(kT/C), whatever the network.
    own = network(480.0, 750.0, 220.0, 47_000.0)
    expected_v = np.sqrt(BOLTZMANN_J_K * 295.0 / 220e-12)
    found_v = thermal_noise_v(own, band_hz=(0.01, 1e9))
    assert 20 * np.log10(found_v / expected_v) == pytest.approx(0.0, abs=1e-3)


def test_thermal_noise_of_a_plain_resistance():
    # Nyquist 1928: sqrt(4 k T R B), here with coil and capacitance made negligible.
    own = Network(1e3, 1e-12, 1e12, 1e-18)
    expected_v = np.sqrt(4 * BOLTZMANN_J_K * 300.0 * 1e3 * (20_000 - 20))
    assert thermal_noise_v(own, temperature_k=300.0) == pytest.approx(expected_v, rel=1e-4)


def nodal_gain_db(own, frequency_hz):
    """Solve two nodes: behind the semi-inductance with its loss resistor, and at the load."""
    found = []
    for hz in frequency_hz:
        s = 2j * np.pi * hz
        loss_ohm = 2 * np.pi * LOSS_HZ * own.inductance_h / own.loss
        # Its reactance at 1 kHz is the inductor's and rises with the power of frequency.
        semi = 2 * np.pi * 1e3 * own.inductance_h * (1j * hz / 1e3) ** (1 - 0.21 * own.loss)
        branch = 1 / semi + 1 / loss_ohm
        series, shunt = 1 / own.resistance_ohm, 1 / own.load_ohm + s * own.load_f
        nodes = [[branch + series, -series], [-series, series + shunt]]
        found.append(np.linalg.solve(nodes, [branch, 0.0])[1])
    return 20 * np.log10(np.abs(found))


@pytest.mark.parametrize("loss", [0.03, 0.3, 1.0])
def test_losses_against_a_nodal_analysis(loss):
    own = network(480.0, 750.0, 220.0, 47_000.0, loss=loss)
    frequency_hz = np.geomspace(20, 48_000, 50)
    own_db = 20 * np.log10(np.abs(transfer(frequency_hz, own)))
    np.testing.assert_allclose(own_db, nodal_gain_db(own, frequency_hz), atol=1e-9)


def test_peak_of_a_coil_with_hardly_any_losses_is_the_closed_form():
    almost, none = (network(480.0, 750.0, 220.0, 47_000.0, loss=loss) for loss in (1e-9, 0.0))
    assert peak(almost).peak_db == pytest.approx(peak(none).peak_db, abs=1e-4)
    assert peak(almost).peak_hz == pytest.approx(peak(none).peak_hz, rel=2e-3)
    assert np.isnan(peak(network(480.0, 750.0, 100.0, 22_000.0, loss=0.5)).peak_db)


def test_the_inductance_falls_and_the_resistance_rises_with_frequency():
    own = network(480.0, 750.0, 220.0, 47_000.0, loss=0.3)
    hz = np.array([100.0, 1_000.0, 10_000.0, 20_000.0])
    impedance = coil_impedance_ohm(hz, own)
    inductance_mh = 1e3 * impedance.imag / (2 * np.pi * hz)
    assert np.all(np.diff(inductance_mh) < 0)
    assert np.all(np.diff(impedance.real) > 0)
    # The greater part of the fall over a decade is the power's: 10^(-0.063).
    assert inductance_mh[2] / inductance_mh[1] == pytest.approx(0.78, abs=0.02)


def ladder(own):
    """Stand in for losses by inductors in series, each with a resistor across it, in H and ohm.

    Least squares that admits no negative parts (Lawson and Hanson 1974), apart from the program.
    """
    hz = np.geomspace(10, 100_000, 400)
    loss_ohm = 2 * np.pi * LOSS_HZ * own.inductance_h / own.loss
    semi = 2 * np.pi * 1e3 * own.inductance_h * (1j * hz / 1e3) ** (1 - 0.21 * own.loss)
    wanted = 1 / (1 / semi + 1 / loss_ohm)
    corner_hz = np.geomspace(0.01, 1e9, 45)
    rungs = 1 / (1 / (2j * np.pi * hz[:, None]) + 1 / (2 * np.pi * corner_hz))
    parts = np.vstack([(rungs / wanted[:, None]).real, (rungs / wanted[:, None]).imag])
    henry, _ = nnls(parts, np.concatenate([np.ones(len(hz)), np.zeros(len(hz))]))
    kept = henry > 0
    return list(zip(henry[kept], 2 * np.pi * corner_hz[kept] * henry[kept], strict=True))


def coil_lines(own):
    """Return the coil between nodes a and out: an inductor, or a ladder of rungs."""
    if not own.loss:
        return f"l1 a out {own.inductance_h!r}"
    rungs = ladder(own)
    nodes = ["a", *(f"b{i}" for i in range(1, len(rungs))), "out"]
    return "\n".join(
        f"l{i + 1} {nodes[i]} {nodes[i + 1]} {henry!r}\nrl{i + 1} {nodes[i]} {nodes[i + 1]} {ohm!r}"
        for i, (henry, ohm) in enumerate((float(h), float(o)) for h, o in rungs)
    )


def circuit(own, control):
    return f"""cartridge and load
v1 emf 0 dc 0 ac 1
r1 emf a {own.resistance_ohm!r}
{coil_lines(own)}
r2 out 0 {float(own.load_ohm)!r}
c1 out 0 {float(own.load_f)!r}
.control
set wr_singlescale
set numdgt=12
{control}
quit
.endc
.end
"""


def simulate(own, control, folder):
    (folder / "network.cir").write_text(circuit(own, control))
    subprocess.run(
        [NGSPICE, "-b", "network.cir"], cwd=folder, check=True, capture_output=True, timeout=60
    )
    return np.loadtxt(folder / "out.txt").T


@needs_ngspice
@pytest.mark.parametrize("loss", [0.0, 0.1, 0.45])
@pytest.mark.parametrize("load", [(row[0], row[1]) for row in CHECK_VALUES])
def test_whole_curve_against_a_circuit_simulator(load, loss, tmp_path):
    own = network(400.0, 500.0, load[1], load[0], loss=loss)
    control = "ac dec 400 20 48k\nwrdata out.txt vdb(out)"
    frequency_hz, simulated_db = simulate(own, control, tmp_path)
    assert frequency_hz[0] == pytest.approx(20.0)
    assert frequency_hz[-1] == pytest.approx(48_000.0, rel=0.01)
    own_db = 20 * np.log10(np.abs(transfer(frequency_hz, own)))
    np.testing.assert_allclose(own_db, simulated_db, atol=0.01)


@needs_ngspice
@pytest.mark.parametrize("loss", [0.0, 0.3])
def test_thermal_noise_against_a_circuit_simulator(loss, tmp_path):
    own = network(480.0, 750.0, 220.0, 47_000.0, 0.3, 1.0, loss)
    control = (
        f"option temp={295.0 - 273.15}\n"
        "noise v(out) v1 dec 400 20 20k\nsetplot noise1\nwrdata out.txt onoise_spectrum"
    )
    frequency_hz, density = simulate(own, control, tmp_path)
    simulated_v = np.sqrt(np.trapezoid(density**2, frequency_hz))
    difference_db = 20 * np.log10(thermal_noise_v(own) / simulated_v)
    assert difference_db == pytest.approx(0.0, abs=0.01)


def test_a_network_is_the_coil_and_the_wiring_under_the_chains_load_or_another():
    """Without losses named it has none: the bare coil of the closed form."""
    wires = Chain("bench", 12.0, 0.5, 2.0, 100.0, 47_000.0, 50.0, 40.0, "iec98", 2.0)
    made = Network.of(400.0, 500.0, wires)
    assert made == pytest.approx(Network(500.5, 0.400002, 47_000.0, 150e-12, 0.0))
    other = Network.of(400.0, 500.0, wires, load_ohm=33_000.0, load_pf=220.0, loss=0.2)
    assert other == pytest.approx(Network(500.5, 0.400002, 33_000.0, 220e-12, 0.2))
