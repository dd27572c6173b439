"""Scalar figures from made-up measures."""

import numpy as np

from grooveledger.export.all_tables import TABLES
from grooveledger.measure.metrics import capture_metrics
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN

SWEEP_HZ = np.geomspace(20.0, 20_000.0, 241)


def rows_of(name, **columns):
    """Columns of a measure as they are read back, those not given null, one length for all."""
    table = TABLES[name]
    length = max((np.size(value) for value in columns.values()), default=1)
    whole = {"capture": "c1", **dict.fromkeys(table.names[1:]), **columns}
    for key, value in whole.items():
        if np.ndim(value) == 0:
            whole[key] = [value] * length
    return tables.columns(tables.build(table, whole))


def tone(modulation, frequency_hz=1000.0, **facts):
    return {
        "kind": "tone",
        "modulation": modulation,
        "frequency_hz": frequency_hz,
        "duration_s": 20.0,
        **facts,
    }


def sweep(modulation, **facts):
    return {
        "kind": "sweep",
        "modulation": modulation,
        "start_hz": 20.0,
        "stop_hz": 20_000.0,
        "duration_s": 45.0,
        **facts,
    }


def figures(measures, side, octaves=0.0, cartridge=CARTRIDGE, chain=CHAIN):
    """Rows of the metrics as dicts."""
    columns = capture_metrics(measures, side, cartridge, chain, {"smoothing_octaves": octaves})
    lengths = {len(values) for values in columns.values()}
    assert len(lengths) == 1
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def only(rows, metric, channel):
    found = [row for row in rows if row["metric"] == metric and row["channel"] == channel]
    assert len(found) == 1, found
    return found[0]
