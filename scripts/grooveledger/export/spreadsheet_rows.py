"""Rows for a spreadsheet: one line a capture with every scalar figure in a column of its own."""

from collections.abc import Mapping
from typing import Any

import pyarrow as pa

from grooveledger.schemas.collect import SHEET
from grooveledger.vocabulary import metric_words

#: What leads each line: enough to group, filter and plot by.
LEADING = tuple(column.name for column in SHEET)
#: Channels in the order of columns.
CHANNELS = ("left", "right", "both", "lateral", "vertical")


def wide_metrics(metrics: pa.Table) -> pa.Table:
    """Spread the long table of metrics: one row a capture, one column a metric and channel.

    Columns are ordered by what they measure and by frequency, as pages list figures; rows by stylus
    and hours. Of several tracks that give one figure, the one that comes first in the plan is
    taken. A bound is no figure: it is left out, and `bounds` names it.

    Parameters
    ----------
    metrics : pyarrow.Table
        The table `metrics`.

    Returns
    -------
    pyarrow.Table
        capture, what joins it to its stylus, one column ``<metric>.<channel>`` each, and `bounds`.
    """
    rows = sorted(
        metrics.to_pylist(), key=lambda row: (row["capture"], _position(row), row["metric"])
    )
    pairs = sorted({(row["metric"], row["channel"]) for row in rows}, key=_place)
    names = [f"{metric}.{channel}" for metric, channel in pairs]
    lines: dict[str, dict[str, Any]] = {}
    for row in rows:
        line = lines.setdefault(
            row["capture"],
            {"capture": row["capture"], **{name: row[name] for name in LEADING}, "bounds": []},
        )
        name = f"{row['metric']}.{row['channel']}"
        if name in line or name in line["bounds"]:
            continue
        if row["limited"]:
            line["bounds"].append(name)
        else:
            line[name] = row["value"]
    schema = pa.schema(
        [
            metrics.schema.field("capture"),
            *(metrics.schema.field(name) for name in LEADING),
            *((name, pa.float64()) for name in names),
            ("bounds", pa.string()),
        ]
    )
    ordered = sorted(lines.values(), key=_age)
    return pa.Table.from_pylist(
        [{**line, "bounds": " ".join(line["bounds"]) or None} for line in ordered], schema
    )


def _place(pair: tuple[str, str]) -> tuple[int, str, int]:
    metric, channel = pair
    known = CHANNELS.index(channel) if channel in CHANNELS else len(CHANNELS)
    return metric_words.order(metric), metric, known


def _age(line: Mapping[str, Any]) -> tuple[str, bool, float, str]:
    hours = line["stylus_hours"]
    return line["stylus"] or "", hours is None, hours or 0.0, line["capture"]


def _position(row: Mapping[str, Any]) -> float:
    position = row["track_position"]
    return float("inf") if position is None else position
