"""What every measure keeps: silence, dead or exchanged channels, loudness, order of rows."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from grooveledger.measure import quantities
from grooveledger.physics.resonance import high_pass_response
from grooveledger.schemas.observe import NOISE_LEVEL
from grooveledger.storage import tables
from made_observations import (
    CARTRIDGE,
    CHAIN,
    changed,
    joined,
    make_context,
    make_side,
    orders_of,
    swapped_chain,
)

BLOCKS = Path(__file__).parents[3] / "workflow" / "schemas" / "blocks"
LOW = {"kind": "sweep", "purpose": "resonance", "start_hz": 25.0, "stop_hz": 4.0}
SIDE = make_side(
    {
        "kind": "tone",
        "modulation": "left",
        "frequency_hz": 1000.0,
        "duration_s": 20.0,
        "radius_mm": 130.0,
    },
    {"kind": "tone", "modulation": "right", "frequency_hz": 1000.0, "duration_s": 20.0},
    {"kind": "tone", "modulation": "lateral", "frequency_hz": 3150.0, "duration_s": 20.0},
    {
        "kind": "sweep",
        "modulation": "left",
        "start_hz": 20.0,
        "stop_hz": 20_000.0,
        "duration_s": 45.0,
    },
    {
        "kind": "tone_steps",
        "modulation": "vertical",
        "frequencies_hz": [300.0, 1000.0, 3000.0],
        "step_s": 3.0,
    },
    {
        "kind": "two_tone",
        "modulation": "lateral",
        "frequencies_hz": [400.0, 4000.0],
        "ratio": 4.0,
        "duration_s": 20.0,
    },
    {
        "kind": "amplitude_steps",
        "modulation": "lateral",
        "frequency_hz": 315.0,
        "amplitudes_um": [40.0, 60.0, 80.0],
        "step_s": 5.0,
    },
    {**LOW, "modulation": "lateral", "duration_s": 60.0},
    {**LOW, "modulation": "vertical", "duration_s": 60.0},
    {"kind": "silent_groove", "duration_s": 30.0},
    {
        "kind": "two_tone",
        "modulation": "vertical",
        "frequencies_hz": [400.0, 4000.0],
        "ratio": 4.0,
        "duration_s": 20.0,
        "radius_mm": 100.0,
    },
    {"kind": "noise", "modulation": "lateral", "colour": "pink", "duration_s": 30.0},
    *(
        {
            "kind": "tone_steps",
            "modulation": "lateral",
            "frequencies_hz": [1000.0, 4000.0],
            "step_s": 3.0,
            "radius_mm": radius,
        }
        for radius in (140.0, 70.0)
    ),
)
SIDE = replace(
    SIDE, tracks=tuple(replace(t, velocity_cm_s=5.0 if t.modulation else None) for t in SIDE.tracks)
)
#: Columns that double when everything heard is twice as loud.
LOUDER = {"output_mv", "sensitivity_mv_per_cm_s", "level_mv"}


def made_observations(seed, loudness, floor_fs):
    """Every observation of the side, with random phases and small random departures."""
    rng = np.random.default_rng(seed)

    def wave(level, n=1):
        return loudness * level * np.exp(2j * np.pi * rng.uniform(size=n) + rng.normal(0, 0.1, n))

    def harmonics(n, driven):
        near, far = (1.0, 0.05) if driven == "left" else (0.05, 1.0)
        near, far = (1.0, 0.9) if driven == "both" else (near, far)
        return {
            k: (near * wave(0.1 * 0.02 ** (k > 1), n), far * wave(0.1 * 0.02 ** (k > 1), n))
            for k in range(1, 6)
        }

    sweep_hz = np.geomspace(20.0, 20_000.0, 40)
    low_hz = np.geomspace(25.0, 4.0, 20)
    lines = [(1, 0), (0, 1), (1, -1), (1, 1), (1, -2), (1, 2)]
    two_tone = {line: (wave(0.1), wave(0.1)) for line in lines}
    motion = wave(0.1, 20) * np.abs(high_pass_response(low_hz, 9.0, 2.5))
    orders = joined(
        orders_of(1, 1000.0, harmonics(1, "left"), floor_fs=floor_fs),
        orders_of(2, 1000.0, harmonics(1, "right"), floor_fs=floor_fs),
        orders_of(3, 3150.0, harmonics(1, "both"), floor_fs=floor_fs, played_hz=3160.0),
        orders_of(4, sweep_hz, harmonics(40, "left"), floor_fs=floor_fs),
        orders_of(5, [300.0, 1e3, 3e3], harmonics(3, "both"), floor_fs=floor_fs, steps=True),
        orders_of(6, 4000.0, two_tone, floor_fs=floor_fs),
        orders_of(7, [315.0] * 3, harmonics(3, "both"), floor_fs=floor_fs, steps=True),
        orders_of(8, low_hz, {1: (motion, 0.9 * motion)}, floor_fs=floor_fs),
        orders_of(9, low_hz, {1: (motion, -0.9 * motion)}, floor_fs=floor_fs),
        orders_of(11, 4000.0, two_tone, floor_fs=floor_fs),
        *(
            orders_of(track, [1e3, 4e3], harmonics(2, "both"), floor_fs=floor_fs, steps=True)
            for track in (13, 14)
        ),
    )
    high = orders["order"] * orders["played_hz"] > 0.94 * 24_000.0
    orders = {name: values[~high] for name, values in orders.items()}
    spectrum = {
        "track": np.repeat([1.0, 2.0, 3.0], 6),
        "channel": np.array(["left", "right"] * 9, object),
        "tone_hz": np.repeat([1000.0, 1000.0, 3150.0], 6),
        "frequency_hz": np.tile([500.0, 500.0, 1000.0, 1000.0, 2000.0, 2000.0], 3),
        "level_db": rng.uniform(-90.0, 0.0, 18),
    }
    time_s = np.arange(0.0, 12.0, 1e-2)
    speed = {
        "track": np.full(2 * len(time_s), 3.0),
        "channel": np.repeat(np.array(["left", "right"], object), len(time_s)),
        "time_s": np.tile(time_s, 2),
        "deviation_pct": 0.3 + rng.normal(0.0, 0.1, 2 * len(time_s)),
    }
    edges = np.concatenate([np.arange(0.0, 1200.0, 1.0), np.geomspace(1200.0, 24_000.0, 60)])
    bands = len(edges) - 1
    groove = (loudness * 1e-4) ** 2 + floor_fs**2
    silent = noise_rows(10, edges, groove * rng.uniform(0.5, 2.0, (2, bands)), 0.3)
    cut = noise_rows(12, edges, (loudness * 1e-2) ** 2 * np.ones((2, bands)) + groove, 0.9)
    noise = {key: np.concatenate([silent[key], cut[key]]) for key in silent}
    names = ("left", "right", "sum", "difference")
    levels = {
        "track": np.full(8, 10.0),
        "channel": np.array(names * 2, object),
        "equalisation": np.repeat(np.array(["flat", "iec98"], object), 4),
        **{
            name: loudness * 1e-4 * rng.uniform(1.0, 2.0, 8)
            for name in NOISE_LEVEL.names
            if name.endswith("_fs")
        },
    }
    return {
        "orders": orders,
        "tone_spectrum": spectrum,
        "speed_trace": speed,
        "noise_density": noise,
        "noise_level": levels,
    }


def noise_rows(track, edges_hz, power, shared):
    """Noise density of a track whose channels share a part of their power."""
    bands = len(edges_hz) - 1
    common = shared * np.sqrt(power[0] * power[1])
    mean = 0.5 * (power[0] + power[1])
    density = np.concatenate([power[0], power[1], mean + common, mean - common])
    names = ("left", "right", "sum", "difference")
    return {
        "track": np.full(4 * bands, float(track)),
        "channel": np.repeat(np.array(names, object), bands),
        "frequency_hz": np.tile(0.5 * (edges_hz[1:] + edges_hz[:-1]), 4),
        "bandwidth_hz": np.tile(np.diff(edges_hz), 4),
        "density_fs2_per_hz": density / np.tile(np.diff(edges_hz), 4),
        "ticks": np.full(4 * bands, 7.0),
        "seconds": np.full(4 * bands, 28.0),
        "averaged_s": np.full(4 * bands, 25.0),
    }


@cache
def defaults(name):
    """Default settings of a measure's block, and the settings that are the archive's own."""
    path = BLOCKS / f"{name}.yaml"
    keys = yaml.safe_load(path.read_text())["properties"] if path.exists() else {}
    return {"mains_hz": 50.0, **{key: facts.get("default") for key, facts in keys.items()}}


def measured(name, observations, chain=CHAIN):
    module = quantities.MEASURES[name]
    chain = replace(chain, arm_length_mm=250.0, arm_overhang_mm=16.5, arm_offset_deg=22.0)
    cartridge = replace(CARTRIDGE, tip_radii_um=(8.0, 18.0), tracking_force_mn=18.0)
    settings = defaults(module.block or name)
    context = make_context(SIDE, observations, settings, chain, cartridge)
    return module.measure(context)


every_measure = pytest.mark.parametrize("name", quantities.MEASURES)
some_captures = given(
    seed=st.integers(0, 10_000),
    loudness=st.floats(0.01, 5.0),
    floor_fs=st.sampled_from([0.0, 1e-6, 1e-3, 0.05]),
)
few = settings(max_examples=8, deadline=None, derandomize=True)


def test_every_module_of_a_measure_is_registered():
    modules = {path.stem for path in Path(quantities.__file__).parent.glob("*.py")}
    assert modules - {"__init__"} == set(quantities.MEASURES)


@every_measure
@few
@some_captures
def test_columns_and_rows(name, seed, loudness, floor_fs):
    """The declared columns, no row twice, finite or null, known tracks and channels."""
    rows = measured(name, made_observations(seed, loudness, floor_fs))
    table = quantities.MEASURES[name].table
    assert rows.schema.equals(table.schema)
    # Of a low sweep only what stands clear of the noise is stated.
    assert rows.num_rows > 0 or (name == "resonance" and floor_fs > 1e-3 * loudness)
    keys = list(zip(*(rows[key].to_pylist() for key in table.key), strict=True))
    assert keys == sorted(set(keys))
    columns = tables.columns(rows)
    assert set(columns["capture"]) == {"c1"}
    assert set(columns["track"]) <= {track.track for track in SIDE.tracks}
    for values in columns.values():
        if values.dtype.kind == "f":
            assert not np.isinf(values).any()


@every_measure
@few
@some_captures
def test_the_same_observations_give_the_same_table_in_any_order(name, seed, loudness, floor_fs):
    observations = made_observations(seed, loudness, floor_fs)
    rng = np.random.default_rng(seed)
    mixed = dict(observations)
    # Traces and densities are sorted by their tables' keys; orders and lines may come as they like.
    for table in ("orders", "tone_spectrum"):
        order = rng.permutation(len(observations[table]["track"]))
        mixed[table] = {key: values[order] for key, values in observations[table].items()}
    first = measured(name, observations)
    assert first.equals(measured(name, observations))
    if name != "noise":
        assert first.equals(measured(name, mixed))


@every_measure
@few
@some_captures
def test_exchanged_channels_that_the_chain_knows_of_change_nothing(name, seed, loudness, floor_fs):
    observations = made_observations(seed, loudness, floor_fs)
    other = {"left": "right", "right": "left"}
    crossed = {
        table: {
            **columns,
            "channel": np.array([other.get(c, c) for c in columns["channel"]], object),
        }
        for table, columns in observations.items()
    }
    assert measured(name, observations).equals(measured(name, crossed, swapped_chain()))


@every_measure
@few
@some_captures
def test_twice_as_loud_doubles_outputs_and_nothing_else(name, seed, loudness, floor_fs):
    if name == "noise":
        # Tones under the noise tell no sensitivity; the rated one takes their place.
        assume(floor_fs < 1e-3 * loudness)
    once = tables.columns(measured(name, made_observations(seed, loudness, floor_fs)))
    twice = tables.columns(measured(name, made_observations(seed, 2.0 * loudness, 2.0 * floor_fs)))
    for column, values in once.items():
        if values.dtype.kind == "f":
            factor = 2.0 if column in LOUDER else 1.0
            np.testing.assert_allclose(twice[column], factor * values, rtol=1e-6, atol=1e-9)
        else:
            np.testing.assert_array_equal(twice[column], values)


@every_measure
@pytest.mark.parametrize("loudness", [0.0, 1e-7])
@pytest.mark.parametrize("floor_fs", [0.0, 1e-4])
def test_silence_gives_bounds_and_nulls(name, loudness, floor_fs):
    """Nothing to measure is no error, and no figure either."""
    columns = tables.columns(measured(name, made_observations(1, loudness, floor_fs)))
    if "limited" in columns and (loudness == 0.0 or floor_fs > 0.0):
        assert columns["limited"].all()
    for column, values in columns.items():
        if values.dtype.kind == "f":
            assert not np.isinf(values).any(), column


#: What a row of a dead channel still states: where it was looked for, not what it carries.
PLACES = {
    *("track", "frequency_hz", "played_hz", "tone_hz", "low_hz", "high_hz", "amplitude_um"),
    *("part", "order_max", "low_order", "reference_hz", "reference_velocity_cm_s", "seconds"),
    *("record_db", "speed_db", "averaged", "outer_track", "outer_radius_mm", "inner_radius_mm"),
    *("velocity_cm_s", "tracking_force_mn", "groove_speed_cm_s", "cut_angle_deg"),
    *("wall_velocity_cm_s", "curvature_radius_um", "tip_radius_um", "tracking_error_deg"),
    *("tracing_h2_pct", "tracing_h3_pct", "tracking_h2_pct", "geometry_h2_pct", "geometry_h3_pct"),
}
#: Bounds, and the noise that makes them bounds.
BOUNDED = {"level_mv", "uncertainty_db", "noise_db", "phase_noise_deg", "ticks_per_min"}
#: Figures of one channel that another channel's death leaves as they were.
OF_ONE_CHANNEL = ("distortion", "intermodulation", "tracking_ability", "spectrum", "response")


def dead_right(columns):
    """Observations of a channel that carries nothing."""
    dead = columns["channel"] == "right"
    for column, values in columns.items():
        if column.endswith("_fs") or column == "density_fs2_per_hz":
            values[dead] = 0.0
        if column == "level_db":
            values[dead] = np.nan
        if column == "limited":
            values[dead] = True


@every_measure
def test_a_dead_channel_states_no_figure_and_leaves_the_other_as_it_was(name):
    observations = made_observations(1, 1.0, 1e-6)
    dead = {table: changed(columns, dead_right) for table, columns in observations.items()}
    # Where nothing is carried, no speed is traced.
    left = observations["speed_trace"]["channel"] == "left"
    dead["speed_trace"] = {c: v[left] for c, v in observations["speed_trace"].items()}
    whole, rest = (tables.columns(measured(name, each)) for each in (observations, dead))
    if name in OF_ONE_CHANNEL:
        for column, values in whole.items():
            np.testing.assert_array_equal(
                rest[column][rest["channel"] == "left"], values[whole["channel"] == "left"]
            )
    if "channel" in rest:
        right = rest["channel"] == "right"
        stated = {c for c, v in rest.items() if v.dtype.kind == "f" and np.isfinite(v[right]).any()}
        assert stated <= PLACES | BOUNDED
        if stated & BOUNDED - {"ticks_per_min"}:
            assert rest["limited"][right].all()


@every_measure
def test_every_column_holds_a_figure(name):
    """A column that is null whatever is heard would pass all other tests."""
    columns = tables.columns(measured(name, made_observations(1, 1.0, 1e-6)))
    never = {
        # The tracks' radius is not described, and random motion is no resonance.
        "speed": {"eccentricity_mm", "eccentricity_uncertainty_mm"},
        # Every step is tracked.
        "bias": {"left_lost_um", "right_lost_um", "change"},
        # Random phases have no polarity, and the record's angle is not described.
        "channel_match": {"polarity"},
        "vertical_angle": {"angle_deg"},
        # Random levels fit no contact.
        "scanning": {"contact_noise_um", "contact_record_um"},
        "resonance_fit": set(columns) - {"capture", "track", "axis", "rule_of_thumb_um_per_mn"},
    }.get(name, set())
    for column, values in columns.items():
        if column not in never:
            is_null = np.isnan(values) if values.dtype.kind == "f" else np.equal(values, None)
            assert not is_null.all(), column


@every_measure
def test_nothing_observed_gives_no_figures(name):
    observations = {
        table: {key: values[:0] for key, values in columns.items()}
        for table, columns in made_observations(1, 1.0, 0.0).items()
    }
    rows = measured(name, observations)
    assert rows.schema.equals(quantities.MEASURES[name].table.schema)
    figures = [c for c in rows.column_names if c not in ("capture", "track", "axis")]
    stated = [c for c in figures if rows[c].null_count < rows.num_rows]
    assert stated in ([], ["rule_of_thumb_um_per_mn"])
