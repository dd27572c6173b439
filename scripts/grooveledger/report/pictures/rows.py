"""Choosing rows of a table held as columns."""

from collections.abc import Iterator, Mapping

import numpy as np

Columns = Mapping[str, np.ndarray]


def where(columns: Columns, **wanted: object) -> dict[str, np.ndarray]:
    """Return the rows whose columns equal the wanted values."""
    keep = np.ones(count(columns), dtype=bool)
    for name, value in wanted.items():
        keep &= columns[name] == value
    return {name: values[keep] for name, values in columns.items()}


def count(columns: Columns) -> int:
    """Count the rows."""
    return len(next(iter(columns.values())))


def groups(columns: Columns, *names: str) -> Iterator[tuple[tuple[object, ...], Columns]]:
    """Yield the rows that share the values of some columns, in order of first appearance."""
    seen = dict.fromkeys(zip(*(columns[name].tolist() for name in names), strict=True))
    for values in seen:
        yield values, where(columns, **dict(zip(names, values, strict=True)))


def sorted_by(columns: Columns, name: str) -> dict[str, np.ndarray]:
    """Return the rows in ascending order of one column."""
    order = np.argsort(columns[name], kind="stable")
    return {key: values[order] for key, values in columns.items()}
