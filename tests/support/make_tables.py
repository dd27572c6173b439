"""The tables of an invented archive's captures, for tests of pages, pictures and the workbook.

Thirty captures of three styli: `worn` loses treble and separation, `settled` does not, `fresh` is
new. One capture is rejected, one is flagged. The values are plausible and mean nothing.
"""

from typing import Any

import numpy as np

from grooveledger.export.all_tables import TABLES
from grooveledger.storage import tables

STYLI = {
    "worn": ("mm-one", 120.0, 32.0),
    "settled": ("mm-one", 60.0, 20.0),
    "fresh": ("mc-two", 0.0, 6.0),
}
CHAIN = {
    "chain": "bench",
    "arm_effective_mass_g": 13.0,
    "cable": {"resistance_ohm": 0.3, "inductance_uh": 1.0, "capacitance_pf": 110.0},
    "preamplifier": {
        "input_resistance_ohm": 47000.0,
        "input_capacitance_pf": 45.0,
        "gain_db": 40.0,
        "equalisation": "iec98",
        "response": None,
    },
    "converter": {"full_scale_v_rms": 2.0},
    "swap_channels": False,
    "invert": [],
}
CARTRIDGES: dict[str, dict[str, Any]] = {
    name: {
        "cartridge": name,
        "principle": principle,
        "mass_g": 7.0,
        "compliance_um_per_mn": {"static": 24.0},
        "coil": {"inductance_mh": henry, "resistance_ohm": ohm},
        "rated": {"output_mv": 4.2, "separation_db": 24.0},
    }
    for name, principle, henry, ohm in (
        ("mm-one", "moving_magnet", 480.0, 750.0),
        ("mc-two", "moving_coil", 0.1, 12.0),
    )
}
NASTY = '=HYPERLINK("http://x.invalid","<script>alert(1)</script>")'
RPM = 100 / 3


def sheet_rows(captures: int = 30) -> list[dict[str, Any]]:
    """Rows of the sheet, as the configuration gives them."""
    rows = []
    for index in range(captures):
        stylus = list(STYLI)[index % 3]
        cartridge, start_h, step_h = STYLI[stylus]
        turn = index // 3
        rows.append(
            {
                "capture": f"c{index:04d}",
                "captured_at": f"2024-{1 + turn % 12:02d}-{1 + index % 28:02d}T08:30:00",
                "stylus": stylus,
                "cartridge": cartridge,
                "stylus_hours": start_h + step_h * turn * 30 / captures,
                "record": "bench-a",
                "side": "a",
                "record_plays": index,
                "chain": "bench",
                "temperature_c": None if index == 4 else 20.0 + index % 5,
                "copy": None,
                "file": f"{index:04d}.flac",
                "note": NASTY if index == 1 else None,
            }
        )
    return rows


def wear(row: dict[str, Any]) -> float:
    """How worn the stylus of a capture is, 0 to about 1."""
    return max(0.0, row["stylus_hours"] - 100) / 300 if row["stylus"] == "worn" else 0.0


def health(row: dict[str, Any]) -> dict[str, Any]:
    """File facts of a capture; the seventh is rejected, the twelfth flagged."""
    index = int(row["capture"][1:])
    status = {6: "rejected", 11: "flagged"}.get(index, "ok")
    reason = {
        "rejected": "The file holds no audio. Copy it again from the recorder.",
        "flagged": "Clipped <b>samples</b> on track 2. Lower the gain before the next capture.",
        "ok": "",
    }[status]
    return {
        "capture": row["capture"],
        "sha256": f"{index:064x}",
        "sample_rate_hz": None if status == "rejected" else 96000,
        "duration_s": None if status == "rejected" else 190.0,
        "clipped_left": 12 if status == "flagged" else 0,
        "clipped_right": 0,
        "dc_left": 1e-5,
        "dc_right": -2e-5,
        "status": status,
        "reason": reason,
    }


def table(name: str, **columns: Any) -> Any:
    """A table of that name, columns that are not given left null."""
    declared = TABLES[name]
    return tables.build(declared, {column: columns.get(column) for column in declared.names})


