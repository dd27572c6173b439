"""First guesses of a tone and of a sweep."""

import numpy as np
import pytest

from grooveledger.observe.carrier import sweep_path, tone_path
from grooveledger.observe.tone_search import tone_hz
from grooveledger.plan import Track

RATE = 48_000


def stereo(sound, rest=0.0):
    rng = np.random.default_rng(1)
    both = np.stack([sound, 0.1 * sound]) + rest * rng.standard_normal((2, len(sound)))
    return both.astype(np.float32)


@pytest.mark.parametrize("hz", [50.3, 997.0, 3159.45, 15_000.7])
def test_a_tone_is_found_to_a_hundredth_of_its_resolution(hz):
    t = np.arange(2 * RATE) / RATE
    found_hz, channel = tone_hz(stereo(np.cos(2 * np.pi * hz * t), 0.01), RATE, hz * 1.04, 0.1)
    assert found_hz == pytest.approx(hz, abs=0.02)
    assert channel == 0


def test_a_tone_path_runs_at_its_frequency():
    _, rate = tone_path(3150.0, RATE, RATE).at(np.array([0.0, 1234.5, RATE - 1.0]))
    assert rate * RATE == pytest.approx([3150.0] * 3)


@pytest.mark.parametrize("speed", [0.99, 1.0, 1.013])
@pytest.mark.parametrize("law", ["log", "linear"])
@pytest.mark.parametrize(
    ("start_hz", "stop_hz"), [(20.0, 20_000.0), (20_000.0, 500.0), (25.0, 4.0)]
)
def test_a_sweep_is_found_to_a_few_milliseconds(law, start_hz, stop_hz, speed):
    track = Track(1, "sweep", 20.0, "left", start_hz=start_hz, stop_hz=stop_hz, law=law)
    begin = 0.437
    t = np.arange(int((20.0 / speed + 1.0) * RATE)) / RATE - begin
    u = speed * t
    if law == "log":
        rate = np.log(stop_hz / start_hz) / 20.0
        cycles = start_hz * np.expm1(rate * u) / rate
    else:
        cycles = start_hz * u + 0.5 * (stop_hz - start_hz) / 20.0 * u**2
    sound = np.where((t > 0) & (u < 20.0), np.cos(2 * np.pi * cycles), 0.0)
    found = sweep_path(stereo(sound, 0.003), RATE, track, begin + 0.08, speed)
    assert found is not None
    path, channel, begin_s, end_s = found
    assert channel == 0
    # A quick sweep is known to milliseconds, a slow one below 30 Hz to a fraction of a cycle.
    tolerance = 0.004 if start_hz > 100 or stop_hz > 100 else 0.1
    assert begin_s == pytest.approx(begin, abs=tolerance)
    assert end_s - begin_s == pytest.approx(20.0 / speed)
    middle = (begin + 10.0 / speed) * RATE
    played = np.interp(middle / RATE, t[1:] + begin, np.diff(cycles) * RATE)
    assert path.at(np.array([middle]))[1][0] * RATE == pytest.approx(played, rel=0.01)


def test_what_is_no_sweep_is_not_found():
    track = Track(1, "sweep", 10.0, "left", start_hz=20.0, stop_hz=20_000.0)
    noise = np.random.default_rng(2).standard_normal((2, 11 * RATE)).astype(np.float32)
    assert sweep_path(noise, RATE, track, 0.4, 1.0) is None
    assert sweep_path(noise[:, :RATE], RATE, track, 0.4, 1.0) is None
