"""Captures as they really are, measured as something else is described.

They are the simulator's truth: what orders would be read of a groove, a cartridge and a chain.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import yaml

from grooveledger.measure import quantities
from grooveledger.measure.remarks import remarks
from grooveledger.physics.equalisation import replay_response
from grooveledger.simulate import Conditions, StylusTruth, plan_capture
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN, joined, make_context, make_side, orders_of

BLOCK = Path(__file__).parents[2] / "workflow" / "schemas" / "blocks" / "remarks.yaml"
SETTINGS = {
    key: facts["default"]
    for key, facts in yaml.safe_load(BLOCK.read_text(encoding="utf-8"))["properties"].items()
}
MEASURED = ("level", "response", "separation", "distortion")
#: 4.2 mV at 5 cm/s peak, as the data sheet rates it.
RATED = 4.2 / (5.0 / np.sqrt(2.0))
STYLUS = StylusTruth(sensitivity_mv_per_cm_s=(RATED, RATED))


def tone(modulation, **facts):
    return {"kind": "tone", "modulation": modulation, "frequency_hz": 1000.0, "duration_s": 20.0,
            "velocity_cm_s": 5.0, **facts}  # fmt: skip


def sweep(modulation, **facts):
    return {"kind": "sweep", "modulation": modulation, "start_hz": 20.0, "stop_hz": 20_000.0,
            "duration_s": 40.0, "velocity_cm_s": 1.0, **facts}  # fmt: skip


TRACKS = (
    tone("left"),
    tone("right"),
    sweep("left"),
    sweep("right"),
    tone("lateral"),
    tone("lateral", frequency_hz=3150.0, purpose="speed"),
    {"kind": "tone_steps", "modulation": "lateral", "frequencies_hz": [315.0, 1000.0, 5000.0],
     "step_s": 3.0, "velocity_cm_s": 3.0},
    tone("vertical", frequency_hz=315.0),
)  # fmt: skip
SIDE = make_side(*TRACKS)


def changed(*numbers, side=SIDE, **facts):
    """The side with facts of some tracks, all where none is named, as they really are."""
    return replace(
        side,
        tracks=tuple(
            replace(track, **facts) if track.track in numbers or not numbers else track
            for track in side.tracks
        ),
    )


def sweeps(**facts):
    return changed(3, 4, **facts)


def nominal_hz(track):
    if track.kind == "sweep":
        return np.geomspace(track.start_hz, track.stop_hz, 120)
    return np.array(track.frequencies_hz or (track.frequency_hz,))


def captured(side, chain=CHAIN, stylus=STYLUS, floor_fs=1e-6, **conditions):
    """Orders and tracks of a capture as they really are, channels and gains those of the file."""
    truth = plan_capture(side, stylus, chain, Conditions(**conditions), 1)
    gain = 1e-3 * 10.0 ** (chain.gain_db / 20.0) / chain.full_scale_v_rms / np.sqrt(2.0)
    parts = []
    for one in truth.tracks:
        hz, speed = nominal_hz(one.plan), truth.mean_speed(one.track)
        waves = truth.components(one.track, hz)
        lines = {}
        for order, wave in enumerate(waves, start=1):
            replayed = np.abs(replay_response(order * speed * hz, chain.equalisation))
            lines[order] = tuple(gain * speed * replayed * wave)
        parts.append(
            orders_of(
                one.track,
                hz,
                lines,
                floor_fs=floor_fs,
                played_hz=hz * speed,
                steps=one.kind == "tone_steps",
            )
        )
    orders = joined(*parts)
    above = orders["order"] * orders["played_hz"] > 0.94 * 48_000.0
    tracks = {
        "track": np.array([float(one.track) for one in truth.tracks]),
        "kind": np.array([one.kind for one in truth.tracks], object),
        "match": np.array(["found"] * len(truth.tracks), object),
        "start_s": np.array([one.start_s for one in truth.tracks]),
        "stop_s": np.array([one.stop_s for one in truth.tracks]),
        "clipped": np.zeros(len(truth.tracks), bool),
        "remark": np.array([""] * len(truth.tracks), object),
    }
    return {name: values[~above] for name, values in orders.items()}, tracks


def remarked(capture, side=SIDE, chain=CHAIN, cartridge=CARTRIDGE):
    """Remarks of a capture that is described so."""
    orders, tracks = capture
    tracks["planned_s"] = np.array([track.duration_s for track in side.tracks])
    context = make_context(side, {"orders": orders}, SETTINGS, chain=chain, cartridge=cartridge)
    context = replace(context, tracks=tracks)
    rows = {}
    for name in MEASURED:
        found = quantities.MEASURES[name].measure(context)
        if found.num_rows:
            rows[name] = tables.columns(found)
    return remarks(context, rows)


def only(found):
    assert len(found) == 1, found
    return found[0]