def capture_tables(row: dict[str, Any], light: bool = False) -> dict[str, Any]:
    """Every table of one capture, by its path below the capture's folder; few where `light`."""
    facts = health(row)
    capture = row["capture"]
    made = {"health": table("health", **{**facts, "channel_order": "as_named"})}
    if facts["status"] == "rejected":
        return made | {"tracks": tables.empty(TABLES["tracks"])}
    rng = np.random.default_rng(int(capture[1:]))
    worn = wear(row)
    kinds = ["tone", "tone", "sweep", "sweep", "tone", "silent_groove", "sweep", "amplitude_steps"]
    start = np.arange(8) * 22.0 + 5
    made["tracks"] = table(
        "tracks",
        capture=capture,
        track=[1, 2, 3, 4, 5, 6, 7, None],
        kind=[*kinds[:7], None],
        modulation=["left", "right", "left", "right", "lateral", None, "lateral", None],
        match=["found"] * 6 + ["missing", "unexpected"],
        start_s=start,
        stop_s=start + 18,
        planned_s=[18.0] * 7 + [None],
        level_left_dbfs=[-14.0, -42, -18, -44, -16, -66, None, -60],
        level_right_dbfs=[-41.0, -14.2, -45, -18, -16, -65, None, -61],
        clipped=[False] * 8,
        remark=["", "", "", "", "", "", "not found", "not in the plan"],
    )
    made["metrics"] = metrics_table(row)
    if light:
        return made
    frequency = np.geomspace(20, 20000, 240)
    both = np.concatenate([frequency, frequency])
    channel = ["left"] * 240 + ["right"] * 240
    track = [3] * 240 + [4] * 240
    octave = np.log2(both / 1000)
    side = np.repeat([0.0, 0.3], 240)
    made["response"] = table(
        "response",
        capture=capture,
        track=track,
        channel=channel,
        frequency_hz=both,
        response_db=0.2 * octave
        - (0.5 + 3 * worn + side) * (both / 12000) ** 2
        + 0.03 * rng.normal(size=480),
        reference_hz=1000.0,
        uncertainty_db=0.4,
        played_hz=both,
        limited=False,
    )
    separation = 27 - side - 6 * worn - 2.2 * np.abs(octave)
    made["separation"] = table(
        "separation",
        capture=capture,
        track=track,
        channel=channel,
        frequency_hz=both,
        separation_db=separation,
        crosstalk_phase_deg=10.0,
        floor_db=45.0,
        limited=both > 15000,
        played_hz=both,
    )
    tones = np.array([100.0, 300, 1000, 3000, 5000, 10000] * 2)
    thd = 0.5 * (tones / 100) ** 0.5 * (1 + worn)
    made["distortion"] = table(
        "distortion",
        capture=capture,
        track=[3] * 6 + [4] * 6,
        channel=["left"] * 6 + ["right"] * 6,
        frequency_hz=tones,
        level_mv=3.0,
        thd_pct=thd * np.repeat([1, 1.2], 6),
        h2_pct=thd * 0.9,
        h3_pct=thd * 0.3,
        h4_pct=thd * 0.1,
        h5_pct=[0.01] * 11 + [None],
        thd_as_heard_pct=thd * 0.7,
        order_max=5,
        limited=[True] + [False] * 11,
        played_hz=tones,
        floor_pct=0.1,
        noise_pct=[None] + [0.07] * 11,
        h2_noise_pct=[None] + [0.07] * 11,
        h3_noise_pct=[None] + [0.07] * 11,
        h4_noise_pct=None,
        h5_noise_pct=None,
    )
    made["channel_match"] = table(
        "channel_match",
        capture=capture,
        track=5,
        channel="both",
        frequency_hz=frequency,
        balance_db=0.3 + 0.2 * octave[:240] / 4,
        phase_deg=2.0 * octave[:240],
        polarity="as described",
        noise_db=0.05,
        phase_noise_deg=0.5,
        limited=False,
        played_hz=frequency,
        part=5,
    )
    made["geometry"] = table(
        "geometry",
        capture=capture,
        track=track,
        channel=channel,
        frequency_hz=both,
        tip_radius_um=8.0,
        geometry_h2_pct=0.3 * (both / 1000) ** 0.8,
        measured_h2_pct=0.5 * (both / 1000) ** 0.8 + 0.1 * side,
        geometry_h3_pct=0.02 * (both / 1000) ** 1.6,
        measured_h3_pct=0.1 * (both / 1000) ** 0.8,
        noise_h2_pct=np.where(both < 40, np.nan, 0.01),
        noise_h3_pct=np.where(both < 200, np.nan, 0.01),
        limited=both < 40,
    )
    line = np.arange(20.0, 24000, 10)
    made["spectrum"] = table(
        "spectrum",
        capture=capture,
        track=1,
        channel=["left"] * len(line) + ["right"] * len(line),
        tone_hz=1000.0,
        frequency_hz=np.tile(line, 2),
        level_db=np.tile(np.where(line % 1000 == 0, -20.0 * line / 1000 + 20, -80), 2)
        + rng.normal(size=2 * len(line)),
    )
    made["level"] = table(
        "level",
        capture=capture,
        track=[1, 2],
        channel=["left", "right"],
        frequency_hz=1000.0,
        output_mv=[3.1, 3.0],
        sensitivity_mv_per_cm_s=[0.88, 0.85],
        interchannel_phase_deg=None,
        played_hz=1001.0,
        uncertainty_db=0.2,
        limited=False,
    )
    made["speed"] = table(
        "speed",
        capture=capture,
        track=5,
        channel=["left", "right"],
        mean_hz=3152.0,
        speed_error_pct=0.06,
        wow_flutter_weighted_pct=0.09,
        wow_flutter_unweighted_pct=0.18,
        wow_flutter_weighted_rms_pct=0.05,
        once_per_rev_pct=0.1,
        drift_pct_per_min=0.01,
        frequency_hz=3150.0,
        seconds=17.0,
    )
    made["noise"] = table(
        "noise",
        capture=capture,
        track=6,
        channel=["left", "right", "lateral", "vertical"],
        rumble_unweighted_db=-38.0,
        rumble_weighted_db=-60.0,
        hum_db=-58.0,
        noise_a_db=-62.0,
        noise_468_db=-55.0,
        noise_468_rms_db=-59.5,
        noise_a_with_ticks_db=-61.0,
        noise_468_with_ticks_db=-53.0,
        noise_468_highest_db=-45.0,
        ticks_per_min=6.0,
        reference_velocity_cm_s=5.0,
        rumble_network="from memory",
        seconds=16.0,
    )
    low = np.geomspace(5, 25, 60)
    ratio = low / 9.0
    made["resonance"] = table(
        "resonance",
        capture=capture,
        track=7,
        axis="lateral",
        frequency_hz=low,
        response_db=2.0 + 20 * np.log10(ratio**2 / np.sqrt((1 - ratio**2) ** 2 + (ratio / 3) ** 2)),
    )
    made["resonance_fit"] = table(
        "resonance_fit",
        capture=capture,
        track=[7],
        axis="lateral",
        resonance_hz=9.0,
        peak_db=9.5,
        asymptote_db=2.0,
        q=3.0,
        dynamic_compliance_um_per_mn=15.0,
        rule_of_thumb_um_per_mn=12.0,
        residual_db=0.2,
    )
    amplitude = np.tile([40.0, 50, 60, 70, 80, 90], 2)
    made["tracking_ability"] = table(
        "tracking_ability",
        capture=capture,
        track=8,
        channel=["left"] * 6 + ["right"] * 6,
        amplitude_um=amplitude,
        thd_pct=np.where(amplitude > 75, 14.0, 1.0),
        mistracking=amplitude > 75,
    )
    time = np.arange(0, 17, 0.01)
    made["observations/speed_trace"] = table(
        "speed_trace",
        capture=capture,
        track=5,
        channel="left",
        time_s=time + 93,
        deviation_pct=0.06
        + 0.1 * np.sin(2 * np.pi * RPM / 60 * time)
        + 0.03 * rng.normal(size=len(time)),
    )
    band = np.geomspace(5, 20000, 200)
    made["observations/noise_density"] = table(
        "noise_density",
        capture=capture,
        track=6,
        channel=np.repeat(["left", "right", "sum", "difference"], 200).tolist(),
        frequency_hz=np.tile(band, 4),
        bandwidth_hz=np.tile(band * 0.1, 4),
        density_fs2_per_hz=np.tile(1e-6 / band**1.3, 4) * np.repeat([1, 1.1, 0.8, 1.6], 200),
        ticks=2,
        seconds=16.0,
    )
    return made


