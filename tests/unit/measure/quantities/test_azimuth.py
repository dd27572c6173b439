"""Azimuth from two crosstalks, against a pair of axes turned in the plane across the groove."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.metric_rows import Measured
from grooveledger.measure.quantities import azimuth
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN, joined, make_context, make_side, orders_of

TONE = {"kind": "tone", "frequency_hz": 1000.0, "duration_s": 20.0, "velocity_cm_s": 5.0}
SIDE = make_side(
    {**TONE, "modulation": "left"},
    {**TONE, "modulation": "right"},
    {**TONE, "modulation": "lateral"},
)
#: Directions across the groove seen from the front of the cartridge, (towards the edge, up), in
#: which the walls at 45 degrees move the stylus when both channels' signals are positive: their sum
#: is lateral (IEC 60098: in-phase channels are lateral).
LEFT_WALL = np.array([1.0, 1.0]) / np.sqrt(2.0)
RIGHT_WALL = np.array([1.0, -1.0]) / np.sqrt(2.0)


def outputs(angle_deg, leak=0.0, sensitivity=(1.0, 1.0)):
    """Outputs (left, right) of a pair of generators for each of left, right and both walls moved.

    The generators' axes are the walls' ones turned clockwise; each hears `leak` of the other.
    """
    a = np.radians(angle_deg)
    clockwise = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    axes = np.array([clockwise @ LEFT_WALL, clockwise @ RIGHT_WALL])
    motions = np.array([LEFT_WALL, RIGHT_WALL, LEFT_WALL + RIGHT_WALL])
    heard = np.array([[1.0, leak], [leak, 1.0]]) @ (axes @ motions.T)
    return (np.array(sensitivity)[:, np.newaxis] * heard).T


def measured(pairs, noise_fs=0.0, floor_fs=1e-9, rng=None, chain=CHAIN):
    """Rows of the table; in each reading a complex noise of an rms of `noise_fs`."""
    parts = []
    for track, pair in enumerate(pairs, start=1):
        noise = np.zeros(2) if rng is None else rng.normal(size=(2, 2)) @ [1.0, 1.0j] / np.sqrt(2.0)
        values = 0.1 * np.asarray(pair, complex) + noise_fs * noise
        parts.append(orders_of(track, 1000.0, {1: tuple(values)}, floor_fs=floor_fs))
    context = make_context(SIDE, {"orders": joined(*parts)}, chain=chain)
    return tables.columns(azimuth.measure(context))


@pytest.mark.parametrize("angle_deg", [-5.0, -1.0, 0.5, 3.0])
@pytest.mark.parametrize("sensitivity", [(1.0, 1.0), (1.0, 0.8)])
def test_a_turned_pair_reads_its_angle_whatever_the_balance(angle_deg, sensitivity):
    """Geometry alone: tan of the angle in both crosstalks, with opposite signs."""
    rows = measured(outputs(angle_deg, sensitivity=sensitivity))
    assert rows["azimuth_deg"][0] == pytest.approx(angle_deg, abs=1e-6)
    assert rows["separation_db"][0] == pytest.approx(
        -20.0 * np.log10(np.tan(np.radians(abs(angle_deg))))
    )
    assert not rows["limited"][0]


@pytest.mark.parametrize("leak", [0.02, -0.04, 0.03j])
def test_leak_is_separated_and_is_what_turning_leaves(leak):
    rows = measured(outputs(2.0, leak=leak))
    assert rows["azimuth_deg"][0] == pytest.approx(2.0, abs=0.01)
    assert rows["leak_db"][0] == pytest.approx(20.0 * np.log10(abs(leak)), abs=0.05)
    left_db = -20.0 * np.log10(abs(leak))
    assert rows["balanced_separation_db"][0] == pytest.approx(left_db, abs=0.05)


def test_one_channel_in_opposite_polarity_does_not_turn_the_sign():
    """The lateral tone shows it; so does a chain that says it."""
    turned = outputs(3.0) * np.array([1.0, -1.0])
    assert measured(turned)["azimuth_deg"][0] == pytest.approx(3.0)
    told = replace(CHAIN, invert=("right",))
    assert measured(turned[:2], chain=told)["azimuth_deg"][0] == pytest.approx(3.0)


def test_within_its_uncertainty_and_three_tenths_of_a_degree_at_25_db():
    """Monte Carlo: crosstalk of about 25 dB of any make-up, noise 50 dB down."""
    rng = np.random.default_rng(4)
    noise = 10.0 ** (-50.0 / 20.0)
    errors, stated = [], []
    for _ in range(300):
        angle_deg = rng.uniform(-3.0, 3.0)
        leak = 10.0 ** (-25.0 / 20.0) * np.exp(2j * np.pi * rng.uniform())
        sensitivity = (1.0, 10.0 ** (rng.uniform(-2.0, 2.0) / 20.0))
        pairs = outputs(angle_deg, leak, sensitivity)
        rows = measured(pairs, 0.1 * noise, 0.1 * noise, rng)
        if not rows["limited"][0]:
            errors.append(rows["azimuth_deg"][0] - angle_deg)
            stated.append(rows["noise_deg"][0])
    assert len(errors) > 250
    assert np.quantile(np.abs(errors), 0.95) < 0.3
    assert 0.9 < np.std(errors) / np.mean(stated) < 1.2


def test_crosstalk_under_the_noise_gives_no_angle():
    rows = measured(outputs(0.05), floor_fs=1e-3)
    assert rows["limited"][0]
    assert np.isnan(rows["azimuth_deg"][0])


def test_a_left_track_without_its_right_one_gives_no_row():
    other = {**TONE, "modulation": "right", "frequency_hz": 3150.0}
    side = make_side({**TONE, "modulation": "left"}, other)
    pairs = outputs(1.0)
    orders = joined(*(orders_of(i, 1000.0, {1: tuple(0.1 * pairs[i - 1])}) for i in (1, 2)))
    assert azimuth.measure(make_context(side, {"orders": orders})).num_rows == 0


def perturbed(angle_deg, leak, change):
    """Rows of a turned pair whose right track was cut louder by a factor."""
    pairs = outputs(angle_deg, leak)
    pairs[1] *= 1.0 + change
    return measured(pairs)


@pytest.mark.parametrize(("angle_deg", "leak"), [(2.0, 0.03), (-1.0, -0.05)])
def test_a_tolerance_of_the_record_is_what_another_level_makes_of_it(angle_deg, leak):
    """By cutting the right track a thousandth louder, put through +-1 dB as a rectangle."""
    rows, louder = (perturbed(angle_deg, leak, change) for change in (0.0, 1e-3))
    side = replace(SIDE, response_tolerance_db=1.0)
    found = {
        figure.metric: figure
        for figure in azimuth.figures(Measured({"azimuth": rows}, side, CARTRIDGE, CHAIN))
    }
    u = np.log(10.0) / 20.0 / np.sqrt(3.0)
    for metric, column in (
        ("azimuth_deg", "azimuth_deg"),
        ("separation_balanced_db", "balanced_separation_db"),
    ):
        shift = abs(louder[column][0] - rows[column][0]) / 1e-3
        assert found[metric].value == pytest.approx(rows[column][0])
        for part in ("record", "second_track"):
            assert found[metric].parts[part] == pytest.approx(u * shift, rel=0.05), metric
    assert found["azimuth_deg"].noise == rows["noise_deg"][0]
    # dB of a leak are 20 / ln 10 of its relative change.
    left_over = 10.0 ** (-rows["balanced_separation_db"][0] / 20.0)
    expected = 20.0 / np.log(10.0) * np.radians(rows["noise_deg"][0]) / left_over
    assert found["separation_balanced_db"].noise == pytest.approx(expected)
