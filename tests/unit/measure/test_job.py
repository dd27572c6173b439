"""From observation files to measure files: channels put right, faults passed on, checks applied."""

import numpy as np
import pytest

from grooveledger.measure.job import measure_capture
from grooveledger.measure.quantities import MEASURES
from grooveledger.schemas.observe import ORDERS
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.storage import tables
from grooveledger.storage.provenance import FAULT
from made_observations import CHAIN, joined, orders_of
from measured_capture import BLOCKS, NO_ORIGIN, chain_mapping, defaults

SIDE = {
    "record": "made",
    "side": "a",
    "rpm": 33.333,
    "tracks": [
        {
            "track": number,
            "kind": "tone",
            "modulation": modulation,
            "frequency_hz": 1000.0,
            "duration_s": 20.0,
            "velocity_cm_s": 5.0,
        }
        for number, modulation in ((1, "left"), (2, "right"))
    ],
}
#: Left and right amplitude of each track, full scale: separation 40 and 30 dB.
LOUD, LEAK_IN_RIGHT, LEAK_IN_LEFT = 0.1, 1e-3, 0.1 * 10 ** (-30 / 20)


def orders():
    return joined(
        orders_of(1, 1000.0, {1: (LOUD, LEAK_IN_RIGHT), 2: (1e-3, 1e-9)}),
        orders_of(2, 1000.0, {1: (LEAK_IN_LEFT, LOUD), 2: (1e-9, 2e-3)}),
    )


def exchanged(columns):
    other = {"left": "right", "right": "left"}
    return {**columns, "channel": np.array([other[c] for c in columns["channel"]], object)}


@pytest.fixture
def measured(tmp_path):
    def run(columns, channel_order="as_named", rate_hz=96_000, fault=None, side=SIDE):
        rows = tables.build(ORDERS, {"capture": "c", **columns})
        origin = NO_ORIGIN if fault is None else {**NO_ORIGIN, FAULT: fault}
        tables.write(ORDERS, rows, tmp_path / "orders.parquet", origin)
        tracks = dict.fromkeys(TRACKS.names) | {
            "capture": ["c"] * 2,
            "track": [1, 2],
            "kind": ["tone"] * 2,
            "match": ["found"] * 2,
            "start_s": [0.0, 25.0],
            "stop_s": [20.0, 45.0],
        }
        tables.write(TRACKS, tables.build(TRACKS, tracks), tmp_path / "tracks.parquet", NO_ORIGIN)
        facts = dict.fromkeys(HEALTH.names) | {
            "capture": "c",
            "status": "ok",
            "channel_order": channel_order,
            "sample_rate_hz": rate_hz,
        }
        tables.write(HEALTH, tables.build(HEALTH, facts), tmp_path / "health.parquet", NO_ORIGIN)
        blocks = {
            name: defaults(name) if (BLOCKS / f"{name}.yaml").exists() else {} for name in MEASURES
        }
        job = {
            "capture": "c",
            "side": side,
            "chain": chain_mapping(CHAIN),
            "cartridge": {"cartridge": "made", "principle": "moving_magnet"},
            "settings": {**blocks, "mains_hz": 50, "remarks": defaults("remarks")},
            "code": "test",
        }
        measure_capture(tmp_path, [tmp_path / "orders.parquet"], tmp_path, job)
        return lambda name: tables.columns(tables.read(tmp_path / f"{name}.parquet"))

    return run


def separation(read):
    rows = read("separation")
    return dict(zip(rows["channel"], rows["separation_db"], strict=True))


def test_a_table_a_measure_with_provenance_and_the_scalars(measured, tmp_path):
    read = measured(orders())
    for name, declared in MEASURES.items():
        path = tmp_path / f"{name}.parquet"
        assert tables.read(path).schema.equals(declared.table.schema)
        assert tables.provenance(path)["table"] == declared.table.name
    assert separation(read) == pytest.approx({"left": 40.0, "right": 30.0}, abs=1e-6)
    rows = read("metrics")
    stated = dict(
        zip(zip(rows["metric"], rows["channel"], strict=True), rows["value"], strict=True)
    )
    assert stated["separation_1khz_db", "left"] == pytest.approx(40.0, abs=1e-6)
    assert set(rows["capture"]) == {"c"}
    assert not len(read("remarks")["remark"])


def test_exchanged_channels_are_put_right_for_that_capture(measured):
    expected = separation(measured(orders()))
    assert separation(measured(exchanged(orders()), "exchanged")) == expected
    assert separation(measured(exchanged(orders()))) != expected


def test_a_fault_of_an_observation_becomes_a_remark(measured):
    read = measured(orders(), fault="track 2 can't be read: capture again")
    remarks = read("remarks")
    assert remarks["remark"].tolist() == ["track 2 can't be read: capture again"]
    assert np.isnan(remarks["track"]).all()


@pytest.mark.parametrize(("highest_hz", "is_short"), [(16_100.0, False), (16_000.0, True)])
def test_a_curve_is_expected_up_to_nine_tenths_of_half_the_sampling_rate(
    measured, highest_hz, is_short
):
    """Of 40 kHz to 18 kHz, less the factor of 1.12 by which a sweep may end early."""
    sweep = {"kind": "sweep", "start_hz": 20.0, "stop_hz": 20_000.0}
    side = {**SIDE, "tracks": [{**SIDE["tracks"][0], **sweep}, SIDE["tracks"][1]]}
    swept = orders_of(1, np.geomspace(20.0, highest_hz, 200), {1: (LOUD, LEAK_IN_RIGHT)})
    columns = joined(swept, orders_of(2, 1000.0, {1: (LEAK_IN_LEFT, LOUD)}))
    remarks = measured(columns, rate_hz=40_000, side=side)("remarks")["remark"].tolist()
    assert any("gives a curve from 20 to" in text for text in remarks) == is_short
