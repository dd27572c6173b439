"""Moving windows against their plain definitions."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from grooveledger.segment.sliding import (
    bridged,
    mean_at,
    moving_mean,
    moving_minimum,
    odd_frames,
    opening,
    running_median,
    runs,
)

TRACES = arrays(float, st.integers(1, 60), elements=st.floats(0.0, 1e3))
FLAGS = arrays(bool, st.integers(1, 60))
WIDTHS = st.sampled_from([1, 3, 5, 7, 11, 41])


def naive(function, trace, width):
    padded = np.pad(trace, width // 2, mode="edge")
    return np.array([function(padded[i : i + width]) for i in range(len(trace))])


@settings(max_examples=60, deadline=None)
@given(TRACES, WIDTHS)
def test_minimum_mean_and_median_are_what_they_say(trace, width):
    columns = trace[None, :, None]
    assert np.array_equal(moving_minimum(columns, width)[0, :, 0], naive(np.min, trace, width))
    assert np.allclose(moving_mean(trace, width), naive(np.mean, trace, width), atol=1e-8)
    if len(trace) >= width:
        assert np.array_equal(running_median(trace, width), naive(np.median, trace, width))


@settings(max_examples=60, deadline=None)
@given(TRACES, WIDTHS)
def test_opening_takes_away_and_never_adds_and_is_done_once(trace, width):
    columns = trace[None, :, None]
    opened = opening(columns, width)
    assert (opened <= columns).all()
    inner = slice(width, -width) if len(trace) > 3 * width else slice(0, 0)
    assert np.array_equal(opening(opened, width)[:, inner], opened[:, inner])


@settings(max_examples=60, deadline=None)
@given(FLAGS)
def test_runs_tell_the_flags_again(flags):
    again = np.zeros_like(flags)
    for start, stop in runs(flags):
        again[start:stop] = True
    assert np.array_equal(again, flags)


@settings(max_examples=60, deadline=None)
@given(FLAGS, st.integers(0, 10))
def test_bridges_are_no_longer_than_asked_and_only_between_runs(flags, gap):
    added = bridged(flags, gap) & ~flags
    for start, stop in runs(added):
        assert stop - start <= gap
        assert flags[start - 1]
        assert flags[stop]


def test_odd_frames():
    assert [odd_frames(seconds, 0.01) for seconds in (0.0, 0.011, 0.05, 0.069)] == [1, 1, 5, 7]


def test_the_mean_at_some_frames_is_the_moving_mean_there():
    values = np.random.default_rng(4).normal(size=(40, 3)).astype(np.float32)
    frames = np.array([0, 1, 17, 38, 39])
    assert np.allclose(mean_at(values, frames, 5), moving_mean(values, 5)[frames])
