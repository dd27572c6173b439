"""Moving windows and runs over a trace of frames."""

import numpy as np


def runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """Return the runs of true as (first, one after the last).

    Examples
    --------
    >>> runs(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def bridged(flags: np.ndarray, gap: int) -> np.ndarray:
    """Fill runs of false of up to `gap` frames between runs of true.

    Examples
    --------
    >>> runs(bridged(np.array([True, False, True, False, False, True]), 1))
    [(0, 3), (5, 6)]
    """
    out = flags.copy()
    inner = runs(~flags)
    for start, stop in inner:
        if start > 0 and stop < len(flags) and stop - start <= gap:
            out[start:stop] = True
    return out


def opening(powers: np.ndarray, width: int) -> np.ndarray:
    """Take the moving least, then moving greatest, along axis 1.

    Peaks narrower than `width` vanish.
    """
    least = moving_minimum(powers, width)
    return -moving_minimum(-least, width)


def moving_minimum(values: np.ndarray, width: int) -> np.ndarray:
    """Return the centred moving minimum along axis 1 over an odd number of frames, by doubling."""
    half = width // 2
    padded = np.concatenate(
        [np.repeat(values[:, :1], half, 1), values, np.repeat(values[:, -1:], half, 1)], axis=1
    )
    span = 1
    while 2 * span <= width:
        padded = np.minimum(padded[:, :-span], padded[:, span:])
        span *= 2
    rest = width - span
    return padded if not rest else np.minimum(padded[:, :-rest], padded[:, rest:])


def moving_mean(values: np.ndarray, width: int) -> np.ndarray:
    """Return the centred moving mean along the frames' axis (the last but one, or the only one)."""
    axis = max(values.ndim - 2, 0)
    moved = np.moveaxis(values, axis, 0)
    half = width // 2
    padded = np.concatenate([np.repeat(moved[:1], half, 0), moved, np.repeat(moved[-1:], half, 0)])
    sums = np.cumsum(np.concatenate([np.zeros_like(padded[:1]), padded]), axis=0, dtype=float)
    return np.moveaxis((sums[width:] - sums[:-width]) / width, 0, axis)


def mean_at(values: np.ndarray, frames: np.ndarray, width: int) -> np.ndarray:
    """Return the moving mean of values of shape (frames, ...) at some frames alone."""
    last = len(values) - 1
    around = range(-(width // 2), width // 2 + 1)
    total = sum(values[np.clip(frames + k, 0, last)].astype(float) for k in around)
    return np.asarray(total / width)


def running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Return the centred running median of a trace over an odd number of its values."""
    if len(values) < width:
        return values
    half = width // 2
    padded = np.concatenate([np.full(half, values[0]), values, np.full(half, values[-1])])
    windows = np.stack([padded[i : i + len(values)] for i in range(width)])
    # The middle of an odd number is the median, without numpy's checks of every window.
    windows.sort(axis=0)
    return windows[half]


def odd_frames(seconds: float, hop_s: float) -> int:
    """Return the odd number of frames nearest to a time, at least one."""
    return 2 * int(seconds / hop_s / 2.0) + 1
