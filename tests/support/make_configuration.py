"""A small invented archive's configuration, written into a folder and loaded by the tests."""

from pathlib import Path
from typing import Any

CAPTURES = [
    ["capture", "file", "captured_at", "stylus", "record", "side", "chain", "stylus_hours",
     "temperature_c", "record_plays", "note"],
    ["one", "one.flac", "2024-01-10", "s1", "bench-a", "a", "bench", "2", "21.5", "", "first"],
    ["two", "sub/two.wav", "2024-02-10T20:15", "s1", "bench-a", "a", "bench", "", "", "", ""],
    ["three", "three.wav", "2024-03-10", "s2", "bench-a", "a", "bench", "12.25", "20", "7", ""],
    ["four", "four.wav", "2024-03-11", "s2", "bench-a", "b", "bench", "13", "20", "", ""],
    ["five", "five.wav", "2024-03-12", "s2", "bench-a", "a", "bench", "14", "20", "", ""],
]  # fmt: skip
STYLI = [
    ["stylus", "cartridge", "fitted_on", "hours_at_fitting", "break_in_hours", "note"],
    ["s1", "mm-one", "2024-01-06", "0", "", "new"],
    ["s2", "mm-one", "2024-03-01", "10", "20", ""],
]
PLAYING_LOG = [
    ["stylus", "played_on", "hours"],
    ["s1", "2024-01-05", "100"],
    ["s1", "2024-01-06", "2"],
    ["s1", "2024-02-09", "3.5"],
    ["s1", "2024-02-10", "50"],
]
CALIBRATION = [
    ["side", "track", "frequency_hz", "recorded_db"],
    ["a", "2", "10000", "0.4"],
    ["a", "2", "1000", "0"],
]
RESPONSE = [["frequency_hz", "gain_db_re_1khz"], ["20", "-0.3"], ["1000", "0"], ["20000", "0.2"]]
CARTRIDGES = """\
mm-one:
  principle: moving_magnet
  tip: {shape: elliptical, radii_um: [8, 18]}
  mass_g: 7.2
  tracking_force_mn: 18.0
  compliance_um_per_mn: {static: 24, dynamic_10hz: null}
  coil: {inductance_mh: 480, resistance_ohm: 750}
  rated:
    output_mv: 4.2
    output_velocity_cm_s: 5.0
    response_hz: [20, 20000]
    response_db: null
    load_pf: [150, 300]
"""
CHAINS = """\
bench:
  arm_effective_mass_g: 13.0
  cable: {resistance_ohm: 0.3, inductance_uh: 1.0, capacitance_pf: 110}
  preamplifier:
    input_resistance_ohm: 47000
    input_capacitance_pf: 45
    gain_db: 40.0
    equalisation: iec98
    response: config/response.tsv
  converter: {full_scale_v_rms: 2.0}
  swap_channels: false
  invert: []
"""
RECORD = """\
record: bench-a
rpm: 33.3333
response_tolerance_db: 1.0
calibration: config/records/bench-a-calibration.tsv
sides:
  a:
    gap_s: 4.0
    tracks:
      - {track: 1, kind: tone, modulation: left, frequency_hz: 1000, velocity_cm_s: 5.0,
         duration_s: 20, radius_mm: 144}
      - {track: 2, kind: sweep, modulation: left, start_hz: 500, stop_hz: 40000,
         velocity_cm_s: 3.54, duration_s: 45}
      - {track: 3, kind: tone, purpose: speed, modulation: lateral, frequency_hz: 3150,
         duration_s: 20}
      - {track: 4, kind: silent_groove, duration_s: 30}
  b:
    tracks:
      - {track: 1, kind: two_tone, modulation: lateral, frequencies_hz: [400, 4000], ratio: 4,
         velocity_cm_s: 8, duration_s: 20}
      - {track: 2, kind: tone_steps, modulation: lateral, frequencies_hz: [100, 1000, 10000],
         step_s: 3.0, velocity_cm_s: 5}
      - {track: 3, kind: amplitude_steps, modulation: lateral, frequency_hz: 315,
         amplitudes_um: [40, 50, 63], step_s: 5.0}
      - {track: 4, kind: sweep, purpose: resonance, modulation: vertical, start_hz: 25,
         stop_hz: 4, recorded: constant_amplitude, duration_s: 30}
"""


def config() -> dict[str, Any]:
    """Content of config.yaml."""
    return {
        "captures_dir": "captures",
        "captures": "config/captures.tsv",
        "styli": "config/styli.tsv",
        "cartridges": "config/cartridges.yaml",
        "chains": "config/chains.yaml",
        "records_dir": "config/records",
        "playing_log": "config/playing_log.tsv",
        "results": "results",
    }


def sheet(rows: list[list[str]]) -> str:
    """Text of a tab-separated sheet."""
    return "".join("\t".join(row) + "\n" for row in rows)


def files() -> dict[str, str]:
    """Every file of the archive but config.yaml, by its path."""
    return {
        "config/captures.tsv": sheet(CAPTURES),
        "config/styli.tsv": sheet(STYLI),
        "config/playing_log.tsv": sheet(PLAYING_LOG),
        "config/cartridges.yaml": CARTRIDGES,
        "config/chains.yaml": CHAINS,
        "config/records/bench-a.yaml": RECORD,
        "config/records/bench-a-calibration.tsv": sheet(CALIBRATION),
        "config/response.tsv": sheet(RESPONSE),
    }


def write(folder: Path, content: dict[str, str | bytes] | None = None) -> Path:
    """Write the archive's files, some of them replaced, into a folder."""
    for name, text in {**files(), **(content or {})}.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder
