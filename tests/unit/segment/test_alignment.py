"""Alignment of made-up stretches with a plan: no audio, so each cost is seen alone."""

import numpy as np
import pytest

from grooveledger.plan import Side, Track
from grooveledger.segment.alignment import align, resembled
from grooveledger.segment.plausibility import Assumption, Played, expected_hz
from grooveledger.segment.sounding import Sounding
from grooveledger.segment.sweep_line import part_of_range

GAP_S = 3.0
BALANCE_DB = {"left": 25.0, "right": -25.0, "lateral": 0.3, "vertical": -0.3}
COHERENCE = {"left": 0.9, "right": 0.9, "lateral": 1.0, "vertical": -1.0}
TRACKS = (
    Track(1, "tone", 8.0, "left", frequency_hz=1000.0),
    Track(2, "tone", 8.0, "right", frequency_hz=1000.0),
    Track(3, "tone", 6.0, "lateral", frequency_hz=315.0),
    Track(4, "sweep", 15.0, "left", start_hz=20.0, stop_hz=20_000.0),
    Track(5, "silent_groove", 10.0),
    Track(6, "sweep", 12.0, "vertical", start_hz=25.0, stop_hz=4.0),
    Track(7, "tone", 10.0, "vertical", frequency_hz=3150.0),
)
SIDE = Side("r", "a", 100.0 / 3.0, GAP_S, TRACKS)


def played(order=SIDE.tracks, speed=1.0, exchanged=False, inverted=False, parts=None, **known):
    """What is heard of tracks played one after the other; `parts` cuts single ones short."""
    at_s, spans = 4.0, []
    step_s = 0.1
    time_s = np.arange(0.05, 400.0, step_s)
    columns = [np.full(len(time_s), np.nan) for _ in range(3)] + [np.ones(len(time_s))]
    for place, track in enumerate(order):
        length_s = track.duration_s / speed
        if track.modulation:
            heard_s = length_s * (parts or {}).get(place, 1.0)
            spans.append((at_s, at_s + heard_s))
            inside = (time_s >= at_s) & (time_s < at_s + heard_s)
            columns[0][inside] = speed * expected_hz(track, (time_s[inside] - at_s) / length_s)[0]
            name = track.modulation
            if exchanged:
                name = {"left": "right", "right": "left"}.get(name, name)
            if inverted:
                name = {"lateral": "vertical", "vertical": "lateral"}.get(name, name)
            columns[1][inside] = BALANCE_DB[name]
            columns[2][inside] = COHERENCE[name]
            at_s += heard_s + GAP_S / speed
        else:
            at_s += length_s + GAP_S / speed
    return Played(spans, Sounding(time_s, *columns), at_s, **known)


def places(alignment):
    return [(match.position, match.first, match.last) for match in alignment.matches]


ALL = [(0, 0, 0), (1, 1, 1), (2, 2, 2), (3, 3, 3), (5, 4, 4), (6, 5, 5)]


def test_as_planned_costs_nothing():
    alignment = align(played(), SIDE)
    assert places(alignment) == ALL
    assert alignment.assumption == Assumption()
    assert alignment.cost == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("missing", range(7))
def test_a_missing_track_costs_one_track(missing):
    order = [track for i, track in enumerate(TRACKS) if i != missing]
    alignment = align(played(order), SIDE)
    found = [position for position, _, _ in places(alignment)]
    assert found == [i for i in (0, 1, 2, 3, 5, 6) if i != missing]


@pytest.mark.parametrize("twice", [0, 1, 3, 6])
def test_of_a_track_played_twice_the_first_counts(twice):
    order = [*TRACKS[: twice + 1], *TRACKS[twice:]]
    alignment = align(played(order), SIDE)
    stretch = sum(track.modulation is not None for track in TRACKS[:twice])
    assert (twice, stretch, stretch) in places(alignment)
    assert len(alignment.matches) == 6


def test_a_strange_stretch_costs_no_track():
    strange = Track(99, "tone", 5.0, "lateral", frequency_hz=7000.0)
    alignment = align(played([*TRACKS[:2], strange, *TRACKS[2:]]), SIDE)
    assert [position for position, _, _ in places(alignment)] == [0, 1, 2, 3, 5, 6]
    assert 2 not in [first for _, first, _ in places(alignment)]