def metrics_table(row: dict[str, Any]) -> Any:
    """Scalar figures of a capture."""
    worn = wear(row)
    noise = np.random.default_rng(int(row["capture"][1:])).normal(size=11) * 0.05
    figures = [
        ("output_mv", "left", 3.1 + noise[8], "mV"),
        ("output_mv", "right", 3.0 + noise[9], "mV"),
        ("balance_db", "both", -0.28 + noise[10], "dB"),
        ("response_10khz_db", "left", -0.3 - 2.1 * worn + noise[0], "dB"),
        ("response_10khz_db", "right", -0.5 - 2.1 * worn + noise[1], "dB"),
        ("separation_1khz_db", "left", 27 - 6 * worn + noise[2], "dB"),
        ("separation_1khz_db", "right", 26.7 - 6 * worn + noise[3], "dB"),
        ("thd_10khz_pct", "left", 5 * (1 + worn) + noise[4], "%"),
        ("thd_10khz_pct", "right", 6 * (1 + worn) + noise[5], "%"),
        ("speed_error_pct", "left", 0.06 + noise[6] / 10, "%"),
        ("resonance_lateral_hz", "lateral", 9.0 + noise[7], "Hz"),
    ]
    joined = {
        name: row[name]
        for name in (
            "stylus", "cartridge", "stylus_hours", "captured_at", "record", "side", "record_plays",
            "chain", "temperature_c", "copy",
        )
    }  # fmt: skip
    return table(
        "metrics",
        capture=row["capture"],
        track=3,
        metric=[name for name, _, _, _ in figures],
        channel=[channel for _, channel, _, _ in figures],
        value=[value for _, _, value, _ in figures],
        unit=[unit for _, _, _, unit in figures],
        uncertainty=0.1,
        limited=[False] * 9 + [True, False],
        order_max=5,
        track_position=2,
        **joined,
    )