@pytest.mark.parametrize("rpm", [45.0, 100.0 / 3.0])
@pytest.mark.parametrize("exchanged", [False, True])
@pytest.mark.parametrize("inverted", [False, True])
def test_speed_exchange_and_polarity_are_told(rpm, exchanged, inverted):
    speed = rpm / SIDE.rpm
    alignment = align(played(speed=speed, exchanged=exchanged, inverted=inverted), SIDE)
    assert places(alignment) == ALL
    assert alignment.assumption.speed == pytest.approx(speed)
    assert alignment.assumption[1:] == (exchanged, inverted)


def test_what_is_known_of_the_chain_is_not_told():
    heard = played(exchanged=True, inverted=True)._replace(exchanged=True, inverted=True)
    assert align(heard, SIDE).assumption == Assumption()


def test_a_dropout_is_bridged_and_a_long_interruption_is_not():
    heard = played()
    start_s, stop_s = heard.spans[1]
    short = [(start_s, start_s + 3.0), (start_s + 3.4, stop_s)]
    spans = [heard.spans[0], *short, *heard.spans[2:]]
    assert (1, 1, 2) in places(align(heard._replace(spans=spans), SIDE))
    long = [(start_s, start_s + 1.0), (stop_s - 1.0, stop_s)]
    spans = [heard.spans[0], *long, *heard.spans[2:]]
    alignment = align(heard._replace(spans=spans), SIDE)
    assert 1 not in [position for position, _, _ in places(alignment)]


@pytest.mark.parametrize(("part", "found"), [(0.7, True), (0.3, False)])
def test_a_cut_last_track_is_found_if_half_of_it_is_there(part, found):
    heard = played(parts={6: part})
    heard = heard._replace(duration_s=heard.spans[-1][1])
    assert (6 in [position for position, _, _ in places(align(heard, SIDE))]) is found


def test_a_sweep_heard_in_part_keeps_its_planned_place():
    heard = played()
    start_s, stop_s = heard.spans[3]
    spans = [*heard.spans[:3], (start_s + 3.0, stop_s - 2.0), *heard.spans[4:]]
    match = next(m for m in align(heard._replace(spans=spans), SIDE).matches if m.position == 3)
    assert match.start_s == pytest.approx(start_s, abs=0.02)
    assert match.stop_s == pytest.approx(stop_s, abs=0.02)


def test_a_needle_that_jumps_within_a_sweep_is_told():
    heard = played()
    start_s, stop_s = heard.spans[3]
    middle, turn = np.searchsorted(heard.sounding.time_s, start_s + 9.0), 18
    columns = [np.delete(column, slice(middle, middle + turn)) for column in heard.sounding[1:]]
    sounding = Sounding(heard.sounding.time_s[:-turn], *columns)
    spans = [(a - 1.8 * (a > start_s), b - 1.8 * (b > start_s)) for a, b in heard.spans]
    alignment = align(heard._replace(spans=spans, sounding=sounding), SIDE)
    assert [match.position for match in alignment.matches if match.jumped] == [3]
    assert stop_s > start_s


def test_a_dead_channel_leaves_the_other_ones_tracks():
    alignment = align(played(dead=frozenset({"left"})), SIDE)
    assert [position for position, _, _ in places(alignment)] == [1, 2, 5, 6]


def test_nothing_heard_is_no_match():
    empty = np.array([])
    alignment = align(Played([], Sounding(empty, empty, empty, empty, empty), 60.0), SIDE)
    assert alignment.matches == ()


def test_a_stretch_is_likened_to_the_track_it_is():
    heard = played()
    assert resembled(heard.spans[2], heard, SIDE, Assumption()) == TRACKS[2]
    assert resembled((70.0, 71.0), heard, SIDE, Assumption()) is None


@pytest.mark.parametrize("law", ["log", "linear"])
@pytest.mark.parametrize("ends", [(20.0, 20_000.0), (20_000.0, 20.0), (25.0, 4.0)])
def test_a_sweeps_part_is_the_inverse_of_its_frequency(law, ends):
    track = Track(1, "sweep", 12.0, "left", start_hz=ends[0], stop_hz=ends[1], law=law)
    part = np.linspace(0.0, 1.0, 25)
    assert np.allclose(part_of_range(track, expected_hz(track, part)[0]), part)
    assert np.isnan(part_of_range(track, np.array([1.0, 40_000.0]))).all()
